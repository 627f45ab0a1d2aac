"""Finds every item of a definition in the image of another software."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.assign import PlacementStates, candidate_states, posteriors
from callint.comparing.relocation.checksums import ChecksumFinder
from callint.comparing.relocation.gaps import place_in_gaps
from callint.comparing.relocation.likelihood import Likelihood
from callint.comparing.relocation.result import Candidate, ItemKind, Placement, RelocationEvidence
from callint.comparing.relocation.settle import Best, settle
from callint.comparing.relocation.stretches import Bytes, shared_stretches
from callint.comparing.relocation.units import PlacementUnit, item_units, with_pieces
from callint.model.definition import Definition
from callint.model.image import Image

#: The most bytes from the first to the last of an image; callint needs some 100 bytes of memory for each.
MAX_BYTES = 8 * 2**20
#: Candidates that people are told, and the least probability of one.
_CANDIDATES, _LEAST = 3, 0.01


def relocate(definition: Definition, old: Image, new: Image) -> list[Placement]:
    """The placements of all items of ``definition`` that ``old`` holds, by their old addresses.

    Gaps of an image count as its fill byte.
    """
    start, old_bytes = _flat(old, definition.memory.fill)
    new_start, new_bytes = _flat(new, definition.memory.fill)
    items = item_units(definition, start, len(old_bytes))
    units = with_pieces(items, old_bytes)
    likelihood = Likelihood(old_bytes, new_bytes, definition.memory.fill)
    stretches = shared_stretches(old_bytes, new_bytes)
    states = candidate_states(units, stretches, likelihood)
    probabilities = posteriors(units, states)
    best = [_best(state, probability) for state, probability in zip(states, probabilities, strict=True)]
    settled = settle(units, best, likelihood)
    place_in_gaps(units, best, settled, likelihood)
    checksums = {checksum.name: checksum for checksum in definition.memory.checksums}
    finder = ChecksumFinder(units, best, start, new)
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
            placements.append(_placement(unit, start, evidence, candidates))
    return placements


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
    """The likeliest shift, None for "gone", with its probability."""
    present = probability[: len(state.shifts)]
    number, gone = int(present.argmax()), float(probability[len(state.shifts) :].sum())
    return (int(state.shifts[number]), float(present[number])) if present[number] > gone else (None, gone)


def _candidates(
    unit: PlacementUnit, state: PlacementStates, probability: NDArray[np.float64], chosen: Best, start: int
) -> tuple[Candidate, ...]:
    """The candidates of the assignment, behind the one that was chosen after it."""
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
