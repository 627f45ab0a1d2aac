"""An image that was saved over the file of another unit is noticed by the unit's own number."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.running import (
    BAD,
    GOOD,
    HULL,
    NOTHING,
    POLICY,
    Scratch,
    edited,
    fuel_cell,
    make_repository_yard,
    yard_base,
    yard_definition,
)

RULE = "image/unit-number"
HERON, PETREL = "boats/heron.bin", "boats/petrel.bin"
THE_PETREL = edited(GOOD, {HULL: b"PETREL-1    "})
MARKED = yard_definition().replace(b'encoding="latin-1"', b'encoding="latin-1" unit-own="true"')
assert yard_definition() != MARKED


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD, petrel=THE_PETREL, gannet=yard_base())
    yard.write("defs/yard.xml", MARKED)
    yard.commit("Mark the hull number")
    return yard


def messages(yard: Scratch, *options: str) -> dict[str, str]:
    """What the rule says, by image."""
    document: Any = yard.call("check", *options, "--format", "json").data
    named = [finding for finding in document["findings"] if finding["rule"] == RULE]
    assert all(finding["severity"] == "error" and finding["table"] == "hull_number" for finding in named)
    assert len({finding["image"] for finding in named}) == len(named)
    return {finding["image"]: finding["message"] for finding in named}


COPIED = (
    'hull_number changed from "PETREL-1" to "HERON-3", the number of boats/heron.bin, with all other bytes: '
    "was that image saved over this file?"
)


def test_boats_with_numbers_of_their_own_pass(yard: Scratch) -> None:
    # Neither the heron nor the petrel has the factory's filling; the gannet has, as any other new boat would.
    yard.write("boats/plover.bin", yard_base())
    assert messages(yard) == {}
    yard.stage(HERON, edited(GOOD, {fuel_cell(1, 1): u16(455)}))
    assert messages(yard, "--staged") == messages(yard, "--since", "HEAD") == {}


def test_an_image_saved_over_another_one_stops_the_commit(yard: Scratch) -> None:
    yard.stage(PETREL, GOOD)
    assert messages(yard, "--staged") == {PETREL: COPIED}
    assert yard.staged().status == 1
    assert messages(yard, PETREL) == {
        PETREL: 'hull_number is "HERON-3", the number of boats/heron.bin, with all other bytes'
    }
    assert set(messages(yard)) == {HERON, PETREL}
    yard.commit("Unchecked")
    assert messages(yard, "--range", "HEAD~1..HEAD") == {PETREL: COPIED}
    yard.write("notes.txt", "Nothing")
    yard.commit("Nothing")
    assert messages(yard, "--range", "HEAD~1..HEAD") == {}


def test_a_copy_that_was_edited_afterwards_is_noticed_by_its_number(yard: Scratch) -> None:
    yard.stage(PETREL, edited(GOOD, {fuel_cell(2, 2): u16(741)}))
    text = 'hull_number changed from "PETREL-1" to "HERON-3", the number of boats/heron.bin: was that image'
    assert messages(yard, "--staged")[PETREL].startswith(text)
    yard.stage("boats/plover.bin", edited(GOOD, {fuel_cell(2, 2): u16(742)}))
    assert messages(yard, "boats/plover.bin") == {
        "boats/plover.bin": 'hull_number is "HERON-3", the number of boats/heron.bin, boats/petrel.bin too'
    }


@pytest.mark.parametrize(
    ("hull", "now"),
    [
        (b"TERN-9      ", '"TERN-9"'),
        (b"FACTORY     ", "the number of the base or filling"),
        (b" " * 12, "the number"),
    ],
)
def test_a_number_that_changed_to_any_other_is_noticed(yard: Scratch, hull: bytes, now: str) -> None:
    yard.stage(PETREL, edited(GOOD, {HULL: hull}))
    (message,) = messages(yard, "--staged").values()
    assert message.startswith(f'hull_number changed from "PETREL-1" to {now}')
    assert message.endswith(", but it is the unit's own number")
    assert messages(yard) == {}  # without its history nothing is wrong with it


def test_the_first_number_of_a_boat_passes(yard: Scratch) -> None:
    yard.stage("boats/gannet.bin", edited(yard_base(), {HULL: b"GANNET-2    "}))
    assert messages(yard, "--staged") == messages(yard) == {}


def test_a_waiver_accepts_a_new_number(yard: Scratch) -> None:
    yard.stage(PETREL, edited(GOOD, {HULL: b"TERN-9      "}))
    waived = yard.call("waive", RULE, "--table", "hull_number", "--reason", "Registered again after the sale")
    assert waived.status == 0, waived
    yard.must("add", "callint.toml")
    assert yard.call("check", "--staged").status == 0


def test_a_merge_that_takes_the_number_of_one_side_passes(yard: Scratch) -> None:
    yard.must("checkout", "--quiet", "-b", "topic")
    yard.write(PETREL, edited(GOOD, {HULL: b"TERN-9      "}))
    yard.commit("Sold")
    yard.must("checkout", "--quiet", "main")
    yard.write("notes.txt", "Apart")
    yard.commit("Apart")
    yard.must("merge", "--quiet", "--no-commit", "topic")
    assert messages(yard, "--staged") == {}


def test_a_scalar_may_be_the_number(yard: Scratch) -> None:
    serial = (
        '<scalar name="hull_number" title="Serial number" purpose="general" at="0x70" type="uint32" '
        'unit-own="true"/></tables>'
    )
    plain = yard_definition().replace(b'name="hull_number"', b'name="hull"')
    yard.write("defs/yard.xml", plain.replace(b"</tables>", serial.encode()))
    first = edited(GOOD, {NOTHING: (70_001_234).to_bytes(4, "big")})
    yard.write(HERON, first)
    yard.write(PETREL, edited(first, {NOTHING: (70_001_235).to_bytes(4, "big")}))
    yard.commit("With serial numbers")
    assert messages(yard) == {}
    yard.stage(PETREL, edited(first, {HULL: b"PETREL-1    "}))
    (message,) = messages(yard, "--staged").values()
    assert message.startswith(
        "hull_number changed from 70001235 to 70001234, the number of boats/heron.bin: "
    )


def test_an_unmarked_definition_gives_no_finding(yard: Scratch) -> None:
    yard.write("defs/yard.xml", yard_definition())
    yard.commit("Not marked")
    yard.stage(PETREL, GOOD)
    assert messages(yard, "--staged") == messages(yard) == {}


def test_damaged_and_foreign_files_do_not_disturb(yard: Scratch) -> None:
    yard.write("boats/tern.bin", b":10000001")
    yard.write("boats/plover.bin", edited(BAD, {0x80: b"YARD-99"}))
    yard.stage(PETREL, GOOD)
    assert messages(yard, "--staged") == {PETREL: COPIED}


def test_a_policy_of_two_definitions_compares_across_them(yard: Scratch) -> None:
    other = MARKED.replace(b"YARD-01", b"YARD-02")
    yard.write("defs/other.xml", other)
    yard.write("callint.toml", POLICY.replace('"defs/yard.xml"', '["defs/yard.xml", "defs/other.xml"]'))
    yard.write("boats/newer.bin", edited(GOOD, {0x80: b"YARD-02"}))
    said = messages(yard)
    assert set(said) == {HERON, "boats/newer.bin"}
    assert "the number of boats/heron.bin too" in said["boats/newer.bin"]
