"""Values of cells and breakpoints as text and as numbers, for every format."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np

from callint import fmt
from callint.decoding.conversions import exact_value, is_large, is_wide
from callint.fmt.raw_bits import raw_bits
from callint.model.change import Grid
from callint.model.definition import Axis, Conversion, Definition, FixedAxis, Linear, States
from callint.model.derived_axis import DerivedAxis


def table_column(definition: Definition, *grids: Grid) -> fmt.Column:
    """What writes the cells of one table in some images, in as many digits as these cells need."""
    table = grids[0].table
    values = (value for grid in grids for value in grid.physical[grid.present & ~grid.off].tolist())
    return fmt.Column(values, definition.conversion_of(table), table.storage)


def cell_texts(
    definition: Definition, grid: Grid, exact: bool = False, column: fmt.Column | None = None
) -> list[list[str]]:
    """Every cell as text: its value, "off" for the off code, a dash if the image lacks the cell.

    ``exact`` asks for all digits, so that different cells have different texts. ``column`` writes the values
    (default: that of the grid alone). The lists have the shape of the grid.
    """
    conversion, storage = definition.conversion_of(grid.table), grid.table.storage
    column = column or table_column(definition, grid)
    is_exact = exact and not isinstance(conversion, States)
    texts = [
        [
            _cell_text(value, is_off, is_present, column)
            if not is_exact or not math.isfinite(value) or is_off
            else fmt.exact(value, conversion, storage)
            for value, is_off, is_present in zip(*row, strict=True)
        ]
        for row in zip(grid.physical.tolist(), grid.off.tolist(), grid.present.tolist(), strict=True)
    ]
    if is_wide(conversion, grid.table.storage):
        for y, x in np.argwhere(grid.present & ~grid.off).tolist():
            texts[y][x] = exact_text(conversion, grid.raw[y, x]) or texts[y][x]
    return texts


def _cell_text(value: float, is_off: bool, is_present: bool, column: fmt.Column) -> str:
    if not is_present:
        return "-"
    return "off" if is_off else column.text(value)


def breakpoint_texts(
    definition: Definition, axis: Axis, values: list[float], exact: bool = False
) -> list[str]:
    """Breakpoints without their unit; ``exact`` asks for all digits."""
    if isinstance(axis, FixedAxis):
        return [fmt.exact(value) if math.isfinite(value) else "not a number" for value in values]
    if isinstance(axis, DerivedAxis):
        return [
            (fmt.exact(value) if exact else fmt.output(value)) if math.isfinite(value) else "not a number"
            for value in values
        ]
    conversion, storage = definition.conversion_of(axis), axis.storage
    if exact:
        return [
            fmt.exact(value, conversion, storage) if math.isfinite(value) else "not a number"
            for value in values
        ]
    return [fmt.trimmed(fmt.number(value, conversion, storage)) for value in values]


def signal_and_unit(definition: Definition, name: str | None) -> tuple[str, str]:
    """The signal of an axis and its printed unit; "" without an axis."""
    if name is None:
        return "", ""
    axis = definition.axes[name]
    return axis.signal, fmt.with_unit("", definition.unit_of(axis)).strip()


def cell_place(definition: Definition, grid: Grid, y: int, x: int) -> str:
    """The breakpoints of a cell with their units: "at 2200 rpm, 45 mg"; "" for a scalar."""
    texts = []
    for name, values, index in ((grid.table.x, grid.x, x), (grid.table.y, grid.y, y)):
        if name is not None and values is not None:
            axis = definition.axes[name]
            text = breakpoint_texts(definition, axis, [float(values[index])])[0]
            texts.append(fmt.with_unit(text, definition.unit_of(axis)))
    return f"at {', '.join(texts)}" if texts else ""


# Raw numbers


def raw_number(raw: np.generic[Any]) -> int | float | str:
    """A raw number of its stored type as a number of Python.

    A number that is not finite is written as its bits, ``0x7FC00000``, as many bit patterns are not numbers.
    """
    number: int | float = raw.item()
    return number if math.isfinite(number) else raw_bits(raw)


def exact_text(conversion: Conversion, raw: np.generic[Any]) -> str | None:
    """The value of a raw number that a double cannot tell from its neighbours; None if a double can."""
    value = _exact(conversion, raw)
    return None if value is None else fmt.decimal_digits(value)


def exact_step(
    conversion: Conversion, old: np.generic[Any], new: np.generic[Any]
) -> tuple[str, str, str] | None:
    """The exact values of two raw numbers, and their difference with its sign; None if doubles suffice."""
    if not isinstance(conversion, Linear) or {_exact(conversion, raw) for raw in (old, new)} == {None}:
        return None
    old_value, new_value = (exact_value(conversion, int(raw.item())) for raw in (old, new))
    difference = fmt.decimal_digits(new_value - old_value)
    sign = "" if difference.startswith("-") else "+"
    return fmt.decimal_digits(old_value), fmt.decimal_digits(new_value), f"{sign}{difference}"


def _exact(conversion: Conversion, raw: np.generic[Any]) -> Fraction | None:
    number = raw.item()
    if not isinstance(number, int) or not isinstance(conversion, Linear) or not conversion.factor:
        return None
    return exact_value(conversion, number) if is_large(conversion, number) else None
