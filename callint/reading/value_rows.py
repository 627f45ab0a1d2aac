"""Reads the values of tables from a text file or a workbook with one row per cell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.sheets import Sheet, SheetRow, read_sheets

#: The columns that count; a file must have the first two.
_TABLE, _VALUE = "table", "value"
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
    """The rows of a file; ``decimal_comma`` says whether its numbers have decimal commas."""

    source: str
    rows: tuple[ValueRow, ...]
    decimal_comma: bool

    def wrong(self, row: int, problem: str, remedy: str) -> InputError:
        """The error about a row."""
        return InputError(f"{self.source}:{row}: {problem}; {remedy}")


def read_value_file(path: Path) -> ValueFile:
    """The rows of a file that ``callint show --format csv`` wrote, also after a spreadsheet saved it.

    The columns may be in any order. InputError if the file cannot be read or is no such file.
    """
    for sheet in read_sheets(path):
        for position, row in enumerate(sheet.rows):
            columns = _columns(row)
            if columns is not None:
                rows = tuple(_rows(sheet, sheet.rows[position + 1 :], columns))
                return ValueFile(sheet.source, rows, _has_decimal_comma(rows))
    raise InputError(
        f"{path}: no row names the columns {_TABLE} and {_VALUE}; give a file of callint show --format csv"
    )


def _has_decimal_comma(rows: Sequence[ValueRow]) -> bool:
    """Whether commas separate decimals: callint writes none before thousands, but a spreadsheet may."""
    numbers = [field for row in rows for field in (row.value, row.raw or "")]
    return any("," in number for number in numbers) and not any("." in number for number in numbers)


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
