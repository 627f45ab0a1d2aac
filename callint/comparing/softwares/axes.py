"""The breakpoints of several tables along one axis."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from callint.decoding.surfaces import is_readable, rounding
from callint.model.change import Flags, Numbers


@dataclass(frozen=True, slots=True)
class UnionAxis:
    """The union of the breakpoints of several tables, the sides, along one axis.

    ``points`` are the breakpoints as people read them, shape (count,). ``places`` are the places at which the
    tables are read, and ``sides`` the breakpoints of each table among them; None if the table has no such
    axis and is constant along it.
    """

    points: Numbers
    places: Numbers
    sides: tuple[Numbers | None, ...]

    def is_own(self, side: int) -> Flags:
        """Which places are breakpoints of one side; shape (count,)."""
        breakpoints = self.sides[side]
        if breakpoints is None:
            return np.ones(len(self.places), bool)
        order = np.sort(breakpoints)
        at = np.minimum(np.searchsorted(order, self.places), len(order) - 1)
        own: Flags = order[at] == self.places
        return own

    def only_at(self, value: float) -> UnionAxis | None:
        """The axis with a single place, anywhere along it; None if it cannot be interpolated."""
        if self.points is not self.places:
            return None
        place = np.array([value])
        return replace(self, points=place, places=place)

    def count(self, side: int) -> int:
        """The number of breakpoints of one side; 0 if it has no such axis."""
        breakpoints = self.sides[side]
        return 0 if breakpoints is None else len(breakpoints)


def no_axis(sides: int) -> UnionAxis:
    """The union for tables without this axis."""
    return UnionAxis(np.zeros(1), np.zeros(1), (None,) * sides)


def union_axis(*sides: Numbers | None) -> UnionAxis | None:
    """The union of the breakpoints of all sides, in one unit; at least one side has the axis.

    None if they differ and do not rise or fall strictly, so that interpolation is impossible. Breakpoints
    that differ only by the rounding of a conversion are equal; the union has that of the last side.
    """
    axes = [side for side in sides if side is not None]
    if all(np.array_equal(axis, axes[-1], equal_nan=True) for axis in axes[:-1]):
        points = axes[-1]
        # By index, so that an axis that does not rise is compared too.
        places = points if is_readable(points) else np.arange(len(points), dtype=np.float64)
        return UnionAxis(points, places, tuple(None if side is None else places for side in sides))
    if not all(map(is_readable, axes)):
        return None
    points, merged = _merged(axes)
    remaining = iter(merged)
    return UnionAxis(points, points, tuple(None if side is None else next(remaining) for side in sides))


def _tolerance(axes: list[Numbers]) -> float:
    return rounding(*(float(np.abs(axis).max()) for axis in axes))


def _merged(axes: list[Numbers]) -> tuple[Numbers, list[Numbers]]:
    """The merged breakpoints, and each axis with its breakpoints replaced by merged ones."""
    ends = np.cumsum([len(axis) for axis in axes])[:-1]
    for tolerance in (_tolerance(axes), 0.0):
        numbers = _numbers(np.concatenate(axes), tolerance)
        by_axis = np.split(numbers, ends)
        # Breakpoints of one side within the tolerance stay separate.
        if all(bool(np.diff(np.sort(own)).all()) for own in by_axis):
            break
    points = np.empty(int(numbers.max()) + 1)
    for axis, own in zip(axes, by_axis, strict=True):
        points[own] = axis
    return points, [points[own] for own in by_axis]


def _numbers(values: Numbers, tolerance: float) -> NDArray[np.int64]:
    """The rank of each value among the distinct ones; neighbours within the tolerance share one."""
    order = np.argsort(values, kind="stable")
    is_further = np.append(False, np.diff(values[order]) > tolerance)
    numbers = np.empty(len(values), np.int64)
    numbers[order] = np.cumsum(is_further)
    return numbers
