"""The breakpoints of one axis in two software versions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.decoding.interpolation import position
from callint.decoding.surfaces import is_readable
from callint.model.change import Flags, Numbers

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class AxisMap:
    """One axis of a table in both versions.

    ``source`` and ``target`` are the old and the new breakpoints, shape (old,) and (new,). A new breakpoint
    is read between the old ones ``low`` and ``high``; the two are the same if only one has weight. ``same``
    is the old breakpoint that is equal to the new one, or -1. All three have the shape (new,).
    """

    source: Numbers
    target: Numbers
    low: Integers
    high: Integers
    same: Integers

    @staticmethod
    def between(source: Numbers, target: Numbers) -> AxisMap | None:
        """None if the old breakpoints neither rise nor fall, so that nothing can be read between them."""
        if np.array_equal(source, target):
            # By index: so even an axis with repeated breakpoints is carried unchanged.
            indexes = np.arange(len(source))
            numbers = indexes.astype(np.float64)
            return AxisMap(numbers, numbers, indexes, indexes, indexes)
        if not (is_readable(source) and np.isfinite(target).all()):
            return None
        place = position(source, target)
        low = place.low + (place.weight == 1)
        high = place.low + (place.weight > 0)
        same = np.where(source[low] == target, low, -1)
        return AxisMap(source, target, low, high, same)

    @property
    def outside(self) -> Flags:
        """The new breakpoints outside the range of the old ones; shape (new,)."""
        outside: Flags = (self.target < self.source.min()) | (self.target > self.source.max())
        return outside
