"""``callint merge`` as its users meet it, and as git meets it."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.running import (
    CUT,
    EGR,
    HULL,
    NOTHING,
    POLICY,
    SMOKE,
    SOFTWARE,
    Result,
    Scratch,
    Yard,
    edited,
    fuel_cell,
    launcher,
    make_repository_yard,
    make_yard,
    steering,
    too_wide,
    valid,
    yard_base,
    yard_definition,
)

BASE = yard_base()
OURS = edited(BASE, {fuel_cell(1, 1): u16(450), fuel_cell(0, 0): u16(121), HULL: b"HERON-3     "})
#: Nothing in it is contrary to OURS.
APART = edited(BASE, {fuel_cell(2, 2): u16(741), EGR: b"\x1c"})
#: Contrary in a cell, in the text, and in bytes that nothing defines.
CONTRARY = edited(APART, {fuel_cell(1, 1): u16(460), HULL: b"PETREL      ", NOTHING: b"\x01"})
#: Moves the axis that most tables stand on.
MOVED = edited(BASE, {0x06: u16(3300), SMOKE: u16(610)})
TOGETHER = edited(OURS, {fuel_cell(2, 2): u16(741), EGR: b"\x1c"})

LISTS = ("boats/merged.bin.conflicts.txt", "boats/merged.bin.conflicts.json")


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", base=BASE, ours=OURS, apart=APART, contrary=CONTRARY, moved=MOVED)


def merged(yard: Yard, *more: str, theirs: str = "contrary", ours: str = "ours") -> Result:
    files = (f"boats/{name}.bin" for name in ("base", ours, theirs))
    return yard.call("merge", *files, "--to", "boats/merged.bin", *more)


def output(yard: Yard) -> bytes:
    return (yard.root / "boats/merged.bin").read_bytes()


def listed(yard: Yard) -> Any:
    return valid(json.loads((yard.root / LISTS[1]).read_bytes()), "conflicts.schema.json")


# Clean merges


def test_edits_apart_merge_in_silence_with_a_new_checksum(yard: Yard) -> None:
    before = yard.files()
    result = merged(yard, theirs="apart")
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    assert output(yard) == TOGETHER
    assert yard.files() == {**before, "boats/merged.bin": TOGETHER}


def test_a_clean_merge_as_json_is_an_empty_list(yard: Yard) -> None:
    result = merged(yard, "--format", "json", theirs="apart")
    document = valid(result.data, "conflicts.schema.json")
    assert result.status == 0
    assert (document["conflicts"], document["settled"], document["broken"]) == ([], [], [])
    assert document["image"] == "boats/merged.bin" and document["definition"] == "defs/yard.xml"


def test_an_output_that_exists_is_replaced_and_keeps_its_permissions(yard: Yard) -> None:
    target = yard.write("boats/merged.bin", b"old")
    target.chmod(0o640)
    mode = target.stat().st_mode
    assert merged(yard, theirs="apart").status == 0
    assert target.stat().st_mode == mode


# Conflicts


def test_a_conflict_has_its_breakpoints_three_values_and_unit(yard: Yard) -> None:
    result = merged(yard)
    assert (result.status, result.stderr) == (1, "")
    assert result.lines == [
        "fuel: Fuel by speed and load (demand)",
        "  1 of 12 cells in conflict",
        "  mg                  base  ours  theirs",
        "  at 1600 rpm, 40 mg  44.0  45.0    46.0",
        "",
        "text hull_number: Hull number",
        '  base    "FACTORY"',
        '  ours    "HERON-3"',
        '  theirs  "PETREL"',
        "",
        "2 conflicts; boats/merged.bin keeps ours there. Resolve them with --take.",
        "boats/merged.bin.conflicts.txt lists them.",
    ]


def test_a_conflict_keeps_ours_and_takes_all_else(yard: Yard) -> None:
    merged(yard)
    assert output(yard) == edited(TOGETHER, {NOTHING: b"\x01"})


def test_conflicts_lie_beside_the_image_for_people_and_for_programs(yard: Yard) -> None:
    printed = merged(yard)
    text = (yard.root / LISTS[0]).read_text("utf-8")
    assert text.startswith("callint merge: conflicts in boats/merged.bin\n")
    assert "theirs  boats/contrary.bin" in text
    assert "\n".join(printed.lines[:9]) in text
    assert not too_wide(text) and not steering(text)
    document = listed(yard)
    cells, hull = document["conflicts"]
    assert cells == {
        "kind": "cells",
        "table": "fuel",
        "purpose": "demand",
        "unit": "mg",
        "cells": [
            {
                "x": 1,
                "y": 1,
                "at": {"speed": 1600.0, "load": 40.0},
                "base": {"raw": 440, "physical": 44.0},
                "ours": {"raw": 450, "physical": 45.0},
                "theirs": {"raw": 460, "physical": 46.0},
            }
        ],
        "kept": "ours",
    }
    assert (hull["kind"], hull["name"], hull["theirs"]) == ("text", "hull_number", "PETREL")
    assert document["summary"] == {"conflicts": 2, "cells": 1, "settled": 0, "broken": 0}


def test_the_json_output_is_the_list_beside_the_image(yard: Yard) -> None:
    result = merged(yard, "--format", "json")
    assert result.status == 1
    assert result.data == listed(yard)


def test_a_moved_axis_holds_its_tables_and_shows_what_differs(yard: Yard) -> None:
    result = merged(yard, theirs="moved")
    assert result.status == 1
    assert output(yard) == OURS
    assert "moved in theirs; merged together with the tables on it: fuel, smoke_cap, trim, egr" in result.flat
    assert "  theirs  800  1600  2400  3300" in result.lines
    assert "  at 800 rpm  60.0  60.0    61.0" in result.lines
    (conflict,) = listed(yard)["conflicts"]
    assert conflict["kind"] == "axes"
    assert [table["table"] for table in conflict["tables"]] == ["fuel", "smoke_cap"]
    assert conflict["axes"][0]["theirs"] == {"breakpoints": [800.0, 1600.0, 2400.0, 3300.0]}


def test_bytes_that_nothing_defines_are_shown_in_hexadecimal(yard: Yard) -> None:
    yard.write("boats/ours.bin", edited(OURS, {NOTHING: b"\xbe\xef"}))
    result = merged(yard)
    start = result.lines.index("bytes from 0x00070: 2 bytes that the definition does not describe")
    assert result.lines[start + 1 : start + 4] == ["  base    00 00", "  ours    be ef", "  theirs  01 00"]
    conflict = listed(yard)["conflicts"][-1]
    assert conflict["kind"] == "bytes" and conflict["ours"] == "beef" and conflict["start"] == NOTHING


def test_many_cells_are_cut_short_in_the_terminal_but_not_in_the_list(yard: Yard) -> None:
    axis = '<axis name="a" signal="speed" at="0x00" type="uint16" count="40"/>'
    table = (
        '<curve name="long" title="Long" purpose="general" at="0x50" type="uint8"><x axis="a"/></curve>'
        '<text name="t" title="T" purpose="general" at="0x90" length="1"/>'
    )
    yard.write("defs/long.xml", yard_definition(table, axes=axis, memory=""))
    yard.write("boats/ours.bin", edited(BASE, {0x50: bytes([1] * 40)}, seal=False))
    yard.write("boats/contrary.bin", edited(BASE, {0x50: bytes([2] * 40)}, seal=False))
    result = merged(yard, "--definition", "defs/long.xml")
    assert "  and 28 more cells" in result.lines
    text = (yard.root / LISTS[0]).read_text("utf-8")
    assert text.count("  at ") == 40 and "more cells" not in text
    assert not too_wide(result.stdout)


def test_values_that_look_alike_are_distinguished(yard: Yard) -> None:
    table = '<scalar name="f" title="F" purpose="general" at="0x10" type="float32" conversion="mg"/>'
    yard.write("defs/float.xml", yard_definition(table, axes="", memory=""))
    raws = {"base": b"\x7f\xc0\x00\x00", "ours": b"\x7f\xc0\x00\x01", "contrary": b"\x3f\x80\x00\x00"}
    for name, raw in raws.items():
        yard.write(f"boats/{name}.bin", edited(BASE, {0x10: raw}, seal=False))
    result = merged(yard, "--definition", "defs/float.xml")
    for word in ("not a number (0x7FC00000)", "not a number (0x7FC00001)"):
        assert word in result.flat
    assert not too_wide(result.stdout)
    (conflict,) = listed(yard)["conflicts"]
    assert conflict["cells"][0]["ours"] == {"raw": "nan"}


def test_a_later_clean_run_removes_its_own_stale_lists(yard: Yard) -> None:
    merged(yard)
    assert set(LISTS) <= yard.files().keys()
    merged(yard, theirs="apart")
    assert not set(LISTS) & yard.files().keys()


@pytest.mark.parametrize("name", LISTS)
def test_a_file_that_is_not_a_list_is_neither_replaced_nor_removed(yard: Yard, name: str) -> None:
    yard.write(name, b"{}")
    before = yard.files()
    assert f"{name}: callint writes a list of conflicts here" in merged(yard).error
    assert yard.files() == before
    assert merged(yard, theirs="apart").status == 0
    assert yard.files()[name] == b"{}"


# Settling


def test_take_settles_everything(yard: Yard) -> None:
    result = merged(yard, "--take", "theirs")
    assert result.status == 0
    assert result.lines == ["fuel: 1 cell resolved with theirs", "text hull_number: resolved with theirs"]
    assert output(yard) == edited(CONTRARY, {fuel_cell(0, 0): u16(121)})
    assert not set(LISTS) & yard.files().keys()


@pytest.mark.parametrize(
    "arguments",
    [("--take", "theirs", "--table", "fu*"), ("--take", "theirs:fu*"), ("--take=theirs", "-t", "fuel")],
)
def test_take_with_a_glob_settles_only_such_tables(yard: Yard, arguments: tuple[str, ...]) -> None:
    result = merged(yard, *arguments)
    assert result.status == 1
    assert output(yard)[fuel_cell(1, 1) :][:2] == u16(460)
    assert output(yard)[HULL:].startswith(b"HERON-3")
    document = listed(yard)
    assert [conflict["kind"] for conflict in document["conflicts"]] == ["text"]
    assert [(item["table"], item["kept"]) for item in document["settled"]] == [("fuel", "theirs")]


def test_takes_of_both_sides_go_together_and_the_one_with_a_glob_wins(yard: Yard) -> None:
    result = merged(yard, "--take", "ours", "--take", "theirs:hull_number")
    assert result.status == 0
    assert output(yard)[fuel_cell(1, 1) :][:2] == u16(450)
    assert output(yard)[HULL:].startswith(b"PETREL")


@pytest.mark.parametrize(
    ("globs", "status"),
    [(("speed_4",), 0), (("fuel", "smoke_cap"), 0), (("fuel",), 1), (("load_3",), 1)],
)
def test_an_axis_is_settled_by_its_name_or_by_all_its_differing_tables(
    yard: Yard, globs: tuple[str, ...], status: int
) -> None:
    arguments = [word for glob in globs for word in ("--table", glob)]
    assert merged(yard, "--take", "theirs", *arguments, theirs="moved").status == status
    assert (output(yard)[0x06:0x08] == u16(3300)) == (status == 0)


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        (("--take", "mine"), "write ours, theirs, ours:GLOB or theirs:GLOB"),
        (("--take", "ours:"), "write ours, theirs, ours:GLOB or theirs:GLOB"),
        (("--take", "ours", "--take", "theirs"), "only once"),
        (("--table", "fuel"), "add --take ours or --take theirs"),
        (("--take", "ours:fule"), "there is no table 'fule'; did you mean 'fuel'?"),
    ],
)
def test_an_ambiguous_take_is_refused(yard: Yard, arguments: tuple[str, ...], error: str) -> None:
    before = yard.files()
    assert error in merged(yard, *arguments).error
    assert yard.files() == before


# Rules


RELATED = yard_definition(
    """
    <scalar name="low" title="Low" purpose="general" at="0x10" type="uint16" conversion="mg">
      <limits min="0" max="90"/>
    </scalar>
    <curve name="steps" title="Steps" purpose="general" at="0x28" type="uint16" conversion="mg">
      <x axis="speed_4"/><limits min="0" max="100"/><monotonic along="x" direction="rising"/>
    </curve>
    """
)
STEPS = edited(bytes(BASE), {0x28: u16(100, 200, 300, 400)})


def test_edits_that_only_together_break_a_rule_are_reported(yard: Yard) -> None:
    yard.write("defs/yard.xml", RELATED)
    yard.write("boats/base.bin", STEPS)
    yard.write("boats/ours.bin", edited(STEPS, {0x28: u16(100, 290, 300, 400)}))
    yard.write("boats/contrary.bin", edited(STEPS, {0x28: u16(100, 200, 210, 400)}))
    yard.write(
        "callint.toml", POLICY + '[severity]\n"value/not-monotonic" = "error"\n"value/unexpected" = "off"\n'
    )
    result = merged(yard)
    assert result.status == 1
    assert "boats/merged.bin: merged cleanly, but together the edits break:" in result.lines
    start = result.lines.index("1 mistake in boats/merged.bin.")
    assert result.lines[start + 1 :] == [
        "1 error in 1 image, 2 tables, 5 cells.",
        "",
        "error    steps from 1600 rpm to 2400 rpm: 2 cells, the largest change 20.0 →",
        "         29.0 mg at 1600 rpm",
        "  the values must not fall with speed, but go from 29.0 mg to 21.0 mg between …",
        "  Correct the cell that breaks the order.",
    ]
    assert output(yard) == edited(STEPS, {0x28: u16(100, 290, 210, 400)})
    assert not set(LISTS) & yard.files().keys()
    document = valid(merged(yard, "--format", "json").data, "conflicts.schema.json")
    assert [finding["rule"] for finding in document["broken"]] == ["value/not-monotonic"]
    assert document["broken"][0]["table"] == "steps"
    (cause,) = document["causes"]
    assert cause["title"].startswith("steps from 1600 rpm to 2400 rpm: 2 cells")
    assert [cause["id"]] == [finding["cause"] for finding in document["broken"]]
    assert cause["findings"] == [finding["fingerprint"] for finding in document["broken"]]


def test_the_edits_of_two_sides_that_only_together_break_a_relation_are_named_together(yard: Yard) -> None:
    xml = yard_definition(
        """
        <scalar name="high" title="High" purpose="general" at="0x10" type="uint16" conversion="mg"/>
        <scalar name="low" title="Low" purpose="general" at="0x28" type="uint16" conversion="mg"/>
        """,
        relations='<gap upper="high" lower="low" min="3"/>',
    )
    base = edited(bytes(BASE), {0x10: u16(920), 0x28: u16(870)})
    yard.write("defs/yard.xml", xml)
    yard.write("boats/base.bin", base)
    yard.write("boats/ours.bin", edited(base, {0x10: u16(900)}))
    yard.write("boats/contrary.bin", edited(base, {0x28: u16(880)}))
    result = merged(yard)
    assert "error    high: 92.0 → 90.0 mg; low: 87.0 → 88.0 mg" in result.lines
    assert "Only the two together bring this; restoring one of them is enough." in result.flat
    assert "cause-" not in result.stdout, "callint waive knows no cause of a merge"
    (cause,) = valid(merged(yard, "--format", "json").data, "conflicts.schema.json")["causes"]
    assert (cause["kind"], cause["effect"]) == ("together", "only together")
    assert [place["name"] for place in cause["places"]] == ["high", "low"]


def test_an_error_of_one_side_alone_is_not_reported_for_the_merge(yard: Yard) -> None:
    # 99.9 mg is above the limit of 90 mg, in ours and therefore in the merged image.
    yard.write("boats/ours.bin", edited(OURS, {fuel_cell(0, 0): u16(999), NOTHING: b"\x05"}))
    yard.write("boats/apart.bin", edited(APART, {NOTHING + 8: b"\x06", CUT: u16(4900)}))
    result = merged(yard, theirs="apart")
    assert (result.status, result.stdout) == (0, "")


def test_stale_checksums_of_both_sides_are_mended(yard: Yard) -> None:
    for name, data in (("ours", OURS), ("apart", APART)):
        yard.write(f"boats/{name}.bin", edited(data, {0x90: b"\xff\xff"}, seal=False))
    assert merged(yard, theirs="apart").status == 0
    assert output(yard) == TOGETHER


# Refusals


def refused(yard: Yard, *more: str, theirs: str = "contrary") -> str:
    """The one line of a refusal, which wrote nothing."""
    before = yard.files()
    error = merged(yard, *more, theirs=theirs).error
    assert yard.files() == before
    return error


def test_the_output_may_not_be_an_input_under_any_name(yard: Yard) -> None:
    before = yard.files()
    files = ("boats/base.bin", "boats/ours.bin", "boats/apart.bin")
    os.link(yard.root / "boats/ours.bin", yard.root / "boats/twin.bin")
    (yard.root / "boats/link.bin").symlink_to("apart.bin")
    for name in (
        *files,
        "boats/twin.bin",
        "boats/link.bin",
        "./boats/../boats/base.bin",
        "defs/yard.xml",
        "factory/base.bin",
    ):
        assert "would replace an input" in yard.call("merge", *files, "--to", name).error
    assert {name: yard.files()[name] for name in before} == before


def test_images_of_other_software_length_or_none_at_all_are_refused(yard: Yard) -> None:
    yard.write("boats/contrary.bin", edited(CONTRARY, {SOFTWARE: b"YARD-99"}))
    assert 'boats/contrary.bin: its software number is "YARD-99", not "YARD-01"' in refused(yard)
    yard.write("boats/contrary.bin", CONTRARY[:-1])
    assert "boats/contrary.bin: it has 159 bytes, but the memory has 160" in refused(yard)
    yard.write("boats/contrary.bin", b"")
    assert "boats/contrary.bin: the image is empty" in refused(yard)
    (yard.root / "boats/contrary.bin").unlink()
    assert "boats/contrary.bin: it does not exist" in refused(yard)


def test_a_definition_that_is_not_understood_whole_is_refused(yard: Yard) -> None:
    yard.write("defs/yard.xml", yard_definition().replace(b'size="0x80" stored-at', b'size="many" stored-at'))
    error = refused(yard)
    assert error.startswith("callint: defs/yard.xml:") and "correct this before" in error


def test_a_checksum_that_cannot_be_computed_is_refused(yard: Yard) -> None:
    yard.write("defs/yard.xml", yard_definition().replace(b'"sum16"', b'"CRC-16/NOBODY"'))
    assert "unknown algorithm 'CRC-16/NOBODY'" in refused(yard)


def test_a_definition_that_is_not_known_is_asked_for(yard: Yard) -> None:
    yard.write("callint.toml", "")
    assert "no definition is known" in refused(yard)
    assert merged(yard, "--definition", "defs/yard.xml").status == 1


def test_the_output_may_be_what_the_policy_knows(yard: Yard, tmp_path: Path) -> None:
    places = [str(tmp_path / f"{name}.bin") for name in "abc"]
    for place, data in zip(places, (BASE, OURS, APART), strict=True):
        Path(place).write_bytes(data)
    assert yard.call("merge", *places, "--to", "boats/merged.bin").status == 0
    assert output(yard) == TOGETHER


def test_images_at_revisions_merge_as_files_do(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "yard", heron=BASE)
    branch(scratch, APART)
    revisions = (f"{revision}:boats/heron.bin" for revision in ("main~1", "main", "theirs"))
    assert scratch.call("merge", *revisions, "--to", "boats/heron.bin").status == 0
    assert (scratch.root / "boats/heron.bin").read_bytes() == TOGETHER


def test_an_output_that_cannot_be_written_leaves_nothing_behind(yard: Yard) -> None:
    before = yard.files()
    files = ("boats/base.bin", "boats/ours.bin", "boats/contrary.bin")
    assert "it is a folder" in yard.call("merge", *files, "--to", "boats").error
    assert "cannot be written" in yard.call("merge", *files, "--to", "nowhere/merged.bin").error
    assert yard.files() == before


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        ((), "missing --to FILE"),
        (("more.bin", "--to", "x.bin"), "a merge needs three files"),
        (("--driver",), "--driver needs BASE OURS THEIRS PATH"),
        (("boats/x.bin", "--driver", "--to", "x.bin"), "--driver needs BASE OURS THEIRS PATH"),
    ],
)
def test_a_call_without_its_words_is_refused(yard: Yard, arguments: tuple[str, ...], error: str) -> None:
    files = ("boats/base.bin", "boats/ours.bin", "boats/contrary.bin")
    assert error in yard.call("merge", *files, *arguments).error


# Revisions


@pytest.fixture
def revisions(tmp_path: Path) -> Scratch:
    """The tags base, ours, apart and contrary, each with its version of the heron; main is at the base."""
    scratch = make_repository_yard(tmp_path / "yard", heron=BASE)
    scratch.must("tag", "base")
    for name, data in (("ours", OURS), ("apart", APART), ("contrary", CONTRARY)):
        scratch.must("checkout", "--quiet", "-b", f"{name}-branch", "base")
        scratch.write("boats/heron.bin", data)
        scratch.commit(name)
        scratch.must("tag", name)
    scratch.must("checkout", "--quiet", "main")
    return scratch


def at(*names: str) -> list[str]:
    return [f"{name}:boats/heron.bin" for name in names]


def test_versions_of_revisions_are_merged_into_a_file(revisions: Scratch) -> None:
    before = revisions.files()
    result = revisions.call("merge", *at("base", "ours", "apart"), "--to", "boats/merged.bin")
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    assert revisions.files() == {**before, "boats/merged.bin": TOGETHER}
    result = revisions.call("merge", "boats/heron.bin", *at("ours", "contrary"), "--to", "boats/merged.bin")
    assert result.status == 1
    document = json.loads((revisions.root / LISTS[1]).read_bytes())
    named = [document[name] for name in ("base", "ours", "theirs")]
    assert named == ["boats/heron.bin", *at("ours", "contrary")]


def test_the_working_file_is_not_an_input_if_a_revision_of_it_is(revisions: Scratch) -> None:
    arguments = ("merge", *at("base", "ours", "apart"), "--to")
    assert revisions.call(*arguments, "boats/heron.bin").status == 0
    assert (revisions.root / "boats/heron.bin").read_bytes() == TOGETHER
    assert "would replace an input" in revisions.call(*arguments, "defs/yard.xml").error
    mixed = ("merge", "boats/heron.bin", *at("ours", "apart"), "--to", "boats/heron.bin")
    assert "would replace an input" in revisions.call(*mixed).error


def test_a_bare_repository_is_enough_to_merge_from(revisions: Scratch, tmp_path: Path) -> None:
    revisions.must("clone", "--quiet", "--bare", ".", str(tmp_path / "bare.git"))
    bare, target = Yard(tmp_path / "bare.git"), tmp_path / "merged.bin"
    before = bare.files()
    result = bare.call("merge", *at("base", "ours", "apart"), "--to", str(target))
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    assert target.read_bytes() == TOGETHER
    assert bare.files() == before


@pytest.mark.parametrize(
    ("word", "error"),
    [
        ("ours:boats/none.bin", "ours:boats/none.bin: it does not exist; git ls-tree -r ours lists"),
        ("nobody:boats/heron.bin", "nobody: no such revision"),
    ],
)
def test_a_wrong_revision_is_one_line_and_writes_nothing(revisions: Scratch, word: str, error: str) -> None:
    before = revisions.files()
    assert error in revisions.call("merge", *at("base", "ours"), word, "--to", "boats/merged.bin").error
    assert revisions.files() == before


# The driver


def driven(yard: Yard, path: str = "boats/heron.bin", theirs: bytes = CONTRARY, base: bytes = BASE) -> Result:
    for name, data in ((".base", base), (".ours", OURS), (".theirs", theirs)):
        yard.write(name, data)
    return yard.call("merge", "--driver", ".base", ".ours", ".theirs", path)


def test_the_driver_writes_over_ours_and_is_silent_when_all_is_well(yard: Yard) -> None:
    result = driven(yard, theirs=APART)
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    assert (yard.root / ".ours").read_bytes() == TOGETHER


def test_the_driver_lists_conflicts_beside_the_path_and_reports_them_to_git(yard: Yard) -> None:
    result = driven(yard)
    assert (result.status, result.stdout) == (1, "")
    assert "boats/heron.bin.conflicts.txt lists them." in " ".join(result.stderr.split())
    assert result.stderr.endswith(
        "  callint merge :1:boats/heron.bin :2:boats/heron.bin :3:boats/heron.bin \\\n"
        "    --to boats/heron.bin --take theirs\n"
        "  git add -- boats/heron.bin\n"
    )
    files = yard.files()
    assert files[".ours"] == edited(TOGETHER, {NOTHING: b"\x01"})
    document = valid(json.loads(files["boats/heron.bin.conflicts.json"]), "conflicts.schema.json")
    assert document["image"] == "boats/heron.bin" and document["theirs"] == "boats/heron.bin (theirs)"
    warning = (
        "heron.bin has unresolved conflicts, in which it keeps ours: see boats/heron.bin.conflicts.txt\n"
    )
    yard.write("boats/heron.bin", files[".ours"])
    for paths in ((), ("boats/heron.bin",)):
        assert yard.call("check", *paths).stderr == f"callint: boats/{warning}"
    driven(yard, theirs=APART)
    assert yard.call("check").stderr == ""
    assert "boats/heron.bin.conflicts.json" not in yard.files()


@pytest.mark.parametrize(
    ("path", "base", "theirs", "message"),
    [
        ("other/heron.bin", BASE, CONTRARY, "no definition is known"),
        ("boats/heron.bin", b"", CONTRARY, "both sides added it"),
        ("boats/heron.bin", BASE, b"text", "it has 4 bytes, but the memory has 160"),
    ],
)
def test_a_file_that_the_driver_cannot_merge_is_a_conflict_with_ours_unchanged(
    yard: Yard, path: str, base: bytes, theirs: bytes, message: str
) -> None:
    result = driven(yard, path, theirs, base)
    assert (result.status, result.stdout) == (1, "")
    assert len(result.stderr.splitlines()) == 1 and message in result.stderr
    assert (yard.root / ".ours").read_bytes() == OURS


@pytest.fixture
def repository(tmp_path: Path) -> Scratch:
    """A repository with two branches to merge: main has OURS, theirs is cut from the same base."""
    scratch = make_repository_yard(tmp_path / "yard", heron=BASE)
    scratch.write(".gitattributes", "*.bin merge=callint\n")
    scratch.commit("Attributes")
    scratch.must("config", "merge.callint.driver", f"'{launcher()}' merge --driver -- %O %A %B %P")
    return scratch


def branch(scratch: Scratch, theirs: bytes) -> None:
    scratch.must("checkout", "--quiet", "-b", "theirs")
    scratch.write("boats/heron.bin", theirs)
    scratch.commit("Theirs")
    scratch.must("checkout", "--quiet", "main")
    scratch.write("boats/heron.bin", OURS)
    scratch.commit("Ours")


def test_git_merges_images_by_the_driver(repository: Scratch) -> None:
    branch(repository, APART)
    repository.must("merge", "--quiet", "--no-edit", "theirs")
    assert (repository.root / "boats/heron.bin").read_bytes() == TOGETHER
    assert repository.must("status", "--porcelain") == ""


def test_git_reports_a_conflict_of_the_driver(repository: Scratch) -> None:
    branch(repository, CONTRARY)
    result = repository.git("merge", "--no-edit", "theirs")
    assert result.status == 1
    assert "CONFLICT (content): Merge conflict in boats/heron.bin" in result.stdout
    assert "at 1600 rpm, 40 mg  44.0  45.0    46.0" in result.stderr
    files = repository.files()
    assert files["boats/heron.bin"] == edited(TOGETHER, {NOTHING: b"\x01"})
    assert "boats/heron.bin.conflicts.txt" in files
    assert repository.must("ls-files", "--unmerged").count("boats/heron.bin") == 3


def test_an_image_without_a_definition_stays_gits_conflict(repository: Scratch) -> None:
    repository.write("callint.toml", "")
    repository.commit("No policy")
    branch(repository, APART)
    result = repository.git("merge", "--no-edit", "theirs")
    assert result.status == 1
    assert "no definition is known" in result.stderr and "Traceback" not in result.stderr
    assert (repository.root / "boats/heron.bin").read_bytes() == OURS
