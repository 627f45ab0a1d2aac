"""What a merge and a carried rework keep, whatever is merged and carried."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from callint.checking.merge_report import MergeReport
from callint.checking.report import Report
from callint.comparing.carry.apply import carry
from callint.comparing.carry.result import CarriedQuantity
from callint.comparing.merge import MergeResult, merge
from callint.reporting.merge.json import merge_json
from tests.example_counts import property_examples
from tests.properties.strategies import (
    Reference,
    edited,
    edits,
    images,
    pairs,
    raws,
    references,
    reworks,
)


def merged(reference: Reference, base: bytes, ours: bytes, theirs: bytes) -> MergeResult:
    return merge(reference.decoded(base), reference.decoded(ours), reference.decoded(theirs))


def content(result: MergeResult) -> bytes:
    return result.image.content.tobytes()


def document(reference: Reference, result: MergeResult) -> dict[str, Any]:
    report = MergeReport(
        result, reference.definition, "world.xml", "base", "ours", "theirs", "image", Report((), 0, 0, 0)
    )
    read: dict[str, Any] = json.loads(merge_json(report))
    return read


@property_examples
@given(pairs())
def test_merging_with_a_side_that_did_nothing_gives_the_other(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    reference, base, rework = pair
    for result in (merged(reference, base, rework, base), merged(reference, base, base, rework)):
        assert result.decisions == ()
        assert content(result) == rework


@property_examples
@given(pairs())
def test_merging_the_same_rework_twice_gives_that_rework(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    reference, base, rework = pair
    result = merged(reference, base, rework, rework)
    assert result.decisions == ()
    assert content(result) == rework


@property_examples
@given(st.data())
def test_without_conflicts_the_sides_of_a_merge_are_interchangeable(data: st.DataObject) -> None:
    reference = data.draw(references())
    base = data.draw(images(reference))
    ours, theirs = data.draw(reworks(reference, base)), data.draw(reworks(reference, base))
    item, other = merged(reference, base, ours, theirs), merged(reference, base, theirs, ours)
    assert len(item.decisions) == len(other.decisions)
    if not item.decisions:
        assert content(item) == content(other)


@property_examples
@given(st.data())
def test_edits_of_different_cells_never_conflict_and_all_stand(data: st.DataObject) -> None:
    reference = data.draw(references())
    base = data.draw(images(reference))
    by_ours = data.draw(edits(reference))
    by_theirs = {cell: bits for cell, bits in data.draw(edits(reference)).items() if cell not in by_ours}
    result = merged(reference, base, edited(reference, base, by_ours), edited(reference, base, by_theirs))
    assert result.decisions == ()
    assert content(result) == edited(reference, base, {**by_ours, **by_theirs})


@property_examples
@given(st.data())
def test_every_cell_that_was_edited_in_two_ways_is_named_with_all_its_values(data: st.DataObject) -> None:
    reference = data.draw(references())
    base = data.draw(images(reference))
    by_ours = data.draw(edits(reference).filter(bool))
    by_theirs = {**data.draw(edits(reference))}
    for name, x, y in list(by_ours)[:2]:
        by_theirs[name, x, y] = data.draw(raws(reference.by_name[name]))
    ours, theirs = edited(reference, base, by_ours), edited(reference, base, by_theirs)
    contrary = {}
    for item, x, y in reference.every_cell:
        three = tuple(reference.bits(element, item, x, y) for element in (base, ours, theirs))
        if len(set(three)) == 3:
            contrary[item.name, x, y] = three
    result = merged(reference, base, ours, theirs)
    named = {}
    for conflict in document(reference, result)["conflicts"]:
        assert (conflict["kind"], conflict["kept"]) == ("cells", "ours")
        item = reference.by_name[conflict["table"]]
        for cell in conflict["cells"]:
            place = item.name, cell["x"], cell["y"]
            named[place] = contrary.get(place)
            for side, bits in zip(("base", "ours", "theirs"), contrary.get(place, ()), strict=True):
                number = item.cells.number(bits)
                assert number != number or float(cell[side]["raw"]) == float(number)
    assert named == contrary
    changed = {
        cell: bits
        for cell, bits in by_ours.items()
        if bits != reference.bits(base, reference.by_name[cell[0]], *cell[1:])
    }
    assert content(result) == edited(reference, base, {**by_theirs, **changed})


@property_examples
@given(st.data())
def test_after_a_merge_every_checksum_is_valid_regardless_of_the_sides(data: st.DataObject) -> None:
    reference = data.draw(references())
    base = data.draw(images(reference))
    sides = [bytearray(data.draw(reworks(reference, base))) for _ in range(2)]
    for side in sides:
        for checksum in reference.sums:
            side[checksum.at - reference.start] ^= data.draw(st.integers(0, 255))
    assert reference.is_sealed(content(merged(reference, base, bytes(sides[0]), bytes(sides[1]))))


# Carrying


@property_examples
@given(st.data(), st.sampled_from(CarriedQuantity))
def test_carrying_nothing_gives_the_new_base_as_it_is(data: st.DataObject, how: CarriedQuantity) -> None:
    reference = data.draw(references())
    old, new = data.draw(images(reference)), data.draw(images(reference))
    result = carry(reference.decoded(old), reference.decoded(old), reference.decoded(new), how)
    assert (result.items, result.problems, result.left_out, result.renewals) == ((), (), (), ())
    assert result.image is not None and result.image.content.tobytes() == new


@property_examples
@given(pairs(), st.sampled_from(CarriedQuantity))
def test_carried_onto_its_own_base_a_rework_is_itself_or_nothing_is_written(
    pair: tuple[Reference, bytes, bytes], how: CarriedQuantity
) -> None:
    reference, base, rework = pair
    result = carry(reference.decoded(base), reference.decoded(rework), reference.decoded(base), how)
    assert (result.image is None) == bool(result.problems)
    if result.image is not None:
        assert result.image.content.tobytes() == rework
