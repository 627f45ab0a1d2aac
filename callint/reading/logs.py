"""Driving logs: CSV files of recorded signals, read in chunks, so that they may be of any length.

The first line has the column names, or the line below some lines of text that has most of the wanted names. A
next line without any number has the units; each other line is a row.
Commas, semicolons or tabs separate the columns; with the latter two a decimal comma is accepted. A cell that
is not a number is not a reading, and is counted. A row with more cells than the header has names is left out,
because its cells cannot be assigned to the names.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice, repeat
from pathlib import Path

import numpy as np

from callint.model.change import Numbers
from callint.model.errors import InputError
from callint.model.policy import LogColumns
from callint.reading.tree import reason

#: Number of bytes that are read at a time, and the longest line that is read.
_BLOCK = 2**21
#: Number of lines that are converted together if some line of a chunk has a cell that is not a number.
_BATCH = 500
_SEPARATORS = "\t;,"
#: Number of lines in which the column names are looked for; empty lines do not count.
_MOST_PREAMBLE = 100
#: The part of a column name from a bracket on, mostly a unit.
_UNIT = re.compile(r"[\[({].*")
#: Usual names of a time column, for a hint (common practice, no source).
_TIME_NAMES = {"t", "time", "times", "timestamp", "elapsed", "elapsedtime", "seconds", "sec", "zeit"}
#: A column of the time in seconds, if the policy names none and no column has the usual name: what converters
#: of measurement files write (common practice, no source).
_TIMESTAMPS = "timestamps"
#: Number of column names that an error quotes, and number of characters of each.
_MOST_NAMES, _MOST_LETTERS = 6, 40
csv.field_size_limit(4 * _BLOCK)


@dataclass
class LogDefects:
    """The number of rows of a log, and what was wrong with them.

    ``short`` counts rows that end early, ``overfull`` rows with more cells than there are names, ``unread``
    rows without a reading, by column. ``doubled`` has the names that several columns have. ``comma`` is the
    first cell that would be a number without its commas, "" if there is none.
    """

    rows: int = 0
    short: int = 0
    overfull: int = 0
    unread: dict[str, int] = field(default_factory=dict)
    doubled: list[str] = field(default_factory=list)
    comma: str = ""


@dataclass(frozen=True, slots=True)
class LogChunk:
    """Some rows of a log: ``time`` in seconds, None without a time column, and the readings by signal.

    All arrays have the shape (rows,); a missing reading is NaN.
    """

    time: Numbers | None
    signals: dict[str, Numbers]


class LogFile(ABC):
    """One log in any format: the columns that are signals, and the rows in chunks.

    ``size`` is that of the file in bytes. ``similar`` has the columns whose names are similar to those of
    signals without a column, ``similar_time`` one that may be the time.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size = 0
        self.defects = LogDefects()
        self.missing_columns: list[str] = []
        self.similar: dict[str, str] = {}
        self.similar_time = ""
        self._columns: dict[str, int] = {}

    @property
    def signals(self) -> list[str]:
        """The signals that have a column."""
        return list(self._columns)

    @property
    @abstractmethod
    def has_time(self) -> bool:
        """Whether the log has the time of its rows."""

    @property
    def may_have_decimal_commas(self) -> bool:
        """Whether commas separate the cells, so that a decimal comma would split a number."""
        return False

    @abstractmethod
    def chunks(self, step: Callable[[int], None] = lambda done: None) -> Iterator[LogChunk]:
        """All rows in chunks; ``step`` is called with the number of bytes read so far.

        Raises InputError if the file cannot be read to its end, or has no row.
        """

    def _find_signals(self, columns: LogColumns, known: Iterable[str], names: list[str], place: str) -> None:
        """Find the columns of the signals by their ``names``; ``place`` is that of the names in messages.

        Raises InputError if no column is a signal.
        """
        by_letters = {_letters(name): name for name in reversed(dict.fromkeys(names))}
        for signal in known:
            wanted = columns.signals.get(signal, signal)
            if wanted in names:
                self._columns[signal] = names.index(wanted)
                continue
            if signal in columns.signals:
                self.missing_columns.append(wanted)
            if similar := by_letters.get(_letters(signal)) or by_letters.get(_letters(wanted)):
                self.similar[signal] = similar
        if not self._columns:
            listed = ", ".join(repr(name[:_MOST_LETTERS]) for name in names[:_MOST_NAMES])
            more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
            similar_names = list(self.similar.items())[:_MOST_NAMES]
            hints = "".join(f"; {name[:_MOST_LETTERS]!r} may be {signal}" for signal, name in similar_names)
            raise InputError(
                f"{place}: no column is a signal of the definition; the columns are "
                f"{listed}{more}{hints}; name the signals in [log] of callint.toml"
            )
        used = dict.fromkeys(names[column] for column in self._columns.values())
        self.defects.doubled = [name for name in used if names.count(name) > 1]

    def _read_error(self, error: OSError, what: str) -> InputError:
        return InputError(f"{self.path}: the log cannot be read: {reason(error)}; check the {what}")


class Log(LogFile):
    """A log in a text file with separators.

    A log that is still being written is read up to its size when it was opened.
    """

    def __init__(self, path: Path, columns: LogColumns, known: Iterable[str]) -> None:
        """Open a log; ``known`` are the signals of the definition.

        Raises InputError if the file is not a log, or if no column is a signal.
        """
        super().__init__(path)
        try:
            if path.exists() and not path.is_file():
                raise InputError(f"{path}: it is not a file; give a log as CSV")
            self.size = path.stat().st_size
            with path.open("rb") as file:
                front = file.read(_BLOCK)
        except OSError as error:
            raise self._read_error(error, "path") from None
        self._encoding = _encoding(front)
        text = front.decode(self._encoding, "replace").replace("\r", "\n")
        lines = list(islice(filter(str.strip, text.split("\n")), _MOST_PREAMBLE))
        if not lines:
            raise InputError(f"{path}: the log is empty; export it again")
        if "\0" in lines[0]:
            raise InputError(f"{path}: it is not a text file; export the log as CSV")
        known = list(known)
        #: Number of lines above the column names, without empty ones.
        self._preamble = _header_index(lines, [columns.time, *(columns.signals.get(s, s) for s in known)])
        head = lines[self._preamble]
        self._header_line = _line_number(front.decode(self._encoding, "replace"), self._preamble)
        self._separator = _separator(head)
        names = [name.strip() for name in self._cells(head)]
        self._name_count = len(names)
        self._find_signals(columns, known, names, f"{path}:{self._header_line}")
        self._find_time(columns, names)
        if self._time is not None and names.count(names[self._time]) > 1:
            self.defects.doubled.append(names[self._time])

    def _find_time(self, columns: LogColumns, names: list[str]) -> None:
        """Find the column of the time by its name."""
        time_names = [columns.time] if columns.is_named else [columns.time, _TIMESTAMPS]
        self._time = next((names.index(name) for name in time_names if name in names), None)
        if self._time is None:
            if columns.is_named:
                self.missing_columns.append(columns.time)
            distinct = dict.fromkeys(names)
            self.similar_time = next((name for name in distinct if _letters(name) in _TIME_NAMES), "")

    @property
    def has_time(self) -> bool:
        """Whether the log has a time column."""
        return self._time is not None

    @property
    def may_have_decimal_commas(self) -> bool:
        """Whether commas separate the cells, so that a decimal comma would split a number."""
        return self._separator == ","

    @property
    def _wanted(self) -> list[int]:
        """The columns that are read; the time column is last."""
        return list(self._columns.values()) + ([] if self._time is None else [self._time])

    def chunks(self, step: Callable[[int], None] = lambda done: None) -> Iterator[LogChunk]:
        """All rows in chunks; ``step`` is called with the number of bytes read so far.

        Raises InputError if the file cannot be read to its end, or has no row.
        """
        try:
            for lines in filter(None, map(self._without_overfull, self._rows(step))):
                values = self._numbers(lines)
                self._count(values)
                signals = dict(zip(self._columns, values.T, strict=False))
                yield LogChunk(None if self._time is None else values[:, -1], signals)
        except OSError as error:
            raise self._read_error(error, "file") from None
        if not self.defects.rows:
            raise InputError(f"{self.path}: the log has no row below its column names; export it again")

    def _rows(self, step: Callable[[int], None]) -> Iterator[list[str]]:
        """The lines below the names and the units, without empty lines, in chunks."""
        skipped, may_be_units = self._preamble + 1, True
        for text in self._texts(step):
            rest = text
            while skipped and rest:
                line, _, rest = rest.partition("\n")
                skipped -= bool(line.strip())
            lines = list(filter(str.strip, self._normalized(rest).split("\n")))
            if lines and may_be_units:
                may_be_units = False
                if all(map(np.isnan, map(_number, self._cells(lines[0])))):
                    del lines[0]
            if lines:
                yield lines

    def _texts(self, step: Callable[[int], None]) -> Iterator[str]:
        """The file as text in chunks of whole lines; a line that is too long counts as a short row."""
        decoder = io.IncrementalNewlineDecoder(
            codecs.getincrementaldecoder(self._encoding)("replace"), translate=True
        )
        rest, is_too_long, remaining = "", False, self.size
        with self.path.open("rb") as file:
            while remaining > 0 and (data := file.read(min(_BLOCK, remaining))):
                remaining -= len(data)
                text = rest + decoder.decode(data, final=remaining <= 0)
                cut = text.rfind("\n") + 1 if remaining > 0 else len(text)
                lines, rest = text[:cut], text[cut:]
                if is_too_long:
                    _, line_end, lines = lines.partition("\n")
                    is_too_long = not line_end
                if len(rest) > _BLOCK or is_too_long:
                    if not is_too_long:
                        self.defects.rows += 1
                        self.defects.short += 1
                    rest, is_too_long = "", True
                yield lines
                step(self.size - remaining)

    def _normalized(self, text: str) -> str:
        """The text with nan in empty cells and with decimal points, as numpy.loadtxt needs it."""
        separator = self._separator
        if separator != ",":
            text = text.replace(",", ".")
        if separator * 2 in text:
            # Twice: one pass fills only every second of several empty cells in a row.
            for _ in range(2):
                text = text.replace(separator * 2, f"{separator}nan{separator}")
        # Cells of columns that are not read may stay as they are.
        wanted = self._wanted
        if self._name_count - 1 in wanted:
            text = text.replace(f"{separator}\n", f"{separator}nan\n")
        if 0 in wanted:
            text = text.replace(f"\n{separator}", f"\nnan{separator}")
        return f"nan{text}" if text.startswith(separator) else text

    def _without_overfull(self, lines: list[str]) -> list[str]:
        """The lines without more cells than there are names; empty cells at the end do not count."""
        separator, most = self._separator, self._name_count
        if max(map(str.count, lines, repeat(separator))) < most:
            return lines
        kept = [
            line
            for line in lines
            if line.count(separator) < most
            # An empty cell may be nan by now.
            or all(cell.strip() in ("", "nan") for cell in self._cells(line)[most:])
        ]
        self.defects.rows += len(lines) - len(kept)
        self.defects.overfull += len(lines) - len(kept)
        return kept

    def _numbers(self, lines: list[str]) -> Numbers:
        """The wanted columns of some lines, shape (rows, columns); NaN for a cell that is not a number."""
        values = self._parse_numeric(lines)
        if values is not None:
            return values
        values = np.empty((len(lines), len(self._wanted)))
        for start in range(0, len(lines), _BATCH):
            batch = lines[start : start + _BATCH]
            numeric = self._parse_numeric(batch)
            values[start : start + _BATCH] = self._parse_any(batch) if numeric is None else numeric
        return values

    def _parse_numeric(self, lines: list[str]) -> Numbers | None:
        """As ``_parse_any``, but faster and for lines of numbers only; None for other lines."""
        try:
            values = np.loadtxt(
                lines, delimiter=self._separator, usecols=self._wanted, ndmin=2, comments=None, quotechar='"'
            )
        except (ValueError, IndexError):
            return None
        if len(values) != len(lines):
            return None
        return np.where(np.isfinite(values), values, np.nan)

    def _parse_any(self, lines: list[str]) -> Numbers:
        """The wanted columns of some lines, cell by cell; counts short rows."""
        wanted, most = self._wanted, max(self._wanted)
        values = np.full((len(lines), len(wanted)), np.nan)
        for row, line in enumerate(lines):
            cells = self._cells(line, most + 1)
            if len(cells) <= most:
                self.defects.short += 1
            for column, place in enumerate(wanted):
                if place < len(cells):
                    value = values[row, column] = _number(cells[place])
                    if np.isnan(value) and not self.defects.comma and "," in cells[place]:
                        is_number = np.isfinite(_number(cells[place].replace(",", "")))
                        self.defects.comma = cells[place].strip() if is_number else ""
        return values

    def _cells(self, line: str, most: int = -1) -> list[str]:
        """The cells of a line, at least the first ``most``."""
        return _split_line(line, self._separator, most)

    def _count(self, values: Numbers) -> None:
        self.defects.rows += len(values)
        names = [*self._columns, *(["time"] if self._time is not None else [])]
        for name, unread in zip(names, np.isnan(values).sum(axis=0).tolist(), strict=True):
            if unread:
                self.defects.unread[name] = self.defects.unread.get(name, 0) + unread


def _separator(line: str) -> str:
    """The separator that occurs most often in a line."""
    return max(_SEPARATORS, key=line.count)


def _split_line(line: str, separator: str, most: int = -1) -> list[str]:
    """The cells of a line, at least the first ``most``."""
    if '"' in line:
        return next(csv.reader([line], delimiter=separator), [])
    return line.split(separator, most)


def _header_index(lines: list[str], wanted: list[str]) -> int:
    """The index of the line with the column names: it has the most of the ``wanted`` ones, or similar ones.

    If no line has any, it is the first line with as many cells as the first row of numbers.
    """
    cells = [[cell.strip() for cell in _split_line(line, _separator(line))] for line in lines]
    names, letters = set(wanted), {_letters(name) for name in wanted} - {""}
    # A hostile line has a million equal cells: only distinct ones are looked at.
    rows = [set(row) for row in cells]
    scores = [(len(names & row), len(letters.intersection(map(_letters, row)))) for row in rows]
    best = max(scores)
    if best != (0, 0):
        return scores.index(best)
    numeric = (
        cells[number]
        for number, row in enumerate(rows)
        if any(row) and not any(np.isnan(_number(cell)) for cell in row if cell)
    )
    count = len(next(numeric, cells[0]))
    return next(number for number, row in enumerate(cells) if len(row) == count)


def _line_number(text: str, index: int) -> int:
    """The number of a line, counted from 1, by its index among those that are not empty."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    numbers = (number for number, line in enumerate(lines, 1) if line.strip())
    return next(islice(numbers, index, None), 1)


def _encoding(front: bytes) -> str:
    """The encoding of a file by its first bytes: UTF-16 with a byte order mark, UTF-8, or else Latin-1."""
    if front.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(front)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8-sig"


def _letters(name: str) -> str:
    """The letters and digits of a name without its unit, to compare names that are spelled differently."""
    return "".join(filter(str.isalnum, _UNIT.sub("", name).casefold()))


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        return np.nan
    return value if np.isfinite(value) else np.nan
