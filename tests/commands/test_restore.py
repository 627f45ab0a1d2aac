"""``callint restore`` as its users meet it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.running import (
    BAD,
    CUT,
    EVERYTHING,
    HULL,
    MONITOR,
    NOTHING,
    SEAL,
    Yard,
    edited,
    fuel_cell,
    make_yard,
    yard_base,
    yard_definition,
)

IMAGE = "boats/heron.bin"
BASE = yard_base()


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=EVERYTHING)


def read(yard: Yard) -> bytes:
    return (yard.root / IMAGE).read_bytes()


def document(yard: Yard) -> dict[str, Any]:
    """The findings of ``check`` about the image, for programs."""
    found: dict[str, Any] = json.loads(yard.call("check", IMAGE, "--format", "json").stdout)
    return found


def cause_of(yard: Yard, table: str) -> str:
    """The id of the cause that is a place in a table."""
    causes = document(yard)["causes"]
    (name,) = [cause["id"] for cause in causes if cause["places"][0].get("name") == table]
    return str(name)


def test_a_cause_is_cured_and_everything_else_stays(yard: Yard) -> None:
    cause = cause_of(yard, "monitor")
    result = yard.run("restore", IMAGE, cause)
    assert (result.status, result.stderr) == (0, "")
    assert "off → on" in result.flat
    assert result.flat.endswith(f"{IMAGE}: restored {cause} (monitor) from factory/base.bin.")
    assert read(yard) == edited(EVERYTHING, {MONITOR: b"\x01"})
    assert "monitor is" not in yard.call("check", IMAGE).flat


def test_every_cause_restored_leaves_nothing_but_harmless_changes(yard: Yard) -> None:
    causes = document(yard)["causes"]
    curable = [cause["id"] for cause in causes if cause["kind"] not in ("checksum", "inherited")]
    yard.call("restore", IMAGE, *curable)
    assert document(yard)["findings"] == []


def test_a_fingerprint_stands_for_its_cause(yard: Yard) -> None:
    findings = document(yard)["findings"]
    finding = next(finding for finding in findings if finding["table"] == "overspeed_cut")
    yard.call("restore", IMAGE, finding["fingerprint"][:8])
    assert read(yard) == edited(EVERYTHING, {CUT: BASE[CUT : CUT + 2]})


@pytest.mark.parametrize(
    ("selection", "restored"),
    [
        (("-t", "fuel"), {fuel_cell(1, 1): 4}),
        (("-t", "fuel", "--cell", "2400,40"), {fuel_cell(2, 1): 2}),
        (("-t", "hull_number"), {HULL: 12}),
        (("--axis", "speed_4"), {0x06: 2}),
        (("--bytes", f"{NOTHING:#x}"), {NOTHING: 1}),
        (("--bytes", f"{NOTHING:#x}-{NOTHING + 3:#x}", "-t", "overspeed_cut"), {NOTHING: 4, CUT: 2}),
    ],
)
def test_named_places_get_the_bytes_of_the_base(
    yard: Yard, selection: tuple[str, ...], restored: dict[int, int]
) -> None:
    yard.call("restore", IMAGE, *selection)
    assert read(yard) == edited(EVERYTHING, {at: BASE[at : at + size] for at, size in restored.items()})


def test_a_dry_run_shows_the_cells_and_writes_nothing(yard: Yard) -> None:
    result = yard.call("restore", IMAGE, "-t", "fuel", "--dry-run")
    assert "2 of 12 cells changed" in result.flat
    assert result.flat.endswith("fuel would be restored from factory/base.bin; nothing was written.")
    assert read(yard) == EVERYTHING


def test_without_a_seal_only_the_named_bytes_change(yard: Yard) -> None:
    yard.call("restore", IMAGE, "-t", "overspeed_cut", "--no-seal")
    assert read(yard) == edited(EVERYTHING, {CUT: BASE[CUT : CUT + 2]}, seal=False)


def test_a_stale_checksum_is_a_cause_that_sealing_cures(yard: Yard) -> None:
    yard.write(IMAGE, edited(BASE, {SEAL: u16(1)}, seal=False))
    cause = cause_of(yard, "sum")
    yard.call("restore", IMAGE, cause)
    assert read(yard) == BASE


def test_a_place_that_already_holds_the_base_is_reported_and_not_written(yard: Yard) -> None:
    before = (yard.root / IMAGE).stat()
    result = yard.call("restore", IMAGE, "-t", "trim*", "-t", "fuel", "--cell", "800,10")
    assert result.status == 2
    result = yard.call("restore", IMAGE, "-t", "fuel", "--cell", "800,10")
    assert result.flat == f"{IMAGE}: fuel: nothing differs from factory/base.bin."
    assert (yard.root / IMAGE).stat().st_mtime_ns == before.st_mtime_ns


def test_restoring_what_is_there_does_not_seal_other_changes(yard: Yard) -> None:
    stale = edited(EVERYTHING, {SEAL: u16(1)}, seal=False)
    yard.write(IMAGE, stale)
    result = yard.call("restore", IMAGE, "-t", "fuel", "--cell", "800,10")
    assert result.flat == f"{IMAGE}: fuel: nothing differs from factory/base.bin."
    assert read(yard) == stale


def test_a_mirror_is_restored_with_its_table(yard: Yard) -> None:
    tables = "".join(
        f'<scalar name="{name}" title="T" purpose="general" at="{at}" type="uint16" conversion="rpm"/>'
        for name, at in (("first", "0x20"), ("second", "0x30"))
    )
    relations = '<equal table="first" mirror="second"/>'
    yard.write("defs/yard.xml", yard_definition(tables, relations=relations))
    image = edited(BASE, {0x20: u16(7), 0x30: u16(7)})
    yard.write(IMAGE, image)
    result = yard.call("restore", IMAGE, "-t", "first")
    assert {"first", "second"} <= set(result.flat.split())
    assert read(yard)[0x20:0x32] == BASE[0x20:0x32]


def test_a_message_for_the_commit_has_a_short_subject_and_the_changes(yard: Yard) -> None:
    result = yard.call("restore", IMAGE, "-t", "overspeed_cut", "-t", "hull_number", "--message")
    subject, empty, *body = result.lines
    assert subject == f"Restore hull_number, overspeed_cut of {IMAGE}"
    assert empty == ""
    assert body[0] == "overspeed_cut: 4300 → 4200 rpm (-100, -2.3 %)"
    assert all(len(line) <= 72 for line in result.lines)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "nothing to restore"),
        (("cause-00000000",), "cause-00000000: no cause has this id"),
        (("deadbeef",), "deadbeef: no finding has this fingerprint"),
        (("-t", "feul"), "there is no table 'feul'; did you mean 'fuel'?"),
        (("--axis", "speed"), "there is no stored axis 'speed'; did you mean 'speed_4'?"),
        (("-t", "fuel", "--cell", "2500,40"), "fuel: axis speed_4 has no breakpoint 2500; it has 800, 1600"),
        (("--cell", "800,10"), "--cell needs one --table"),
        (("--bytes", "64"), "--bytes 64: write addresses as 0x4F200 or 0x4F200-0x4F207"),
        (("--bytes", "0x20-0x10"), "the last address must not be before the first"),
        (("--bytes", "0x20-0xFFF"), "the memory has the addresses 0x00000 to 0x0009F; correct the range"),
        (("-t", "overspeed_cut", "--cell", "1"), "overspeed_cut: it has only one value; leave out --cell"),
        (("-t", "fuel", "--base", "nowhere.bin"), "nowhere.bin"),
    ],
)
def test_a_mistake_is_one_line_and_nothing_is_written(
    yard: Yard, arguments: tuple[str, ...], message: str
) -> None:
    result = yard.call("restore", IMAGE, *arguments)
    assert result.status == 2
    assert message in " ".join(result.stderr.split())
    assert read(yard) == EVERYTHING


def test_an_image_without_a_base_needs_one(yard: Yard) -> None:
    yard.write("callint.toml", '[[images]]\npaths = ["boats/*.bin"]\ndefinition = "defs/yard.xml"\n')
    result = yard.call("restore", IMAGE, "-t", "fuel")
    assert (result.status, "pass one with --base" in result.stderr) == (2, True)
    yard.call("restore", IMAGE, "-t", "fuel", "--base", "factory/base.bin")
    assert read(yard)[fuel_cell(0, 0) : fuel_cell(3, 2)] == BASE[fuel_cell(0, 0) : fuel_cell(3, 2)]


def test_a_finding_that_no_change_causes_cannot_be_restored(yard: Yard) -> None:
    yard.write("factory/base.bin", BAD)
    yard.write(IMAGE, BAD)
    findings = document(yard)["findings"]
    result = yard.call("restore", IMAGE, findings[0]["cause"])
    assert (result.status, "no change from the base brings it" in result.stderr) == (2, True)
