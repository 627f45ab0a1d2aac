"""Finds every item of a definition in the image of another software."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.assign import PlacementStates, candidate_states, posteriors
from callint.comparing.relocation.checksums import ChecksumFinder
from callint.comparing.relocation.gaps import place_in_gaps
from callint.comparing.relocation.likelihood import Likelihood
from callint.comparing.relocation.pointers import PointerFinder
from callint.comparing.relocation.result import Candidate, ItemKind, Placement, RelocationEvidence
from callint.comparing.relocation.settle import SURE, Best, settle
from callint.comparing.relocation.shared_ranges import Bytes, shared_ranges
from callint.comparing.relocation.units import ALIGNMENTS, PlacementUnit, item_units, with_pieces
from callint.model.definition import Definition
from callint.model.image import Image

#: The largest number of bytes from the first to the last of an image; each needs some 100 bytes of memory.
MAX_BYTES = 8 * 2**20
#: The number of candidates shown to people, and the least probability of one.
_CANDIDATES, _LEAST = 3, 0.01


def relocate(definition: Definition, old: Image, new: Image) -> list[Placement]:
    """The placements of all items of ``definition`` in ``old``, sorted by their old addresses.

    Gaps of an image count as its fill byte.
    """
    start, old_bytes = _flat(old, definition.memory.fill)
    new_start, new_bytes = _flat(new, definition.memory.fill)
    items = item_units(definition, start, len(old_bytes))
    units = with_pieces(items, old_bytes)
    is_aligned = (new_start - start) % max(ALIGNMENTS) == 0
    likelihood = Likelihood(old_bytes, new_bytes, definition.memory.fill, is_aligned)
    shared = shared_ranges(old_bytes, new_bytes)
    states = candidate_states(units, shared, likelihood)
    probabilities = posteriors(units, states)
    best = [_best(state, probability) for state, probability in zip(states, probabilities, strict=True)]
    settled = settle(units, best, likelihood)
    pointers = PointerFinder(units, old_bytes, new_bytes, (start, new_start))
    counts = place_in_gaps(units, best, settled, likelihood, pointers.offsets(best))
    checksums = {checksum.name: checksum for checksum in definition.memory.checksums}
    finder = ChecksumFinder(units, best, start, new)
    stored = _StoredCounts(units, best, new_bytes, start, new_start)
    placements = []
    for unit, state, probability, evidence, chosen in zip(
        units, states, probabilities, settled, best, strict=True
    ):
        if unit.kind is None or evidence is None:
            continue
        candidates = _candidates(unit, state, probability, chosen, new_start)
        if unit.kind is ItemKind.CHECKSUM:
            moved = finder.find(checksums[unit.name], candidates)
            computed = RelocationEvidence.NOT_COMPUTED if moved is None else RelocationEvidence.COMPUTED
            candidates = () if moved is None else (Candidate(moved.stored_at, 1.0),)
            placements.append(replace(_placement(unit, start, computed, candidates), checksum=moved))
        else:
            placement = _placement(unit, start, evidence, candidates)
            if unit.kind is ItemKind.AXIS and placement.new is not None:
                placement = _with_count(placement, unit, counts.get(unit.name), stored)
            placements.append(placement)
    return placements


@dataclass(frozen=True, slots=True)
class _StoredCounts:
    """Finds the stored counts of axes in the new image; the bytes of the images begin at two addresses."""

    units: Sequence[PlacementUnit]
    best: Sequence[Best]
    new: Bytes
    start: int
    new_start: int

    def find(self, unit: PlacementUnit, at: int, count: int) -> int | None:
        """The address of the stored count of an axis, given the axis's address; None if no count is right.

        The count moves with the axis, or with the bytes beside the count.
        """
        assert unit.count is not None
        distance, dtype = unit.count
        old = unit.at + distance
        growth = (count - unit.cells) * unit.stride if distance > 0 else 0
        near = bisect_right(self.units, old, key=lambda other: other.at)
        shifts = [at - self.new_start - unit.at + growth]
        shifts += (
            shift
            for shift, probability in self.best[max(near - 2, 0) : near + 1]
            if shift is not None and probability >= SURE
        )
        for shift in shifts:
            content = self.new[max(old + shift, 0) : old + shift + dtype.itemsize].tobytes()
            if len(content) == dtype.itemsize and np.frombuffer(content, dtype)[0] == count:
                return old + shift + self.new_start
        return None


def _with_count(
    placement: Placement, unit: PlacementUnit, count: int | None, stored: _StoredCounts
) -> Placement:
    """A placed axis with its stored count, and with its new number of points if it was resized.

    The axis is left out if the stored count contradicts that number.
    """
    if unit.count is None:
        return replace(placement, count=count)
    assert placement.new is not None
    at = stored.find(unit, placement.new, unit.cells if count is None else count)
    if at is None:
        return replace(placement, new=None, evidence=RelocationEvidence.COUNT)
    return replace(placement, count=count, count_at=at)


def _placement(
    unit: PlacementUnit, start: int, evidence: RelocationEvidence, candidates: tuple[Candidate, ...]
) -> Placement:
    assert unit.kind is not None
    return Placement(
        kind=unit.kind,
        name=unit.name,
        old=unit.at + start,
        new=candidates[0].at if evidence.is_sure else None,
        probability=candidates[0].probability if candidates else 0.0,
        evidence=evidence,
        candidates=candidates,
    )


def _flat(image: Image, fill: int) -> tuple[int, Bytes]:
    """The lowest address, and the bytes from there on without gaps, at most ``MAX_BYTES``."""
    if not image.extents:
        return 0, np.empty(0, np.uint8)
    start = image.extents[0][0]
    size = min(image.extents[-1][1] - start, MAX_BYTES)
    content = np.full(size, fill, np.uint8)
    for segment in image.segments:
        here = content[segment.start - start : segment.end - start]
        here[:] = np.frombuffer(segment.data, np.uint8)[: len(here)]
    return start, content


def _best(state: PlacementStates, probability: NDArray[np.float64]) -> Best:
    """The most likely shift (None for "gone") with its probability."""
    present = probability[: len(state.shifts)]
    number, gone = int(present.argmax()), float(probability[len(state.shifts) :].sum())
    return (int(state.shifts[number]), float(present[number])) if present[number] > gone else (None, gone)


def _candidates(
    unit: PlacementUnit, state: PlacementStates, probability: NDArray[np.float64], chosen: Best, start: int
) -> tuple[Candidate, ...]:
    """The candidates of the assignment, after the one that a later pass chose."""
    order = np.argsort(-probability[: len(state.shifts)], kind="stable")[:_CANDIDATES].tolist()
    likely = {
        int(state.shifts[number]): float(probability[number])
        for number in order
        if probability[number] >= _LEAST
    }
    shift, sure = chosen
    if shift is not None and likely.get(shift) != sure:
        others = {other: min(share, 1 - sure) for other, share in likely.items() if other != shift}
        likely = {shift: sure, **others}
    return tuple(Candidate(unit.at + shift + start, share) for shift, share in likely.items())
