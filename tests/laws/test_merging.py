"""What a merge and a carried rework keep, whatever is merged and carried."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from callint.checking.report import Report
from callint.comparing.carry import How, carry
from callint.comparing.merge import Merge, merge
from callint.reporting.merge.json import MergeReport, merge_json
from tests.laws.trying import laws
from tests.laws.worlds import World, edited, edits, images, pairs, raws, reworks, worlds


def merged(world: World, base: bytes, ours: bytes, theirs: bytes) -> Merge:
    return merge(world.decoded(base), world.decoded(ours), world.decoded(theirs))


def content(found: Merge) -> bytes:
    return found.image.content.tobytes()


def document(world: World, found: Merge) -> dict[str, Any]:
    report = MergeReport(
        found, world.definition, "world.xml", "base", "ours", "theirs", "image", Report((), 0, 0, 0)
    )
    read: dict[str, Any] = json.loads(merge_json(report))
    return read


@laws
@given(pairs())
def test_merging_with_a_side_that_did_nothing_gives_the_other(pair: tuple[World, bytes, bytes]) -> None:
    world, base, rework = pair
    for found in (merged(world, base, rework, base), merged(world, base, base, rework)):
        assert found.decisions == ()
        assert content(found) == rework


@laws
@given(pairs())
def test_merging_the_same_rework_twice_gives_that_rework(pair: tuple[World, bytes, bytes]) -> None:
    world, base, rework = pair
    found = merged(world, base, rework, rework)
    assert found.decisions == ()
    assert content(found) == rework


@laws
@given(st.data())
def test_where_nothing_is_in_conflict_it_does_not_matter_whose_side_is_whose(data: st.DataObject) -> None:
    world = data.draw(worlds())
    base = data.draw(images(world))
    ours, theirs = data.draw(reworks(world, base)), data.draw(reworks(world, base))
    one, other = merged(world, base, ours, theirs), merged(world, base, theirs, ours)
    assert len(one.decisions) == len(other.decisions)
    if not one.decisions:
        assert content(one) == content(other)


@laws
@given(st.data())
def test_edits_of_different_cells_never_conflict_and_all_stand(data: st.DataObject) -> None:
    world = data.draw(worlds())
    base = data.draw(images(world))
    by_ours = data.draw(edits(world))
    by_theirs = {cell: bits for cell, bits in data.draw(edits(world)).items() if cell not in by_ours}
    found = merged(world, base, edited(world, base, by_ours), edited(world, base, by_theirs))
    assert found.decisions == ()
    assert content(found) == edited(world, base, {**by_ours, **by_theirs})


@laws
@given(st.data())
def test_every_cell_that_was_edited_in_two_ways_is_named_with_all_its_values(data: st.DataObject) -> None:
    world = data.draw(worlds())
    base = data.draw(images(world))
    by_ours = data.draw(edits(world).filter(bool))
    by_theirs = {**data.draw(edits(world))}
    for name, x, y in list(by_ours)[:2]:
        by_theirs[name, x, y] = data.draw(raws(world.by_name[name]))
    ours, theirs = edited(world, base, by_ours), edited(world, base, by_theirs)
    contrary = {}
    for item, x, y in world.every_cell:
        three = tuple(world.bits(one, item, x, y) for one in (base, ours, theirs))
        if len(set(three)) == 3:
            contrary[item.name, x, y] = three
    found = merged(world, base, ours, theirs)
    named = {}
    for conflict in document(world, found)["conflicts"]:
        assert (conflict["kind"], conflict["kept"]) == ("cells", "ours")
        item = world.by_name[conflict["table"]]
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
        if bits != world.bits(base, world.by_name[cell[0]], *cell[1:])
    }
    assert content(found) == edited(world, base, {**by_theirs, **changed})


@laws
@given(st.data())
def test_after_a_merge_every_checksum_is_valid_whatever_the_sides_left(data: st.DataObject) -> None:
    world = data.draw(worlds())
    base = data.draw(images(world))
    sides = [bytearray(data.draw(reworks(world, base))) for _ in range(2)]
    for side in sides:
        for one in world.sums:
            side[one.at - world.start] ^= data.draw(st.integers(0, 255))
    assert world.is_sealed(content(merged(world, base, bytes(sides[0]), bytes(sides[1]))))


# Carrying


@laws
@given(st.data(), st.sampled_from(How))
def test_carrying_nothing_gives_the_new_base_as_it_is(data: st.DataObject, how: How) -> None:
    world = data.draw(worlds())
    old, new = data.draw(images(world)), data.draw(images(world))
    found = carry(world.decoded(old), world.decoded(old), world.decoded(new), how)
    assert (found.moved, found.problems, found.left_out, found.renewals) == ((), (), (), ())
    assert found.image is not None and found.image.content.tobytes() == new


@laws
@given(pairs(), st.sampled_from(How))
def test_carried_onto_its_own_base_a_rework_is_itself_or_nothing_is_written(
    pair: tuple[World, bytes, bytes], how: How
) -> None:
    world, base, rework = pair
    found = carry(world.decoded(base), world.decoded(rework), world.decoded(base), how)
    assert (found.image is None) == bool(found.problems)
    if found.image is not None:
        assert found.image.content.tobytes() == rework
