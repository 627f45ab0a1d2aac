"""Gives images the same addresses, where the bytes that one of them lacks are known to be fill."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from callint.model.image import Image, Segment


@dataclass(frozen=True)
class UnknownBytesError(ValueError):
    """An image lacks a byte that is not fill in another one; both as their place in the sequence."""

    lacking: int
    holding: int
    address: int


def completed(images: Sequence[Image], fill: int) -> list[Image]:
    """The images with all addresses that any of them has.

    A program that writes records may leave out ranges of fill. So a missing byte is fill if every image
    that holds it has fill there; otherwise nobody knows it. Raises UnknownBytesError for such a byte.
    """
    if all(image.extents == images[0].extents for image in images):
        return list(images)
    extents = _joined([extent for image in images for extent in image.extents])
    joined = Image(tuple(Segment(start, bytes([fill]) * (end - start)) for start, end in extents))
    contents, presences = [], []
    for image in images:
        content, present = joined.content.copy(), np.zeros(joined.size, bool)
        for segment in image.segments:
            (first,) = joined.positions(np.array([segment.start]), len(segment.data))
            part = slice(int(first), int(first) + len(segment.data))
            content[part], present[part] = np.frombuffer(segment.data, np.uint8), True
        contents.append(content)
        presences.append(present)
    lacking = ~np.logical_and.reduce(presences)
    for number, (content, present) in enumerate(zip(contents, presences, strict=True)):
        unknown = np.flatnonzero(lacking & present & (content != fill))
        if len(unknown):
            address = int(joined.addresses(unknown[:1])[0])
            without = next(place for place, other in enumerate(presences) if not other[unknown[0]])
            raise UnknownBytesError(without, number, address)
    return [_with_content(joined, content.tobytes()) for content in contents]


def cut_to(image: Image, extents: Sequence[tuple[int, int]], fill: int) -> Image | None:
    """An image with fewer addresses; None if a byte that would be lost is not fill."""
    segments = []
    for start, end in extents:
        data = image.read(start, end - start)
        if data is None:
            return None
        segments.append(Segment(start, data))
    kept = Image(tuple(segments), image.is_part)
    lost = np.bincount(image.content, minlength=256) - np.bincount(kept.content, minlength=256)
    return kept if not np.delete(lost, fill).any() else None


def _joined(extents: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The extents that cover the given ones, by rising address; they neither touch nor overlap."""
    joined: list[tuple[int, int]] = []
    for start, end in sorted(extents):
        if joined and start <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(end, joined[-1][1])
        else:
            joined.append((start, end))
    return joined


def _with_content(like: Image, content: bytes) -> Image:
    segments, place = [], 0
    for segment in like.segments:
        size = len(segment.data)
        segments.append(Segment(segment.start, content[place : place + size]))
        place += size
    return Image(tuple(segments), is_part=True)
