"""Finds the checksums of the new image by computing them over possible ranges."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from callint.comparing.relocation.result import Candidate
from callint.comparing.relocation.settle import Best
from callint.comparing.relocation.units import PlacementUnit
from callint.decoding.checksums import expected_value, stored_value, width
from callint.model.definition import Checksum
from callint.model.image import Image

#: The largest number of ranges to try, and the largest chance that a wrong range matches the stored value.
_MOST_RANGES, _CHANCE = 24, 0.01


@dataclass
class ChecksumFinder:
    """Finds the range of a checksum in the new image; ``start`` is the address of the first old byte."""

    units: Sequence[PlacementUnit]
    best: Sequence[Best]
    start: int
    new: Image

    def find(self, checksum: Checksum, candidates: Sequence[Candidate]) -> Checksum | None:
        """The checksum at the first address and range that match the stored value, or None.

        The unchanged range is tried first, then ranges whose ends moved with the bytes beside them. A narrow
        checksum allows few trials, because each may match by chance.
        """
        addresses = list(dict.fromkeys([checksum.stored_at, *(item.at for item in candidates)]))
        values: dict[tuple[int, int], int | None] = {}
        bits = width(checksum)
        most = min(_MOST_RANGES if bits <= 64 else 2, max(1, int(_CHANCE * 2 ** min(bits, 32))))
        for trial, (at, start, size) in enumerate(self._trials(checksum, addresses)):
            moved = replace(checksum, start=start, size=size, stored_at=at)
            if trial >= most:
                break
            stored = stored_value(moved, self.new)
            if stored is None:
                continue
            if (start, size) not in values:
                values[start, size] = expected_value(moved, self.new)
            if stored == values[start, size]:
                return moved
        return None

    def _trials(self, checksum: Checksum, addresses: Sequence[int]) -> Iterator[tuple[int, int, int]]:
        """Addresses of the stored value, with starts and sizes of the range, most likely first."""
        end = checksum.start + checksum.size
        tried = set()
        for at in addresses:
            moved = at - checksum.stored_at
            near_start, near_end = self._shift(checksum.start, 1), self._shift(end, -1)
            for first, last in (
                (0, 0),
                (moved, moved),
                (0, moved),
                (0, near_end),
                (near_start, near_end),
                (near_start, moved),
            ):
                start, size = checksum.start + first, checksum.size + last - first
                holds_itself = start <= at < start + size and not checksum.start <= checksum.stored_at < end
                if start >= 0 and size > 0 and not holds_itself and (at, start, size) not in tried:
                    tried.add((at, start, size))
                    yield at, start, size

    def _shift(self, address: int, step: int) -> int:
        """The shift of the next unit after an address, or, if the step is -1, before it."""
        offset = address - self.start
        starts = [unit.at for unit in self.units]
        place = bisect_left(starts, offset) if step > 0 else bisect_right(starts, offset - 1) - 1
        while 0 <= place < len(self.units):
            shift, probability = self.best[place]
            if shift is not None and probability > 0.9:
                return shift
            place += step
        return 0
