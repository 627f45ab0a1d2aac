"""How long a logged engine stayed in each cell of a table.

The time from a row to the next belongs to the operating point of the row. It is shared among the cells that
count there, by the weights with which the control unit reads them. Loggers record slow signals less often: a
signal without a reading in a row has its last one, where that is not older than a gap. A reading that no
healthy sensor gives says nothing about the engine, and until the next one nothing is known.
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
from callint.reading.logs import Log, LogChunk


@dataclass
class LogTime:
    """How much time was logged: ``total`` in seconds, or in rows where there is no time column.

    Steps longer than the accepted gap and steps back are left out and counted; ``lost`` are the seconds of
    the gaps.
    """

    total: float = 0.0
    gaps: int = 0
    lost: float = 0.0
    resets: int = 0


class CellTime:
    """Time by cell for several tables; ``of`` gives what came together.

    ``signals`` are those whose readings have to be plausible; ``implausible`` counts the rows, by signal, in
    which they are not.
    """

    def __init__(
        self, surfaces: Iterable[Surface], max_gap: float, signals: Mapping[str, Signal] | None = None
    ) -> None:
        self.clock = LogTime()
        self.max_gap = max_gap
        self.signals = signals or {}
        self.implausible: dict[str, int] = {}
        self._surfaces = {one.grid.table.name: one for one in surfaces}
        # Tables on the same axes have the same times.
        self._grids: dict[tuple[object, ...], Surface] = {}
        self._times: dict[tuple[object, ...], Numbers] = {}
        # The time at each breakpoint and between each two: shape (2 rows - 1, 2 columns - 1).
        self._stays: dict[tuple[object, ...], Numbers] = {}
        for one in self._surfaces.values():
            if one.signals:
                self._grids.setdefault(_key(one), one)
                rows, columns = one.grid.physical.shape
                self._times.setdefault(_key(one), np.zeros((rows, columns)))
                self._stays.setdefault(_key(one), np.zeros((2 * rows - 1, 2 * columns - 1)))
        self._held: LogChunk | None = None
        self._readings: dict[str, tuple[float, float]] = {}

    def add(self, piece: LogChunk) -> None:
        """Take in some rows, which follow those before; a row without a time is passed over."""
        piece = self._marked(piece)
        if piece.time is None:
            rows = len(next(iter(piece.signals.values())))
            self._share(piece, np.ones(rows))
            return
        timed = np.isfinite(piece.time)
        piece = LogChunk(piece.time[timed], {name: values[timed] for name, values in piece.signals.items()})
        whole = piece if self._held is None else _joined(self._held, piece)
        assert whole.time is not None
        if not len(whole.time):
            return
        steps = np.diff(whole.time)
        gaps, resets = steps > self.max_gap, steps < 0
        self.clock.gaps += int(gaps.sum())
        self.clock.lost += float(steps[gaps].sum())
        self.clock.resets += int(resets.sum())
        stretches = np.concatenate([[0], np.cumsum(gaps | resets)])
        held = {
            name: self._hold(name, values, whole.time, stretches) for name, values in whole.signals.items()
        }
        steps = np.where(gaps | resets, 0.0, steps)
        self._share(LogChunk(None, {name: values[:-1] for name, values in held.items()}), steps)
        self._held = LogChunk(whole.time[-1:], {name: values[-1:] for name, values in whole.signals.items()})

    def _marked(self, piece: LogChunk) -> LogChunk:
        """Some rows with infinity in place of readings that are not plausible, which are counted."""
        signals = dict(piece.signals)
        for name, values in piece.signals.items():
            known = self.signals.get(name)
            if known is None or known.plausible is None:
                continue
            is_wrong = (values < known.plausible.low) | (values > known.plausible.high)
            if count := int(np.count_nonzero(is_wrong)):
                self.implausible[name] = self.implausible.get(name, 0) + count
                signals[name] = np.where(is_wrong, np.inf, values)
        return LogChunk(piece.time, signals)

    def _hold(self, name: str, values: Numbers, time: Numbers, stretches: NDArray[np.int64]) -> Numbers:
        """A signal's readings, and where there is none the last one of the same stretch without a gap.

        Nothing is held for longer than the accepted gap. Shape (rows,), NaN where nothing is left.
        """
        before = self._readings.pop(name, (np.nan, np.nan))
        times = np.concatenate([[before[0]], time])
        readings = np.concatenate([[before[1]], values])
        # The reading from before belongs to the stretch with which these rows begin.
        stretches = np.concatenate([[0], stretches])
        # One that is not plausible is held too: it is no leave to go on with the one before.
        last = np.maximum.accumulate(np.where(~np.isnan(readings), np.arange(len(readings)), 0))
        with np.errstate(invalid="ignore"):
            is_held = (stretches[last] == stretches) & (times - times[last] <= self.max_gap)
        if is_held[-1]:
            self._readings[name] = float(times[last[-1]]), float(readings[last[-1]])
        return np.where(is_held, readings[last], np.nan)[1:]

    def _share(self, piece: LogChunk, weights: Numbers) -> None:
        self.clock.total += float(weights.sum())
        places: dict[tuple[str, bytes], Position] = {}
        for key, one in self._grids.items():
            if not all(signal in piece.signals for signal in one.signals):
                continue
            along = []
            for signal, axis in one.breakpoints.items():
                place = signal, axis.tobytes()
                if place not in places:
                    found, readings = position(axis, piece.signals[signal]), piece.signals[signal]
                    # On an axis of one breakpoint any number lies at it, but no reading does not.
                    weight = np.where(np.isfinite(readings), found.weight, np.nan)
                    places[place] = Position(found.low, weight)
                along.append(places[place])
            known = np.flatnonzero((weights > 0) & np.all([np.isfinite(at.weight) for at in along], axis=0))
            along = [Position(at.low[known], at.weight[known]) for at in along]
            self._times[key] += _times(along, self._times[key].shape, weights[known])
            self._stays[key] += _stays(along, self._stays[key].shape, weights[known])

    def of(self, table: str) -> Numbers | None:
        """The time in each cell of a table, shape (rows, columns); None where nothing was asked of it."""
        one = self._surfaces.get(table)
        return None if one is None else self._times.get(_key(one))

    def in_use(self, table: str, cells: Flags) -> float | None:
        """The time in which any of a table's ``cells`` counts, however little; flags, shape (rows, columns).

        None where nothing was asked of the table.
        """
        one = self._surfaces.get(table)
        stays = None if one is None else self._stays.get(_key(one))
        return None if stays is None else float(stays[_with_between(cells)].sum())

    def unweighed(self, logged: Iterable[str]) -> tuple[list[str], list[str]]:
        """What a log with such signals says nothing about, tables without a signal left aside.

        The signals that it lacks, and the tables whose signals it has, but never all of them at once.
        """
        known, lacking, apart = set(logged), dict[str, None](), []
        for table, one in self._surfaces.items():
            missing = [signal for signal in one.signals if signal not in known]
            lacking.update(dict.fromkeys(missing))
            if one.signals and not missing and not self._times[_key(one)].any():
                apart.append(table)
        return list(lacking), apart


def _times(places: list[Position], shape: tuple[int, ...], weights: Numbers) -> Numbers:
    """The weights of some rows, shared among cells; ``places`` are where they lie along x and y."""
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


def _stays(places: list[Position], shape: tuple[int, ...], weights: Numbers) -> Numbers:
    """The weights of some rows, by where they lie: at a breakpoint, or between it and the next."""
    steps = [2 * one.low + (one.weight > 0) + (one.weight == 1) for one in places]
    x, y = steps[0], steps[1] if len(steps) > 1 else 0
    return np.bincount(y * shape[1] + x, weights, shape[0] * shape[1]).astype(np.float64).reshape(shape)


def _with_between(cells: Flags) -> Flags:
    """Where some cells count: at their breakpoints, and between those and the neighbours."""
    rows, columns = cells.shape
    wide = np.zeros((2 * rows - 1, 2 * columns - 1), bool)
    wide[::2, ::2] = cells
    wide[:, 1::2] = wide[:, :-1:2] | wide[:, 2::2]
    wide[1::2] = wide[:-1:2] | wide[2::2]
    return wide


def _key(one: Surface) -> tuple[object, ...]:
    return tuple((signal, axis.tobytes()) for signal, axis in one.breakpoints.items())


def _joined(last: LogChunk, piece: LogChunk) -> LogChunk:
    assert last.time is not None and piece.time is not None
    signals = {name: np.concatenate([last.signals[name], values]) for name, values in piece.signals.items()}
    return LogChunk(np.concatenate([last.time, piece.time]), signals)


@dataclass(frozen=True, slots=True)
class LogSummary:
    """A log that was read: its name, the times by table, and what was wrong with it."""

    name: str
    dwell: CellTime
    log: Log

    def shares(self, table: str) -> Numbers | None:
        """The share of the time in each cell of a table, shape (rows, columns), adding up to 1.

        None where the log lacks a signal of the table, or any time with readings of all of them.
        """
        times = self.dwell.of(table)
        return None if times is None or not times.any() else times / float(times.sum())

    def share_in_use(self, table: str, cells: Flags) -> float | None:
        """The share of the time in which any of a table's ``cells`` counts; None as for ``shares``."""
        times, used = self.dwell.of(table), self.dwell.in_use(table, cells)
        if times is None or used is None or not times.any():
            return None
        return min(1.0, used / float(times.sum()))
