"""Measures the distance of images from one that was read out: the cells and the bytes that differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.decoding.footprint import footprint
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.image import Image, Segment


@dataclass(frozen=True, slots=True, order=True)
class Distance:
    """The numbers of cells and texts, and of bytes, that differ; ``lacking`` bytes are not compared.

    An image that was read out lacks bytes if it holds only a part of the memory.
    """

    cells: int
    bytes: int
    lacking: int

    @property
    def is_equal(self) -> bool:
        """Whether all bytes that were compared are the same."""
        return not self.bytes


class DistanceMeter:
    """Compares many images with one that was read out; a byte of fill equals an absent byte."""

    def __init__(self, loaded: LoadedDefinition, image: Image) -> None:
        self.image = image
        self.definition = loaded.definition
        self._fill = loaded.definition.memory.fill
        texts = list(loaded.definition.texts.values())
        self._size = loaded.layout.size + len(texts)
        self._footprint = footprint(loaded.layout, image, texts)

    def aligned(self, other: Image) -> Image:
        """The bytes of another image at the addresses of the one that was read out."""
        return aligned(other, self.image, self._fill)

    def distance(self, other: Image) -> Distance:
        """The distance of another image."""
        same = self.aligned(other)
        differing = np.zeros(self._size, bool)
        differing[self._footprint.changed(same, self.image)] = True
        bytes_ = int(np.count_nonzero(same.content != self.image.content))
        lacking = self._count(other) - self._count(same)
        return Distance(int(differing.sum()), bytes_, lacking)

    def _count(self, image: Image) -> int:
        """The number of bytes that are not erased."""
        return int(np.count_nonzero(image.content != self._fill))


def aligned(other: Image, image: Image, fill: int) -> Image:
    """The bytes of one image at the addresses of another, not empty, one; absent bytes count as erased."""
    if other.extents == image.extents:
        return other
    segments = []
    first = 0
    for low, high in image.extents:
        data = bytearray([fill]) * (high - low)
        while first < len(other.segments) and other.segments[first].end <= low:
            first += 1
        for segment in other.segments[first:]:
            if segment.start >= high:
                break
            start, end = max(low, segment.start), min(high, segment.end)
            data[start - low : end - low] = segment.data[start - segment.start : end - segment.start]
        segments.append(Segment(low, bytes(data)))
    return Image(tuple(segments), image.is_part)
