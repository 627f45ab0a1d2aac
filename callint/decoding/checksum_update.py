"""Stored checksums computed anew, each after those that it covers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

from callint.decoding import checksums
from callint.model.definition import Checksum, Memory
from callint.model.image import Image, Segment


class UnsealableError(ValueError):
    """Checksums that cannot be computed; ``line`` is that of the checksum in the definition."""

    def __init__(self, message: str, line: int) -> None:
        super().__init__(message)
        self.line = line


@dataclass(frozen=True, slots=True)
class Renewal:
    """A stored checksum that was stale, and what it has to be, as numbers."""

    checksum: Checksum
    stored: int
    value: int


@dataclass(frozen=True, slots=True)
class Sealed:
    """An image whose described checksums are right, and what had to change for that, in that order.

    ``left`` are those that need bytes which an image of part of the memory does not have.
    """

    image: Image
    renewals: tuple[Renewal, ...]
    left: tuple[Checksum, ...] = ()


def seal(image: Image, memory: Memory) -> Sealed:
    """The image with every described checksum computed anew.

    Those that need bytes which the image does not have are left as they are. Raises UnsealableError where a
    checksum's algorithm is unknown, where it needs bytes outside the memory, or where checksums cover each
    other or share their stored place.
    """
    ordered = in_order(memory.checksums)
    renewals, left = [], []
    for checksum in ordered:
        if not _is_inside(checksum, memory):
            message = f"checksum {checksum.name} needs bytes outside the memory; correct its range"
            raise UnsealableError(message, checksum.line)
        stored = checksums.stored_value(checksum, image)
        value = checksums.expected_value(checksum, image)
        if stored is None or value is None:
            left.append(checksum)
            continue
        content = checksums.sealed_bytes(checksum, value)
        # Stored bytes and not numbers: a 12-bit CRC leaves four bits of its two bytes over, which are 0.
        if image.read(checksum.stored_at, len(content)) != content:
            renewals.append(Renewal(checksum, stored, value))
            image = _with_bytes(image, checksum.stored_at, content)
    for checksum in ordered:
        if checksum in left:
            continue
        if checksums.stored_value(checksum, image) != checksums.expected_value(checksum, image):
            message = f"checksum {checksum.name} is stored where another one is; correct its stored-at"
            raise UnsealableError(message, checksum.line)
    return Sealed(image, tuple(renewals), tuple(left))


def in_order(unordered: Sequence[Checksum]) -> list[Checksum]:
    """The checksums, each behind all whose stored places it covers.

    Raises UnsealableError for an unknown algorithm, and where there is no such order.
    """
    for checksum in unordered:
        if not checksums.is_known(checksum.algorithm):
            message = (
                f"checksum {checksum.name} has the unknown algorithm {checksum.algorithm!r}; "
                "callint check names those that are known"
            )
            raise UnsealableError(message, checksum.line)
    # By number: names may repeat.
    graph = {
        number: [other for other, inner in enumerate(unordered) if _covers(checksum, inner)]
        for number, checksum in enumerate(unordered)
    }
    try:
        return [unordered[number] for number in TopologicalSorter(graph).static_order()]
    except CycleError as error:
        circle = [unordered[number] for number in dict.fromkeys(error.args[1])]
        names = " and ".join(sorted({checksum.name for checksum in circle}))
        what = "covers its own stored place" if len(circle) == 1 else "cover each other's stored places"
        message = f"checksum {names} {what}, so it cannot be computed; correct start, size or stored-at"
        raise UnsealableError(message, min(checksum.line for checksum in circle)) from None


def _is_inside(checksum: Checksum, memory: Memory) -> bool:
    """Whether all that a checksum covers, and where it is stored, lies in the memory."""
    places = ((checksum.start, checksum.size), (checksum.stored_at, checksums.stored_size(checksum)))
    return all(memory.start <= at and at + size <= memory.end for at, size in places)


def _covers(checksum: Checksum, inner: Checksum) -> bool:
    """Whether a checksum covers any byte of the stored place of another."""
    end = inner.stored_at + checksums.stored_size(inner)
    return checksum.start < end and inner.stored_at < checksum.start + checksum.size


def _with_bytes(image: Image, at: int, content: bytes) -> Image:
    """The image with other bytes at an address; one segment holds them whole."""
    segments = []
    for segment in image.segments:
        offset = at - segment.start
        if offset >= 0 and at + len(content) <= segment.end:
            data = segment.data[:offset] + content + segment.data[offset + len(content) :]
            segment = Segment(segment.start, data)
        segments.append(segment)
    return Image(tuple(segments), image.is_part)
