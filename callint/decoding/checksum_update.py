"""Recalculates stored checksums, each after those that it covers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

from callint import fmt
from callint.decoding import checksums
from callint.model.definition import ByteOrder, Checksum, Definition, Memory
from callint.model.image import Image, Segment


class UnsealableError(ValueError):
    """Checksums that cannot be computed; ``line`` is that of the checksum in the definition."""

    def __init__(self, message: str, line: int) -> None:
        super().__init__(message)
        self.line = line

    def located(self, definition: Definition) -> str:
        """The message after the file and line of the checksum."""
        path, line = definition.location(self.line)
        return f"{path}:{line}: {self}"


class MissingBytesError(UnsealableError):
    """A checksum stored in a partial image that covers bytes of it, and others that it lacks."""

    def __init__(self, checksum: Checksum, image: Image) -> None:
        start, end = _first_gap(checksum, image)
        message = f"checksum {checksum.name} also covers {fmt.address(start)} to {fmt.address(end - 1)}"
        super().__init__(f"{message}, which the image lacks", checksum.line)


@dataclass(frozen=True, slots=True)
class Renewal:
    """A stale checksum: the ``stored`` number, and the correct ``value``."""

    checksum: Checksum
    stored: int
    value: int


@dataclass(frozen=True, slots=True)
class Sealed:
    """An image with correct checksums, and the checksums that changed, in the order of calculation.

    ``left`` has the checksums that a partial image does not store, or none of whose bytes it has; these are
    unchanged.
    """

    image: Image
    renewals: tuple[Renewal, ...]
    left: tuple[Checksum, ...] = ()


def seal(image: Image, memory: Memory, *, allow_gaps: bool = False) -> Sealed:
    """The image with every checksum of the definition recalculated.

    Bytes that a partial image lacks count as fill if the definition says so of the checksum. Other checksums
    over missing bytes are left alone if the image does not store them, or has none of their bytes: then no
    edit of the image makes its stored bytes wrong. ``allow_gaps`` leaves the rest alone too.

    Raises MissingBytesError for a checksum that is not left alone, and UnsealableError if the algorithm of
    one is unknown, if it needs bytes outside the memory, or if checksums cover each other or are stored at
    the same place.
    """
    ordered = in_order(memory.checksums)
    renewals, left = [], []
    for checksum in ordered:
        if not _is_in_memory(checksum, memory):
            message = f"checksum {checksum.name} needs bytes outside the memory; correct its range"
            raise UnsealableError(message, checksum.line)
        stored = checksums.stored_value(checksum, image)
        value = checksums.expected_value(checksum, image)
        if stored is None or value is None:
            present_count = image.count_bytes(checksum.start, checksum.start + checksum.size)
            if present_count and stored is not None and not allow_gaps:
                raise MissingBytesError(checksum, image)
            left.append(checksum)
            continue
        content = checksums.sealed_bytes(checksum, value)
        # Compare stored bytes and not numbers: the four unused bits of a 12-bit CRC must be 0.
        if image.read(checksum.stored_at, len(content)) != content:
            renewals.append(Renewal(checksum, stored, value))
            image = _with_bytes(image, checksum.stored_at, content)
    for checksum in ordered:
        if checksum in left:
            continue
        if checksums.stored_value(checksum, image) != checksums.expected_value(checksum, image):
            message = (
                f"checksum {checksum.name} is stored at the place of another checksum; correct its stored-at"
            )
            raise UnsealableError(message, checksum.line)
    return Sealed(image, tuple(renewals), tuple(left))


#: A shorter stale checksum is the right one in another byte order by chance too often.
_TELLING_SIZE = 4


def misread_checksum(image: Image, memory: Memory) -> tuple[Checksum, ByteOrder] | None:
    """The first stale checksum that is right in another byte order, and that order; None if there is none.

    Checksums of fewer than four bytes, or of unknown algorithms, are passed over.
    """
    for checksum in memory.checksums:
        if not checksums.is_known(checksum.algorithm) or checksums.stored_size(checksum) < _TELLING_SIZE:
            continue
        stored, value = checksums.stored_value(checksum, image), checksums.expected_value(checksum, image)
        if stored is None or value is None or stored == value:
            continue
        if order := checksums.other_byte_order(checksum, image):
            return checksum, order
    return None


def in_order(unordered: Sequence[Checksum]) -> list[Checksum]:
    """The checksums, each after all whose stored places it covers.

    Raises UnsealableError if an algorithm is unknown, or if there is no such order.
    """
    for checksum in unordered:
        if not checksums.is_known(checksum.algorithm):
            message = (
                f"checksum {checksum.name} has the unknown algorithm {checksum.algorithm!r}; "
                "callint check lists the known ones"
            )
            raise UnsealableError(message, checksum.line)
    # By index, as names may repeat.
    graph = {
        number: [other for other, inner in enumerate(unordered) if _covers(checksum, inner)]
        for number, checksum in enumerate(unordered)
    }
    try:
        return [unordered[number] for number in TopologicalSorter(graph).static_order()]
    except CycleError as error:
        cycle = [unordered[number] for number in dict.fromkeys(error.args[1])]
        names = " and ".join(sorted({checksum.name for checksum in cycle}))
        what = "covers its own stored place" if len(cycle) == 1 else "cover each other's stored places"
        message = f"checksum {names} {what}, so it cannot be computed; correct start, size or stored-at"
        raise UnsealableError(message, min(checksum.line for checksum in cycle)) from None


def _is_in_memory(checksum: Checksum, memory: Memory) -> bool:
    """Whether the covered bytes and the stored place of a checksum lie in the memory."""
    places = ((checksum.start, checksum.size), (checksum.stored_at, checksums.stored_size(checksum)))
    return all(memory.start <= at and at + size <= memory.end for at, size in places)


def _covers(checksum: Checksum, inner: Checksum) -> bool:
    """Whether a checksum covers any byte of the stored place of another one."""
    end = inner.stored_at + checksums.stored_size(inner)
    return checksum.start < end and inner.stored_at < checksum.start + checksum.size


def _first_gap(checksum: Checksum, image: Image) -> tuple[int, int]:
    """The first range of the covered bytes that the image lacks: its first address, and its end."""
    start, end = checksum.start, checksum.start + checksum.size
    for low, high in image.extents:
        if low > start:
            return start, min(low, end)
        start = max(start, high)
    return start, end


def _with_bytes(image: Image, at: int, content: bytes) -> Image:
    """The image with other bytes at an address, all in one segment."""
    segments = []
    for segment in image.segments:
        offset = at - segment.start
        if offset >= 0 and at + len(content) <= segment.end:
            data = segment.data[:offset] + content + segment.data[offset + len(content) :]
            segments.append(Segment(segment.start, data))
        else:
            segments.append(segment)
    return Image(tuple(segments), image.is_part)
