"""``callint show`` as its users meet it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.building import definition_xml, u16
from tests.running import (
    CUT,
    GOOD,
    HULL,
    NOTHING,
    POLICY,
    SOFTWARE,
    TRIM,
    Yard,
    edited,
    fuel_cell,
    make_yard,
    run,
    steering,
    too_wide,
    yard_base,
    yard_definition,
)

TABLES = ["fuel", "smoke_cap", "overspeed_cut", "monitor", "trim", "hull_number", "egr"]


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD)


def shown(output: list[str]) -> list[str]:
    """The names of the tables that an output shows."""
    return [match[1] for line in output if (match := re.match(r"(\w+): .* \(\w+\)$", line))]


def digest(yard: Yard, table: str, image: str = "boats/heron.bin") -> str:
    (found,) = re.findall(r"sha256:[0-9a-f]{40}", yard.call("show", image, table).stdout)
    return str(found)


# What is shown


def test_every_table_is_shown_whole_in_the_order_of_the_definition(yard: Yard) -> None:
    result = yard.call("show", "boats/heron.bin")
    assert (result.status, result.stderr) == (0, "")
    assert shown(result.lines) == TABLES


def test_a_map_shows_title_purpose_shape_type_address_axes_units_and_all_cells(yard: Yard) -> None:
    result = yard.call("show", "boats/heron.bin", "fuel")
    assert result.lines == [
        "fuel: Fuel by speed and load (demand)",
        "  map of 3 by 4, mg, uint16 at 0x00010,",
        f"  {digest(yard, 'fuel')}",
        "  load  speed, rpm",
        "    mg   800  1600  2400  3200",
        "    10  12.0  14.0  16.0  18.0",
        "    40  42.0  45.0  46.0  48.0",
        "    70  70.0  72.0  74.0  76.0",
        "",
    ]


def test_a_scalar_a_state_a_text_an_off_cell_and_a_note_are_shown_in_words(yard: Yard) -> None:
    yard.write("boats/heron.bin", edited(GOOD, {TRIM + 2: b"\xff"}))
    assert "  4200 rpm" in yard.call("show", "boats/heron.bin", "overspeed_cut").lines
    assert "  on" in yard.call("show", "boats/heron.bin", "monitor").lines
    assert '  "HERON-3"' in yard.call("show", "boats/heron.bin", "hull_number").lines
    trim = yard.call("show", "boats/heron.bin", "trim")
    assert "     20    22   off    26" in trim.lines
    assert "°C" in trim.stdout
    assert "  255 leaves the temperature alone." in trim.lines


def test_globs_select_tables_and_texts(yard: Yard) -> None:
    assert shown(yard.call("show", "boats/heron.bin", "*_c*").lines) == ["smoke_cap", "overspeed_cut"]
    assert shown(yard.call("show", "boats/heron.bin", "egr", "hull*").lines) == ["hull_number", "egr"]


def test_an_unknown_table_is_refused_with_a_suggestion(yard: Yard) -> None:
    error = yard.call("show", "boats/heron.bin", "smoke_cup").error
    assert "'smoke_cup'" in error
    assert "did you mean 'smoke_cap'" in error
    assert "--list" in yard.call("show", "boats/heron.bin", "zzz*").error


def test_list_is_one_line_a_table_with_kind_purpose_and_title(yard: Yard) -> None:
    result = yard.call("show", "boats/heron.bin", "--list")
    assert (result.status, result.stderr) == (0, "")
    rows = [line.split(None, 3) for line in result.lines if line.startswith("  ")]
    assert [row[0] for row in rows] == TABLES
    assert rows[0] == ["fuel", "map", "demand", "Fuel by speed and load"]
    assert rows[5] == ["hull_number", "text", "general", "Hull number"]


def test_list_takes_globs_and_shows_groups_by_their_titles(yard: Yard) -> None:
    grouped = (
        yard_definition()
        .replace(
            b'<curve name="smoke_cap"', b'<group name="limits" title="Engine limits"><curve name="smoke_cap"'
        )
        .replace(b'<curve name="trim"', b'</group><curve name="trim"')
    )
    yard.write("defs/yard.xml", grouped)
    result = yard.call("show", "boats/heron.bin", "*_c*", "egr", "--list")
    assert result.lines[0].startswith("the whole image, sha256:")
    assert result.lines[2] == "Engine limits"
    assert [line.split()[0] for line in result.lines if line.startswith("  ")] == [
        "smoke_cap",
        "overspeed_cut",
        "egr",
    ]


def test_cells_that_a_cut_off_image_lacks_are_dashes(yard: Yard) -> None:
    yard.write("boats/heron.bin", GOOD[: fuel_cell(2, 2)])
    result = yard.call("show", "boats/heron.bin")
    assert result.status == 0
    assert "    70  70.0  72.0     -     -" in result.lines
    assert "  -" in result.lines


def test_what_is_no_number_is_said_to_be_none(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write(
        "test.xml", definition_xml('<scalar name="f" title="F" at="0" type="float32" purpose="general"/>')
    )
    yard.write("new.bin", b"\x7f\xc0\x00\x00" + bytes(60))
    assert "  not a number" in yard.call("show", "new.bin", "--definition", "test.xml").lines


# Digests


def waiver(rule: str, table: str, digest: str) -> str:
    named = f'table = "{table}"\n' if table else ""
    return (
        f'[[waivers]]\nrule = "{rule}"\nimage = "boats/heron.bin"\n{named}'
        f'reason = "agreed with the maker"\nwho = "Ada Quay"\ndigest = "{digest}"\n'
    )


@pytest.mark.parametrize(
    ("rule", "table", "at", "content"),
    [
        ("value/out-of-range", "fuel", fuel_cell(1, 1), u16(9990)),
        ("value/out-of-range", "smoke_cap", 0x28, u16(1100)),
        ("value/unexpected", "overspeed_cut", CUT, u16(4650)),
        ("protection/disabled", "monitor", 0x32, b"\x00"),
        ("change/emissions", "egr", 0x44, b"\x10"),
    ],
)
def test_the_digest_that_show_prints_is_the_one_that_a_waiver_needs(
    yard: Yard, rule: str, table: str, at: int, content: bytes
) -> None:
    yard.write("boats/heron.bin", edited(GOOD, {at: content}))
    before = yard.call("check", "--format", "json").data["findings"]
    assert (rule, table, False) in {(f["rule"], f.get("table"), f["waived"]) for f in before}
    yard.write("callint.toml", POLICY + waiver(rule, table, digest(yard, table)))
    after = yard.call("check", "--format", "json").data["findings"]
    assert (rule, table, True) in {(f["rule"], f.get("table"), f["waived"]) for f in after}
    assert not [f for f in after if f["rule"].startswith("waiver/")]


@pytest.mark.parametrize(
    ("rule", "table", "change"),
    [
        ("axis/not-increasing", "speed_4", {0x04: u16(1500)}),
        ("change/unexplained-bytes", "", {NOTHING: b"\x01"}),
    ],
)
def test_an_outdated_waiver_of_an_axis_or_image_names_the_digest_that_it_needs(
    yard: Yard, rule: str, table: str, change: dict[int, bytes]
) -> None:
    yard.write("boats/heron.bin", edited(GOOD, change))
    yard.write("callint.toml", POLICY + waiver(rule, table, "sha256:" + "0" * 40))
    findings = yard.call("check", "--format", "json").data["findings"]
    (outdated,) = (f for f in findings if f["rule"] == "waiver/outdated")
    (needed,) = re.findall(r"sha256:[0-9a-f]{40}", outdated["message"])
    yard.write("callint.toml", POLICY + waiver(rule, table, needed))
    findings = yard.call("check", "--format", "json").data["findings"]
    assert [f["waived"] for f in findings if f["rule"] == rule] == [True]
    assert not [f for f in findings if f["rule"].startswith("waiver/")]


def test_a_tables_digest_changes_with_its_cells_and_axes_and_with_nothing_else(yard: Yard) -> None:
    before = digest(yard, "fuel")
    yard.write("boats/heron.bin", edited(GOOD, {CUT: u16(4000), HULL: b"OTHER", 0x27 + 2: b"\x01"}))
    assert digest(yard, "fuel") == before
    for at, content in ((fuel_cell(3, 2), u16(761)), (0x00, u16(801)), (0x0C, u16(701))):
        yard.write("boats/heron.bin", edited(GOOD, {at: content}))
        assert digest(yard, "fuel") != before


# Width, encodings, strangers' characters


def test_no_line_to_a_pipe_is_wider_than_80_columns(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    values = " ".join(str(100 * (n + 1)) for n in range(40))
    title = " ".join(["Very", "long", "title"] * 12)
    name = "a_name_that_takes_more_than_half_of_the_columns_of_a_terminal"
    yard.write(
        "test.xml",
        definition_xml(
            f'<map name="{name}" title="{title}" purpose="demand" at="0" type="uint16" conversion="mg">'
            f'<x axis="across"/><y axis="across"/><note>{title} {title}</note></map>'
            f'<text name="log" title="{title}" at="3200" length="120" encoding="ascii" purpose="general"/>',
            axes=f'<fixed-axis name="across" signal="{name}" values="{values}"/>',
            signals=f'<signal name="{name}" unit="rpm" plausible="0 6000">Speed</signal>',
            size=3328,
        ),
    )
    yard.write("new.bin", u16(*range(1600)) + b"there lay a boat that " * 5 + bytes(18))
    whole = yard.call("show", "new.bin", "--definition", "test.xml")
    assert whole.status == 0
    assert "159.9" in whole.stdout
    listed = yard.call("show", "new.bin", "--definition", "test.xml", "--list")
    assert listed.status == 0
    assert too_wide(whole.stdout) == []
    assert too_wide(listed.stdout) == []


def test_a_terminal_without_unicode_gets_the_tables(yard: Yard) -> None:
    for extra in ((), ("--list",)):
        result = yard.run("show", "boats/heron.bin", *extra, PYTHONUTF8="0", PYTHONIOENCODING="ascii")
        assert result.status == 0, result
        assert result.stdout.isascii()


def test_strangers_characters_never_reach_the_terminal_raw(yard: Yard) -> None:
    nasty = "\x9b31m\u202eevil\u2066"
    xml = yard_definition().decode()
    for word in ("Overboost is watched", "255 leaves the temperature alone.", "Hull number"):
        xml = xml.replace(word, nasty)
    xml = xml.replace('unit="mg"', f'unit="{nasty}"').replace(">on<", f">{nasty}<")
    yard.write("defs/yard.xml", xml)
    yard.write("boats/heron.bin", edited(GOOD, {HULL: b"\x1b[2J\x9b31m\x07\r\nx"}))
    for extra in ((), ("--list",)):
        result = yard.call("show", "boats/heron.bin", *extra)
        assert result.status == 0
        assert "evil" in result.stdout
        assert steering(result.stdout) == []


def test_a_pipe_gets_no_colour_and_force_color_gives_it(yard: Yard) -> None:
    assert "\x1b" not in yard.run("show", "boats/heron.bin").stdout
    assert "\x1b[" in yard.run("show", "boats/heron.bin", FORCE_COLOR="1").stdout


# Wrong calls


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), ["IMAGE", "callint show --help"]),
        (("none.bin",), ["none.bin", "does not exist", "check the path"]),
        (("boats",), ["boats", "folder"]),
        (("spare.bin",), ["spare.bin", "callint.toml", "--definition"]),
        (("boats/empty.bin",), ["boats/empty.bin", "empty", "read it out again"]),
        (("boats/foreign.bin",), ["boats/foreign.bin", "YARD-02", "YARD-01", "--definition"]),
        (("boats/heron.bin", "--lsit"), ["--lsit", "--list", "callint show --help"]),
    ],
)
def test_a_wrong_call_is_one_line_that_says_what_to_do(
    yard: Yard, arguments: tuple[str, ...], words: list[str]
) -> None:
    yard.write("spare.bin", GOOD)
    yard.write("boats/empty.bin", b"")
    yard.write("boats/foreign.bin", edited(GOOD, {SOFTWARE: b"YARD-02"}))
    error = yard.call("show", *arguments).error
    for word in words:
        assert word in error


def test_an_image_is_found_from_any_folder_and_needs_no_policy_with_a_definition(
    yard: Yard, tmp_path: Path
) -> None:
    inside = run("show", "../boats/heron.bin", "overspeed_cut", cwd=yard.root / "defs")
    assert inside.status == 0
    other = Yard(tmp_path / "other")
    other.write("any.xml", yard_definition())
    other.write("-new one.bin", yard_base())
    result = other.call("show", "--definition", "any.xml", "--", "-new one.bin", "overspeed_cut")
    assert result.stdout.replace("\r", "") == inside.stdout
