"""Which bytes of a memory a definition describes, which are fill, and where undescribed data lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.decoding.checksums import stored_size
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.definition import Definition, Memory, StoredAxis
from callint.model.image import Image

Flags = NDArray[np.bool_]
#: Fill bytes among undescribed data count as fill from this number on: a table may hold some of them.
LEAST_FILL = 16


@dataclass(frozen=True, slots=True)
class UndescribedRange:
    """Neighbouring bytes that the definition does not describe and that are not fill.

    ``differing`` has the number of bytes that differ from the base, by the images that were compared with it.
    """

    start: int
    size: int
    differing: tuple[int, ...]

    @property
    def end(self) -> int:
        return self.start + self.size


@dataclass(frozen=True, slots=True)
class PartCoverage:
    """The bytes of a region by what is known about them; without a ``name``, of all bytes outside of regions.

    ``described`` counts the bytes of tables, axes and texts; ``other`` those of identities, checksums and
    stored counts; ``missing`` those that no image holds. These, fill and undescribed bytes make up ``size``.
    """

    name: str
    start: int
    size: int
    described: int
    other: int
    fill: int
    missing: int
    undescribed: int
    stretches: tuple[UndescribedRange, ...]


@dataclass(frozen=True, slots=True)
class Coverage:
    """What a definition describes of some images of its software."""

    parts: tuple[PartCoverage, ...]

    @property
    def stretches(self) -> tuple[UndescribedRange, ...]:
        return tuple(stretch for part in self.parts for stretch in part.stretches)


def is_described(loaded: LoadedDefinition, start: int, end: int) -> Flags:
    """Whether a table, axis or text covers each byte from ``start`` to before ``end``; shape (bytes,)."""
    layout = loaded.layout
    covered = np.zeros(end - start, bool)
    for group in layout.groups:
        addresses = layout.address[group.cells] - start
        for byte in range(group.type.size):
            places = addresses + byte
            covered[places[(places >= 0) & (places < covered.size)]] = True
    for text in loaded.definition.texts.values():
        _mark(covered, text.at - start, text.length)
    return covered


def _mark(flags: Flags, at: int, size: int, value: bool = True) -> None:
    flags[max(at, 0) : max(at + size, 0)] = value


def _is_structure(definition: Definition, start: int, end: int) -> Flags:
    """Whether an identity, a stored checksum or a stored count covers each byte."""
    memory = definition.memory
    covered = np.zeros(end - start, bool)
    for identity in memory.identities:
        _mark(covered, identity.at - start, len(identity.content))
    for checksum in memory.checksums:
        _mark(covered, checksum.stored_at - start, stored_size(checksum))
    for axis in definition.axes.values():
        if isinstance(axis, StoredAxis) and axis.stored_count is not None:
            _mark(covered, axis.stored_count.at - start, axis.stored_count.storage.type.size)
    return covered


def memory_bytes(image: Image, memory: Memory) -> NDArray[np.int16]:
    """The bytes of a memory, -1 for those that the image lacks; shape (memory size,)."""
    values = np.full(memory.size, -1, np.int16)
    for segment in image.segments:
        low, high = max(segment.start, memory.start), min(segment.end, memory.end)
        if low < high:
            part = np.frombuffer(segment.data, np.uint8)[low - segment.start : high - segment.start]
            values[low - memory.start : high - memory.start] = part
    return values


def runs(flags: Flags) -> NDArray[np.int64]:
    """The first index of each run of true flags and the one after its end; shape (runs, 2)."""
    padded = np.concatenate(([False], flags, [False]))
    return np.flatnonzero(padded[1:] != padded[:-1]).reshape(-1, 2)


def measure_coverage(loaded: LoadedDefinition, images: Sequence[Image], base: Image | None) -> Coverage:
    """What the definition describes of its regions, and of the memory outside of them.

    A byte is fill only if all images and the base have fill there. Parts with described bytes come first.
    """
    definition = loaded.definition
    memory = definition.memory
    described = is_described(loaded, memory.start, memory.end)
    other = _is_structure(definition, memory.start, memory.end) & ~described
    free = ~described & ~other
    missing, blank = free.copy(), free.copy()
    for image in (*images, *([] if base is None else [base])):
        content = memory_bytes(image, memory)
        missing &= content < 0
        blank &= (content == memory.fill) | (content < 0)
    fill = _fill(blank & ~missing, free & ~missing)
    undescribed = free & ~missing & ~fill
    rest = np.ones(memory.size, bool)
    for region in memory.regions:
        _mark(rest, region.start - memory.start, region.size, value=False)
    places = [
        (region.name, start, end - start, undescribed)
        for region in memory.regions
        if (start := max(region.start, memory.start)) < (end := min(region.start + region.size, memory.end))
    ]
    places.append(("", memory.start, memory.size, undescribed & rest))
    parts = []
    stretches = [
        start + runs(flags[start - memory.start : start - memory.start + size])
        for _, start, size, flags in places
    ]
    differing = _count_differing(memory, images, base, stretches)
    for number, (name, start, size, _) in enumerate(places):
        cut = slice(start - memory.start, start - memory.start + size)
        mine = np.ones(size, bool) if name else rest
        parts.append(
            PartCoverage(
                name=name,
                start=start,
                size=int(mine.sum()),
                described=int((described[cut] & mine).sum()),
                other=int((other[cut] & mine).sum()),
                fill=int((fill[cut] & mine).sum()),
                missing=int((missing[cut] & mine).sum()),
                undescribed=int((undescribed[cut] & mine).sum()),
                stretches=tuple(
                    UndescribedRange(low, high - low, tuple(changes))
                    for (low, high), changes in zip(
                        stretches[number].tolist(), differing[number].T.tolist(), strict=True
                    )
                ),
            )
        )
    return Coverage(tuple(part for part in sorted(parts, key=lambda part: not part.described) if part.size))


def _count_differing(
    memory: Memory, images: Sequence[Image], base: Image | None, stretches: Sequence[NDArray[np.int64]]
) -> list[NDArray[np.int64]]:
    """For each part, the bytes of its ranges that differ from the base; shape (images, ranges) each."""
    differing = [np.zeros((len(images), len(places)), np.int64) for places in stretches]
    if base is not None:
        original = memory_bytes(base, memory)
        for number, image in enumerate(images):
            content = memory_bytes(image, memory)
            changed = (content != original) & (content >= 0) & (original >= 0)
            counts = np.concatenate(([0], np.cumsum(changed)))
            for part, places in enumerate(stretches):
                low, high = (places - memory.start).T
                differing[part][number] = counts[high] - counts[low]
    return differing


def _fill(blank: Flags, free: Flags) -> Flags:
    """The blank bytes in long runs, and those that fill all bytes between two described items."""
    fill = np.zeros(blank.size, bool)
    places = runs(blank)
    if not len(places):
        return fill
    low, high = places[:, 0], places[:, 1]
    padded = np.concatenate(([False], free, [False]))
    is_whole = ~padded[low] & ~padded[high + 1]
    for start, end in places[(high - low >= LEAST_FILL) | is_whole].tolist():
        fill[start:end] = True
    return fill
