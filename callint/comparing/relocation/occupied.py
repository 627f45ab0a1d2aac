"""The bytes that units with a certain place cover: other units do not lie there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from callint.comparing.relocation.shared_ranges import Integers


@dataclass(frozen=True, slots=True)
class OccupiedBytes:
    """Ranges of bytes in one image, which may overlap: ``starts`` and ``ends``, each rising."""

    starts: Integers
    ends: Integers

    @classmethod
    def of(cls, ranges: Iterable[tuple[int, int]]) -> OccupiedBytes:
        """The ranges from pairs of start and end; the end is excluded."""
        pairs = np.array(list(ranges), np.int64).reshape(-1, 2)
        return cls(np.sort(pairs[:, 0]), np.sort(pairs[:, 1]))

    def overlaps(self, at: Integers, size: int) -> Integers:
        """The number of ranges that overlap ``size`` bytes from each offset on, shape (offsets,)."""
        begun = np.searchsorted(self.starts, at + size, side="left")
        ended = np.searchsorted(self.ends, at, side="right")
        overlaps: Integers = begun - ended
        return overlaps
