"""``callint apply`` as its users meet it."""

from __future__ import annotations

import csv
from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pytest
from openpyxl import Workbook

from tests.building import u16
from tests.running import (
    CUT,
    GOOD,
    HULL,
    MONITOR,
    TRIM,
    Yard,
    edited,
    fuel_cell,
    make_yard,
    yard_definition,
)

IMAGE = "boats/heron.bin"
Rows = list[dict[str, str]]


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD)


def read(yard: Yard) -> bytes:
    return (yard.root / IMAGE).read_bytes()


def shown(yard: Yard) -> Rows:
    """The rows that ``callint show`` writes."""
    names = [
        "fuel",
        "smoke_cap",
        "overspeed_cut",
        "monitor",
        "trim",
        "hull_number",
        "egr",
        "speed_4",
        "load_3",
    ]
    text = yard.call("show", IMAGE, *names, "--format", "csv").stdout
    return list(csv.DictReader(StringIO(text)))


def save(yard: Yard, rows: Rows, delimiter: str = ",", path: str = "values.csv") -> None:
    """Save rows as a spreadsheet does."""
    stream = StringIO()
    writer = csv.DictWriter(stream, list(rows[0]), delimiter=delimiter)
    writer.writeheader()
    writer.writerows(rows)
    yard.write(path, stream.getvalue())


def change(rows: Rows, table: str, x: int, y: int = 0, /, **fields: str) -> None:
    """Edit the row of one cell."""
    for row in rows:
        if row["table"] == table and (row["x"] or "0", row["y"] or "0") == (str(x), str(y)):
            row.update(fields)
            return
    raise AssertionError((table, x, y))


def test_what_show_wrote_changes_nothing(yard: Yard) -> None:
    save(yard, shown(yard))
    result = yard.run("apply", IMAGE, "values.csv")
    assert result.flat == f"{IMAGE} holds the values of values.csv already; nothing changes."
    assert read(yard) == GOOD


@pytest.mark.parametrize(
    ("edit", "content"),
    [
        (lambda rows: change(rows, "fuel", 1, 1, value="47.5"), {fuel_cell(1, 1): u16(475)}),
        (lambda rows: change(rows, "overspeed_cut", 0, value="4300"), {CUT: u16(4300)}),
        (lambda rows: change(rows, "trim", 0, text="off"), {TRIM: b"\xff"}),
        (lambda rows: change(rows, "trim", 1, value="21,5"), {TRIM + 1: bytes([62])}),
        (lambda rows: change(rows, "hull_number", 0, text="HERON-12"), {HULL: b"HERON-12    "}),
        (lambda rows: change(rows, "hull_number", 0, text="'=12"), {HULL: b"=12         "}),
        (lambda rows: change(rows, "speed_4", 3, value="3300"), {0x06: u16(3300)}),
        (lambda rows: rows.pop(0), {}),
        (lambda rows: rows.reverse(), {}),
    ],
)
def test_only_the_edited_cells_change(
    yard: Yard, edit: Callable[[Rows], None], content: dict[int, bytes]
) -> None:
    rows = shown(yard)
    edit(rows)
    save(yard, rows)
    yard.call("apply", IMAGE, "values.csv")
    assert read(yard) == edited(GOOD, content)


def test_a_switched_off_cell_gets_a_value_by_its_number(yard: Yard) -> None:
    image = edited(GOOD, {TRIM: b"\xff"})
    yard.write(IMAGE, image)
    rows = shown(yard)
    change(rows, "trim", 0, value="22")
    save(yard, rows)
    yard.call("apply", IMAGE, "values.csv")
    assert read(yard) == edited(image, {TRIM: bytes([62])})


def test_a_spreadsheet_may_use_semicolons_decimal_commas_and_its_own_columns(yard: Yard) -> None:
    rows = shown(yard)
    change(rows, "fuel", 1, 1, value="47.5")
    mine = [
        {"value": row["value"].replace(".", ","), "y": row["y"], "x": row["x"], "table": row["table"]}
        for row in rows
        if row["table"] == "fuel"
    ]
    save(yard, mine, ";")
    yard.call("apply", IMAGE, "values.csv")
    assert read(yard) == edited(GOOD, {fuel_cell(1, 1): u16(475)})


@pytest.mark.parametrize("dialect", ["comma", "semicolon", "tab"])
def test_grids_of_every_dialect_are_read(yard: Yard, dialect: str) -> None:
    image = edited(GOOD, {TRIM: b"\xff"})
    yard.write(IMAGE, image)
    grids = yard.call("show", IMAGE, "*", "--format", "csv", "--dialect", dialect).stdout
    yard.write("grids.csv", grids)
    result = yard.call("apply", IMAGE, "grids.csv")
    assert result.flat == f"{IMAGE} holds the values of grids.csv already; nothing changes."
    sign = "," if dialect == "semicolon" else "."
    changed = grids.replace("45", f"47{sign}5").replace("off", "22").replace("HERON-3", "AUK-12")
    yard.write("grids.csv", changed.replace("on\r\n", "off\r\n"))
    assert "it no longer protects" in yard.call("apply", IMAGE, "grids.csv").stderr
    yard.write("grids.csv", changed)
    yard.call("apply", IMAGE, "grids.csv")
    assert read(yard) == edited(GOOD, {fuel_cell(1, 1): u16(475), TRIM: bytes([62]), HULL: b"AUK-12      "})


def test_a_cell_that_was_cleared_in_a_grid_is_named(yard: Yard) -> None:
    grids = yard.call("show", IMAGE, "fuel", "--format", "csv", "--dialect", "comma").stdout
    yard.write("grids.csv", grids.replace(",48", ","))
    result = yard.call("apply", IMAGE, "grids.csv")
    assert (result.status, "grids.csv:6: fuel has no value at 3200 in this row" in result.stderr) == (2, True)


def test_a_workbook_is_read_too(yard: Yard) -> None:
    rows = shown(yard)
    change(rows, "fuel", 1, 1, value="47.5")
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(list(rows[0]))
    for row in rows:
        sheet.append(
            [float(field) if field.replace(".", "", 1).isdigit() else field for field in row.values()]
        )
    book.save(yard.root / "values.xlsx")
    yard.call("apply", IMAGE, "values.xlsx")
    assert read(yard) == edited(GOOD, {fuel_cell(1, 1): u16(475)})


def test_a_cdf_file_is_applied(yard: Yard) -> None:
    changed = edited(GOOD, {fuel_cell(1, 1): u16(475), HULL: b"AUK         "})
    yard.write("other.bin", changed)
    definition = ("--definition", "defs/yard.xml")
    yard.call("diff", IMAGE, "other.bin", *definition, "--format", "cdfx", "--output", "change.cdfx")
    yard.call("apply", IMAGE, "change.cdfx")
    assert read(yard) == changed


def test_a_table_that_must_be_equal_follows_unless_the_file_changes_it_too(yard: Yard) -> None:
    tables = "".join(
        f'<scalar name="{name}" title="T" purpose="general" at="{at}" type="uint16" conversion="rpm"/>'
        for name, at in (("first", "0x20"), ("second", "0x30"))
    )
    yard.write("defs/yard.xml", yard_definition(tables, relations='<equal table="first" mirror="second"/>'))
    yard.write("values.csv", "table,value\nfirst,1234\n")
    result = yard.call("apply", IMAGE, "values.csv")
    assert "Changed with it, as it must be equal: second." in result.flat
    yard.write("values.csv", "table,value\nfirst,1235\nsecond,1236\n")
    yard.call("apply", IMAGE, "values.csv")
    assert read(yard) == edited(GOOD, {0x20: u16(1235), 0x30: u16(1236)})


def test_a_table_that_must_be_equal_follows_a_cdf_file_too(yard: Yard) -> None:
    tables = "".join(
        f'<scalar name="{name}" title="T" purpose="general" at="{at}" type="uint16" conversion="rpm"/>'
        for name, at in (("first", "0x20"), ("second", "0x30"))
    )
    yard.write("defs/yard.xml", yard_definition(tables, relations='<equal table="first" mirror="second"/>'))
    yard.write("other.bin", edited(GOOD, {0x20: u16(1234)}))
    definition = ("--definition", "defs/yard.xml")
    yard.call("diff", IMAGE, "other.bin", *definition, "--format", "cdfx", "--output", "change.cdfx")
    result = yard.call("apply", IMAGE, "change.cdfx")
    assert "Changed with it, as it must be equal: second." in result.flat
    assert read(yard) == edited(GOOD, {0x20: u16(1234), 0x30: u16(1234)})


def test_danger_is_refused_unless_it_is_forced(yard: Yard) -> None:
    rows = shown(yard)
    change(rows, "monitor", 0, text="off")
    save(yard, rows)
    refused = yard.call("apply", IMAGE, "values.csv")
    assert refused.status == 2
    assert "it no longer protects" in refused.stderr
    assert read(yard) == GOOD
    yard.call("apply", IMAGE, "values.csv", "--force")
    assert read(yard) == edited(GOOD, {MONITOR: b"\0"})


@pytest.mark.parametrize(
    ("edit", "message"),
    [
        (lambda rows: change(rows, "fuel", 0, value="ten"), "values.csv:2: 'ten' is not a number"),
        (
            lambda rows: change(rows, "fuel", 0, value=""),
            "values.csv:2: fuel has no value at 800 in this row",
        ),
        (
            lambda rows: change(rows, "fuel", 0, value="9000"),
            "values.csv:2: fuel: 9000.0 mg does not fit the uint16",
        ),
        (lambda rows: change(rows, "fuel", 0, text="off"), "values.csv:2: fuel has no off code: 'off'"),
        (
            lambda rows: change(rows, "fuel", 0, raw="121"),
            "the image holds raw 120 here, not 121; change the value",
        ),
        (lambda rows: change(rows, "fuel", 0, unit="bar"), "fuel is in mg, not in bar"),
        (lambda rows: change(rows, "fuel", 0, x="4"), "fuel has no cell x=4, y=0"),
        (
            lambda rows: change(rows, "fuel", 0, x="1"),
            "is about the same cell of fuel; remove one of the rows",
        ),
        (lambda rows: change(rows, "fuel", 0, x="one"), "'one' is not the index of a cell"),
        (lambda rows: change(rows, "fuel", 0, table="feul"), "there is no table 'feul' in the definition"),
        (
            lambda rows: change(rows, "fuel", 0, x_breakpoint="810"),
            "lies at 800, not at 810; change breakpoints in",
        ),
        (lambda rows: change(rows, "monitor", 0, value="0", text="on"), "it no longer protects"),
        (
            lambda rows: change(rows, "monitor", 0, text="perhaps"),
            "monitor has no such state: 'perhaps'",
        ),
        (
            lambda rows: change(rows, "hull_number", 0, text="A-LONG-HULL-NUMBER"),
            "the text is longer than 12 bytes",
        ),
    ],
)
def test_a_mistake_is_one_line_with_its_row_and_nothing_is_written(
    yard: Yard, edit: Callable[[Rows], None], message: str
) -> None:
    rows = shown(yard)
    edit(rows)
    save(yard, rows)
    result = yard.call("apply", IMAGE, "values.csv")
    assert result.status == 2
    assert message in " ".join(result.stderr.split())
    assert read(yard) == GOOD


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "no row names the columns table and value"),
        ("name;number\nfuel;1\n", "no row names the columns table and value"),
    ],
)
def test_another_file_is_refused(yard: Yard, content: str, message: str) -> None:
    yard.write("values.csv", content)
    result = yard.call("apply", IMAGE, "values.csv")
    assert (result.status, message in " ".join(result.stderr.split())) == (2, True)


def test_a_number_that_could_be_two_is_refused_in_a_file_of_points_and_commas(yard: Yard) -> None:
    yard.write("values.csv", "table;x;y;value\nfuel;0;0;12,5\nfuel;1;0;1.050\n")
    result = yard.call("apply", IMAGE, "values.csv")
    assert (result.status, "values.csv:3: '1.050' may mean two numbers" in result.stderr) == (2, True)
    assert read(yard) == GOOD
