"""The contents of a control unit's memory."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Segment:
    """Bytes without a gap; ``start`` is the address of the first byte."""

    start: int
    data: bytes

    @property
    def end(self) -> int:
        return self.start + len(self.data)


@dataclass(frozen=True)
class Image:
    """Bytes at addresses, in segments by rising address that neither touch nor overlap.

    ``is_part`` says that the image need not hold the whole memory, because the file or the policy gives the
    addresses of its bytes.
    """

    segments: tuple[Segment, ...]
    is_part: bool = field(default=False, compare=False)

    @classmethod
    def raw(cls, data: bytes, start: int = 0, is_part: bool = False) -> Image:
        """An image of one segment, or of none if ``data`` is empty."""
        return cls((Segment(start, data),) if data else (), is_part)

    @cached_property
    def extents(self) -> tuple[tuple[int, int], ...]:
        """The first address of each segment, and the one after its end."""
        return tuple((segment.start, segment.end) for segment in self.segments)

    @property
    def size(self) -> int:
        """The number of bytes, without gaps."""
        return sum(len(segment.data) for segment in self.segments)

    def count_bytes(self, start: int, end: int) -> int:
        """The number of bytes that the image holds from ``start`` to before ``end``."""
        return sum(max(0, min(end, high) - max(start, low)) for low, high in self.extents)

    @cached_property
    def content(self) -> NDArray[np.uint8]:
        """All bytes in one row, without gaps; shape (size,)."""
        if len(self.segments) == 1:
            return np.frombuffer(self.segments[0].data, np.uint8)
        return np.frombuffer(b"".join(segment.data for segment in self.segments), np.uint8)

    def with_content(self, content: NDArray[np.uint8]) -> Image:
        """The image with other bytes at the same addresses; ``content`` has the shape (size,)."""
        segments, first = [], 0
        for segment in self.segments:
            last = first + len(segment.data)
            segments.append(Segment(segment.start, content[first:last].tobytes()))
            first = last
        return Image(tuple(segments), self.is_part)

    @cached_property
    def _starts(self) -> NDArray[np.int64]:
        return np.array([segment.start for segment in self.segments], np.int64)

    @cached_property
    def _ends(self) -> NDArray[np.int64]:
        return np.array([segment.end for segment in self.segments], np.int64)

    @cached_property
    def _positions(self) -> NDArray[np.int64]:
        """The position in ``content`` of the first byte of each segment."""
        sizes = self._ends - self._starts
        starts: NDArray[np.int64] = np.cumsum(sizes) - sizes
        return starts

    def positions(self, addresses: NDArray[np.int64], size: int) -> NDArray[np.int64]:
        """The position in ``content`` of the ``size`` bytes at each address; -1 if any of them is absent.

        ``addresses`` has any shape; the result has the same.
        """
        if not self.segments:
            return np.full(addresses.shape, -1, np.int64)
        if len(self.segments) == 1:
            segment = self.segments[0]
            offsets: NDArray[np.int64] = addresses - segment.start if segment.start else addresses
            last = len(segment.data) - size
            if not offsets.size or (int(offsets.min()) >= 0 and int(offsets.max()) <= last):
                return offsets
            return np.where((offsets >= 0) & (offsets <= last), offsets, -1)
        index = np.searchsorted(self._starts, addresses, side="right") - 1
        inside = (index >= 0) & (addresses + size <= self._ends[index])
        positions: NDArray[np.int64] = addresses - self._starts[index] + self._positions[index]
        return np.where(inside, positions, -1)

    def addresses(self, positions: NDArray[np.int64]) -> NDArray[np.int64]:
        """The address of each position in ``content``."""
        index = np.searchsorted(self._positions, positions, side="right") - 1
        addresses: NDArray[np.int64] = positions - self._positions[index] + self._starts[index]
        return addresses

    def read(self, start: int, size: int) -> bytes | None:
        """``size`` bytes from an address, or None if any of them is absent."""
        content = self.view(start, size)
        return None if content is None else bytes(content)

    def view(self, start: int, size: int) -> memoryview | None:
        """As ``read``, without a copy."""
        index = bisect_right(self.extents, start, key=lambda extent: extent[0]) - 1
        if index < 0 or start + size > self.segments[index].end:
            return None
        offset = start - self.segments[index].start
        return memoryview(self.segments[index].data)[offset : offset + size]
