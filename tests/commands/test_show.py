"""``callint show`` as its users meet it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

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
    call,
    call_in_encoding,
    edited,
    fuel_cell,
    make_repository_yard,
    make_yard,
    run,
    steering,
    too_wide,
    valid,
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
    (result,) = re.findall(r"sha256:[0-9a-f]{28}(?:/[0-9a-f]{14}){2}", yard.call("show", image, table).stdout)
    return str(result)


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
        "    mg   800    1600  2400  3200",
        "    10  12.0  14.0    16.0  18.0",
        "    40  42.0  45.0 ↑  46.0  48.0",
        "    70  70.0  72.0    74.0  76.0",
        "",
        "Compared with factory/base.bin: ↑ raised, ↓ lowered, ≠ changed in another way.",
        "",
    ]


def test_only_what_differs_from_the_base_is_shown_where_that_is_asked_for(yard: Yard) -> None:
    yard.write("boats/heron.bin", edited(GOOD, {TRIM + 2: b"\xff", 0x10: u16(100)}))
    result = yard.call("show", "boats/heron.bin", "--changes")
    assert shown(result.lines) == ["fuel", "trim", "hull_number"]
    assert "    mg     800    1600" in result.lines
    assert "    10  10.0 ↓     …" in result.lines
    assert "    40     …    45.0 ↑" in result.lines
    assert "  off ≠" not in result.lines and "    off ≠" in result.lines
    assert "2400" in result.stdout, "the breakpoint of the cell that went off"
    listed = yard.call("show", "boats/heron.bin", "--changes", "--list").stdout
    assert "fuel" in listed and "smoke_cap" not in listed


def test_a_base_may_be_named_and_an_equal_one_leaves_nothing(yard: Yard) -> None:
    result = yard.call("show", "boats/heron.bin", "--changes", "--base", "boats/heron.bin")
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    error = yard.call("show", "factory/base.bin", "--changes").error
    assert "factory/base.bin: it has no base to compare with; name one with --base" in error


def test_signs_have_other_characters_where_the_terminal_knows_no_arrows(yard: Yard) -> None:
    result = yard.run("show", "boats/heron.bin", "fuel", PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert "    40  42.0  45.0 ^  46.0  48.0" in result.lines


def test_every_colour_has_a_sign_with_the_same_meaning(yard: Yard) -> None:
    result = yard.run("show", "boats/heron.bin", "fuel", FORCE_COLOR="1")
    assert "\x1b[1;35m45.0 ↑\x1b[0m" in result.stdout


def test_a_curve_has_a_line_of_blocks_and_a_map_is_shaded_where_that_is_asked_for(yard: Yard) -> None:
    assert "    speed, rpm  ▁▃▆█" in yard.call("show", "factory/base.bin", "trim").lines
    result = yard.call("show", "factory/base.bin", "fuel", "--shade")
    assert result.lines[3:] == [
        "  10  ░░░░░░░░",
        "  40  ▒▒▓▓▓▓▓▓",
        "  70  ████████",
        "  speed rpm 800 to 3200 to the right, load mg 10 to 70 downward; ░ is 12.0, █ is",
        "  76.0 mg",
        "",
    ]
    assert not too_wide(result.stdout)


def test_a_scalar_a_state_a_text_an_off_cell_and_a_note_are_shown_in_words(yard: Yard) -> None:
    yard.write("boats/heron.bin", edited(GOOD, {TRIM + 2: b"\xff"}))
    assert "  4200 rpm" in yard.call("show", "boats/heron.bin", "overspeed_cut").lines
    assert "  on" in yard.call("show", "boats/heron.bin", "monitor").lines
    assert '  "HERON-3"' in yard.call("show", "boats/heron.bin", "hull_number").lines
    trim = yard.call("show", "boats/heron.bin", "trim")
    assert "     20    22  off ≠    26" in trim.lines
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
    assert result.lines[0].startswith("whole image: sha256:")
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
    assert "    70  70.0  72.0       -     -" in result.lines
    assert "  -" in result.lines


def test_show_prints_not_a_number_in_words(tmp_path: Path) -> None:
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
    (needed,) = re.findall(r"sha256:[0-9a-f]{28}(?:/[0-9a-f]{14}){2}", outdated["message"])
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
        result = call_in_encoding("ascii", "show", "boats/heron.bin", *extra, cwd=yard.root)
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
    ("arguments", "messages"),
    [
        ((), ["name an IMAGE", "callint show --help"]),
        (("none.bin",), ["none.bin", "does not exist", "check the path"]),
        (("boats",), ["boats", "folder"]),
        (("spare.bin",), ["spare.bin", "callint.toml", "--definition"]),
        (("boats/empty.bin",), ["boats/empty.bin", "empty", "read it out again"]),
        (("boats/foreign.bin",), ["boats/foreign.bin", "YARD-02", "YARD-01", "--definition"]),
        (("boats/heron.bin", "--lsit"), ["--lsit", "--list", "callint show --help"]),
    ],
)
def test_a_wrong_call_is_one_line_that_says_what_to_do(
    yard: Yard, arguments: tuple[str, ...], messages: list[str]
) -> None:
    yard.write("spare.bin", GOOD)
    yard.write("boats/empty.bin", b"")
    yard.write("boats/foreign.bin", edited(GOOD, {SOFTWARE: b"YARD-02"}))
    error = yard.call("show", *arguments).error
    for message in messages:
        assert message in error


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


# At an operating point. The rework has 45.0 in place of 44.0 mg at 1600 rpm and 40 mg.

POINT = ("--at", "speed=1800,load=30")


def at_point(yard: Yard, *arguments: str) -> Any:
    result = yard.call("show", *arguments, "--format", "json")
    assert (result.status, result.stderr) == (0, ""), result
    return valid(result.data, "point.schema.json")


def test_at_an_operating_point_base_and_rework_are_side_by_side_with_the_cells_that_count(
    yard: Yard,
) -> None:
    # 1800 is a quarter of the way from 1600 to 2400, 30 two thirds from 10 to 40. By hand, base:
    # (0.75 * 14 + 0.25 * 16) / 3 + (0.75 * 44 + 0.25 * 46) * 2 / 3 = 4.8333 + 29.6667 = 34.5; rework: + 0.5.
    result = yard.call("show", "boats/heron.bin", "fuel", *POINT)
    assert (result.status, result.stderr) == (0, "")
    assert result.lines == [
        "boats/heron.bin at speed 1800 rpm, load 30 mg, compared with factory/base.bin",
        "",
        "fuel: Fuel by speed and load (demand)",
        "  35.0 mg; base 34.5 mg (+0.5, +1.4 %)",
        "    25.0 % of        14.0  at 1600 rpm, 10 mg",
        "     8.3 % of        16.0  at 2400 rpm, 10 mg",
        "    50.0 % of 44.0 → 45.0  at 1600 rpm, 40 mg",
        "    16.7 % of        46.0  at 2400 rpm, 40 mg",
        "",
    ]


def test_the_json_of_a_point_has_the_same_numbers(yard: Yard) -> None:
    document = at_point(yard, "boats/heron.bin", "fuel", *POINT)
    (fuel,) = document["tables"]
    assert (document["image"], document["base"]) == ("boats/heron.bin", "factory/base.bin")
    assert document["at"] == {"speed": 1800, "load": 30}
    assert (fuel["new"], fuel["old"]) == (pytest.approx(35.0), pytest.approx(34.5))
    assert (fuel["unit"], fuel["purpose"], fuel["beyond"]) == ("mg", "demand", [])
    cells = [(cell["x"], cell["y"], cell["new"], cell["old"]) for cell in fuel["cells"]]
    assert cells == [(1, 0, 14, 14), (2, 0, 16, 16), (1, 1, 45, 44), (2, 1, 46, 46)]
    assert [cell["weight"] for cell in fuel["cells"]] == pytest.approx([1 / 4, 1 / 12, 1 / 2, 1 / 6])
    assert fuel["cells"][2]["at"] == {"speed": 1600, "load": 40}
    for table in at_point(yard, "boats/heron.bin", *POINT)["tables"]:
        for side in ("new", "old"):
            total = sum(cell["weight"] * cell[side] for cell in table["cells"])
            assert total == pytest.approx(table[side])


def test_every_table_that_depends_on_the_given_signals_is_shown_protection_first(yard: Yard) -> None:
    result = yard.call("show", "boats/heron.bin", *POINT)
    assert shown(result.lines) == ["smoke_cap", "egr", "fuel", "trim"]
    assert "2 scalars are the same everywhere; name them to see them." in result.flat
    only = yard.call("show", "boats/heron.bin", "--at", "speed=1800")
    assert shown(only.lines) == ["smoke_cap", "egr", "trim"]
    assert "signals missing from --at are left out: load (1)." in only.flat
    named = yard.call("show", "boats/heron.bin", "overspeed_cut", "--at", "speed=1800")
    assert "4200 rpm, as in the base" in named.flat


def test_a_point_may_be_given_in_several_parts(yard: Yard) -> None:
    whole = yard.call("show", "boats/heron.bin", *POINT)
    parts = yard.call("show", "boats/heron.bin", "--at", "speed=1800", "--at", "load=30")
    assert parts == whole


def test_on_breakpoints_one_cell_counts_and_beyond_them_the_end_is_held(yard: Yard) -> None:
    (fuel,) = at_point(yard, "boats/heron.bin", "fuel", "--at", "speed=1600,load=40")["tables"]
    assert [(cell["x"], cell["y"], cell["weight"]) for cell in fuel["cells"]] == [(1, 1, 1)]
    (fuel,) = at_point(yard, "boats/heron.bin", "fuel", "--at", "speed=9000,load=1")["tables"]
    assert (fuel["new"], fuel["beyond"]) == (18, ["speed", "load"])
    text = yard.call("show", "boats/heron.bin", "fuel", "--at", "speed=9000,load=1").flat
    assert "18.0 mg, as in the base; outside its breakpoints of speed and load, so held at the end" in text
    assert "speed is given outside its plausible range of 0 to 6000 rpm; is this intended?" in text


def test_an_off_cell_that_counts_leaves_the_output_off(yard: Yard) -> None:
    yard.write("boats/heron.bin", edited(GOOD, {TRIM + 2: b"\xff"}))
    (trim,) = at_point(yard, "boats/heron.bin", "trim", "--at", "speed=1800")["tables"]
    assert (trim["new"], trim["old"]) == (None, pytest.approx(22.5))
    text = yard.call("show", "boats/heron.bin", "trim", "--at", "speed=1800").stdout
    assert "  off; base 22 °C" in text
    assert "24 → off" in text
    assert "22 °C, as in the base" in yard.call("show", "boats/heron.bin", "trim", "--at", "speed=1600").flat


def test_a_moved_axis_is_compared_by_output_and_not_cell_by_cell(yard: Yard) -> None:
    yard.write("boats/heron.bin", edited(GOOD, {0x02: u16(1400)}))
    (smoke,) = at_point(yard, "boats/heron.bin", "smoke_cap", "--at", "speed=1400")["tables"]
    # 70 at 1400 now; in the base three quarters of the way from 60 to 70.
    assert (smoke["new"], smoke["old"]) == (70, pytest.approx(67.5))
    assert all("old" not in cell for cell in smoke["cells"])


def test_an_axis_that_does_not_rise_leaves_its_tables_unread(yard: Yard) -> None:
    yard.write("boats/heron.bin", edited(GOOD, {0x04: u16(1500)}))
    document = at_point(yard, "boats/heron.bin", *POINT)
    assert document["tables"] == []
    assert document["unread"] == ["fuel", "smoke_cap", "trim", "egr"]
    text = yard.call("show", "boats/heron.bin", *POINT).flat
    message = ": the axis speed_4 does not rise throughout (1500 rpm follows 1600 rpm)."
    assert f"callint cannot evaluate fuel, smoke_cap, trim, egr{message}" in text


@pytest.mark.parametrize(
    ("axis", "message"),
    [
        (u16(3200, 2400, 2400, 800), "does not fall throughout (2400 rpm follows 2400 rpm)"),
        (u16(800, 2400, 1600, 3200), "does not rise throughout (1600 rpm follows 2400 rpm)"),
        (u16(9000, 800, 1600, 3200), "does not rise throughout (800 rpm follows 9000 rpm)"),
        (u16(800, 1600, 1600, 1600), "does not rise throughout (1600 rpm follows 1600 rpm)"),
    ],
)
def test_the_fault_of_an_axis_is_reported_with_its_breakpoints(yard: Yard, axis: bytes, message: str) -> None:
    yard.write("boats/heron.bin", edited(GOOD, {0: axis}))
    text = yard.call("show", "boats/heron.bin", "smoke_cap", *POINT).flat
    assert f"callint cannot evaluate smoke_cap: the axis speed_4 {message}." in text


def test_tables_beyond_the_end_of_a_cut_off_image_are_unread_and_not_off(yard: Yard) -> None:
    yard.write("boats/heron.bin", GOOD[: fuel_cell(2, 2)])
    document = at_point(yard, "boats/heron.bin", *POINT)
    assert (document["tables"], document["unread"]) == ([], ["fuel", "smoke_cap", "trim", "egr"])
    text = yard.call("show", "boats/heron.bin", *POINT).flat
    assert (
        "callint cannot evaluate fuel, smoke_cap, trim, egr: the image does not hold all of their cells."
        in text
    )
    text = yard.call("show", "boats/heron.bin", "fuel", *POINT).flat
    assert "callint cannot evaluate fuel: the image does not hold all of its cells." in text


def test_a_base_may_be_named_and_where_there_is_none_only_the_image_is_shown(yard: Yard) -> None:
    yard.write("other.bin", edited(GOOD, {fuel_cell(1, 1): u16(500)}))
    document = at_point(yard, "boats/heron.bin", "fuel", *POINT, "--base", "other.bin")
    assert document["base"] == "other.bin"
    assert document["tables"][0]["old"] == pytest.approx(37.5)
    alone = ("other.bin", "fuel", *POINT, "--definition", "defs/yard.xml")
    document = at_point(yard, *alone)
    assert "base" not in document and "old" not in document["tables"][0]
    text = yard.call("show", *alone).stdout
    assert "  37.5 mg\n" in text
    assert "There is no base to compare with; name one with --base." in text


def test_a_definition_that_is_named_leaves_the_image_the_policys_base(yard: Yard) -> None:
    yard.write("other.xml", yard_definition())
    document = at_point(yard, "boats/heron.bin", "fuel", *POINT, "--definition", "other.xml")
    assert (document["definition"], document["base"]) == ("other.xml", "factory/base.bin")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--at", "sped=1"), "--at sped: no signal has this name; did you mean 'speed'?"),
        (("--at", "spee=1"), "--at spee: no signal has this name; did you mean 'speed'?"),
        (("--at", "speed"), "--at speed: write SIGNAL=VALUE"),
        (("--at", "speed=1930 rpm"), "'1930 rpm' is not a number; give the number alone, in rpm"),
        (("--at", "load=12,5"), "several with commas between them, and a decimal with a point"),
        (("--at", "speed=fast"), "'fast' is not a number"),
        (("--at", "speed=nan"), "'nan' is not a number"),
        (("--at", "speed=-inf"), "'-inf' is not a number"),
        (("--at", "speed=1,speed=2"), "speed occurs twice"),
        (("--at", "speed=1", "--at", "load=1", "--at", "speed=1"), "speed occurs twice"),
        ((*POINT, "--base", "a.bin", "--base", "b.bin"), "--base occurs 2 times; use it only once"),
        (("--at", "speed=1,"), "write SIGNAL=VALUE"),
        (("--at", "speed=1", "--plain"), "--at excludes --plain and --list"),
        (("--at", "speed=1", "--list"), "--at excludes --plain and --list"),
        (("--base", "factory/base.bin", "--list"), "--base needs whole tables as text"),
        (("--base", "factory/base.bin", "--plain"), "--base needs whole tables as text"),
        (("--changes", "--format", "csv"), "--changes excludes --at"),
        (("--changes", "--plain"), "--changes excludes --at"),
        (("--shade", "--list"), "--shade excludes --at"),
        (("--at", "speed=1", "--format", "csv"), "use --format text or json with --at"),
        (("--at", "speed=1", "--base", "none.bin"), "none.bin"),
        (
            ("--at", "speed=1", "--base", "callint.toml"),
            "--base callint.toml: it has 90 bytes, but the memory has 160",
        ),
        (("--at", "speed=1", "--base", "empty.bin"), "--base empty.bin: the image is empty"),
        (("smok", "--at", "speed=1"), "'smok'"),
        (("speed_4", "--at", "speed=1"), "speed_4: an axis has no output; name tables with --at"),
        (("hull*", "--at", "speed=1"), "hull*: a text has no output; name tables with --at"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_point_that_cannot_be_meant_is_refused_in_one_line(
    yard: Yard, options: tuple[str, ...], message: str
) -> None:
    yard.write("empty.bin", b"")
    assert message in yard.call("show", "boats/heron.bin", *options).error


def test_a_revision_is_shown_at_a_point(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "repo", heron=GOOD)
    scratch.write("boats/heron.bin", yard_base())
    arguments = ("fuel", *POINT)
    assert "35.0 mg; base 34.5 mg" in scratch.call("show", "HEAD:boats/heron.bin", *arguments).stdout
    assert "34.5 mg, as in the base" in scratch.call("show", "boats/heron.bin", *arguments).stdout


def test_a_point_keeps_to_80_columns_and_a_strangers_words_do_not_steer(yard: Yard) -> None:
    title = " ".join(["Very", "long", "\u202etitle"] * 12)
    xml = yard_definition().decode().replace("Fuel by speed and load", title)
    yard.write("defs/yard.xml", xml.replace('name="smoke_cap"', f'name="{"long_" * 20}"'))
    result = call("show", "boats/heron.bin", *POINT, cwd=yard.root)
    assert result.status == 0
    assert "\\u202etitle" in result.stdout
    assert too_wide(result.stdout) == []
    assert steering(result.stdout) == []


def test_a_definition_given_as_an_image_is_named_as_such(yard: Yard) -> None:
    for command in (("show",), ("seal",), ("set",)):
        result = yard.call(*command, "defs/yard.xml", *(("fuel", "--to", "1") if command == ("set",) else ()))
        assert result.error.endswith("defs/yard.xml: it is a definition; pass an image")
