"""Reads the values of tables from a text file or a workbook.

The file has one row per cell below a row with the names of columns, or each table as a grid below its name,
as ``callint show --dialect`` writes it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.sheets import Sheet, SheetRow, read_sheets

#: The columns that count; a file must have the first two.
_TABLE, _VALUE = "table", "value"
_AXIS, _KINDS = "axis", ("scalar", "curve", "map", "text")
_COLUMNS = (_TABLE, _VALUE, "x", "y", "text", "raw", "unit", "x_breakpoint", "y_breakpoint")


@dataclass(frozen=True, slots=True)
class ValueRow:
    """One cell: its table, its zero-based indexes, and its fields as the file has them.

    ``number`` is the row for people. Fields of columns that the file lacks are None.
    """

    number: int
    table: str
    x: int
    y: int
    value: str
    text: str | None
    raw: str | None
    unit: str | None
    x_breakpoint: str | None
    y_breakpoint: str | None


@dataclass(frozen=True, slots=True)
class ValueFile:
    """The rows of a file.

    ``decimal_comma`` says whether its numbers have decimal commas, None if some have commas and some points.
    """

    source: str
    rows: tuple[ValueRow, ...]
    decimal_comma: bool | None

    def wrong(self, row: int, problem: str, remedy: str) -> InputError:
        """The error about a row."""
        return InputError(f"{self.source}:{row}: {problem}; {remedy}")


def read_value_file(path: Path) -> ValueFile:
    """The cells of a file that ``callint show --format csv`` wrote, also after a spreadsheet saved it.

    Columns of a file with one row per cell may be in any order. InputError if the file cannot be read or is
    no such file.
    """
    for sheet in read_sheets(path):
        if sheet.rows and _starts_grid(sheet.rows[0]):
            rows = tuple(_grid_rows(sheet))
            return ValueFile(sheet.source, rows, _has_decimal_comma(rows))
        for position, row in enumerate(sheet.rows):
            columns = _columns(row)
            if columns is not None:
                rows = tuple(_rows(sheet, sheet.rows[position + 1 :], columns))
                return ValueFile(sheet.source, rows, _has_decimal_comma(rows))
    raise InputError(
        f"{path}: no table begins in it, and no row names the columns {_TABLE} and {_VALUE}; "
        "give a file that callint show --format csv wrote"
    )


def _has_decimal_comma(rows: Sequence[ValueRow]) -> bool | None:
    """Whether commas separate decimals; None if there are commas and points."""
    numbers = [field for row in rows for field in (row.value, row.raw or "")]
    has_commas, has_points = (any(sign in number for number in numbers) for sign in ",.")
    return None if has_commas and has_points else has_commas


def _columns(row: SheetRow) -> dict[str, int] | None:
    """The positions of the known columns, if the row names those that a file must have."""
    names = [cell.strip().casefold() for cell in row.cells]
    columns = {name: names.index(name) for name in _COLUMNS if name in names}
    return columns if {_TABLE, _VALUE} <= columns.keys() else None


def _rows(sheet: Sheet, rows: Sequence[SheetRow], columns: Mapping[str, int]) -> Iterator[ValueRow]:
    for row in rows:
        fields = {name: row.cells[place] if place < len(row.cells) else "" for name, place in columns.items()}
        if not fields[_TABLE]:
            continue
        yield ValueRow(
            number=row.number,
            table=fields[_TABLE],
            x=_index(sheet, row, fields.get("x", "")),
            y=_index(sheet, row, fields.get("y", "")),
            value=fields[_VALUE],
            text=fields.get("text"),
            raw=fields.get("raw"),
            unit=fields.get("unit"),
            x_breakpoint=fields.get("x_breakpoint"),
            y_breakpoint=fields.get("y_breakpoint"),
        )


def _index(sheet: Sheet, row: SheetRow, text: str) -> int:
    if not text:
        return 0
    if not (text.isascii() and text.isdecimal() and len(text) <= 9):
        raise InputError(
            f"{sheet.source}:{row.number}: {text!r} is not the index of a cell; leave x and y as they were"
        )
    return int(text)


# Grids


def _starts_grid(row: SheetRow) -> bool:
    """Whether a row begins the block of a table or an axis."""
    first = row.cells[0]
    kind = row.cells[2] if len(row.cells) > 2 else ""
    return first == _AXIS or (first == _TABLE and kind in _KINDS)


def _grid_rows(sheet: Sheet) -> Iterator[ValueRow]:
    """The cells of all blocks."""
    starts = [position for position, row in enumerate(sheet.rows) if _starts_grid(row)]
    for start, end in zip(starts, [*starts[1:], len(sheet.rows)], strict=True):
        head, *rows = sheet.rows[start:end]
        if head.cells[0] == _AXIS:
            unit = head.cells[3] if len(head.cells) > 3 else ""
            yield from _cells(rows, _TableBlock(_name(sheet, head), unit, has_text=False))
            continue
        axes = [row for row in rows[:2] if row.cells[0] in ("x", "y")]
        rows = rows[len(axes) :]
        unit = head.cells[3] if len(head.cells) > 3 else ""
        block = _TableBlock(_name(sheet, head), unit, has_text=head.cells[2] == "text")
        if head.cells[2] in ("curve", "map"):
            if not rows:
                problem = f"{block.name} has no row of breakpoints"
                raise InputError(f"{sheet.source}:{head.number}: {problem}; write the file again")
            block = replace(block, breakpoints=rows[0].cells[1:])
            rows = rows[1:]
        yield from _cells(rows, block)


@dataclass(frozen=True, slots=True)
class _TableBlock:
    """What is above the cells of a grid."""

    name: str
    unit: str
    has_text: bool
    breakpoints: tuple[str, ...] = ()


def _name(sheet: Sheet, head: SheetRow) -> str:
    if len(head.cells) < 2:
        raise InputError(f"{sheet.source}:{head.number}: a table begins here without a name; write its name")
    return head.cells[1]


def _cells(rows: Sequence[SheetRow], block: _TableBlock) -> Iterator[ValueRow]:
    """The cells of a grid; a field is a number or a word."""
    for y, row in enumerate(rows):
        fields = row.cells[1:]
        missing = max(len(block.breakpoints), 1) - len(fields)
        for x, written in enumerate((*fields, *[""] * missing)):
            is_number = not block.has_text and (not written or written.lstrip("+-−.,")[:1].isdigit())
            yield ValueRow(
                number=row.number,
                table=block.name,
                x=x,
                y=y,
                value=written if is_number else "",
                text=None if is_number else written,
                raw=None,
                unit=None if block.has_text else block.unit,
                x_breakpoint=block.breakpoints[x] if x < len(block.breakpoints) else None,
                y_breakpoint=row.cells[0] or None,
            )
