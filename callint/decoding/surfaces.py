"""Reads tables as the control unit does: a number for every operating point, not a cell per breakpoint.

A curve is linear and a map bilinear between its breakpoints, and both are held at their ends
(``decoding/interpolation.py``). So the difference of two tables is bilinear in each rectangle of the grid of
their merged breakpoints, and a bilinear function has its extremes at corners: a comparison on that grid holds
everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from callint.decoding.decode import Decoded
from callint.decoding.interpolation import lookup, position
from callint.decoding.statistics import distinct
from callint.model.change import Flags, Grid, Numbers
from callint.model.definition import Table


@dataclass(frozen=True, slots=True)
class Surface:
    """A table over the signals of its axes.

    ``grid.physical`` is NaN where a cell is off, absent or not finite. ``signals`` are those of x and y, none
    for a scalar. Breakpoints rise or fall strictly.
    """

    grid: Grid
    signals: tuple[str, ...]

    @property
    def breakpoints(self) -> dict[str, Numbers]:
        """The breakpoints by signal, x before y, each shape (count,)."""
        axes = (axis for axis in (self.grid.x, self.grid.y) if axis is not None)
        return dict(zip(self.signals, axes, strict=True))

    def at(self, point: Mapping[str, Numbers | float]) -> Numbers:
        """The physical output at operating points; the signals have any shapes that broadcast.

        NaN where a cell with weight is off, absent or not a number.
        """
        return self._lookup(self.grid, point)

    def is_off(self, point: Mapping[str, Numbers | float]) -> Flags:
        """Whether a cell with weight at the points is off."""
        flags = replace(self.grid, physical=np.where(self.grid.off, np.nan, 0.0))
        return np.isnan(self._lookup(flags, point))

    @property
    def magnitude(self) -> float:
        """The largest absolute value; NaN if there is none."""
        values = np.abs(self.grid.physical[np.isfinite(self.grid.physical)])
        return float(values.max()) if len(values) else np.nan

    def _lookup(self, grid: Grid, point: Mapping[str, Numbers | float]) -> Numbers:
        x = point[self.signals[0]] if self.signals else 0.0
        y = point[self.signals[1]] if len(self.signals) > 1 else 0.0
        # The distance of float breakpoints may be larger than the largest float.
        with np.errstate(over="ignore", invalid="ignore"):
            return lookup(grid, x, y)

    def weights(self, point: Mapping[str, float]) -> list[tuple[int, int, float]]:
        """The cells with weight at one operating point: row, column and weight; the weights add up to 1.

        One cell for a point on breakpoints of both axes, four in general; a scalar has one cell.
        """
        rows = _axis_weights(self.grid.y, point[self.signals[1]] if len(self.signals) > 1 else 0.0)
        columns = _axis_weights(self.grid.x, point[self.signals[0]] if self.signals else 0.0)
        return [(y, x, low * high) for y, low in rows for x, high in columns]


def _axis_weights(breakpoints: Numbers | None, value: float) -> list[tuple[int, float]]:
    if breakpoints is None:
        return [(0, 1.0)]
    place = position(breakpoints, np.array(value))
    low, weight = int(place.low), float(place.weight)
    return [(index, share) for index, share in ((low, 1.0 - weight), (low + 1, weight)) if share > 0]


def surface(decoded: Decoded, table: Table) -> Surface | None:
    """A table as a surface; None if its axes do not rise or fall strictly.

    Also None if both axes have the same signal, because no operating point reaches every cell then.
    """
    grid = decoded.grid(table)
    signals = tuple(decoded.layout.definition.axes[axis].signal for axis in table.axes)
    if len(set(signals)) < len(signals):
        return None
    for axis in (grid.x, grid.y):
        if axis is not None and not is_readable(axis):
            return None
    counts = grid.present & ~grid.off & np.isfinite(grid.physical)
    return Surface(replace(grid, physical=np.where(counts, grid.physical, np.nan)), signals)


def surfaces(decoded: Decoded, tables: Iterable[Table]) -> list[Surface]:
    """The surfaces of those tables whose axes can be read."""
    return [table_surface for table in tables if (table_surface := surface(decoded, table)) is not None]


def is_readable(breakpoints: Numbers) -> bool:
    """Whether breakpoints are finite and rise or fall strictly."""
    with np.errstate(over="ignore", invalid="ignore"):
        steps = np.diff(breakpoints)
    return bool(np.isfinite(breakpoints).all() and ((steps > 0).all() or (steps < 0).all()))


def merged_breakpoints(surfaces: Iterable[Surface], within: bool = False) -> dict[str, Numbers]:
    """The breakpoints of several surfaces, merged by signal, rising.

    ``within`` keeps those in the range that all surfaces with the signal share, which may be empty.
    """
    axes: dict[str, list[Numbers]] = {}
    for table_surface in surfaces:
        for signal, breakpoints in table_surface.breakpoints.items():
            axes.setdefault(signal, []).append(breakpoints)
    merged = {}
    for signal, breakpoint_arrays in axes.items():
        points = distinct(np.concatenate(breakpoint_arrays))
        if within:
            low, high = (
                max(breakpoints.min() for breakpoints in breakpoint_arrays),
                min(breakpoints.max() for breakpoints in breakpoint_arrays),
            )
            points = points[(points >= low) & (points <= high)]
        merged[signal] = points
    return merged


def grid_points(points: Mapping[str, Numbers], signals: Sequence[str]) -> dict[str, Numbers]:
    """The points of the grid as arrays that broadcast, one dimension per signal in the given order."""
    if not signals:
        return {}
    arrays = np.meshgrid(*(points[signal] for signal in signals), indexing="ij", sparse=True)
    return dict(zip(signals, arrays, strict=True))


def point_of(points: Mapping[str, Numbers], signals: Sequence[str], number: int) -> dict[str, float]:
    """A point of the grid by its number; the last signal varies fastest."""
    if not signals:
        return {}
    places = np.unravel_index(number, tuple(len(points[signal]) for signal in signals))
    return {signal: float(points[signal][place]) for signal, place in zip(signals, places, strict=True)}


def rounding(*magnitudes: float) -> float:
    """The largest difference of equal decimal values of these magnitudes after interpolation in binary."""
    return 8 * float(np.spacing(max(1e-300, *magnitudes)))
