"""Driving logs: CSV files of recorded signals, read piece by piece, however long they are.

A log has a line of column names; the columns are separated by commas, semicolons or tabs, and with the latter
two a decimal comma is understood. Whatever is no number counts as no reading, and is counted.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TextIO

import numpy as np

from callint.model.change import Numbers
from callint.model.errors import InputError
from callint.model.policy import LogColumns
from callint.reading.tree import reason

#: Lines that are read at a time.
_LINES = 50_000
#: No honest line is longer, in characters.
_LONGEST = 1_000_000
_SEPARATORS = "\t;,"
csv.field_size_limit(_LONGEST)


@dataclass
class Trouble:
    """What was wrong in a log: rows that are no rows, and cells without a number by column."""

    rows: int = 0
    short: int = 0
    empty: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Piece:
    """Some rows of a log: ``time`` in seconds, None without such a column, and readings by signal.

    All have the shape (rows,); NaN stands where there is no number.
    """

    time: Numbers | None
    signals: dict[str, Numbers]


class Log:
    """One log: which of its columns are signals, and its rows in pieces."""

    def __init__(self, path: Path, columns: LogColumns, known: Iterable[str]) -> None:
        """Open a log; ``known`` are the signals of the definition. InputError where no column is one."""
        self.path = path
        self.trouble = Trouble()
        try:
            with self._open() as file:
                head = file.readline(_LONGEST)
        except OSError as error:
            raise InputError(f"{path}: the log cannot be read: {reason(error)}; check the path") from None
        self._separator = max(_SEPARATORS, key=head.count)
        names = [name.strip() for name in next(csv.reader([head], delimiter=self._separator), [])]
        self._columns: dict[str, int] = {}
        self.missing: list[str] = []
        for signal in known:
            wanted = columns.signals.get(signal, signal)
            if wanted in names:
                self._columns[signal] = names.index(wanted)
            elif signal in columns.signals:
                self.missing.append(wanted)
        self._time = names.index(columns.time) if columns.time in names else None
        if columns.is_named and self._time is None:
            self.missing.append(columns.time)
        if not self._columns:
            raise InputError(
                f"{path}:1: no column is a signal of the definition; name them in [log] of callint.toml"
            )

    @property
    def signals(self) -> list[str]:
        return list(self._columns)

    @property
    def has_time(self) -> bool:
        return self._time is not None

    def pieces(self, step: Callable[[int], None] = lambda done: None) -> Iterator[Piece]:
        """All rows, a piece at a time; ``step`` is called with how many characters each piece had."""
        wanted = list(self._columns.values()) + ([] if self._time is None else [self._time])
        try:
            with self._open() as file:
                file.readline(_LONGEST)
                while lines := list(islice(_bounded(file), _LINES)):
                    values = self._numbers(lines, wanted)
                    step(sum(map(len, lines)))
                    self._count(values, wanted)
                    signals = dict(zip(self._columns, values.T, strict=False))
                    yield Piece(None if self._time is None else values[:, -1], signals)
        except OSError as error:
            raise InputError(
                f"{self.path}: the log cannot be read: {reason(error)}; check the file"
            ) from None

    def _open(self) -> TextIO:
        return self.path.open(encoding="utf-8-sig", errors="replace", newline="")

    def _numbers(self, lines: list[str], wanted: list[int]) -> Numbers:
        """The wanted columns of some lines, shape (rows, columns); NaN where there is no number."""
        self.trouble.rows += len(lines)
        if not any(map(str.strip, lines)):  # which NumPy warns of
            return np.full((len(lines), len(wanted)), np.nan)
        try:
            # Quick, but for numbers only.
            values = np.loadtxt(
                lines, delimiter=self._separator, usecols=wanted, ndmin=2, comments=None, quotechar='"'
            )
            if len(values) == len(lines):
                return np.where(np.isfinite(values), values, np.nan)
        except (ValueError, IndexError):
            pass
        values = np.full((len(lines), len(wanted)), np.nan)
        for row, cells in enumerate(csv.reader(lines, delimiter=self._separator)):
            if row >= len(values):
                break
            if len(cells) <= max(wanted):
                self.trouble.short += 1
            for column, place in enumerate(wanted):
                if place < len(cells):
                    values[row, column] = self._number(cells[place])
        return values

    def _number(self, text: str) -> float:
        if self._separator != ",":
            text = text.replace(",", ".")
        try:
            value = float(text)
        except ValueError:
            return np.nan
        return value if np.isfinite(value) else np.nan

    def _count(self, values: Numbers, wanted: list[int]) -> None:
        names = [*self._columns, *(["time"] if self._time is not None else [])]
        for name, missing in zip(names, np.isnan(values).sum(axis=0).tolist(), strict=True):
            if missing:
                self.trouble.empty[name] = self.trouble.empty.get(name, 0) + missing


def _bounded(file: TextIO) -> Iterator[str]:
    """The lines of a file, one that is too long in several."""
    while line := file.readline(_LONGEST):
        yield line
