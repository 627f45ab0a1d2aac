"""Driving logs: CSV files of recorded signals, read piece by piece, however long they are.

A log has a line of column names, and a row a line; the columns are separated by commas, semicolons or tabs,
and with the latter two a decimal comma is understood. A second line without any number has the units.
Whatever is no number counts as no reading, and is counted. A row with more cells than the header has names is
left out: nobody knows which of its cells belongs to which name.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import repeat
from pathlib import Path

import numpy as np

from callint.model.change import Numbers
from callint.model.errors import InputError
from callint.model.policy import LogColumns
from callint.reading.tree import reason

#: Bytes that are read at a time. No honest line is as long.
_BLOCK = 2**21
#: Where not all lines are of numbers, so many are tried together.
_FEW = 500
_SEPARATORS = "\t;,"
#: What a column's name has behind the name itself: a unit, mostly.
_BEHIND = re.compile(r"[\[({].*")
#: How columns of time are called that are not called as the policy says (common practice, no source).
_TIMES = {"t", "time", "times", "timestamp", "elapsed", "elapsedtime", "seconds", "sec", "zeit"}
#: So many names of columns are told, and so much of each.
_MOST_NAMES, _MOST_LETTERS = 6, 40
csv.field_size_limit(4 * _BLOCK)


@dataclass
class Trouble:
    """How many rows a log had, and what was wrong with them.

    ``short`` are rows that ended early, ``overfull`` those with more cells than there are names,
    ``unread`` the rows without a reading by column, and ``doubled`` the columns of which there were several.
    ``comma`` is the first cell that is a number but for its commas, empty where there is none.
    """

    rows: int = 0
    short: int = 0
    overfull: int = 0
    unread: dict[str, int] = field(default_factory=dict)
    doubled: list[str] = field(default_factory=list)
    comma: str = ""


@dataclass(frozen=True, slots=True)
class Piece:
    """Some rows of a log: ``time`` in seconds, None without such a column, and readings by signal.

    All have the shape (rows,); NaN stands where there is no number.
    """

    time: Numbers | None
    signals: dict[str, Numbers]


class Log:
    """One log: which of its columns are signals, and its rows in pieces.

    A log that is still being written is read as far as it went when it was opened.
    """

    def __init__(self, path: Path, columns: LogColumns, known: Iterable[str]) -> None:
        """Open a log; ``known`` are the signals of the definition. InputError where no column is one."""
        self.path = path
        self.trouble = Trouble()
        try:
            if path.exists() and not path.is_file():
                raise InputError(f"{path}: it is no file; give a log as CSV")
            self.size = path.stat().st_size
            with path.open("rb") as file:
                front = file.read(_BLOCK)
        except OSError as error:
            raise self._unreadable(error, "path") from None
        self._encoding = _encoding(front)
        text = front.decode(self._encoding, "replace").replace("\r", "\n")
        head = next(filter(str.strip, text.split("\n")), "")
        if not head:
            raise InputError(f"{path}: the log is empty; export it again")
        if "\0" in head:
            raise InputError(f"{path}: it is no text; export the log as CSV")
        self._separator = max(_SEPARATORS, key=head.count)
        self._columns: dict[str, int] = {}
        self.missing: list[str] = []
        #: Columns that may be a signal, or the time, of which there is none under its own name.
        self.near: dict[str, str] = {}
        self.near_time = ""
        names = [name.strip() for name in self._cells(head)]
        self._names = len(names)
        self._place(columns, known, names)

    def _place(self, columns: LogColumns, known: Iterable[str], names: list[str]) -> None:
        """Find the columns of the signals and of the time among the names."""
        nearly = {_letters(name): name for name in reversed(names)}
        for signal in known:
            wanted = columns.signals.get(signal, signal)
            if wanted in names:
                self._columns[signal] = names.index(wanted)
                continue
            if signal in columns.signals:
                self.missing.append(wanted)
            if near := nearly.get(_letters(signal)) or nearly.get(_letters(wanted)):
                self.near[signal] = near
        self._time = names.index(columns.time) if columns.time in names else None
        if columns.is_named and self._time is None:
            self.missing.append(columns.time)
        if self._time is None:
            self.near_time = next((name for letters, name in nearly.items() if letters in _TIMES), "")
        if not self._columns:
            found = ", ".join(repr(name[:_MOST_LETTERS]) for name in names[:_MOST_NAMES])
            more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
            nearest = list(self.near.items())[:_MOST_NAMES]
            likely = "".join(f"; {name[:_MOST_LETTERS]!r} may be {signal}" for signal, name in nearest)
            raise InputError(
                f"{self.path}:1: no column is a signal of the definition, they are {found}{more}{likely}; "
                "name them in [log] of callint.toml"
            )
        used = dict.fromkeys(names[place] for place in self._wanted)
        self.trouble.doubled = [name for name in used if names.count(name) > 1]

    @property
    def signals(self) -> list[str]:
        return list(self._columns)

    @property
    def has_time(self) -> bool:
        return self._time is not None

    @property
    def may_have_decimal_commas(self) -> bool:
        """Whether a decimal comma would be taken for the end of a cell."""
        return self._separator == ","

    @property
    def _wanted(self) -> list[int]:
        """The columns that are read, that of the time last."""
        return list(self._columns.values()) + ([] if self._time is None else [self._time])

    def pieces(self, step: Callable[[int], None] = lambda done: None) -> Iterator[Piece]:
        """All rows, a piece at a time; ``step`` is called with how many bytes are behind.

        InputError where the file cannot be read to its end, or has no row.
        """
        try:
            for lines in filter(None, map(self._trusted, self._rows(step))):
                values = self._numbers(lines)
                self._count(values)
                signals = dict(zip(self._columns, values.T, strict=False))
                yield Piece(None if self._time is None else values[:, -1], signals)
        except OSError as error:
            raise self._unreadable(error, "file") from None
        if not self.trouble.rows:
            raise InputError(f"{self.path}: the log has no row below its column names; export it again")

    def _unreadable(self, error: OSError, what: str) -> InputError:
        return InputError(f"{self.path}: the log cannot be read: {reason(error)}; check the {what}")

    def _rows(self, step: Callable[[int], None]) -> Iterator[list[str]]:
        """The lines below those of the names and the units, some at a time, without empty ones."""
        above = 2
        for text in self._texts(step):
            lines = list(filter(str.strip, self._filled(text).split("\n")))
            if above == 2 and lines:
                del lines[0]
                above = 1
            if above == 1 and lines:
                if all(map(np.isnan, map(_number, self._cells(lines[0])))):
                    del lines[0]
                above = 0
            if lines:
                yield lines

    def _texts(self, step: Callable[[int], None]) -> Iterator[str]:
        """The file as text, whole lines at a time; a line that is too long counts as a short row."""
        decoder = io.IncrementalNewlineDecoder(
            codecs.getincrementaldecoder(self._encoding)("replace"), translate=True
        )
        left, is_too_long, ahead = "", False, self.size
        with self.path.open("rb") as file:
            while ahead > 0 and (data := file.read(min(_BLOCK, ahead))):
                ahead -= len(data)
                text = left + decoder.decode(data, final=ahead <= 0)
                cut = text.rfind("\n") + 1 if ahead > 0 else len(text)
                whole, left = text[:cut], text[cut:]
                if is_too_long:
                    _, found, whole = whole.partition("\n")
                    is_too_long = not found
                if len(left) > _BLOCK or is_too_long:
                    if not is_too_long:
                        self.trouble.rows += 1
                        self.trouble.short += 1
                    left, is_too_long = "", True
                yield whole
                step(self.size - ahead)

    def _filled(self, text: str) -> str:
        """A text whose empty cells say nan and whose decimal point is a point, for the quick reader."""
        mark = self._separator
        if mark != ",":
            text = text.replace(",", ".")
        if mark * 2 in text:
            # Twice, as every second of several empty cells in a row is passed over.
            text = text.replace(mark * 2, f"{mark}nan{mark}").replace(mark * 2, f"{mark}nan{mark}")
        # What stands in a column that nobody reads is not looked at.
        wanted = self._wanted
        if self._names - 1 in wanted:
            text = text.replace(f"{mark}\n", f"{mark}nan\n")
        if 0 in wanted:
            text = text.replace(f"\n{mark}", f"\nnan{mark}")
        return f"nan{text}" if text.startswith(mark) else text

    def _trusted(self, lines: list[str]) -> list[str]:
        """The lines that have no more cells than there are names; empty cells at the end are none."""
        mark, names = self._separator, self._names
        if max(map(str.count, lines, repeat(mark))) < names:
            return lines
        kept = [
            line
            for line in lines
            if line.count(mark) < names
            # The quick reader's nan stands for an empty cell.
            or all(cell.strip() in ("", "nan") for cell in self._cells(line)[names:])
        ]
        self.trouble.rows += len(lines) - len(kept)
        self.trouble.overfull += len(lines) - len(kept)
        return kept

    def _numbers(self, lines: list[str]) -> Numbers:
        """The wanted columns of some lines, shape (rows, columns); NaN where there is no number."""
        values = self._quickly(lines)
        if values is not None:
            return values
        values = np.empty((len(lines), len(self._wanted)))
        for start in range(0, len(lines), _FEW):
            few = lines[start : start + _FEW]
            quick = self._quickly(few)
            values[start : start + _FEW] = self._slowly(few) if quick is None else quick
        return values

    def _quickly(self, lines: list[str]) -> Numbers | None:
        """As ``_slowly``, but for lines of numbers only; None where there is anything else."""
        try:
            values = np.loadtxt(
                lines, delimiter=self._separator, usecols=self._wanted, ndmin=2, comments=None, quotechar='"'
            )
        except (ValueError, IndexError):
            return None
        if len(values) != len(lines):
            return None
        return np.where(np.isfinite(values), values, np.nan)

    def _slowly(self, lines: list[str]) -> Numbers:
        wanted, most = self._wanted, max(self._wanted)
        values = np.full((len(lines), len(wanted)), np.nan)
        for row, line in enumerate(lines):
            cells = self._cells(line, most + 1)
            if len(cells) <= most:
                self.trouble.short += 1
            for column, place in enumerate(wanted):
                if place < len(cells):
                    value = values[row, column] = _number(cells[place])
                    if np.isnan(value) and not self.trouble.comma and "," in cells[place]:
                        is_number = np.isfinite(_number(cells[place].replace(",", "")))
                        self.trouble.comma = cells[place].strip() if is_number else ""
        return values

    def _cells(self, line: str, most: int = -1) -> list[str]:
        """The cells of a line, at least the first of them up to ``most``."""
        if '"' in line:
            return next(csv.reader([line], delimiter=self._separator), [])
        return line.split(self._separator, most)

    def _count(self, values: Numbers) -> None:
        self.trouble.rows += len(values)
        names = [*self._columns, *(["time"] if self._time is not None else [])]
        for name, unread in zip(names, np.isnan(values).sum(axis=0).tolist(), strict=True):
            if unread:
                self.trouble.unread[name] = self.trouble.unread.get(name, 0) + unread


def _encoding(front: bytes) -> str:
    """The encoding of a file by its first bytes: UTF-8, UTF-16 with its mark, or else Latin-1."""
    if front.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(front)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8-sig"


def _letters(name: str) -> str:
    """A column's or a signal's name without its unit, and without what names are written differently by."""
    return "".join(filter(str.isalnum, _BEHIND.sub("", name).casefold()))


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        return np.nan
    return value if np.isfinite(value) else np.nan
