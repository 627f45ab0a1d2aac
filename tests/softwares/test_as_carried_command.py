"""``callint diff --as-carried``, as its users meet it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.commands.test_carry_command import CUT_2, NEWER, NEWER_POLICY, REWORK, newer
from tests.running import (
    NOTHING,
    POLICY,
    Result,
    Yard,
    edited,
    make_yard,
    too_wide,
    valid,
)

OLD_BASE, REWORKED, NEW_BASE, CARRIED = (
    "factory/base.bin",
    "boats/heron.bin",
    "factory/newer.bin",
    "newer.bin",
)
IMAGES = (OLD_BASE, REWORKED, NEW_BASE, CARRIED)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard", heron=REWORK)
    yard.write("defs/newer.xml", NEWER)
    yard.write(NEW_BASE, newer())
    yard.write("callint.toml", POLICY + NEWER_POLICY)
    assert yard.call("carry", *IMAGES[:3], "--to", CARRIED).status == 0
    return yard


def judged(yard: Yard, *more: str) -> Result:
    return yard.call("diff", "--as-carried", *IMAGES, *more)


def document(yard: Yard, *more: str) -> Any:
    return valid(judged(yard, "--format", "json", *more).data, "carried-change.schema.json")


def test_a_carried_rework_has_the_same_change(yard: Yard) -> None:
    result = yard.call("diff", "--as-carried", *IMAGES)
    assert result == Result(
        0,
        "newer.bin has the change of boats/heron.bin: 2 tables and 1 text, within half of\na storage step.\n",
        "",
    )
    report = document(yard)
    assert report["same"] is True
    assert [report[name] for name in ("old_base", "reworked", "new_base", "carried")] == list(IMAGES)
    assert [(item["table"], item["same"]) for item in report["tables"]] == [
        ("overspeed_cut", True),
        ("fuel", True),
    ]


def test_another_change_is_named_with_its_place(yard: Yard) -> None:
    image = bytearray((yard.root / CARRIED).read_bytes())
    image[CUT_2 : CUT_2 + 2] = u16(4300)
    yard.write(CARRIED, bytes(image))
    result = judged(yard)
    assert (result.status, result.stderr) == (1, "")
    assert result.lines == [
        "overspeed_cut: Fuel cut-off speed (protection)",
        "  another change",
        "  +100 rpm, carried as +200 rpm",
        "",
        "newer.bin does not have the change of boats/heron.bin: 1 of 2 changed tables",
        "differs.",
    ]
    cut, fuel = document(yard)["tables"]
    assert cut["cells"] == [
        {
            "at": {},
            "is_cell": True,
            "old": {"before": 4200, "after": 4300, "difference": 100},
            "new": {"before": 4100, "after": 4300, "difference": 200},
            "tolerance": pytest.approx(0.5),
        }
    ]
    assert (fuel["same"], fuel["cells"]) == (True, [])


def test_what_was_left_out_is_missing(yard: Yard) -> None:
    yard.call("carry", *IMAGES[:3], "--to", CARRIED, "--leave-out", "fuel", "--leave-out", "hull_number")
    result = judged(yard)
    assert result.status == 1
    assert "another change at 2 of 15 points" in result.flat
    assert "at 1600 rpm, 40 mg: +1 mg, not carried" in result.flat
    assert '"HERON-3" in the old software, no change in the new software' in result.flat
    assert not too_wide(result.stdout)
    # A selection judges what it names.
    assert judged(yard, "-t", "overspeed*").status == 0
    assert judged(yard, "-t", "fuel").status == 1


def test_changed_bytes_without_a_definition_are_not_the_same(yard: Yard) -> None:
    yard.write(REWORKED, edited(REWORK, {NOTHING: b"\x01"}))
    result = judged(yard)
    assert result.status == 1
    assert "1 changed byte has no definition" in result.flat
    assert document(yard)["undefined_bytes"] == {"old": 1, "new": 0}


def test_images_that_equal_their_bases_are_the_same(yard: Yard) -> None:
    result = yard.call("diff", "--as-carried", OLD_BASE, OLD_BASE, NEW_BASE, NEW_BASE)
    assert result == Result(0, "Neither image differs from its base.\n", "")


def test_definitions_may_come_from_the_command_line(yard: Yard) -> None:
    expected = document(yard)
    (yard.root / "callint.toml").unlink()
    assert document(yard, "--definition", "defs/yard.xml", "--definition", "defs/newer.xml") == expected


def test_one_definition_serves_two_reworks_of_one_software(yard: Yard) -> None:
    images = (OLD_BASE, REWORKED, OLD_BASE, REWORKED)
    result = yard.call("diff", "--as-carried", *images, "--definition", "defs/yard.xml")
    assert result.status == 0


def test_the_document_goes_to_a_file_that_is_not_an_input(yard: Yard) -> None:
    assert judged(yard, "--format", "json", "--output", "same.json").stdout == ""
    valid(json.loads((yard.root / "same.json").read_text()), "carried-change.schema.json")
    before = (yard.root / CARRIED).read_bytes()
    assert judged(yard, "--format", "json", "--output", CARRIED).status == 2
    assert (yard.root / CARRIED).read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (IMAGES[:3], "--as-carried needs four images: OLD_BASE REWORKED NEW_BASE CARRIED"),
        ((*IMAGES, "--stat"), "--as-carried excludes --stat, --at, --log and --format cdfx"),
        ((*IMAGES, "--output", "x"), "--output needs --format json or cdfx"),
    ],
)
def test_wrong_calls_are_refused(yard: Yard, arguments: tuple[str, ...], problem: str) -> None:
    result = yard.call("diff", "--as-carried", *arguments)
    assert result.status == 2
    assert problem in " ".join(result.stderr.split())


def test_an_image_of_the_other_software_is_refused(yard: Yard) -> None:
    error = yard.call("diff", "--as-carried", OLD_BASE, CARRIED, NEW_BASE, REWORKED).error
    assert "boats/heron.bin" in error or "newer.bin" in error
