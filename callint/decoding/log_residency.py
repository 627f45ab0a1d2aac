"""Computes how long a logged engine stayed in each cell of a table.

The time from a row to the next belongs to the operating point of the row. It is shared among the cells that
count there, by the weights with which the control unit reads them. Loggers record slow signals less often: a
signal without a reading in a row keeps its last reading, unless that is older than the longest gap. An
implausible reading says nothing about the engine, and the signal is unknown until its next reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.decoding.interpolation import Position, position
from callint.decoding.surfaces import Surface
from callint.model.change import Flags, Numbers
from callint.model.definition import Signal
from callint.reading.logs import LogChunk, LogFile


@dataclass
class LogTime:
    """The logged time: ``total`` in seconds, or in rows if there is no time column.

    Steps longer than the accepted gap and backward steps do not count towards it; ``gaps`` and ``resets`` are
    their numbers, and ``lost`` is the length of the gaps in seconds.
    """

    total: float = 0.0
    gaps: int = 0
    lost: float = 0.0
    resets: int = 0


class CellTime:
    """Sums up the time by cell for several tables.

    ``signals`` are those whose readings must be plausible; ``implausible`` counts, by signal, the rows in
    which they are not.
    """

    def __init__(
        self, surfaces: Iterable[Surface], max_gap: float, signals: Mapping[str, Signal] | None = None
    ) -> None:
        self.clock = LogTime()
        self.max_gap = max_gap
        self.signals = signals or {}
        self.implausible: dict[str, int] = {}
        self._surfaces = {surface.grid.table.name: surface for surface in surfaces}
        # Tables on the same axes have the same times.
        self._grids: dict[tuple[object, ...], Surface] = {}
        self._times: dict[tuple[object, ...], Numbers] = {}
        # The time at each breakpoint and between neighbours: shape (2 rows - 1, 2 columns - 1).
        self._segment_times: dict[tuple[object, ...], Numbers] = {}
        for surface in self._surfaces.values():
            if surface.signals:
                self._grids.setdefault(_key(surface), surface)
                rows, columns = surface.grid.physical.shape
                self._times.setdefault(_key(surface), np.zeros((rows, columns)))
                self._segment_times.setdefault(_key(surface), np.zeros((2 * rows - 1, 2 * columns - 1)))
        self._last_row: LogChunk | None = None
        self._readings: dict[str, tuple[float, float]] = {}

    def add(self, piece: LogChunk) -> None:
        """Add the next rows of the log; a row without a time is ignored."""
        piece = self._with_implausible_marked(piece)
        if piece.time is None:
            rows = len(next(iter(piece.signals.values())))
            self._share(piece, np.ones(rows))
            return
        timed = np.isfinite(piece.time)
        piece = LogChunk(piece.time[timed], {name: values[timed] for name, values in piece.signals.items()})
        whole = piece if self._last_row is None else _joined(self._last_row, piece)
        assert whole.time is not None
        if not len(whole.time):
            return
        steps = np.diff(whole.time)
        gaps, resets = steps > self.max_gap, steps < 0
        self.clock.gaps += int(gaps.sum())
        self.clock.lost += float(steps[gaps].sum())
        self.clock.resets += int(resets.sum())
        segments = np.concatenate([[0], np.cumsum(gaps | resets)])
        held = {
            name: self._held_readings(name, values, whole.time, segments)
            for name, values in whole.signals.items()
        }
        steps = np.where(gaps | resets, 0.0, steps)
        self._share(LogChunk(None, {name: values[:-1] for name, values in held.items()}), steps)
        self._last_row = LogChunk(
            whole.time[-1:], {name: values[-1:] for name, values in whole.signals.items()}
        )

    def _with_implausible_marked(self, piece: LogChunk) -> LogChunk:
        """The rows with infinity in place of implausible readings; counts these."""
        signals = dict(piece.signals)
        for name, values in piece.signals.items():
            signal = self.signals.get(name)
            if signal is None or signal.plausible is None:
                continue
            is_wrong = (values < signal.plausible.low) | (values > signal.plausible.high)
            if count := int(np.count_nonzero(is_wrong)):
                self.implausible[name] = self.implausible.get(name, 0) + count
                signals[name] = np.where(is_wrong, np.inf, values)
        return LogChunk(piece.time, signals)

    def _held_readings(
        self, name: str, values: Numbers, time: Numbers, segments: NDArray[np.int64]
    ) -> Numbers:
        """The readings of a signal, with missing ones replaced by the last reading without a gap in between.

        No reading is held for longer than the accepted gap. Shape (rows,), NaN if there is none.
        """
        before = self._readings.pop(name, (np.nan, np.nan))
        times = np.concatenate([[before[0]], time])
        readings = np.concatenate([[before[1]], values])
        # The reading from before belongs to the same segment as the first of these rows.
        segments = np.concatenate([[0], segments])
        # An implausible reading is held too, so that the reading before it does not continue.
        last = np.maximum.accumulate(np.where(~np.isnan(readings), np.arange(len(readings)), 0))
        with np.errstate(invalid="ignore"):
            is_held = (segments[last] == segments) & (times - times[last] <= self.max_gap)
        if is_held[-1]:
            self._readings[name] = float(times[last[-1]]), float(readings[last[-1]])
        return np.where(is_held, readings[last], np.nan)[1:]

    def _share(self, piece: LogChunk, weights: Numbers) -> None:
        self.clock.total += float(weights.sum())
        places: dict[tuple[str, bytes], Position] = {}
        for key, surface in self._grids.items():
            if not all(signal in piece.signals for signal in surface.signals):
                continue
            positions = []
            for signal, axis in surface.breakpoints.items():
                place = signal, axis.tobytes()
                if place not in places:
                    found_at, readings = position(axis, piece.signals[signal]), piece.signals[signal]
                    # On an axis with one breakpoint any number lies at it, but a missing reading does not.
                    weight = np.where(np.isfinite(readings), found_at.weight, np.nan)
                    places[place] = Position(found_at.low, weight)
                positions.append(places[place])
            rows = np.flatnonzero(
                (weights > 0) & np.all([np.isfinite(at.weight) for at in positions], axis=0)
            )
            positions = [Position(at.low[rows], at.weight[rows]) for at in positions]
            self._times[key] += _times(positions, self._times[key].shape, weights[rows])
            self._segment_times[key] += _segment_times(
                positions, self._segment_times[key].shape, weights[rows]
            )

    def of(self, table: str) -> Numbers | None:
        """The time in each cell of a table, shape (rows, columns); None for an unknown table or a scalar."""
        surface = self._surfaces.get(table)
        return None if surface is None else self._times.get(_key(surface))

    def in_use(self, table: str, cells: Flags) -> float | None:
        """The time in which any of the flagged ``cells`` has weight; flags, shape (rows, columns).

        None for an unknown table or a scalar.
        """
        surface = self._surfaces.get(table)
        stays = None if surface is None else self._segment_times.get(_key(surface))
        return None if stays is None else float(stays[_with_between(cells)].sum())

    def unweighed(self, logged: Iterable[str]) -> tuple[list[str], list[str]]:
        """The signals that the log lacks, and the tables whose signals it has, but never all at once.

        ``logged`` are the signals of the log. Tables without a signal are ignored.
        """
        logged_signals, lacking, never_together = set(logged), dict[str, None](), []
        for table, surface in self._surfaces.items():
            missing = [signal for signal in surface.signals if signal not in logged_signals]
            lacking.update(dict.fromkeys(missing))
            if surface.signals and not missing and not self._times[_key(surface)].any():
                never_together.append(table)
        return list(lacking), never_together


def _times(places: list[Position], shape: tuple[int, ...], weights: Numbers) -> Numbers:
    """The weights of some rows, shared among cells; ``places`` are their positions along x and y."""
    rows, columns = shape
    total = np.zeros(rows * columns)
    for right in (0, 1):
        for above in (0, 1) if len(places) > 1 else (0,):
            share = weights * (places[0].weight if right else 1.0 - places[0].weight)
            x = np.minimum(places[0].low + right, columns - 1)
            y = np.zeros(len(x), np.int64)
            if len(places) > 1:
                share = share * (places[1].weight if above else 1.0 - places[1].weight)
                y = np.minimum(places[1].low + above, rows - 1)
            total += np.bincount(y * columns + x, share, rows * columns)
    return total.reshape(rows, columns)


def _segment_times(places: list[Position], shape: tuple[int, ...], weights: Numbers) -> Numbers:
    """The weights of some rows by position: at a breakpoint, or between it and the next."""
    steps = [2 * place.low + (place.weight > 0) + (place.weight == 1) for place in places]
    x, y = steps[0], steps[1] if len(steps) > 1 else 0
    return np.bincount(y * shape[1] + x, weights, shape[0] * shape[1]).astype(np.float64).reshape(shape)


def _with_between(cells: Flags) -> Flags:
    """The positions at which some cells have weight: at their breakpoints, and up to the neighbours."""
    rows, columns = cells.shape
    wide = np.zeros((2 * rows - 1, 2 * columns - 1), bool)
    wide[::2, ::2] = cells
    wide[:, 1::2] = wide[:, :-1:2] | wide[:, 2::2]
    wide[1::2] = wide[:-1:2] | wide[2::2]
    return wide


def _key(surface: Surface) -> tuple[object, ...]:
    return tuple((signal, axis.tobytes()) for signal, axis in surface.breakpoints.items())


def _joined(last: LogChunk, piece: LogChunk) -> LogChunk:
    assert last.time is not None and piece.time is not None
    signals = {name: np.concatenate([last.signals[name], values]) for name, values in piece.signals.items()}
    return LogChunk(np.concatenate([last.time, piece.time]), signals)


@dataclass(frozen=True, slots=True)
class LogSummary:
    """A log: its name, the times by table, and its content with the problems in it."""

    name: str
    dwell: CellTime
    log: LogFile

    def shares(self, table: str) -> Numbers | None:
        """The share of the time in each cell of a table, shape (rows, columns); the sum is 1.

        None if the log lacks a signal of the table, or never has readings of all of them.
        """
        times = self.dwell.of(table)
        return None if times is None or not times.any() else times / float(times.sum())

    def share_in_use(self, table: str, cells: Flags) -> float | None:
        """The share of the time in which any of the flagged ``cells`` has weight; None as for ``shares``."""
        times, used = self.dwell.of(table), self.dwell.in_use(table, cells)
        if times is None or used is None or not times.any():
            return None
        return min(1.0, used / float(times.sum()))
