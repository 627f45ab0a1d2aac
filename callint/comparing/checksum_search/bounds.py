"""Finds the possible bounds of the ranges of checksums, and the possible places of their values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.decoding.coverage import memory_bytes, runs
from callint.model.definition import Memory
from callint.model.image import Image

#: The largest number of bounds: all pairs of them are tried.
MOST_BOUNDS = 512
#: The number of equal bytes from which their run is fill.
_LEAST_FILL = 32
#: Bounds at all multiples of the step, up to this distance from a border: identities and stored checksums lie
#: there (common practice, no source).
_STEP, _NEAR = 16, 64
#: The number of equal blocks into which the memory is divided, at most.
_BLOCKS = 128
#: The largest number of places of stored values; more are left out if no bound is near.
_MOST_PLACES = 20_000


@dataclass(frozen=True)
class SearchSpace:
    """The bytes that all images hold, and what is tried on them; offsets count from ``start``.

    ``contents`` has the bytes of each image, with zeros for bytes that one of them lacks. ``bounds`` rise;
    ``ranks`` (bounds,) says how plausible each is, 0 for the borders of regions. ``gaps`` (bounds,) counts
    the absent bytes before each bound.
    """

    start: int
    contents: tuple[bytes, ...]
    bounds: NDArray[np.int64]
    ranks: NDArray[np.int64]
    gaps: NDArray[np.int64]
    present: NDArray[np.bool_]

    def numbers(self, image: int) -> NDArray[np.uint8]:
        return np.frombuffer(self.contents[image], np.uint8)

    def valid(self, least: int) -> NDArray[np.bool_]:
        """Which ranges have ``least`` bytes or more, no gap and two different bytes; by both bounds."""
        long = self.bounds[None, :] - self.bounds[:, None] >= least
        valid: NDArray[np.bool_] = long & (self.gaps[None, :] == self.gaps[:, None])
        for image in range(len(self.contents)):
            numbers = self.numbers(image)
            changes = np.concatenate(([0], np.cumsum(numbers[1:] != numbers[:-1]), [0]))
            begin = changes[np.minimum(self.bounds, len(numbers) - 1)]
            end = changes[np.maximum(self.bounds - 1, 0)]
            valid &= end[None, :] > begin[:, None]
        return valid

    def places(self, size: int) -> NDArray[np.int64]:
        """The offsets where ``size`` bytes differ between the images; near a bound if there are many."""
        changed = np.zeros(len(self.contents[0]), bool)
        for image in range(1, len(self.contents)):
            changed |= self.numbers(image) != self.numbers(0)
        counts = np.concatenate(([0], np.cumsum(changed)))
        absent = np.concatenate(([0], np.cumsum(~self.present)))
        last = len(changed) - size + 1
        is_place = (counts[size:] > counts[:last]) & (absent[size:] == absent[:last])
        places = np.flatnonzero(is_place)
        if len(places) > _MOST_PLACES:
            after = np.minimum(np.searchsorted(self.bounds, places), len(self.bounds) - 1)
            distance = np.minimum(
                np.abs(self.bounds[after] - places), np.abs(self.bounds[np.maximum(after - 1, 0)] - places)
            )
            places = places[(distance <= _NEAR) & (places % min(size, 4) == 0)]
        return places


def search_space(images: list[Image], memory: Memory) -> SearchSpace:
    """What is tried on some images of one memory."""
    held = [memory_bytes(image, memory) for image in images]
    present = np.all([numbers >= 0 for numbers in held], axis=0)
    contents = [np.where(present, numbers, 0).astype(np.uint8) for numbers in held]
    ranks: dict[int, int] = {}

    def add(bounds: list[int], rank: int) -> None:
        for bound in bounds:
            if 0 <= bound <= memory.size:
                ranks[bound] = min(rank, ranks.get(bound, rank))

    regions = [0, memory.size]
    for region in memory.regions:
        regions += [region.start - memory.start, region.start + region.size - memory.start]
    for identity in memory.identities:
        at = identity.at - memory.start
        regions += [at, at + len(identity.content)]
    add(regions, 0)
    add(runs(present).ravel().tolist(), 1)
    fill = _fill_borders(contents[0])
    add(fill, 1)
    block = 1
    while block * _BLOCKS < memory.size:
        block *= 2
    blocks = list(range(0, memory.size, block))
    borders = sorted(ranks)
    add([bound for bound in blocks if len(ranks) < MOST_BOUNDS], 2)
    near = [
        bound
        for border in [*borders, *_ends_of_data(contents[0], blocks)]
        for bound in range(border - border % _STEP - _NEAR, border + _NEAR + 1, _STEP)
    ]
    for bound in near:
        if len(ranks) < MOST_BOUNDS:
            add([bound], 3)
    bounds = np.array(sorted(ranks)[:MOST_BOUNDS], np.int64)
    absent = np.concatenate(([0], np.cumsum(~present)))
    return SearchSpace(
        memory.start,
        tuple(content.tobytes() for content in contents),
        bounds,
        np.array([ranks[bound] for bound in bounds.tolist()], np.int64),
        absent[bounds],
        present,
    )


def _fill_borders(content: NDArray[np.uint8]) -> list[int]:
    """The borders of the longest runs of equal bytes."""
    equal = np.concatenate((content[1:] == content[:-1], [False]))
    places = runs(equal)
    places[:, 1] += 1
    sizes = places[:, 1] - places[:, 0]
    places = places[sizes >= _LEAST_FILL]
    longest = np.argsort(places[:, 0] - places[:, 1], kind="stable")[: MOST_BOUNDS // 8]
    return [int(bound) for bound in places[longest].ravel()]


def _ends_of_data(content: NDArray[np.uint8], blocks: list[int]) -> list[int]:
    """The blocks' borders at which data end and fill begins."""
    size = len(content)
    return [
        block
        for block in blocks
        if 0 < block < size
        and len(set(content[block : block + _LEAST_FILL].tolist())) == 1
        and len(set(content[block - _LEAST_FILL : block].tolist())) > 1
    ]
