"""``callint diff`` on definitions as its users meet it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.running import (
    GOOD,
    Scratch,
    Yard,
    initialize,
    make_repository_yard,
    make_yard,
    too_wide,
    valid,
    yard_definition,
)

DEFINITION, OTHER = "defs/yard.xml", "defs/other.xml"
XML = yard_definition().decode()
#: A limit that went up, a table that moved, a factor that is 2 % larger, and a title.
EDITED = (
    XML.replace('<limits min="0" max="90"/>', '<limits min="0" max="95"/>')
    .replace('at="0x44" type="uint8"', 'at="0x48" type="uint8"')
    .replace('unit="mg" factor="0.1"', 'unit="mg" factor="0.102"')
    .replace("Temperature trim", "Trim by temperature")
)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard", heron=GOOD)
    yard.write(OTHER, EDITED)
    return yard


def document(yard: Yard, *arguments: str) -> dict[str, Any]:
    result = yard.call("diff", *arguments, "--format", "json")
    assert result.status in (0, 1), result
    checked: dict[str, Any] = valid(result.data, "definition-changes.schema.json")
    return checked


def line(piece: str) -> int:
    return 1 + XML[: XML.index(piece)].count("\n")


def test_the_most_dangerous_comes_first_with_the_lines_of_both_files(yard: Yard) -> None:
    result = yard.call("diff", DEFINITION, OTHER)

    fuel, egr, mg, trim = (
        line(piece) for piece in ('<map name="fuel"', '<curve name="egr"', 'name="mg"', '<curve name="trim"')
    )
    assert result.status == 1
    assert result.lines == [
        f"{DEFINITION} → {OTHER}",
        "",
        "loosened: 1",
        f"  {fuel} → {fuel}  fuel: limits max: 90 mg → 95 mg",
        "",
        "read differently: 2",
        f"  {mg} → {mg}  conversion mg (protection): raw * 0.1 mg → raw * 0.102 mg; reads 2 %",
        "           higher everywhere (2 tables: fuel, smoke_cap)",
        f"  {egr} → {egr}  egr (emissions): at: 0x00044 → 0x00048",
        "",
        "documentation only: 1",
        f'  {trim} → {trim}  trim: title: "Temperature trim" → "Trim by temperature"',
        "",
        "4 changes in the meaning: 1 loosened, 2 read differently, 1 documentation only.",
    ]


def test_equal_meaning_is_silent(yard: Yard) -> None:
    yard.write(OTHER, XML.replace('max="90"', 'max="90.00"').replace("<tables>", "<!-- tables -->\n<tables>"))
    result = yard.call("diff", DEFINITION, OTHER)

    assert (result.status, result.stdout) == (0, "")
    assert document(yard, DEFINITION, OTHER)["changes"] == []


def test_the_json_has_every_change_and_the_moves(yard: Yard) -> None:
    changes = document(yard, DEFINITION, OTHER)

    assert changes["summary"] == {
        "asks-less": 1,
        "reads-differently": 2,
        "asks-more": 0,
        "new": 0,
        "gone": 0,
        "wording": 1,
    }
    limit = changes["changes"][0]
    assert (limit["name"], limit["attribute"], limit["old"], limit["new"]) == ("fuel", "limits max", 90, 95)
    assert changes["moves"] == [
        {"element": "table", "shift": 4, "first": 0x44, "last": 0x44, "names": ["egr"]}
    ]


def test_an_image_shows_what_its_values_become(yard: Yard) -> None:
    result = yard.call("diff", DEFINITION, OTHER, "--image", "boats/heron.bin")

    text = "in the image, 16 of 16 cells read otherwise, the most smoke_cap at 3200 rpm: 85 mg → 86.7 mg"
    assert text in result.flat or text.replace("smoke_cap at 3200 rpm: 85 mg → 86.7", "fuel") in result.flat
    change = document(yard, DEFINITION, OTHER, "--image", "boats/heron.bin")["changes"][1]
    assert (change["image"]["tables"], change["image"]["cells"]) == (2, 16)


def test_a_table_glob_selects_its_changes(yard: Yard) -> None:
    names = [change["name"] for change in document(yard, DEFINITION, OTHER, "-t", "egr")["changes"]]

    assert names == ["egr"]


def test_stat_counts_the_changes(yard: Yard) -> None:
    lines = yard.call("diff", DEFINITION, OTHER, "--stat").lines

    assert [text.split(maxsplit=1) for text in lines] == [
        ["1", "loosened"],
        ["2", "read differently"],
        ["1", "documentation only"],
    ]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((DEFINITION, "boats/heron.bin"), f"{DEFINITION}: it is a definition, and boats/heron.bin is not"),
        (("boats/heron.bin", DEFINITION), f"{DEFINITION}: it is a definition, and boats/heron.bin is not"),
        ((DEFINITION, OTHER, "--format", "cdfx"), "need images, not definitions"),
        ((DEFINITION, OTHER, "--definition", OTHER), "need images, not definitions"),
        (("boats/heron.bin", "factory/base.bin", "--image", OTHER), "--image needs two definitions"),
        ((DEFINITION, OTHER, "--image", "gone.bin"), "gone.bin: it does not exist"),
    ],
)
def test_what_does_not_fit_is_refused_in_one_line(yard: Yard, arguments: tuple[str, ...], words: str) -> None:
    result = yard.call("diff", *arguments)

    assert result.status == 2
    assert words in result.stderr


def test_a_broken_definition_is_named_with_its_line(yard: Yard) -> None:
    yard.write(OTHER, "<?xml version='1.0'?>\n<definition xmlns='urn:callint:definition:1'>\n<memory")
    result = yard.call("diff", DEFINITION, OTHER)

    assert result.status == 2
    assert result.error.startswith(f"callint: {OTHER}:2: ")


def test_output_stays_within_80_columns(yard: Yard) -> None:
    yard.write(OTHER, EDITED.replace('name="smoke_cap"', f'name="{"long_" * 20}"'))

    assert too_wide(yard.call("diff", DEFINITION, OTHER).stdout) == []


def test_a_title_cannot_steer_the_terminal(yard: Yard) -> None:
    yard.write(OTHER, XML.replace("Temperature trim", "Trim \u202e gnp"))
    result = yard.call("diff", DEFINITION, OTHER)

    assert "\u202e" not in result.stdout
    assert "\\u202e" in result.stdout


# Revisions


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    scratch = make_repository_yard(tmp_path / "repo", heron=GOOD)
    scratch.write(DEFINITION, EDITED)
    scratch.commit("Edit the definition")
    return scratch


def test_revisions_and_files_compare_alike(scratch: Scratch) -> None:
    changes = [
        document(scratch, f"HEAD~:{DEFINITION}", f"HEAD:{DEFINITION}")["changes"],
        document(scratch, "HEAD~", DEFINITION)["changes"],
        document(scratch, f"HEAD~:{DEFINITION}", DEFINITION)["changes"],
    ]
    for arguments in (("HEAD~", "HEAD"), ("HEAD~..HEAD",)):
        (listed,) = scratch.call("diff", *arguments, "--format", "json").data
        changes.append(valid(listed, "definition-changes.schema.json")["changes"])

    assert all(len(found) == 4 for found in changes)
    assert all(found == changes[0] for found in changes)


def test_a_range_shows_definitions_before_images(scratch: Scratch) -> None:
    scratch.write("boats/heron.bin", GOOD[:-1] + b"\x01")
    scratch.commit("Edit an image")
    text = scratch.call("diff", "HEAD~2..HEAD").stdout

    assert text.index("loosened: 1") < text.index("boats/heron.bin")


def test_a_range_names_new_and_removed_definitions(scratch: Scratch) -> None:
    scratch.write("defs/zz.xml", XML)
    scratch.commit("One more")
    assert (
        f"HEAD:defs/zz.xml: the definition was added ({len(XML):,} bytes)"
        in scratch.call("diff", "HEAD~", "HEAD").flat
    )


# git


def test_git_shows_definitions_by_meaning(scratch: Scratch) -> None:
    assert initialize(scratch).status == 0
    scratch.commit("Set up")
    scratch.write(DEFINITION, XML)
    text = scratch.must("diff")
    assert text.startswith(f"{DEFINITION}\nread differently: 2\n")
    assert "fuel: limits max: 95 mg → 90 mg" in text

    scratch.write(DEFINITION, EDITED.replace("<tables>", "<!-- tables -->\n<tables>"))
    assert "only layout, comments or spelling changed" in scratch.must("diff")


def test_git_log_compares_definitions_attribute_by_attribute(scratch: Scratch) -> None:
    assert initialize(scratch).status == 0
    scratch.commit("Set up")
    scratch.write(DEFINITION, XML.replace("<tables>", "<!-- tables -->\n<tables>"))
    scratch.commit("Back, with a comment")
    patch = scratch.must("log", "-p", "-1", "-U0", "--", DEFINITION)

    changed = [
        text for text in patch.splitlines() if text.startswith(("+", "-")) and text[:3] not in ("+++", "---")
    ]
    assert "-fuel limits: 0 mg to 95 mg" in changed
    assert "+fuel limits: 0 mg to 90 mg" in changed
    assert len(changed) == 8


CHILD = "defs/child.xml"


def test_a_child_is_compared_by_all_that_it_means(scratch: Scratch) -> None:
    """Its lines are those of its own file: 2 is the line that moves a table, 1 the one that extends."""
    scratch.write(
        CHILD,
        '<definition xmlns="urn:callint:definition:1" name="child" revision="1" extends="yard.xml">\n'
        '<inherited><at table="egr" at="0x60"/></inherited></definition>\n',
    )
    scratch.commit("Add a child")
    egr = 1 + EDITED[: EDITED.index('name="egr"')].count("\n")

    moved = [
        item for item in document(scratch, DEFINITION, CHILD)["changes"] if item.get("attribute") == "at"
    ]
    assert [(item["name"], item["old_line"], item["new_line"]) for item in moved] == [("egr", egr, 2)]
    scratch.write(DEFINITION, EDITED.replace('<limits min="0" max="95"/>', '<limits min="0" max="99"/>'))
    (limit,) = document(scratch, f"HEAD:{CHILD}", CHILD)["changes"]
    assert (limit["kind"], limit["name"], limit["old"], limit["new"]) == ("asks-less", "fuel", 95, 99)
    assert (limit["old_line"], limit["new_line"]) == (1, 1)


def test_images_that_begin_like_a_tag_by_chance_are_images(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", heron=GOOD)
    base = (yard.root / "factory/base.bin").read_bytes()
    # The first cell of speed_4, 15360 rpm, is the character "<" and a NUL byte.
    yard.write("factory/base.bin", b"<\0" + base[2:])
    result = yard.call("diff", "factory/base.bin", "boats/heron.bin")
    assert (result.status, result.stderr) == (1, ""), result
    assert "speed_4" in result.stdout
