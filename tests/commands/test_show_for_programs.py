"""``callint show --format csv`` and ``json``: what programs and spreadsheets read."""

from __future__ import annotations

import csv
import io
import math
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import make_layout
from callint.model.definition import NumberType
from callint.model.image import Image
from callint.reading.definition import read_definition
from callint.reporting.tables.csv import COLUMNS, harmless
from tests.building import definition_xml, image, s_file, u16
from tests.running import (
    CUT,
    GOOD,
    TRIM,
    Result,
    Yard,
    call,
    fuel_cell,
    make_yard,
    run,
    valid,
    yard_base,
)

FLOATS = """
    <curve name="floats" title="Floats" purpose="general" at="0x10" type="float32">
      <x><fixed-axis signal="speed" values="1 2.5 1e9 1e25"/></x>
    </curve>
    <scalar name="wide" title="Wide" purpose="general" at="0x20" type="uint64"/>
"""


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD)


def rows(text: str) -> list[dict[str, str]]:
    """The lines of a CSV file as the standard library reads them, each with every field."""
    result = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert all(None not in row and None not in row.values() for row in result)
    return result


def shown(yard: Yard, *arguments: str) -> list[dict[str, str]]:
    result = yard.call("show", "boats/heron.bin", *arguments, "--format", "csv")
    assert (result.status, result.stderr) == (0, "")
    return rows(result.stdout)


def document(yard: Yard, *arguments: str) -> Any:
    result = yard.call("show", "boats/heron.bin", *arguments, "--format", "json")
    assert (result.status, result.stderr) == (0, "")
    return valid(result.data, "tables.schema.json")


def demo_image() -> tuple[Path, Decoded]:
    """The demo's factory image, decoded without a command."""
    folder = Path(__file__).resolve().parents[2] / "fixtures/demo/steps/01-factory"
    xml = (folder / "definitions/skerry-28.xml").read_bytes()
    definition = read_definition(xml, "skerry-28.xml").definition
    assert definition is not None
    data = (folder / "factory/sk28-0412.bin").read_bytes()
    return folder, decode(make_layout(definition), Image.raw(data, definition.memory.start))


def demo_tables(folder: Path, form: str) -> Result:
    arguments = ("--definition", "definitions/skerry-28.xml", "--format", form)
    return call("show", "factory/sk28-0412.bin", *arguments, cwd=folder)


# CSV


def test_a_cell_is_one_line_with_its_breakpoints_units_and_address(yard: Yard) -> None:
    result = yard.call("show", "boats/heron.bin", "fuel", "--format", "csv")
    lines = result.stdout.split("\r\n")
    assert lines[0] == ",".join(COLUMNS)
    assert lines[6] == (
        "fuel,map,Fuel by speed and load,demand,mg,1,speed,1600,rpm,1,load,40,mg,45,,450,0x0001A"
    )
    assert len(lines) == 1 + 12 + 1


def test_every_line_ends_as_rfc_4180_says_and_has_the_same_number_of_fields(yard: Yard) -> None:
    result = yard.call("show", "boats/heron.bin", "--format", "csv")
    assert result.stdout.count("\r\n") == result.stdout.count("\n") == result.stdout.count("\r")
    assert result.stdout.endswith("\r\n")
    assert len(shown(yard)) == 12 + 4 + 1 + 1 + 4 + 1 + 4


def test_a_file_is_the_same_bytes_as_the_standard_output(yard: Yard) -> None:
    printed = yard.run("show", "boats/heron.bin", "--format", "csv")
    assert yard.run("show", "boats/heron.bin", "--format", "csv", "--output", "out.csv").stdout == ""
    assert (yard.root / "out.csv").read_bytes() == printed.stdout.encode()
    assert b"\r\r" not in (yard.root / "out.csv").read_bytes()


def test_every_value_of_the_demo_reads_back_to_the_number_that_was_decoded() -> None:
    """A float32 reads back as the float32; every other number as the double."""
    folder, actual = demo_image()
    result = demo_tables(folder, "csv")
    by_table: dict[str, list[dict[str, str]]] = {}
    for row in rows(result.stdout):
        by_table.setdefault(row["table"], []).append(row)
    definition = actual.layout.definition
    assert set(by_table) == {*definition.tables, *definition.texts}
    for table in definition.tables.values():
        grid, cells = actual.grid(table), by_table[table.name]
        values = np.where(grid.off, math.nan, grid.physical).ravel()
        read = np.array([float(cell["value"] or "nan") for cell in cells])
        stored_type = np.float32 if table.storage.type is NumberType.float32 else np.float64
        np.testing.assert_array_equal(read.astype(stored_type), values.astype(stored_type))
        raws = np.array([float(cell["raw"]) for cell in cells]).astype(grid.raw.dtype)
        assert raws.tolist() == grid.raw.ravel().tolist()
        for key, axis, breakpoints in (("x", table.x, grid.x), ("y", table.y, grid.y)):
            if axis is None or breakpoints is None:
                assert {cell[key] + cell[f"{key}_breakpoint"] for cell in cells} == {""}
                continue
            at = [int(cell[key]) for cell in cells]
            assert [float(cell[f"{key}_breakpoint"]) for cell in cells] == breakpoints[at].tolist()
            assert {cell[f"{key}_unit"] for cell in cells} <= {definition.unit_of(definition.axes[axis]), ""}


def test_a_state_has_its_number_and_name_and_a_cell_that_is_off_has_no_number(yard: Yard) -> None:
    (monitor,) = shown(yard, "monitor")
    assert (monitor["value"], monitor["text"], monitor["raw"]) == ("1", "on", "1")
    yard.write("boats/heron.bin", yard_base().replace(bytes([60, 62]), b"\xff\x3e"))
    off, trim, *_ = shown(yard, "trim")
    assert (off["value"], off["text"], off["raw"]) == ("", "off", "255")
    assert (trim["value"], trim["text"], trim["unit"]) == ("22", "", "degC")


def test_numbers_of_both_signs_have_a_point_every_digit_and_no_mark(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "floats")
    yard.write("defs/yard.xml", definition_xml(FLOATS))
    numbers = struct.pack(">4f", -0.1, -0.0, 3e38, 1e-45) + struct.pack(">Q", 2**64 - 1)
    yard.write("boats/heron.bin", image(at_16=numbers))
    *floats, wide = shown(yard)
    assert [item["value"] for item in floats[:2]] == ["-0.1", "0"]
    read = np.array([float(item["raw"]) for item in floats]).astype(">f4").tobytes()
    assert read == numbers[:16]
    assert [item["x_breakpoint"] for item in floats] == ["1", "2.5", "1000000000", "1e+25"]
    assert wide["raw"] == "18446744073709551615"


def test_infinity_and_not_a_number_are_words_and_keep_their_bits(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "floats")
    yard.write("defs/yard.xml", definition_xml(FLOATS))
    yard.write("boats/heron.bin", image(at_16=bytes.fromhex("7fc00001 ff800000 7f800000 00000000")))
    cells = [(item["value"], item["text"], item["raw"]) for item in shown(yard, "floats")]
    assert cells == [
        ("", "not a number", "0x7FC00001"),
        ("", "infinite, negative", "0xFF800000"),
        ("", "infinite", "0x7F800000"),
        ("0", "", "0"),
    ]
    (table,) = document(yard, "floats")["tables"]
    assert table["values"] == [[None, None, None, 0.0]]
    assert table["raw"] == [["0x7FC00001", "0xFF800000", "0x7F800000", 0.0]]


def test_cells_that_a_part_of_the_memory_does_not_hold_are_absent(yard: Yard) -> None:
    yard.write("boats/heron.bin", s_file({0x00: GOOD[:0x30]}))
    cut, *_ = shown(yard, "overspeed_cut")
    assert (cut["value"], cut["text"], cut["raw"], cut["address"]) == ("", "absent", "", f"0x{CUT:05X}")
    (hull,) = shown(yard, "hull_number")
    assert (hull["text"], hull["raw"]) == ("absent", "")
    table, text = document(yard, "overspeed_cut", "hull_number")["tables"]
    assert (table["values"], table["raw"]) == ([[None]], [[None]])
    assert "text" not in text and "bytes" not in text


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "  =", "'"])
def test_a_text_that_begins_like_a_formula_is_made_harmless(start: str) -> None:
    text = harmless(f'{start}HYPERLINK("x")')
    assert text[0] in "'\\", "an apostrophe, or the backslash of a control character that is spelled out"
    assert "\t" not in text and "\r" not in text and "\n" not in text


@pytest.mark.parametrize("text", ["Fuel, by speed", 'the "late" one', "a = b", "5", "", "°C"])
def test_other_texts_stay_as_they_are(text: str) -> None:
    assert harmless(text) == text


def test_a_strangers_title_unit_state_and_text_reach_no_spreadsheet_as_formulas(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "stranger")
    tables = """
    <scalar name="mode" title="=1+1, &quot;two&quot;" purpose="general"
            at="0x10" type="uint8" conversion="s"/>
    <scalar name="gain" title="@SUM(A1)" purpose="general" at="0x11" type="uint8" conversion="l"/>
    <text name="note" title="-cmd" purpose="general" at="0x12" length="8"/>
    """
    conversions = """
    <states name="s"><state raw="0">+on</state></states>
    <linear name="l" unit="=A1" factor="-1"/>
    """
    yard.write("defs/yard.xml", definition_xml(tables, conversions=conversions))
    yard.write("boats/heron.bin", image(at_17=b"\x05", at_18=b"=2+3\x1b[0m"))
    mode, gain, note = shown(yard)
    assert (mode["title"], mode["text"]) == ('\'=1+1, "two"', "'+on")
    assert (gain["title"], gain["unit"], gain["value"]) == ("'@SUM(A1)", "'=A1", "-5")
    assert (note["title"], note["text"]) == ("'-cmd", "'=2+3\\x1b[0m")
    assert note["raw"] == "0x" + b"=2+3\x1b[0m".hex().upper()


def test_an_axis_that_is_named_comes_with_its_breakpoints(yard: Yard) -> None:
    result = shown(yard, "speed_4")
    assert [(item["table"], item["kind"], item["value"], item["raw"]) for item in result] == [
        ("speed_4", "axis", str(value), str(value)) for value in (800, 1600, 2400, 3200)
    ]


# CSV in the dialect of a spreadsheet


def grids(data: str, delimiter: str, decimal: str) -> dict[str, list[list[str]]]:
    """The rows of each block by the name of its table or axis, as the form of docs/numbers.md says."""
    assert not data.startswith("\ufeff") and data.count("\r\n") == data.count("\n")
    blocks: dict[str, list[list[str]]] = {}
    for row in csv.reader(io.StringIO(data, newline=""), delimiter=delimiter, strict=True):
        if row and row[0] in ("table", "axis"):
            block = blocks[row[1]] = []
        if row:
            block.append(
                [field if row[0] in ("table", "axis") else field.replace(decimal, ".") for field in row]
            )
    return blocks


def test_a_map_is_a_grid_below_its_axes_with_decimal_commas_and_a_byte_order_mark(yard: Yard) -> None:
    image = bytearray(GOOD)
    image[fuel_cell(1, 1) : fuel_cell(1, 1) + 2] = u16(457)
    yard.write("boats/heron.bin", bytes(image))
    options = ("--format", "csv", "--dialect", "semicolon", "--output", "o.csv")
    assert yard.call("show", "boats/heron.bin", "fuel", "trim", *options).stdout == ""
    printed = yard.call("show", "boats/heron.bin", "fuel", "trim", *options[:4]).stdout
    assert (yard.root / "o.csv").read_bytes() == printed.encode("utf-8-sig")
    assert (yard.root / "o.csv").read_bytes().decode("utf-8").split("\r\n") == [
        "\ufefftable;fuel;map;mg;Fuel by speed and load",
        "x;speed;rpm",
        "y;load;mg",
        ";800;1600;2400;3200",
        "10;12;14;16;18",
        "40;42;45,7;46;48",
        "70;70;72;74;76",
        "",
        "table;trim;curve;degC;Temperature trim",
        "x;speed;rpm",
        ";800;1600;2400;3200",
        ";20;22;24;26",
        "",
    ]


@pytest.mark.parametrize(("dialect", "marks"), {"comma": ",.", "semicolon": ";,", "tab": "\t."}.items())
def test_each_dialect_holds_every_cell_of_the_demo_as_the_long_form_does(dialect: str, marks: str) -> None:
    folder, actual = demo_image()
    definition = actual.layout.definition
    arguments = ["show", "factory/sk28-0412.bin", "*", "--definition", "definitions/skerry-28.xml"]
    long = rows(call(*arguments, "--format", "csv", cwd=folder).stdout)
    blocks = grids(call(*arguments, "--format", "csv", "--dialect", dialect, cwd=folder).stdout, *marks)
    cells: dict[str, list[str]] = {}
    for row in long:
        field = row["x_breakpoint"] if row["kind"] == "axis" else row["text"] or row["value"]
        cells.setdefault(row["table"], []).append(field if row["kind"] == "text" else field.replace(",", "."))
    heads = {name: len(table.axes) for name, table in definition.tables.items()}
    assert list(blocks) == list(cells)
    for name, block in blocks.items():
        # The name, a row for each axis, the breakpoints of x if there is an x axis, then the cells.
        grid = block[1 + heads.get(name, 0) + (heads.get(name, 0) > 0) :]
        expected = [field.replace(marks[1], ".") for field in cells[name]]
        assert [field for row in grid for field in row[1:]] == expected
        if table := definition.tables.get(name):
            assert block[0] == ["table", name, table.kind.value, block[0][3], table.title]
            along = [block[1 + len(table.axes)][1:], [row[0] for row in grid]]
            for axis, fields in zip(table.axes, along, strict=False):
                assert [float(field) for field in fields] == actual.breakpoints(axis).tolist()


def test_states_off_cells_and_absent_ones_are_words_in_a_grid(yard: Yard) -> None:
    form = ("--format", "csv", "--dialect", "comma")
    image = bytearray(GOOD)
    image[TRIM] = 0xFF
    yard.write("boats/heron.bin", bytes(image))
    blocks = grids(yard.call("show", "boats/heron.bin", "monitor", "trim", *form).stdout, ",", ".")
    assert (blocks["monitor"][1:], blocks["trim"][3][1]) == ([["", "on"]], "off")
    yard.write("boats/heron.bin", s_file({0: GOOD[:0x20]}, 1))
    fuel = grids(yard.call("show", "boats/heron.bin", "fuel", *form).stdout, ",", ".")["fuel"]
    assert fuel[5:] == [["40", "42", "45", "46", "48"], ["70", *["absent"] * 4]]


def test_a_formula_of_a_stranger_is_harmless_in_a_grid(tmp_path: Path) -> None:
    xml = definition_xml('<scalar name="t" title="=1+1" purpose="general" at="0" type="int8"/>')
    (tmp_path / "t.xml").write_bytes(xml)
    (tmp_path / "t.bin").write_bytes(b"\xff" + bytes(63))
    arguments = ("--definition", "t.xml", "--format", "csv", "--dialect", "tab")
    assert run("show", "t.bin", *arguments, cwd=tmp_path).stdout == "table\tt\tscalar\t\t'=1+1\r\n\t-1\r\n"


# JSON


def test_a_table_has_its_axes_values_and_raw_numbers_in_rows(yard: Yard) -> None:
    (fuel,) = document(yard, "fuel")["tables"]
    assert (fuel["kind"], fuel["unit"], fuel["address"]) == ("map", "mg", 0x10)
    assert fuel["x"]["breakpoints"] == [800.0, 1600.0, 2400.0, 3200.0]
    assert (fuel["y"]["signal"], fuel["y"]["unit"], fuel["y"]["raw"]) == ("load", "mg", [100, 400, 700])
    assert fuel["values"][1] == [42.0, 45.0, 46.0, 48.0]
    assert fuel["raw"][1] == [420, 450, 460, 480]
    assert fuel["digest"] in yard.call("show", "boats/heron.bin", "fuel").stdout


def test_states_off_cells_texts_and_named_axes_are_reported(yard: Yard) -> None:
    yard.write("boats/heron.bin", yard_base().replace(bytes([60, 62]), b"\xff\x3e"))
    result = document(yard, "monitor", "trim", "hull_number", "load_3")
    monitor, trim, hull = result["tables"]
    assert monitor["states"] == [{"raw": 0, "name": "off"}, {"raw": 1, "name": "on"}]
    assert (trim["off"], trim["values"][0][:2], trim["raw"][0][0]) == ([{"x": 0, "y": 0}], [None, 22.0], 255)
    assert (hull["text"], hull["bytes"]) == ("FACTORY", b"FACTORY     ".hex())
    assert [axis["axis"] for axis in result["axes"]] == ["load_3"]


def test_every_raw_number_of_the_demo_is_in_the_json() -> None:
    folder, actual = demo_image()
    result = demo_tables(folder, "json")
    tables = {table["table"]: table for table in valid(result.data, "tables.schema.json")["tables"]}
    for table in actual.layout.definition.tables.values():
        grid, item = actual.grid(table), tables[table.name]
        assert item["raw"] == grid.raw.tolist()
        values = np.array(item["values"], np.float64)
        np.testing.assert_array_equal(values, np.where(grid.off, math.nan, grid.physical))


# Wrong calls


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--format", "csv", "--at", "speed=1"), "use --format text or json with --at"),
        (("--format", "csv", "--plain"), "use only one"),
        (("--format", "json", "--list"), "use only one"),
        (("--output", "out.csv"), "--output needs --format csv or json"),
        (("--dialect", "tab"), "--dialect needs --format csv"),
        (("--dialect", "tab", "--format", "json"), "--dialect needs --format csv"),
        (("--format", "csv", "--output", "boats/heron.bin"), "would replace an input"),
        (("--format", "csv", "--output", "defs/yard.xml"), "would replace an input"),
        (("--format", "csv", "--output", "nowhere/out.csv"), "there is no folder nowhere"),
        (("--format", "csv", "--output", "out.csv", "smok"), "there is no table 'smok'"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_wrong_call_is_refused_in_one_line_and_nothing_is_written(
    yard: Yard, options: tuple[str, ...], message: str
) -> None:
    before = yard.files()
    assert message in yard.call("show", "boats/heron.bin", *options).error
    assert yard.files() == before


def test_an_image_that_is_none_is_refused_with_file_and_remedy_and_nothing_is_written(yard: Yard) -> None:
    yard.write("boats/heron.bin", b":00000001FE\n")
    before = yard.files()
    error = yard.call("show", "boats/heron.bin", "--format", "csv", "--output", "out.csv").error
    assert error.startswith("callint: boats/heron.bin:1: ") and "; " in error
    assert yard.files() == before
