"""How long a logged engine stayed in each cell of a table.

The time from a row to the next belongs to the operating point of the row. It is shared among the cells that
count there, by the weights with which the control unit reads them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from callint.decoding.interpolation import position
from callint.decoding.surfaces import Surface
from callint.model.change import Numbers
from callint.reading.logs import Log, Piece


@dataclass
class Clock:
    """How much time was logged: ``total`` in seconds, or in rows where there is no time column.

    Steps longer than the accepted gap and steps back are left out and counted; ``lost`` are the seconds of
    the gaps.
    """

    total: float = 0.0
    gaps: int = 0
    lost: float = 0.0
    resets: int = 0


class Dwell:
    """Time by cell for several tables; ``of`` gives what came together."""

    def __init__(self, surfaces: Iterable[Surface], max_gap: float) -> None:
        self.clock = Clock()
        self._max_gap = max_gap
        self._surfaces = {one.grid.table.name: one for one in surfaces}
        # Tables on the same axes have the same times.
        self._grids: dict[tuple[object, ...], Surface] = {}
        self._times: dict[tuple[object, ...], Numbers] = {}
        for one in self._surfaces.values():
            if one.signals:
                self._grids.setdefault(_key(one), one)
                self._times.setdefault(_key(one), np.zeros(one.grid.physical.shape))
        self._last: Piece | None = None

    def add(self, piece: Piece) -> None:
        """Take in some rows, which follow those before."""
        rows = len(next(iter(piece.signals.values())))
        if not rows:
            return
        if piece.time is None:
            self._share(piece, np.ones(rows))
            return
        whole = piece if self._last is None else _joined(self._last, piece)
        assert whole.time is not None
        steps = np.diff(whole.time)
        with np.errstate(invalid="ignore"):
            gaps, resets = steps > self._max_gap, steps < 0
        self.clock.gaps += int(gaps.sum())
        self.clock.lost += float(steps[gaps].sum())
        self.clock.resets += int(resets.sum())
        steps = np.where(gaps | resets | np.isnan(steps), 0.0, steps)
        self._share(Piece(None, {name: values[:-1] for name, values in whole.signals.items()}), steps)
        self._last = Piece(whole.time[-1:], {name: values[-1:] for name, values in whole.signals.items()})

    def _share(self, piece: Piece, weights: Numbers) -> None:
        self.clock.total += float(weights.sum())
        for key, one in self._grids.items():
            if all(signal in piece.signals for signal in one.signals):
                self._times[key] += _times(one, piece, weights)

    def of(self, table: str) -> Numbers | None:
        """The time in each cell of a table, shape (rows, columns); None where nothing was asked of it."""
        one = self._surfaces.get(table)
        return None if one is None else self._times.get(_key(one))


def _times(one: Surface, piece: Piece, weights: Numbers) -> Numbers:
    rows, columns = one.grid.physical.shape
    points = [piece.signals[signal] for signal in one.signals]
    known = weights > 0
    for values in points:
        known = known & np.isfinite(values)
    weights = weights[known]
    axes = [(axis, values[known]) for axis, values in zip(one.breakpoints.values(), points, strict=True)]
    places = [position(axis, values) for axis, values in axes]
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


def _key(one: Surface) -> tuple[object, ...]:
    return tuple((signal, axis.tobytes()) for signal, axis in one.breakpoints.items())


def _joined(last: Piece, piece: Piece) -> Piece:
    assert last.time is not None and piece.time is not None
    signals = {name: np.concatenate([last.signals[name], values]) for name, values in piece.signals.items()}
    return Piece(np.concatenate([last.time, piece.time]), signals)


@dataclass(frozen=True, slots=True)
class Logged:
    """A log that was read: its name, the times by table, and what was wrong with it."""

    name: str
    dwell: Dwell
    log: Log

    def shares(self, table: str) -> Numbers | None:
        """The share of the time in each cell of a table, shape (rows, columns), adding up to 1.

        None where the log lacks a signal of the table, or any time with readings of all of them.
        """
        times = self.dwell.of(table)
        total = 0.0 if times is None else float(times.sum())
        return None if times is None or not total else times / total
