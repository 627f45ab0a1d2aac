"""``callint history --fleet``: which other image had the value of a cell before."""

from __future__ import annotations

import pytest

from tests.building import u16
from tests.running import (
    CUT,
    GOOD,
    SOFTWARE,
    Scratch,
    edited,
    fuel_cell,
    make_repository,
    make_yard,
    too_wide,
    valid,
)

_CUT_4100 = {CUT: u16(4100)}
_CELL = ("fuel", "--cell", "2400,40")


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Scratch:
    """Heron lowers its cut-off, Skua begins as a copy of Heron, and Petrel takes the value from one of them.

    Wigeon and Knot then raise the same fuel cell in one commit.
    """
    scratch = make_repository(tmp_path_factory.mktemp("trail") / "yard")
    make_yard(scratch.root, heron=GOOD, petrel=GOOD, wigeon=GOOD, knot=GOOD)
    scratch.commit("Start")
    scratch.write("boats/heron.bin", edited(GOOD, _CUT_4100))
    scratch.commit("Heron: gentler")
    scratch.write("boats/skua.bin", edited(GOOD, _CUT_4100))
    scratch.write("boats/tern.bin", edited(GOOD, {**_CUT_4100, SOFTWARE: b"YARD-02"}))
    scratch.commit("Skua: begin as Heron")
    scratch.write("boats/petrel.bin", edited(GOOD, _CUT_4100))
    scratch.commit("Petrel: as the others")
    for name in ("wigeon", "knot"):
        scratch.write(f"boats/{name}.bin", edited(GOOD, {fuel_cell(2, 1): u16(471)}))
    scratch.commit("Two boats: more fuel")
    return scratch


def test_a_value_is_followed_from_image_to_image(yard: Scratch) -> None:
    done = yard.call("history", "boats/petrel.bin", "overspeed_cut", "--values", "--fleet")
    assert not too_wide(done.stdout)
    trail = done.stdout.partition("The same value was in another image before")[2]
    lines = [" ".join(line.split()) for line in trail.splitlines()]
    # Tern has the same bytes, but is an image of other software.
    skua, heron = (line.split() for line in lines if line.startswith("boats/"))
    assert (skua[0], " ".join(skua[3:10])) == ("boats/skua.bin", "Ada Quay: Skua: begin as Heron (and")
    assert (heron[0], " ".join(heron[3:])) == ("boats/heron.bin", "Ada Quay: Heron: gentler")
    assert "1 more image then" in trail
    assert lines[-1] == "Equal values are evidence of a copy, not proof."


def test_the_first_image_with_a_value_has_no_source(yard: Scratch) -> None:
    done = yard.call("history", "boats/heron.bin", "overspeed_cut", "--values", "--fleet")
    assert "No other image had the present value before." in done.stdout


def test_a_value_of_the_base_has_no_source(yard: Scratch) -> None:
    done = yard.call("history", "boats/wigeon.bin", "overspeed_cut", "--values", "--fleet")
    assert "The base factory/base.bin has the present value too" in done.stdout


def test_images_that_get_a_value_in_one_commit_are_reported_as_such(yard: Scratch) -> None:
    document = valid(
        yard.call("history", "boats/wigeon.bin", *_CELL, "--fleet", "--format", "json").data,
        "history.schema.json",
    )
    (same,) = document["same_value"]["images"]
    assert (same["image"], same["together"], same["others"]) == ("boats/knot.bin", True, 0)
    assert same["commit"] == yard.must("rev-parse", "HEAD").strip()


def test_a_value_that_is_not_committed_yet_is_followed_too(yard: Scratch) -> None:
    path = yard.root / "boats/heron.bin"
    before = path.read_bytes()
    path.write_bytes(edited(before, {fuel_cell(2, 1): u16(471)}))
    try:
        document = yard.call("history", "boats/heron.bin", *_CELL, "--fleet", "--format", "json").data
    finally:
        path.write_bytes(before)
    (same, *_) = document["same_value"]["images"]
    assert same["image"] == "boats/knot.bin"
    assert "together" not in same


def test_a_later_commit_of_another_image_is_not_a_source(yard: Scratch) -> None:
    revision = "HEAD~2:boats/heron.bin"
    document = yard.call("history", revision, "overspeed_cut", "--values", "--fleet", "--format", "json").data
    assert document["same_value"] == {"images": []}


def test_fleet_needs_one_cell_of_a_table(yard: Scratch) -> None:
    assert "--fleet needs --cell or --values" in yard.call("history", "boats/heron.bin", "--fleet").error
    error = yard.call("history", "boats/heron.bin", "hull_number", "--values", "--fleet").error
    assert "hull_number: it is a text; --fleet follows the cells of tables" in error
