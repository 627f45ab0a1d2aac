"""Lists of addresses, tidy and as people keep them, into definitions."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from callint.model.definition import Definition, FixedAxis, Linear, StoredAxis, Table
from callint.reading.definition import read_definition
from tests.addresses.listing import HEADER, IMAGE, demo, listed, records, table_text
from tests.running import REPOSITORY, Result, Yard, valid

HEAD = "Name;Address;Type;Columns;Rows;X axis;Y axis;Factor;Unit;Min;Max"
SPEED = "speed;0x10;uint16;4;;;;0.25;rpm;;"
FUEL = "fuel;0x20;uint16;4;;speed;;0.1;mg;0;60"


def sheet(*rows: str, head: str = HEAD) -> str:
    return "\n".join([head, *rows]) + "\n"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


def imported(yard: Yard, content: str | bytes, *options: str, name: str = "list.csv") -> Result:
    """Import a list from the start; big-endian unless the options differ."""
    yard.write(name, content)
    (yard.root / "list.xml").unlink(missing_ok=True)
    order = () if "--byte-order" in options or "--mapping" in options else ("--byte-order", "big")
    return yard.run("import", name, *order, *options)


def made(yard: Yard, content: str | bytes, *options: str, name: str = "list.csv") -> Definition:
    """The definition of a list that leaves nothing open."""
    result = imported(yard, content, *options, name=name)
    assert (result.status, result.stderr) == (0, ""), result.stdout + result.stderr
    return written(yard)


def written(yard: Yard) -> Definition:
    read = read_definition((yard.root / "list.xml").read_bytes(), "list.xml")
    assert read.definition is not None and not read.problems
    return read.definition


def asked(result: Result) -> list[tuple[str, str, int, bool]]:
    """What the JSON report lists as open: name, reason, row and whether the row is left out."""
    report = valid(result.data, "import.schema.json")
    return [(item["name"], item["reason"], item["line"], item["whole"]) for item in report["lost"]]


# Tidy lists


def test_a_tidy_list_gives_the_tables_of_the_definition_that_it_was_made_of(yard: Yard) -> None:
    expected = demo()
    definition = made(yard, table_text(records(expected)))
    for item in listed(expected):
        name = item.name.replace("/", ".")
        given: Any = (definition.tables if isinstance(item, Table) else definition.axes)[name]
        assert (given.at, given.storage) == (item.at, item.storage)
        wanted, conversion = expected.conversion_of(item), definition.conversion_of(given)
        assert isinstance(wanted, Linear) and isinstance(conversion, Linear)
        assert (conversion.factor, conversion.offset, conversion.unit, conversion.decimals) == (
            *(wanted.factor, wanted.offset, wanted.unit),
            wanted.decimals,
        )
        if isinstance(item, Table):
            assert given.axes == tuple(axis.replace("/", ".") for axis in item.axes)
            assert (given.title, given.purpose, given.kind) == (item.title, item.purpose, item.kind)
            assert (given.y_first, given.demands.limits) == (item.y_first, item.demands.limits)
        else:
            assert (given.count, given.signal) == (item.count, item.signal)
    assert {text: (item.at, item.length) for text, item in definition.texts.items()} == {
        text: (item.at, item.length) for text, item in expected.texts.items()
    }


def test_the_definition_of_a_tidy_list_shows_and_checks_its_image(yard: Yard) -> None:
    made(yard, table_text(records(demo())))
    yard.write("factory.bin", IMAGE.read_bytes())
    result = imported(yard, table_text(records(demo())), "--image", str(yard.root / "factory.bin"))
    assert result.status == 1  # the list has no off codes, which lie outside the limits
    assert yard.run("show", "factory.bin", "torque_limit", "--definition", "list.xml").status == 0


def test_a_workbook_gives_the_definition_of_the_text_file(yard: Yard) -> None:
    rows = records(demo())
    text = made(yard, table_text(rows))
    book = openpyxl.Workbook()
    book.active.title = "Read me"  # type: ignore[union-attr]
    page = book.create_sheet("Tables")
    page.append([])
    page.append(HEADER)
    for row in rows:
        cells: list[object] = [row[key] or None for key in HEADER]
        for key in ("factor", "offset", "rows", "columns"):
            cells[HEADER.index(key)] = float(row[key]) if row[key] else None
        page.append(cells)
    stream = io.BytesIO()
    book.save(stream)
    definition = made(yard, stream.getvalue(), name="list.xlsx")
    assert definition.tables == text.tables and definition.axes == text.axes
    report = imported(yard, stream.getvalue(), "--format", "json", "--module", "Tables", name="list.xlsx")
    assert valid(report.data, "import.schema.json")["module"] == "Tables"


def test_the_empty_list_of_callint_schema_has_only_columns_that_import_knows(yard: Yard) -> None:
    empty = yard.run("schema", "addresses").stdout
    assert empty == (REPOSITORY / "schemas" / "addresses.csv").read_text("utf-8")
    assert empty.count("\n") == 1
    cells = dict.fromkeys(empty.strip().split(";"), "")
    cells |= {"name": "cut", "address": "0x30", "type": "uint16", "byte order": "little", "factor": "0.5"}
    cells |= {"unit": "rpm", "purpose": "protection"}
    content = empty + ";".join(cells.values()) + "\n"
    report = valid(imported(yard, content, "--format", "json").data, "import.schema.json")
    assert (report["complete"], report["without_a_place"]) == (True, [])
    assert written(yard).tables["cut"].storage.byte_order.value == "little"


# Messy lists


@pytest.mark.parametrize(
    "text", ["$4A10", "4A10h", "0x4A10", "4A10", "&H4A10", "4a10H", "0x00_4A10", "00 4A10"]
)
def test_hexadecimal_addresses_are_read_as_people_write_them(yard: Yard, text: str) -> None:
    assert made(yard, sheet(f"cut;{text};uint8;;;;;;;;")).tables["cut"].at == 0x4A10


def test_headers_say_that_addresses_are_decimal(yard: Yard) -> None:
    head = HEAD.replace("Address", "Adresse [dez]")
    assert made(yard, sheet("cut;18960;uint8;;;;;;;;", head=head)).tables["cut"].at == 18960
    head = HEAD.replace("Address", "Address (hex)")
    assert made(yard, sheet("cut;18960;uint8;;;;;;;;", head=head)).tables["cut"].at == 0x18960


def test_addresses_that_may_be_decimal_or_hexadecimal_are_refused_in_one_line(yard: Yard) -> None:
    result = imported(yard, sheet("cut;18960;uint8;;;;;;;;"))
    assert result.status == 2 and not (yard.root / "list.xml").exists()
    assert "list.csv:2: nothing tells whether address 18960 is decimal or hexadecimal" in result.error


def test_a_decimal_address_among_hexadecimal_ones_is_left_out_and_named(yard: Yard) -> None:
    result = imported(yard, sheet(SPEED, FUEL, "cut;48;uint8;;;;;;;;"), "--format", "json")
    assert result.status == 1
    ((name, reason, row, is_whole),) = asked(result)
    assert (name, row, is_whole) == ("cut", 4, True)
    assert "write 0x48, or 0x30 if it is decimal" in reason
    assert "cut" not in written(yard).tables


def test_an_address_that_a_spreadsheet_made_a_power_of_ten_is_named(yard: Yard) -> None:
    result = imported(yard, sheet(SPEED, "cut;4,00E+05;uint8;;;;;;;;"), "--format", "json")
    assert "its address 4,00E+05 is a power of ten" in asked(result)[0][1]


MESSY = """\
Skerry 28, tables of SK28-0412;;;;;;;;;;
;;;;;;;;;;
Table;;;;X axis;;;;;Limits;
Bezeichner;Adresse;Datentyp;Einheit;address;type;Points;factor;unit;min;max
;[hex];;;;;;;;;
Einspritzung;;;;;;;;;;
fuel;$4A10;UWORD;mg;$4A00;UWORD;4;0,25;rpm;0,5;60,25
Drehzahl;;;;;;;;;;
ramp;4A20h;SBYTE;°C;$4A00;UWORD;4;0,25;rpm;-40;127
"""


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16"])
@pytest.mark.parametrize("separator", [";", "\t"])
def test_a_messy_list_is_read_in_every_encoding_and_with_every_separator(
    yard: Yard, encoding: str, separator: str
) -> None:
    definition = made(yard, MESSY.replace(";", separator).replace("\n", "\r\n").encode(encoding))
    fuel, ramp = definition.tables["fuel"], definition.tables["ramp"]
    assert (fuel.at, fuel.storage.type.name, fuel.axes) == (0x4A10, "uint16", ("axis_4A00",))
    assert (ramp.at, ramp.storage.type.name, ramp.axes) == (0x4A20, "int8", ("axis_4A00",))
    axis = definition.axes["axis_4A00"]
    assert isinstance(axis, StoredAxis) and (axis.at, axis.count) == (0x4A00, 4)
    conversion = definition.conversion_of(axis)
    assert isinstance(conversion, Linear) and (conversion.factor, conversion.unit) == (0.25, "rpm")
    limits = fuel.demands.limits
    assert limits is not None and (limits.low, limits.high) == (0.5, 60.25)
    assert definition.unit_of(ramp) == "°C"
    assert definition.groups[fuel.group].title == "Einspritzung"
    assert definition.groups[ramp.group].title == "Drehzahl"


def test_a_list_separated_by_commas_quotes_its_decimal_commas(yard: Yard) -> None:
    content = 'name,address,type,factor,unit\ncut,0x30,uint16,"0,125",rpm\nend,0x32,uint16,0.5,rpm\n'
    result = imported(yard, content)
    assert result.status == 0
    factors = sorted(conversion.factor for conversion in written(yard).conversions.values())  # type: ignore[union-attr]
    assert factors == [0.125, 0.5]


@pytest.mark.parametrize(
    ("text", "factor"),
    [("1/128", 1 / 128), ("2^-7", 1 / 128), ("0,5", 0.5), (".5", 0.5), ("1.234,5", 1234.5)],
)
def test_factors_are_read_as_people_write_them(yard: Yard, text: str, factor: float) -> None:
    (conversion,) = made(yard, sheet(f"cut;0x30;uint16;;;;;{text};rpm;;")).conversions.values()
    assert isinstance(conversion, Linear) and conversion.factor == factor


def test_a_number_with_a_thousands_separator_or_decimal_comma_is_asked_for(yard: Yard) -> None:
    result = imported(yard, sheet("cut;0x30;uint16;;;;;1;rpm;;1,500"), "--format", "json")
    assert "its max '1,500' is not a number, or can be read in two ways" in asked(result)[0][1]
    comma = sheet("cut;0x30;uint16;;;;;0,5;rpm;;1,500")
    limits = made(yard, comma).tables["cut"].demands.limits
    assert limits is not None and limits.high == 1.5


def test_units_in_headers_and_below_them_count_for_all_rows(yard: Yard) -> None:
    content = "Name;Address;Type;Factor;Min [rpm];Max [rpm]\ncut;0x30;uint16;0.5;0;3000\n"
    (conversion,) = made(yard, content).conversions.values()
    assert conversion.unit == "rpm"
    content = "Name;Address;Type;Factor;Min;Max\n;(hex);;;[bar];[bar]\ncut;0x30;uint16;0.5;0;3000\n"
    (conversion,) = made(yard, content).conversions.values()
    assert conversion.unit == "bar"


def test_a_mapping_file_names_columns_that_no_header_reveals(yard: Yard) -> None:
    content = "What;Where;How;Wide\nspeed;10;uint16;4\ncut;30;uint8;\n"
    assert "no row has headers for both name and address" in imported(yard, content).error
    yard.write(
        "map.toml",
        'addresses = "hexadecimal"\nbyte_order = "little"\nstart = 0\nsize = 0x40\n'
        '[columns]\nname = "What"\naddress = "where"\ntype = "How"\ncolumns = "Wide"\n',
    )
    result = imported(yard, content, "--mapping", "map.toml", "--format", "json")
    assert asked(result) == [
        ("speed", "its x axis is open; its breakpoints are 0, 1, 2 and so on until you give one", 2, False)
    ]
    definition = written(yard)
    assert (definition.memory.start, definition.memory.size) == (0, 0x40)
    assert definition.tables["cut"].at == 0x30
    assert isinstance(definition.axes["speed/x"], FixedAxis)


@pytest.mark.parametrize(
    ("mapping", "error"),
    [
        ("columns = 3", "columns: give a table of headers"),
        ('[columns]\nwhat = "x"', "columns.what: this is not a column"),
        ('[columns]\nunit = "Absent"', "columns.unit: no column of list.csv has the header 'Absent'"),
        ('addresses = "octal"', "addresses: give 'hexadecimal' or 'decimal'"),
        ("start = -1", "start: give a whole number of bytes"),
        ("start = true", "start: give a whole number of bytes"),
        ("colums = 1", "'colums' is not a key of a mapping"),
        ("start = = 1", "the mapping file is not TOML"),
    ],
)
def test_a_mistake_in_a_mapping_file_is_one_line(yard: Yard, mapping: str, error: str) -> None:
    yard.write("map.toml", mapping)
    result = imported(yard, sheet(SPEED), "--mapping", "map.toml")
    assert result.status == 2 and len(result.stderr.splitlines()) == 1
    assert error in result.error and "map.toml" in result.error
    assert not (yard.root / "list.xml").exists()


# Questions


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (";0x30;uint8;;;;;;;;", "its name is missing"),
        ("cut;;uint8;;;;;;;;", "its address is missing"),
        ("cut;0x30;;;;;;;;;", "its type is missing"),
        ("cut;0x30;word?!x;;;;;;;;", "its type 'word?!x' is unknown"),
        ("cut;here;uint8;;;;;;;;", "its address 'here' is not an address"),
        ("cut;0x30;text;;;;;;;;", "its number of characters is missing"),
        ("cut;0x30;uint8;many;;;;;;;", "its columns 'many' are not a whole number"),
        ("cut;0x30;uint8;5;;speed;;;;;", "it has 5 columns, but axis speed has 4 breakpoints"),
        ("cut;0x30;uint8;99999;;;;;;;", "99,999 breakpoints are more than callint reads"),
        ("fuel;0x30;uint8;;;;;;;;", "its name occurs before, in row 3"),
    ],
)
def test_what_is_missing_is_asked_for_with_its_row(yard: Yard, row: str, reason: str) -> None:
    result = imported(yard, sheet(SPEED, FUEL, row), "--format", "json")
    assert result.status == 1
    ((_, given, line, is_whole),) = asked(result)
    assert given.startswith(reason) and (line, is_whole) == (4, True)
    assert set(written(yard).tables) == {"fuel"}


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("cut;0x31;uint16;;;;;;;;", "its numbers of 2 bytes begin at an odd address"),
        ("cut;0x26;uint16;;;;;;;;", "cut overlaps fuel of row 3 by 2 bytes at 0x26"),
        ("cut;0x30;uint8;3;;load;;;;;", "its x axis 'load' is not a row of the list"),
        ("cut;0x30;uint8;3;;0x18;;;;;", "its x axis at 0x18 has no type"),
        ("cut;0x30;uint8;;;;;0;;;", "its factor is 0"),
        ("cut;0x30;uint8;;;;;;rpm;;", "its factor is missing"),
        ("cut;0x30;uint8;;;;;1;rpm;9;3", "its minimum is above its maximum"),
        ("cut it;0x30;uint8;;;;;;;;", "its name is rewritten as cut_it"),
    ],
)
def test_what_is_doubtful_is_kept_and_pointed_out(yard: Yard, row: str, reason: str) -> None:
    result = imported(yard, sheet(SPEED, FUEL, row), "--format", "json")
    assert result.status == 1
    assert any(
        given.startswith(reason) and (line, is_whole) == (4, False)
        for _, given, line, is_whole in asked(result)
    )
    assert len(written(yard).tables) == 2


def test_a_right_list_is_not_asked_about(yard: Yard) -> None:
    result = imported(yard, sheet(SPEED, FUEL, "cut;0x28;uint16;;;;;1;rpm;3;9"))
    assert (result.status, result.stderr) == (0, "")
    assert "Open questions" not in result.stdout and max(map(len, result.lines)) <= 80


def test_a_size_whose_order_is_open_is_asked_for_unless_the_axes_tell_it(yard: Yard) -> None:
    head = "Name;Address;Type;Size;X axis;Y axis"
    rows = ("sx;0x10;uint8;4;;", "sy;0x14;uint8;3;;", "known;0x20;uint8;3x4;sx;sy")
    definition = made(yard, sheet(*rows, head=head))
    assert definition.tables["known"].axes == ("sx", "sy")
    result = imported(yard, sheet(*rows, "open;0x40;uint8;3x4;;", head=head), "--format", "json")
    assert "its size 3x4 is columns x rows or the reverse" in asked(result)[0][1]
    head = head.replace("Size", "Rows x Columns")
    imported(yard, sheet(*rows, "open;0x40;uint8;3x4;;", head=head))
    definition = written(yard)
    assert [definition.axes[axis].count for axis in definition.tables["open"].axes] == [4, 3]


def test_a_missing_byte_order_is_asked_for_and_the_image_gives_evidence(yard: Yard) -> None:
    yard.write("list.csv", table_text(records(demo())))
    error = yard.run("import", "list.csv").error
    assert "list.csv:2: nothing gives the byte order" in error and "as big-endian" not in error
    error = yard.run("import", "list.csv", "--image", str(IMAGE)).error
    assert "as big-endian, 0 as little-endian" in error
    assert not (yard.root / "list.xml").exists()
