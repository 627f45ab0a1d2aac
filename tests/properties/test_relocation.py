"""Items are found where they lie in an image that was moved, or into which bytes were inserted."""

from __future__ import annotations

import zlib
from functools import cache

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchmarks.shapes import shapes
from benchmarks.siblings import Sibling, sibling
from callint.comparing.relocation.relocate import relocate
from callint.comparing.relocation.result import ItemKind, Placement, RelocationEvidence
from callint.decoding.checksums import expected_value, stored_value
from callint.model.image import Image
from tests.example_counts import property_examples
from tests.properties.strategies import Reference, pairs

#: Pairs of each word size and byte order.
_SEEDS = range(8)


@cache
def _pair(seed: int) -> Sibling:
    return sibling(seed, 120, 0, shapes(seed), "")


@property_examples
@given(pairs())
def test_an_equal_image_has_everything_at_its_place(pair: tuple[Reference, bytes, bytes]) -> None:
    reference, data, _ = pair
    definition = reference.definition
    image = Image.raw(data, definition.memory.start)
    wrong = {
        checksum.name
        for checksum in definition.memory.checksums
        if stored_value(checksum, image) != expected_value(checksum, image)
    }
    placements = relocate(definition, image, image)
    for item in placements:
        if item.kind is not ItemKind.CHECKSUM or item.name not in wrong:
            assert item.new == item.old, item
    assert len(placements) == sum(
        map(
            len,
            (
                definition.stored_axes,
                definition.tables,
                definition.texts,
                definition.memory.identities,
                definition.memory.checksums,
            ),
        )
    )


@pytest.mark.parametrize("seed", _SEEDS)
def test_everything_is_found_after_a_move_of_the_whole_image(seed: int) -> None:
    pair = _pair(seed)
    front = np.random.default_rng(seed).integers(0, 256, 3 + 1001 * seed, np.uint8).tobytes()
    end = len(pair.old) - 4
    placements = relocate(pair.definition, Image.raw(pair.old), Image.raw(front + pair.old))
    for item in placements:
        if item.kind is not ItemKind.CHECKSUM and item.old < end:
            assert item.new == item.old + len(front), item


@property_examples
@given(st.sampled_from(_SEEDS), st.lists(st.tuples(st.floats(0, 1), st.integers(1, 3000)), max_size=4))
# Pointers to items after the byte give their old places.
@example(seed=2, insertions=[(0.875, 1)])
@example(seed=4, insertions=[(0.90625, 1)])
def test_no_item_is_placed_wrongly_after_insertions(seed: int, insertions: list[tuple[float, int]]) -> None:
    pair = _pair(seed)
    by_start = sorted(
        {item.old for item in relocate(pair.definition, Image.raw(pair.old), Image.raw(pair.old))}
    )
    new, moved = pair.old, {at: at for at in by_start}
    for number, (share, size) in enumerate(insertions):
        at = by_start[int(share * (len(by_start) - 1))]
        noise = np.random.default_rng([zlib.crc32(new), number]).integers(0, 256, size, np.uint8).tobytes()
        new = new[: moved[at]] + noise + new[moved[at] :]
        moved = {old: place + size * (old >= at) for old, place in moved.items()}
    placements = relocate(pair.definition, Image.raw(pair.old), Image.raw(new))
    _assert_right(placements, moved, len(insertions))


def _assert_right(placements: list[Placement], moved: dict[int, int], insertions: int) -> None:
    left, misled = 0, 0
    for item in placements:
        if item.kind is ItemKind.CHECKSUM:
            continue
        # No list of pointers is written again: nothing contradicts its last one before an insertion.
        is_misled = item.evidence is RelocationEvidence.POINTED and item.new == item.old != moved[item.old]
        assert is_misled or item.new in (None, moved[item.old]), item
        left += item.new is None
        misled += is_misled
    assert misled <= insertions
    # An insertion beside an axis leaves the size of that axis in doubt, and with it all tables on it.
    assert left <= len(placements) * (0.05 + 0.1 * insertions)
