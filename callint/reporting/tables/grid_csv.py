"""Tables as grids in the CSV of a spreadsheet, which a person edits; docs/numbers.md describes the form.

Each table is a block of rows, with an empty row between blocks. The first field of a row says what it is:
"table", "axis", "x" and "y" name the table and its axes. Then come the breakpoints of x behind an empty
field, and rows of cells behind the breakpoint of y, which is empty without a y axis.

A field is what a reader needs to find the stored number again: all digits of a number, the name of a state,
"off", or why there is no number.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from io import StringIO

from callint.decoding.decode import Decoded
from callint.model.definition import Axis, Table, Text
from callint.reporting.tables.csv import axis_breakpoints, cell_fields, harmless, unit_field


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a spreadsheet reads CSV: what separates fields, and what the decimals of a number."""

    delimiter: str
    decimal: str


#: The dialects by the words of --dialect: those of English, and of most European countries; tabs are pasted.
DIALECTS = {"comma": Dialect(",", "."), "semicolon": Dialect(";", ","), "tab": Dialect("\t", ".")}

#: What a file begins with: spreadsheets take one without it for text in the old encoding of the machine.
BYTE_ORDER_MARK = "\ufeff"


def grid_csv(
    decoded: Decoded, tables: Iterable[Table | Text], axes: Iterable[Axis], dialect: Dialect
) -> Iterator[str]:
    """The text in chunks, one per table, text or axis; a file begins with ``BYTE_ORDER_MARK`` besides."""
    for number, item in enumerate([*tables, *axes]):
        stream = StringIO(newline="")
        writer = csv.writer(stream, delimiter=dialect.delimiter, lineterminator="\r\n")
        if number:
            writer.writerow([])
        writer.writerows(_block(decoded, item, dialect))
        yield stream.getvalue()


def _block(decoded: Decoded, item: Table | Text | Axis, dialect: Dialect) -> Iterator[list[str]]:
    """The rows of a table, a text or an axis."""
    if isinstance(item, Table):
        yield from _table(decoded, item, dialect)
    elif isinstance(item, Text):
        content = decoded.text(item)
        yield ["table", item.name, "text", "", harmless(item.title)]
        yield ["", "absent" if content is None else harmless(content)]
    else:
        yield ["axis", item.name, *_signal_and_unit(decoded, item)]
        yield ["", *_breakpoints(decoded, item, dialect)]


def _table(decoded: Decoded, table: Table, dialect: Dialect) -> Iterator[list[str]]:
    definition = decoded.layout.definition
    grid, conversion = decoded.grid(table), definition.conversion_of(table)
    unit = unit_field(definition.unit_of(table))
    yield ["table", table.name, table.kind.value, unit, harmless(table.title)]
    axes = [definition.axes[name] for name in table.axes]
    for letter, axis in zip("xy", axes, strict=False):
        yield [letter, *_signal_and_unit(decoded, axis)]
    labels = [""] * grid.physical.shape[0]
    if table.x is not None:
        yield ["", *_breakpoints(decoded, definition.axes[table.x], dialect)]
    if table.y is not None:
        labels = _breakpoints(decoded, definition.axes[table.y], dialect)
    for y, label in enumerate(labels):
        row = (cell_fields(grid, y, x, conversion) for x in range(grid.physical.shape[1]))
        yield [label, *(_field(value, text, dialect) for value, text, _ in row)]


def _signal_and_unit(decoded: Decoded, axis: Axis) -> list[str]:
    return [axis.signal, unit_field(decoded.layout.definition.unit_of(axis))]


def _breakpoints(decoded: Decoded, axis: Axis, dialect: Dialect) -> list[str]:
    """The breakpoints of an axis as fields."""
    return [_field(value, text, dialect) for value, text in axis_breakpoints(decoded, axis)]


def _field(value: str, text: str, dialect: Dialect) -> str:
    """What a number cannot express, or else the number with the decimal sign of the dialect."""
    return text or value.replace(".", dialect.decimal)
