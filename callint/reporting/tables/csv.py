"""Tables as CSV for spreadsheets and programs: a line of column names, then a line for each cell.

The format is that of RFC 4180, "Common Format and MIME Type for CSV Files": lines end in CR LF, every line
has the same number of fields, and a field with a comma, a quote or a line break is in quotes. Numbers have a
decimal point in every locale, and as many digits as distinguish them from their neighbours.

A spreadsheet evaluates a field that begins like a formula, so a stranger's text could compute there. Such a
text gets a leading apostrophe, as OWASP's page "CSV Injection" advises. A text that begins with an apostrophe
gets another one, so removing one restores every text. Numbers never get an apostrophe.
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
from callint.model.definition import Axis, Conversion, States, Storage, StoredAxis, Table, Text
from callint.reporting.tables.values import exact_text, raw_number

#: The columns in order; docs/numbers.md explains them.
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

#: The first characters of formulas, and the mark that prevents a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_MARK = "'"

_NO_AXIS = ("", "", "", "")


def csv_lines(decoded: Decoded, tables: Iterable[Table | Text], axes: Iterable[Axis]) -> Iterator[str]:
    """The file in chunks: column names, then the cells of tables and texts, then breakpoints of axes."""
    yield csv_text([COLUMNS])
    for table in tables:
        yield csv_text(_cells(decoded, table) if isinstance(table, Table) else [_text(decoded, table)])
    for axis in axes:
        yield csv_text(_breakpoints(decoded, axis))


def csv_text(rows: Iterable[Iterable[str]]) -> str:
    """Rows of fields as lines."""
    stream = StringIO(newline="")
    csv.writer(stream, lineterminator="\r\n").writerows(rows)
    return stream.getvalue()


def harmless(text: str) -> str:
    """A text that no spreadsheet evaluates and that no terminal obeys."""
    text = fmt.clean(text)
    return f"{_MARK}{text}" if text.lstrip(" ").startswith((*_FORMULA, _MARK)) else text


def unit_field(unit: str) -> str:
    """A unit as a field; empty for "-", which means no unit."""
    return "" if unit == "-" else harmless(unit)


def _number(value: float, conversion: Conversion | None = None, storage: Storage | None = None) -> str:
    return fmt.exact(value, conversion, storage) if math.isfinite(value) else ""


def _cells(decoded: Decoded, table: Table) -> Iterator[tuple[str, ...]]:
    """The cells of a table, x fastest."""
    definition, layout = decoded.layout.definition, decoded.layout
    grid, conversion = decoded.grid(table), definition.conversion_of(table)
    start = layout.cells(layout.table_items[table.name]).start
    unit = unit_field(definition.unit_of(table))
    head = (table.name, table.kind.value, harmless(table.title), table.purpose.value, unit)
    rows, columns = grid.physical.shape
    x_fields = _axis_fields(decoded, table.x, grid.x, columns)
    y_fields = _axis_fields(decoded, table.y, grid.y, rows)
    addresses = layout.address[start : start + rows * columns].reshape(rows, columns).tolist()
    for y in range(rows):
        for x in range(columns):
            cell = cell_fields(grid, y, x, conversion)
            yield *head, *x_fields[x], *y_fields[y], *cell, fmt.address(addresses[y][x])


def _axis_fields(
    decoded: Decoded, name: str | None, values: Numbers | None, count: int
) -> list[tuple[str, str, str, str]]:
    """Index, signal, breakpoint and unit at every index along an axis; empty texts without an axis."""
    definition = decoded.layout.definition
    if name is None or values is None:
        return [_NO_AXIS] * count
    axis = definition.axes[name]
    unit = unit_field(definition.unit_of(axis))
    numbers = _breakpoint_numbers(decoded, axis, values)
    return [(str(i), axis.signal, number, unit) for i, number in enumerate(numbers)]


def _breakpoint_numbers(decoded: Decoded, axis: Axis, values: Numbers) -> list[str]:
    conversion = decoded.layout.definition.conversion_of(axis) if isinstance(axis, StoredAxis) else None
    storage = axis.storage if isinstance(axis, StoredAxis) else None
    return [_number(value, conversion, storage) for value in values.tolist()]


def cell_fields(grid: Grid, y: int, x: int, conversion: Conversion) -> tuple[str, str, str]:
    """Value, text and raw number of a cell."""
    if not grid.present[y, x]:
        return "", "absent", ""
    value, raw = float(grid.physical[y, x]), _raw(grid.raw[y, x])
    if grid.off[y, x]:
        return "", "off", raw
    number = exact_text(conversion, grid.raw[y, x]) or _number(value, conversion, grid.table.storage)
    return number, _value_text(value, conversion), raw


def _raw(raw: np.generic[Any]) -> str:
    number = raw_number(raw)
    # The text of NumPy's number has the digits of its type, that of Python's those of a double.
    return number if isinstance(number, str) else str(raw).removesuffix(".0")


def _value_text(value: float, conversion: Conversion) -> str:
    """The text of a value that a number cannot express: the name of a state, or why it is not a number."""
    if math.isnan(value):
        return "not a number"
    if math.isinf(value):
        return "infinite" if value > 0 else "infinite, negative"
    return harmless(conversion.names.get(int(value), "")) if isinstance(conversion, States) else ""


def _text(decoded: Decoded, text: Text) -> tuple[str, ...]:
    data = decoded.image.read(text.at, text.length)
    content, raw = decoded.text(text), "" if data is None else f"0x{data.hex().upper()}"
    value = "absent" if content is None else harmless(content)
    head = (text.name, "text", harmless(text.title), text.purpose.value, "")
    return *head, *_NO_AXIS, *_NO_AXIS, "", value, raw, fmt.address(text.at)


def _breakpoints(decoded: Decoded, axis: Axis) -> Iterator[tuple[str, ...]]:
    """The breakpoints of an axis, as the cells of a table whose x axis it is."""
    layout, definition = decoded.layout, decoded.layout.definition
    head = (axis.name, "axis", "", "", unit_field(definition.unit_of(axis)))
    values = decoded.breakpoints(axis.name)
    fields = _axis_fields(decoded, axis.name, values, axis.count)
    item = layout.axis_items.get(axis.name)
    for x, (number, text) in enumerate(axis_breakpoints(decoded, axis)):
        raw, address = "", ""
        if isinstance(axis, StoredAxis) and item is not None:
            cell = layout.cells(item).start + x
            address = fmt.address(int(layout.address[cell]))
            raw = _raw(decoded.raw_of(item)[0, x]) if decoded.present[cell] else ""
        yield *head, *fields[x], *_NO_AXIS, number, text, raw, address


def axis_breakpoints(decoded: Decoded, axis: Axis) -> Iterator[tuple[str, str]]:
    """Value and text of each breakpoint of an axis, as ``cell_fields`` gives those of a cell."""
    definition, item = decoded.layout.definition, decoded.layout.axis_items.get(axis.name)
    values = decoded.breakpoints(axis.name)
    numbers = _breakpoint_numbers(decoded, axis, values)
    for x, value in enumerate(values.tolist()):
        text = ""
        if isinstance(axis, StoredAxis) and item is not None:
            is_present = decoded.of_item(decoded.present, item)[0, x]
            text = _value_text(value, definition.conversion_of(axis)) if is_present else "absent"
        yield numbers[x], text
