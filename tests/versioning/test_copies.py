"""An image whose file became equal to that of another boat is noticed by its history alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.running import (
    GOOD,
    SOFTWARE,
    Scratch,
    edited,
    fuel_cell,
    make_repository_yard,
    yard_base,
    yard_definition,
)

RULE = "image/copied"
HERON, PETREL, AUK = "boats/heron.bin", "boats/petrel.bin", "boats/auk.bin"
OTHER, NEW = (edited(GOOD, {fuel_cell(2, 2): u16(number)}) for number in (730, 735))
SAVED = "the image became equal to boats/heron.bin: was that image saved over this file?"


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    """The heron and the auk carry one calibration, the petrel her own."""
    return make_repository_yard(tmp_path / "yard", heron=GOOD, auk=GOOD, petrel=OTHER)


def found(yard: Scratch, *options: str) -> dict[str, tuple[str, str]]:
    """The severity and the message of the rule, by image."""
    document: Any = yard.call("check", *options, "--format", "json").data
    named = [finding for finding in document["findings"] if finding["rule"] == RULE]
    return {finding["image"]: (finding["severity"], finding["message"]) for finding in named}


def test_boats_that_share_a_calibration_pass(yard: Scratch) -> None:
    assert found(yard) == {}
    yard.stage(HERON, NEW)
    yard.stage(AUK, NEW)
    assert found(yard, "--staged") == found(yard, "--since", "HEAD") == {}


def test_an_image_saved_over_that_of_another_boat_is_noticed_and_stops_nothing(yard: Scratch) -> None:
    yard.must("rm", "--quiet", AUK)
    yard.commit("Sell the auk")
    yard.stage(PETREL, GOOD)
    expected = {PETREL: ("warning", SAVED)}
    assert found(yard, "--staged") == found(yard, "--since", "HEAD") == expected
    staged = yard.staged()
    assert staged.status == 0
    assert SAVED in staged.flat
    assert found(yard) == {}  # without its history nothing is wrong with it
    yard.commit("Unchecked")
    assert found(yard, "--range", "HEAD~1..HEAD") == expected
    yard.write("notes.txt", "Nothing")
    yard.commit("Nothing")
    assert found(yard, "--range", "HEAD~1..HEAD") == {}


def test_all_boats_with_the_same_bytes_are_named(yard: Scratch) -> None:
    yard.stage(PETREL, GOOD)
    ((severity, message),) = found(yard, "--staged").values()
    assert severity == "warning"
    assert message.startswith("the image became equal to boats/auk.bin, boats/heron.bin: ")


def test_two_boats_that_get_one_new_calibration_are_a_note(yard: Scratch) -> None:
    for path in (PETREL, HERON):
        yard.stage(path, NEW)
    result = found(yard, "--staged")
    assert set(result) == {HERON, PETREL}
    assert {severity for severity, _ in result.values()} == {"note"}
    assert result[PETREL][1].startswith("the image and boats/heron.bin differed and are now equal")


def test_a_new_boat_may_begin_with_the_image_of_another(yard: Scratch) -> None:
    yard.stage("boats/tern.bin", GOOD)
    assert found(yard, "--staged") == {}


def test_a_boat_may_go_back_to_the_factory_image(yard: Scratch) -> None:
    yard.write("boats/tern.bin", yard_base())
    yard.commit("A boat as it left the factory")
    yard.stage(PETREL, yard_base())
    assert found(yard, "--staged") == {}


def test_a_copy_with_a_unit_number_is_reported_by_that_rule_instead(yard: Scratch) -> None:
    marked = yard_definition().replace(b'encoding="latin-1"', b'encoding="latin-1" unit-own="true"')
    yard.write("defs/yard.xml", marked)
    yard.commit("Mark the hull number")
    yard.stage(PETREL, GOOD)
    assert found(yard, "--staged") == {}
    assert "image/unit-number" in yard.staged().stdout


def test_a_merge_that_takes_a_copy_from_a_branch_passes(yard: Scratch) -> None:
    yard.must("checkout", "--quiet", "-b", "topic")
    yard.write(PETREL, GOOD)
    yard.commit("Copy")
    yard.must("checkout", "--quiet", "main")
    yard.write("notes.txt", "Apart")
    yard.commit("Apart")
    yard.must("merge", "--quiet", "--no-commit", "topic")
    assert found(yard, "--staged") == {}


def test_a_waiver_says_that_one_calibration_is_meant_for_both(yard: Scratch) -> None:
    yard.stage(PETREL, GOOD)
    waived = yard.call("waive", RULE, "--reason", "One calibration for all boats of the class")
    assert waived.status == 0, waived
    yard.must("add", "callint.toml")
    assert RULE not in yard.staged().stdout


def test_images_of_other_software_and_links_are_copies_of_nothing(yard: Scratch) -> None:
    for path in (PETREL, AUK):
        yard.stage(path, edited(GOOD, {SOFTWARE: b"YARD-99"}))
    assert found(yard, "--staged") == {}
    (yard.root / HERON).unlink()
    (yard.root / HERON).symlink_to("petrel.bin")
    assert found(yard, "--since", "HEAD") == {}
