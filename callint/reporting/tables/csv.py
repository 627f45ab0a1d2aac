"""Tables as CSV for spreadsheets and programs: one line of column names, then one line a cell.

The form is that of RFC 4180, "Common Format and MIME Type for CSV Files": lines end in CR LF, every line has
the same number of fields, and a field with a comma, a quote or a line break stands in quotes. Numbers have a
decimal point wherever the file is written, and as many digits as tell them from their neighbours.

A spreadsheet takes a field that begins like a formula for one, so that a stranger's text could compute there.
Such a text gets an apostrophe in front, as OWASP's page "CSV Injection" advises; so does one that begins
with an apostrophe, and taking one away gives every text back. Numbers never get one.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator
from io import StringIO
from typing import Any

import numpy as np

from callint import fmt
from callint.decoding.decode import Decoded
from callint.model.change import Grid, Numbers
from callint.model.definition import Axis, Conversion, States, StoredAxis, Table, Text
from callint.reporting.tables.stored_numbers import exact_text, raw_number

#: The columns, in order; docs/numbers.md says what they hold.
COLUMNS = (
    "table",
    "kind",
    "title",
    "purpose",
    "unit",
    "x",
    "x_signal",
    "x_breakpoint",
    "x_unit",
    "y",
    "y_signal",
    "y_breakpoint",
    "y_unit",
    "value",
    "text",
    "raw",
    "address",
)

#: How formulas begin, and the mark that keeps a text from being one.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_MARK = "'"

_NOTHING = ("", "", "", "")


def csv_lines(decoded: Decoded, tables: Iterable[Table | Text], axes: Iterable[Axis]) -> Iterator[str]:
    """The file in pieces: column names, then the cells of each table and text, then those of axes."""
    yield _written([COLUMNS])
    for table in tables:
        yield _written(_cells(decoded, table) if isinstance(table, Table) else [_text(decoded, table)])
    for axis in axes:
        yield _written(_breakpoints(decoded, axis))


def _written(rows: Iterable[Iterable[str]]) -> str:
    piece = StringIO(newline="")
    csv.writer(piece, lineterminator="\r\n").writerows(rows)
    return piece.getvalue()


def harmless(text: str) -> str:
    """A text that no spreadsheet takes for a formula and no terminal for a command."""
    text = fmt.clean(text)
    return f"{_MARK}{text}" if text.lstrip(" ").startswith((*_FORMULA, _MARK)) else text


def _unit(unit: str) -> str:
    return "" if unit == "-" else harmless(unit)


def _number(value: float) -> str:
    return fmt.exact(value) if math.isfinite(value) else ""


def _cells(decoded: Decoded, table: Table) -> Iterator[tuple[str, ...]]:
    """The cells of a table, x fastest."""
    definition, layout = decoded.layout.definition, decoded.layout
    grid, conversion = decoded.grid(table), definition.conversion_of(table)
    start = layout.cells(layout.table_items[table.name]).start
    unit = _unit(definition.unit_of(table))
    head = (table.name, table.kind.value, harmless(table.title), table.purpose.value, unit)
    rows, columns = grid.physical.shape
    places = _places(decoded, table.x, grid.x, columns), _places(decoded, table.y, grid.y, rows)
    addresses = layout.address[start : start + rows * columns].reshape(rows, columns).tolist()
    for y in range(rows):
        for x in range(columns):
            cell = _cell(grid, y, x, conversion)
            yield *head, *places[0][x], *places[1][y], *cell, fmt.address(addresses[y][x])


def _places(
    decoded: Decoded, axis: str | None, values: Numbers | None, count: int
) -> list[tuple[str, str, str, str]]:
    """Index, signal, breakpoint and unit at every index along an axis; empty where there is none."""
    definition = decoded.layout.definition
    if axis is None or values is None:
        return [_NOTHING] * count
    found = definition.axes[axis]
    unit = _unit(definition.unit_of(found))
    return [(str(i), found.signal, _number(value), unit) for i, value in enumerate(values.tolist())]


def _cell(grid: Grid, y: int, x: int, conversion: Conversion) -> tuple[str, str, str]:
    """Value, text and raw number of a cell."""
    if not grid.present[y, x]:
        return "", "absent", ""
    value, raw = float(grid.physical[y, x]), _raw(grid.raw[y, x])
    if grid.off[y, x]:
        return "", "off", raw
    number = exact_text(conversion, grid.raw[y, x]) or _number(value)
    return number, _words(value, conversion), raw


def _raw(raw: np.generic[Any]) -> str:
    return str(raw_number(raw)).removesuffix(".0")


def _words(value: float, conversion: Conversion) -> str:
    """What a number cannot say: a state's name, or that it is none."""
    if math.isnan(value):
        return "not a number"
    if math.isinf(value):
        return "infinite" if value > 0 else "infinite, negative"
    return harmless(conversion.names.get(int(value), "")) if isinstance(conversion, States) else ""


def _text(decoded: Decoded, text: Text) -> tuple[str, ...]:
    data = decoded.image.read(text.at, text.length)
    content, raw = decoded.text(text), "" if data is None else f"0x{data.hex().upper()}"
    words = "absent" if content is None else harmless(content)
    head = (text.name, "text", harmless(text.title), text.purpose.value, "")
    return *head, *_NOTHING, *_NOTHING, "", words, raw, fmt.address(text.at)


def _breakpoints(decoded: Decoded, axis: Axis) -> Iterator[tuple[str, ...]]:
    """The breakpoints of an axis, as a table with itself along x."""
    layout, definition = decoded.layout, decoded.layout.definition
    head = (axis.name, "axis", "", "", _unit(definition.unit_of(axis)))
    values = decoded.breakpoints(axis.name)
    places = _places(decoded, axis.name, values, axis.count)
    item = layout.axis_items.get(axis.name)
    for x, value in enumerate(values.tolist()):
        text, raw, address = "", "", ""
        if isinstance(axis, StoredAxis) and item is not None:
            cell = layout.cells(item).start + x
            address = fmt.address(int(layout.address[cell]))
            is_present = bool(decoded.present[cell])
            raw = _raw(decoded.raw_of(item)[0, x]) if is_present else ""
            text = _words(value, definition.conversion_of(axis)) if is_present else "absent"
        yield *head, *places[x], *_NOTHING, _number(value), text, raw, address
