"""The breakpoints of both sides along one axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.decoding.surfaces import is_readable, rounding
from callint.model.change import Flags, Numbers


@dataclass(frozen=True, slots=True)
class UnionAxis:
    """The union of the breakpoints of two tables along one axis.

    ``points`` are the breakpoints as people read them, shape (count,). ``places`` are the places at which the
    tables are read, and ``old`` and ``new`` the breakpoints of each side among them; None if the side has no
    such axis and is the same all along it.
    """

    points: Numbers
    places: Numbers
    old: Numbers | None
    new: Numbers | None

    def is_own(self, breakpoints: Numbers | None) -> Flags:
        """The places at breakpoints of one side, ``old`` or ``new``; shape (count,)."""
        if breakpoints is None:
            return np.ones(len(self.places), bool)
        order = np.sort(breakpoints)
        at = np.minimum(np.searchsorted(order, self.places), len(order) - 1)
        own: Flags = order[at] == self.places
        return own

    @property
    def is_same(self) -> bool:
        """Whether all places are breakpoints of each side that has the axis."""
        sides = [side for side in (self.old, self.new) if side is not None]
        return all(len(side) == len(self.places) for side in sides)


#: The axis of a table that has none.
NO_AXIS = UnionAxis(np.zeros(1), np.zeros(1), None, None)


def union_axis(old: Numbers | None, new: Numbers | None) -> UnionAxis | None:
    """The union of the breakpoints of both sides, in one unit; at least one side has the axis.

    None if they differ and do not rise or fall strictly, so that nothing can be read between them.
    Breakpoints that differ by the rounding of a conversion only are equal; the new one counts.
    """
    if old is None or new is None:
        points = new if new is not None else old
        assert points is not None
        places = points if is_readable(points) else np.arange(len(points), dtype=np.float64)
        return UnionAxis(points, places, None if old is None else places, None if new is None else places)
    if _are_equal(old, new):
        # By index, so that even an axis that does not rise is compared.
        places = new if is_readable(new) else np.arange(len(new), dtype=np.float64)
        return UnionAxis(new, places, places, places)
    if not (is_readable(old) and is_readable(new)):
        return None
    return _merged(old, new)


def _tolerance(old: Numbers, new: Numbers) -> float:
    return rounding(float(np.abs(old).max()), float(np.abs(new).max()))


def _are_equal(old: Numbers, new: Numbers) -> bool:
    if old.shape != new.shape:
        return False
    if np.array_equal(old, new, equal_nan=True):
        return True
    return is_readable(old) and is_readable(new) and bool((np.abs(old - new) <= _tolerance(old, new)).all())


def _merged(old: Numbers, new: Numbers) -> UnionAxis:
    for tolerance in (_tolerance(old, new), 0.0):
        numbers = _numbers(np.concatenate([new, old]), tolerance)
        new_numbers, old_numbers = numbers[: len(new)], numbers[len(new) :]
        # Breakpoints of one side that are as close as that stay apart.
        if _are_apart(new_numbers) and _are_apart(old_numbers):
            break
    points = np.empty(int(numbers.max()) + 1)
    points[old_numbers] = old
    points[new_numbers] = new
    return UnionAxis(points, points, points[old_numbers], points[new_numbers])


def _numbers(values: Numbers, tolerance: float) -> NDArray[np.int64]:
    """The number of each value among the distinct ones, rising; neighbours within the tolerance share one."""
    order = np.argsort(values, kind="stable")
    is_first = np.append(False, np.diff(values[order]) > tolerance)
    numbers = np.empty(len(values), np.int64)
    numbers[order] = np.cumsum(is_first)
    return numbers


def _are_apart(numbers: NDArray[np.int64]) -> bool:
    return bool(np.diff(np.sort(numbers)).all())
