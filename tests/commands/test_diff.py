"""``callint diff`` as its users meet it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.building import definition_xml, u16
from tests.running import (
    CUT,
    EVERYTHING,
    GOOD,
    HULL,
    NOTHING,
    SOFTWARE,
    Result,
    Yard,
    call_in_encoding,
    edited,
    make_yard,
    steering,
    too_wide,
    valid,
    yard_base,
    yard_definition,
)

BASE = "factory/base.bin"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD, auk=EVERYTHING)


def compared(yard: Yard, *arguments: str) -> Any:
    """The JSON change set of a diff, which keeps to its contract."""
    return valid(yard.call("diff", "--format", "json", *arguments).data, "changes.schema.json")


def headings(result: Result) -> list[str]:
    """The names of the tables, in the order in which they are shown."""
    return [match[1] for line in result.lines if (match := re.match(r"(\w+): .* \(\w+\)$", line))]


# What is said


def test_equal_images_are_silent(yard: Yard) -> None:
    yard.write("boats/twin.bin", GOOD)
    for extra in ((), ("--stat",), ("--all",), ("--table", "fuel")):
        result = yard.call("diff", "boats/heron.bin", "boats/twin.bin", *extra)
        assert (result.status, result.stdout, result.stderr) == (0, "", "")


def test_an_image_equals_itself(yard: Yard) -> None:
    result = yard.run("diff", "boats/heron.bin", "boats/heron.bin")
    assert (result.status, result.stdout, result.stderr) == (0, "", "")


def test_a_change_shows_old_and_new_value_unit_share_place_and_neighbours(yard: Yard) -> None:
    result = yard.call("diff", BASE, "boats/heron.bin", "--table", "fuel")
    assert result.status == 1
    assert result.stderr == ""
    assert result.lines[:7] == [
        "fuel: Fuel by speed and load (demand)",
        "  1 of 12 cells changed; 44.0 → 45.0 mg (+1.0, +2.3 %) at 1600 rpm, 40 mg;",
        "  inside the operating range",
        "  load  speed, rpm",
        "    mg   800         1600  2400",
        "    10  12.0         14.0  16.0",
        "    40  42.0  44.0 ↑ 45.0  46.0",
    ]


def test_an_image_alone_is_compared_with_its_base(yard: Yard) -> None:
    alone, pair = yard.call("diff", "boats/heron.bin"), yard.call("diff", BASE, "boats/heron.bin")
    assert (alone.status, alone.lines[:2]) == (1, [f"boats/heron.bin compared with {BASE}", ""])
    assert alone.lines[2 : 2 + len(pair.lines)] == pair.lines
    assert compared(yard, "boats/heron.bin") == compared(yard, BASE, "boats/heron.bin")
    yard.write("boats/heron.bin", yard_base())
    equal = yard.call("diff", "boats/heron.bin")
    assert (equal.status, equal.stdout, equal.stderr) == (0, "", "")


def test_protection_comes_first_and_general_tables_last(yard: Yard) -> None:
    result = yard.call("diff", BASE, "boats/auk.bin")
    assert headings(result) == ["smoke_cap", "overspeed_cut", "monitor", "egr", "fuel", "trim"]
    stat = yard.call("diff", BASE, "boats/auk.bin", "--stat")
    assert [line.split()[0] for line in stat.lines if not line.startswith(" ")][:6] == headings(result)


def test_old_and_new_change_places_with_the_arguments(yard: Yard) -> None:
    forward = yard.call("diff", BASE, "boats/heron.bin").flat
    backward = yard.call("diff", "boats/heron.bin", BASE).flat
    assert "44.0 → 45.0 mg" in forward
    assert "45.0 → 44.0 mg" in backward


def test_an_off_cell_is_called_off_and_its_change_has_no_difference(yard: Yard) -> None:
    result = yard.call("diff", BASE, "boats/auk.bin", "--table", "trim")
    assert "20 → off at 800 rpm" in result.flat
    assert "215" not in result.stdout
    (cell,) = compared(yard, BASE, "boats/auk.bin", "--table", "trim")["tables"][0]["cells"]
    assert cell["new_off"] is True
    assert "old_off" not in cell
    assert cell["new_raw"] == 255
    back = yard.call("diff", "boats/auk.bin", BASE, "--table", "trim")
    assert "off → 20 °C at 800 rpm" in back.flat


def test_named_states_are_shown_by_name(yard: Yard) -> None:
    assert "on → off" in yard.call("diff", BASE, "boats/auk.bin", "--table", "monitor").flat


def test_an_axis_shows_its_breakpoints_and_names_every_table_that_it_moves(yard: Yard) -> None:
    result = yard.call("diff", BASE, "boats/auk.bin")
    start = result.lines.index("axis speed_4: speed, rpm")
    text = " ".join(" ".join(result.lines[start : result.lines.index("", start)]).split())
    assert "1 of 4 breakpoints changed; this moves the output of the tables on it" in text
    names = re.findall(r"(\w+)(?: \(\w+\))?: (?:up to|unchanged)", text)
    assert names == ["smoke_cap", "egr", "fuel", "trim"]
    assert "smoke_cap (protection): " in text
    assert "egr (emissions): " in text
    assert text.endswith("800 1600 2400 3200 ↑ 3300")


def test_the_json_has_the_output_shifts_of_an_axis_too(yard: Yard) -> None:
    (axis,) = compared(yard, BASE, "boats/auk.bin")["axes"]
    assert [output["table"] for output in axis["outputs"]] == axis["tables"]
    for output in axis["outputs"]:
        assert "speed" in output["at"]
        assert isinstance(output["old"], float) and isinstance(output["new"], float)
    assert {output["table"]: output["switched"] for output in axis["outputs"]}["trim"]


def test_a_text_a_checksum_and_unexplained_bytes_are_shown(yard: Yard) -> None:
    result = yard.call("diff", BASE, "boats/auk.bin")
    assert 'text hull_number: "FACTORY" → "HERON-3"' in result.lines
    old, new = (int.from_bytes(data[0x90:0x92], "big") for data in (yard_base(), EVERYTHING))
    assert f"checksum sum: 0x{old:X} → 0x{new:X}" in result.lines
    assert "unexplained: 4 bytes that the definition does not describe" in result.lines
    assert "  0x00070, 4 bytes, outside every region" in result.lines
    assert "    00 00 00 00 → de ad be ef" in result.lines
    assert "4 of them unexplained" in result.flat


def test_a_completely_described_change_is_reported_as_such(yard: Yard) -> None:
    result = yard.call("diff", BASE, "boats/heron.bin")
    assert result.lines[-1].startswith("1 table, 1 cell, ")
    assert result.lines[-1].endswith("bytes changed, all explained.")


def test_bytes_that_only_one_image_holds_are_missing(yard: Yard) -> None:
    yard.write("boats/short.bin", GOOD[:0x98])
    result = yard.call("diff", "boats/heron.bin", "boats/short.bin")
    assert result.status == 1
    assert "missing: 8 bytes that only one image holds" in result.lines
    assert "  0x00098 to 0x0009F" in result.lines
    report = compared(yard, "boats/heron.bin", "boats/short.bin")
    assert report["missing"] == [{"start": 0x98, "size": 8}]
    assert report["tables"] == []
    # In the other direction it is the same range.
    assert compared(yard, "boats/short.bin", "boats/heron.bin")["missing"] == report["missing"]


def test_a_longer_image_is_compared_as_far_as_both_go(yard: Yard) -> None:
    yard.write("boats/long.bin", edited(GOOD, {CUT: u16(4300)}) + b"\x01\x02")
    result = yard.call("diff", "boats/heron.bin", "boats/long.bin")
    assert "4200 → 4300 rpm" in result.flat
    assert "missing: 2 bytes that only one image holds" in result.lines


# How much is shown


def wide_map(size: int = 40, name: str = "wide", title: str = "Wide", signal: str = "speed") -> bytes:
    """The definition of one square map of 16-bit numbers from address 0 on."""
    values = " ".join(str(100 * (n + 1)) for n in range(size))
    return definition_xml(
        f'<map name="{name}" title="{title}" purpose="demand" at="0" type="uint16" conversion="mg">'
        f'<x axis="across"/><y axis="down"/></map>',
        axes=f'<fixed-axis name="across" signal="{signal}" values="{values}"/>'
        f'<fixed-axis name="down" signal="{signal}" values="{values}"/>',
        signals=f'<signal name="{signal}" unit="rpm" plausible="0 6000">Speed</signal>',
        size=2 * size * size + 16,
    )


@pytest.fixture
def wide(tmp_path: Path) -> Yard:
    """A map of 40 by 40, once as it was and twice changed: far apart, and everywhere."""
    yard = Yard(tmp_path / "wide")
    cells = 40 * 40
    yard.write("test.xml", wide_map())
    yard.write("old.bin", u16(*range(1000, 1000 + cells)) + bytes(16))
    far = list(range(1000, 1000 + cells))
    for x, y in ((2, 2), (6, 2), (20, 20), (39, 39)):
        far[40 * y + x] += 100 + x
    yard.write("far.bin", u16(*far) + bytes(16))
    yard.write("all.bin", u16(*(n + 7 for n in range(1000, 1000 + cells))) + bytes(16))
    return yard


def test_only_the_surroundings_of_changes_are_shown_and_a_cut_is_marked(wide: Yard) -> None:
    near = list(range(1000, 2600))
    near[40 * 2 + 2] += 50
    near[40 * 9 + 2] += 60
    wide.write("near.bin", u16(*near) + bytes(16))
    result = wide.call("diff", "old.bin", "near.bin", "--definition", "test.xml")
    labels = [line.split()[0] for line in result.lines if re.match(r" +(\d+|…)( |$)", line)]
    rows = [label for label in labels if label == "…" or int(label) % 100 == 0]
    assert rows[rows.index("200") :] == ["200", "300", "400", "…", "900", "1000", "1100"]
    assert "108.2 ↑ 113.2" in result.stdout
    assert len(result.lines) < 16


def test_a_cut_between_columns_is_marked(wide: Yard) -> None:
    result = wide.call("diff", "old.bin", "far.bin", "--definition", "test.xml", "--all")
    assert any(re.search(r"\d … *\d", line) for line in result.lines)


def test_changes_far_from_the_largest_are_counted_and_all_shows_them(wide: Yard) -> None:
    short = wide.call("diff", "old.bin", "all.bin", "--definition", "test.xml")
    shown = short.stdout.count("↑") + short.stdout.count("↓")
    match = re.search(r"and ([\d,]+) more changed cells further away; --all shows them", short.flat)
    assert match is not None
    assert shown + int(match[1].replace(",", "")) == 1600
    whole = wide.call("diff", "old.bin", "all.bin", "--definition", "test.xml", "--all")
    assert whole.stdout.count("↑") + whole.stdout.count("↓") == 1600
    assert "further away" not in whole.stdout
    assert too_wide(short.stdout) == too_wide(whole.stdout) == []


def test_the_largest_change_is_among_those_shown(wide: Yard) -> None:
    result = wide.call("diff", "old.bin", "far.bin", "--definition", "test.xml")
    assert "259.9 → 273.8" in result.flat.split("inside")[0].split("outside")[0]
    assert result.stdout.count("259.9 ↑ 273.8") == 1


def test_ten_of_many_unexplained_runs_are_shown_and_all_shows_the_rest(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("test.xml", definition_xml("", size=4096))
    yard.write("old.bin", bytes(4096))
    yard.write("new.bin", (b"\x01" + bytes(255)) * 16)
    short = yard.call("diff", "old.bin", "new.bin", "--definition", "test.xml")
    assert short.stdout.count("1 byte, outside every region") == 10
    assert "and 6 more runs; --all shows them" in short.flat
    whole = yard.call("diff", "old.bin", "new.bin", "--definition", "test.xml", "--all")
    assert whole.stdout.count("1 byte, outside every region") == 16


def test_a_long_run_is_cut_and_the_cut_is_marked(yard: Yard) -> None:
    yard.write("boats/tern.bin", edited(GOOD, {0x60: bytes(range(1, 25))}))
    result = yard.call("diff", "boats/heron.bin", "boats/tern.bin")
    assert too_wide(result.stdout) == []
    assert "01 02 03 04 05 06 07 08 09 0a …" in result.flat


def test_stat_is_one_line_a_table(yard: Yard) -> None:
    result = yard.call("diff", BASE, "boats/auk.bin", "--stat")
    for name, purpose, cells in (
        ("smoke_cap", "protection", "1/4"),
        ("overspeed_cut", "protection", "1/1"),
        ("egr", "emissions", "1/4"),
        ("fuel", "demand", "2/12"),
        ("trim", "correction", "1/4"),
    ):
        (line,) = (line for line in result.lines if line.startswith(f"{name} "))
        assert line.split()[1:3] == [purpose, cells]
    assert "4200 → 4300 rpm" in result.flat
    assert "axis speed_4  1 breakpoint" in result.lines
    assert 'text hull_number  "FACTORY" → "HERON-3"' in result.lines
    assert "unexplained  0x00070, 4 bytes" in result.lines
    assert result.lines[-1].startswith("6 tables, 7 cells, 1 axis, ")
    assert too_wide(result.stdout) == []


@pytest.mark.parametrize("option", ["--table", "-t"])
def test_table_selects_by_glob(yard: Yard, option: str) -> None:
    assert headings(yard.call("diff", BASE, "boats/auk.bin", option, "*_c*")) == [
        "smoke_cap",
        "overspeed_cut",
    ]
    several = yard.call("diff", BASE, "boats/auk.bin", option, "egr", option, "fuel")
    assert headings(several) == ["egr", "fuel"]
    assert "unexplained" not in several.stdout
    assert "hull_number" not in several.stdout


def test_table_selects_axes_and_texts_too(yard: Yard) -> None:
    result = yard.call("diff", BASE, "boats/auk.bin", "--table", "hull_number", "--table", "speed_4")
    assert headings(result) == []
    assert 'text hull_number: "FACTORY" → "HERON-3"' in result.lines
    assert "axis speed_4: speed, rpm" in result.lines


def test_a_selection_without_changes_is_silent(yard: Yard) -> None:
    result = yard.call("diff", BASE, "boats/heron.bin", "--table", "egr")
    assert (result.status, result.stdout) == (0, "")


def test_an_unknown_table_is_refused_with_a_suggestion(yard: Yard) -> None:
    error = yard.call("diff", BASE, "boats/auk.bin", "--table", "smoke_cup").error
    assert "'smoke_cup'" in error
    assert "did you mean 'smoke_cap'" in error
    assert "--list" in yard.call("diff", BASE, "boats/auk.bin", "--table", "zzz*").error


# JSON


def test_json_keeps_to_its_contract_and_agrees_with_the_text(yard: Yard) -> None:
    report = compared(yard, BASE, "boats/auk.bin")
    assert (report["old"], report["new"], report["definition"]) == (BASE, "boats/auk.bin", "defs/yard.xml")
    summary = report["summary"]
    assert summary["tables"] == len(report["tables"]) == 6
    assert summary["cells"] == sum(len(table["cells"]) for table in report["tables"]) == 7
    assert all(table["changed"] == len(table["cells"]) for table in report["tables"])
    assert summary["bytes"] == sum(a != b for a, b in zip(yard_base(), EVERYTHING, strict=True))
    assert summary["unexplained_bytes"] == 4
    text = yard.call("diff", BASE, "boats/auk.bin").flat
    assert text.endswith(
        f"6 tables, 7 cells, 1 axis, {summary['bytes']} bytes changed, 4 of them unexplained."
    )
    assert report["unexplained"] == [{"start": NOTHING, "size": 4}]
    assert report["texts"] == [{"name": "hull_number", "old": "FACTORY", "new": "HERON-3"}]
    assert [c["name"] for c in report["checksums"]] == ["sum"]
    (axis,) = report["axes"]
    assert axis["axis"] == "speed_4"
    assert axis["tables"] == ["fuel", "smoke_cap", "trim", "egr"]
    assert axis["breakpoints"] == [{"index": 3, "old": 3200.0, "new": 3300.0}]


def test_json_names_cells_by_index_breakpoints_raw_and_physical(yard: Yard) -> None:
    (table,) = compared(yard, BASE, "boats/heron.bin")["tables"]
    assert (table["table"], table["kind"], table["purpose"], table["unit"]) == ("fuel", "map", "demand", "mg")
    (cell,) = table["cells"]
    assert cell["at"] == {"speed": 1600.0, "load": 40.0}
    assert (cell["x"], cell["y"], cell["old_raw"], cell["new_raw"]) == (1, 1, 440, 450)
    assert cell["old"] == pytest.approx(44.0)
    assert cell["new"] == pytest.approx(45.0)


def test_json_distinguishes_two_axes_on_one_signal(wide: Yard) -> None:
    report = compared(wide, "old.bin", "far.bin", "--definition", "test.xml")
    cells = report["tables"][0]["cells"]
    assert [(cell["x"], cell["y"]) for cell in cells] == [(2, 2), (6, 2), (20, 20), (39, 39)]
    by_place = {(cell["x"], cell["y"]): sorted(cell["at"].values()) for cell in cells}
    assert by_place[6, 2] == [300.0, 700.0]


def test_json_of_equal_images_is_a_whole_document_with_status_0(yard: Yard) -> None:
    result = yard.call("diff", "boats/heron.bin", "boats/heron.bin", "--format", "json")
    assert result.status == 0
    report = valid(result.data, "changes.schema.json")
    assert report["tables"] == report["unexplained"] == []
    assert set(report["summary"].values()) == {0}


def test_json_of_a_selection_agrees_with_its_text(yard: Yard) -> None:
    report = compared(yard, BASE, "boats/auk.bin", "--table", "fuel")
    assert [table["table"] for table in report["tables"]] == ["fuel"]
    assert report["summary"]["cells"] == 2
    assert yard.call("diff", BASE, "boats/auk.bin", "--table", "fuel").flat.endswith(
        "1 table, 2 cells selected."
    )


def test_json_spells_out_infinity_and_not_a_number(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write(
        "test.xml", definition_xml('<scalar name="f" title="F" at="0" type="float32" purpose="general"/>')
    )
    yard.write("old.bin", bytes(64))
    yard.write("new.bin", b"\x7f\xc0\x00\x00" + bytes(60))
    (cell,) = compared(yard, "old.bin", "new.bin", "--definition", "test.xml")["tables"][0]["cells"]
    assert cell["new_raw"] == "nan"
    assert "new" not in cell
    assert "0 → not a number" in yard.call("diff", "old.bin", "new.bin", "--definition", "test.xml").flat


# Width, encodings, strangers' characters

LONG = "a_name_that_takes_more_than_half_of_the_columns_of_a_terminal"


@pytest.mark.parametrize("extra", [(), ("--all",), ("--stat",)])
def test_no_line_to_a_pipe_is_wider_than_80_columns(yard: Yard, extra: tuple[str, ...]) -> None:
    title = "The title of a table that somebody wrote with very much love for detail " * 6
    for name in (b"Fuel by speed and load", b"Fuel cut-off speed", b"Recirculation"):
        yard.write("defs/yard.xml", yard_definition().replace(name, title.strip().encode()))
        result = yard.call("diff", BASE, "boats/auk.bin", *extra)
        assert result.status == 1
        assert too_wide(result.stdout) == []


@pytest.mark.parametrize("extra", [(), ("--all",), ("--stat",)])
def test_long_names_do_not_make_lines_wider_than_80_columns(wide: Yard, extra: tuple[str, ...]) -> None:
    wide.write("test.xml", wide_map(name=LONG, title="A title of some words", signal=f"{LONG}_s"))
    result = wide.call("diff", "old.bin", "far.bin", "--definition", "test.xml", *extra)
    assert result.status == 1
    assert too_wide(result.stdout) == []


@pytest.mark.parametrize("extra", [(), ("--stat",)])
def test_long_texts_do_not_make_lines_wider_than_80_columns(tmp_path: Path, extra: tuple[str, ...]) -> None:
    yard = Yard(tmp_path)
    text = '<text name="log" title="Log" at="0" length="120" encoding="ascii" purpose="general"/>'
    yard.write("test.xml", definition_xml(text, size=128))
    yard.write("old.bin", b"once upon a time in a harbour far away ".ljust(128, b" "))
    yard.write("new.bin", b"there lay a boat that went " * 4 + bytes(20))
    result = yard.call("diff", "old.bin", "new.bin", "--definition", "test.xml", *extra)
    assert "harbour far away" in result.flat
    assert too_wide(result.stdout) == []


def test_a_terminal_without_unicode_gets_an_ascii_arrow(yard: Yard) -> None:
    result = yard.run("diff", BASE, "boats/heron.bin", PYTHONUTF8="0", PYTHONIOENCODING="ascii")
    assert result.status == 1, result
    assert "44.0 -> 45.0 mg" in result.flat
    assert result.stdout.isascii()


@pytest.mark.parametrize("extra", [(), ("--all",), ("--stat",)])
def test_a_terminal_without_unicode_gets_every_change(yard: Yard, wide: Yard, extra: tuple[str, ...]) -> None:
    yard.write(
        "boats/tern.bin", edited(EVERYTHING, {0x60: bytes(range(1, 25)), HULL: "Häger".encode("latin-1")})
    )
    result = call_in_encoding("ascii", "diff", BASE, "boats/tern.bin", *extra, cwd=yard.root)
    assert result.status == 1, result
    assert result.stdout.isascii()
    arguments = ("diff", "old.bin", "far.bin", "--definition", "test.xml", *extra)
    result = call_in_encoding("ascii", *arguments, cwd=wide.root)
    assert result.status == 1, result
    assert result.stdout.isascii()


def test_a_terminal_with_another_encoding_gets_every_change(yard: Yard) -> None:
    result = yard.run("diff", BASE, "boats/auk.bin", PYTHONUTF8="0", PYTHONIOENCODING="cp1252:strict")
    assert result.status == 1, result
    assert "44.0 -> 45.0" in result.stdout


def test_a_pipe_gets_no_colour_and_force_color_gives_it(yard: Yard) -> None:
    plain = yard.run("diff", BASE, "boats/auk.bin").stdout
    assert "\x1b" not in plain
    coloured = yard.run("diff", BASE, "boats/auk.bin", FORCE_COLOR="1").stdout
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured).split() == plain.split()


def test_an_images_texts_never_reach_the_terminal_raw(yard: Yard) -> None:
    yard.write("boats/tern.bin", edited(GOOD, {HULL: b"\x1b[2J\x9b31m\x07\r\nx"}))
    for extra in ((), ("--stat",), ("--format", "json")):
        result = yard.call("diff", BASE, "boats/tern.bin", *extra)
        assert result.status == 1
        assert steering(result.stdout) == []


def test_a_definitions_words_never_reach_the_terminal_raw(yard: Yard) -> None:
    nasty = "\x9b31m\u202eevil\u2066"
    xml = yard_definition().decode().replace("Overboost is watched", nasty).replace(">off<", f">{nasty}<")
    xml = xml.replace('guard state="off"', f'guard state="{nasty}"').replace('unit="mg"', f'unit="{nasty}"')
    yard.write("defs/yard.xml", xml)
    for extra in ((), ("--stat",), ("--format", "json")):
        result = yard.call("diff", BASE, "boats/auk.bin", *extra)
        assert "evil" in result.stdout
        assert steering(result.stdout) == []


# Wrong calls


@pytest.mark.parametrize(
    ("arguments", "messages"),
    [
        ((), ["NEW", "callint diff --help"]),
        ((BASE,), [BASE, "the policy names no base that fits it", "pass OLD and NEW"]),
        (("new.cdfx",), ["new.cdfx", "it holds values, not an image"]),
        ((BASE, "none.bin"), ["none.bin", "does not exist", "check the path"]),
        (("none.bin", BASE), ["none.bin", "does not exist", "check the path"]),
        ((BASE, "boats"), ["boats", "folder"]),
        (("spare.bin", "other.bin"), ["spare.bin", "other.bin", "callint.toml", "--definition"]),
        (("boats/heron.bin", "boats/empty.bin"), ["boats/empty.bin", "empty", "read it out again"]),
        (
            ("boats/heron.bin", "boats/foreign.bin"),
            ["boats/foreign.bin", "YARD-02", "YARD-01", "--definition"],
        ),
        (
            ("boats/foreign.bin", "boats/heron.bin"),
            ["boats/foreign.bin", "YARD-02", "YARD-01", "--definition"],
        ),
        ((BASE, "boats/heron.bin", "--definition", "none.xml"), ["none.xml", "does not exist"]),
        (
            (BASE, "boats/heron.bin", "--definition", "callint.toml"),
            ["callint.toml:1", "XML", "callint check"],
        ),
        ((BASE, "boats/heron.bin", "--policy", "none.toml"), ["none.toml", "the policy does not exist"]),
        ((BASE, "boats/heron.bin", "--format", "yaml"), ["yaml", "callint diff --help"]),
    ],
)
def test_a_wrong_call_is_one_line_that_says_what_to_do(
    yard: Yard, arguments: tuple[str, ...], messages: list[str]
) -> None:
    yard.write("spare.bin", GOOD)
    yard.write("other.bin", GOOD)
    yard.write("boats/empty.bin", b"")
    yard.write("boats/foreign.bin", edited(GOOD, {SOFTWARE: b"YARD-02"}))
    error = yard.call("diff", *arguments).error
    for message in messages:
        assert message in error


def test_images_outside_any_policy_need_only_a_definition(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("any.xml", yard_definition())
    yard.write("-old.bin", yard_base())
    yard.write("new one.bin", GOOD)
    result = yard.call("diff", "--definition", "any.xml", "--", "-old.bin", "new one.bin")
    assert result.status == 1
    assert "44.0 → 45.0 mg" in result.flat


def test_a_definition_with_mistakes_still_shows_its_tables_and_reports_the_mistakes(yard: Yard) -> None:
    yard.write("defs/yard.xml", yard_definition().replace(b'max="60"', b'max="sixty"'))
    result = yard.call("diff", BASE, "boats/heron.bin")
    assert result.status == 1
    assert "44.0 → 45.0 mg" in result.flat
    (line,) = result.stderr.splitlines()
    assert "callint check defs/yard.xml" in line
