"""Interpolates tables at operating points: linear between breakpoints, held at the ends.

Control units read curves and maps that way (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.model.change import Grid, Numbers


@dataclass(frozen=True, slots=True)
class Position:
    """The position of points on an axis: between breakpoint ``low`` and the next, at the share ``weight``.

    Both have the shape of the points; ``weight`` is 0 to 1.
    """

    low: NDArray[np.int64]
    weight: Numbers


def position(breakpoints: Numbers, points: Numbers) -> Position:
    """The position of points between strictly rising or falling breakpoints, held at the ends."""
    if len(breakpoints) == 1:
        return Position(np.zeros(np.shape(points), np.int64), np.zeros(np.shape(points)))
    if breakpoints[0] > breakpoints[-1]:
        breakpoints, points = -breakpoints, -np.asarray(points)
    low = np.searchsorted(breakpoints, points, side="right") - 1
    low = np.clip(low, 0, len(breakpoints) - 2)
    width = breakpoints[low + 1] - breakpoints[low]
    weight = np.clip((points - breakpoints[low]) / width, 0.0, 1.0)
    return Position(low, weight)


def lookup(grid: Grid, x: Numbers | float = 0.0, y: Numbers | float = 0.0) -> Numbers:
    """The physical output of a table at the points (x, y), in the axes' units; any one shape.

    A curve ignores y, a scalar both.
    """
    points_x, points_y = np.broadcast_arrays(x, y)
    rows, columns = grid.physical.shape
    # A grid without an axis has one row or column there: its breakpoint may be any number.
    along_x = position(grid.x if grid.x is not None else np.zeros(1), points_x)
    along_y = position(grid.y if grid.y is not None else np.zeros(1), points_y)
    right = np.minimum(along_x.low + 1, columns - 1)
    above = np.minimum(along_y.low + 1, rows - 1)
    cells = grid.physical
    lower = _between(cells[along_y.low, along_x.low], cells[along_y.low, right], along_x.weight)
    upper = _between(cells[above, along_x.low], cells[above, right], along_x.weight)
    return _between(lower, upper, along_y.weight)


def _between(low: Numbers, high: Numbers, weight: Numbers) -> Numbers:
    """Interpolate; exact at both ends, unlike low + weight * (high - low), even if the other end is NaN."""
    with np.errstate(invalid="ignore"):
        between = low * (1.0 - weight) + high * weight
    return np.where(weight == 0, low, np.where(weight == 1, high, between))
