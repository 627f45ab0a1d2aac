"""The texts of values in messages: with their units, and with digits enough to tell them apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from callint import fmt
from callint.decoding.conversions import exact_value, is_large
from callint.decoding.decode import Decoded
from callint.decoding.layout import Item, Layout
from callint.fmt.raw_bits import with_bits
from callint.model.change import TableChange
from callint.model.definition import Axis, Definition, Linear, Range, Table
from callint.model.derived_axis import DerivedAxis


@dataclass(frozen=True)
class ValueTexts:
    """The texts of the values of the tables and axes in the decoded image ``new``."""

    new: Decoded

    @property
    def _layout(self) -> Layout:
        return self.new.layout

    @property
    def _definition(self) -> Definition:
        return self.new.layout.definition

    def quantity(self, item: Item, value: float) -> str:
        """A value of a table or axis with its unit."""
        conversion, unit = self._definition.conversion_of(item), self._definition.unit_of(item)
        return fmt.quantity(value, conversion, unit, item.storage)

    def format_near(self, item: Item, value: float, limit: float) -> str:
        """A value with its unit, in enough digits to differ from the limit."""
        text = fmt.format_near(value, limit, self._definition.conversion_of(item), item.storage)
        return fmt.with_unit(text, self._definition.unit_of(item))

    def limit_violation(self, cell: int, limits: Range) -> tuple[str, str, str]:
        """The value of a cell, "above" or "below", and the limit that it violates.

        Value and limit have enough digits to differ.
        """
        item, _, _ = self._layout.place(cell)
        unit = self._definition.unit_of(item)
        exact, value = self.new.exact_at(cell), float(self.new.physical[cell])
        low, high = limits.exact
        is_below = value < limits.low if exact is None else low is not None and exact < low
        side, limit = ("below", limits.low) if is_below else ("above", limits.high)
        bound = low if is_below else high
        if exact is None or bound is None:
            return self.format_near(item, value, limit), side, self.limit(item, limit)
        texts = (fmt.with_unit(fmt.decimal_digits(number), unit) for number in (exact, bound))
        return next(texts), side, next(texts)

    def cell_values(self, item: Item, *cells: int) -> list[str]:
        """The values of an item's cells with their unit; with all digits if doubles do not have them."""
        exact = [self.new.exact_at(cell) for cell in cells]
        conversion, unit = self._definition.conversion_of(item), self._definition.unit_of(item)
        if any(value is not None for value in exact) and isinstance(conversion, Linear):
            numbers = [exact_value(conversion, int(self.new.raw_at(cell))) for cell in cells]
            return [fmt.with_unit(fmt.decimal_digits(value), unit) for value in numbers]
        return [self.quantity(item, float(self.new.physical[cell])) for cell in cells]

    def cell_change(self, change: TableChange, y: int, x: int) -> tuple[str, str]:
        """The texts of a changed cell before and after, with the unit; "off" if it is off."""
        old, new = self.format_change(
            change.table,
            float(change.old.physical[y, x]),
            float(change.new.physical[y, x]),
            (change.old.raw[y, x], change.new.raw[y, x]),
        )
        return "off" if change.old.off[y, x] else old, "off" if change.new.off[y, x] else new

    def format_change(
        self, item: Item | DerivedAxis, old: float, new: float, raws: Sequence[Any]
    ) -> list[str]:
        """Old and new value with their unit; if their digits are the same, with the bits of ``raws``."""
        if isinstance(item, DerivedAxis):
            values = fmt.format_breakpoints(self._definition, item, (old, new))
            return [fmt.with_unit(text, self._definition.unit_of(item)) for text in values]
        conversion, unit = self._definition.conversion_of(item), self._definition.unit_of(item)
        numbers = [raw.item() for raw in raws]
        if isinstance(conversion, Linear) and self._layout.is_wide(item):
            exact = [exact_value(conversion, int(number)) for number in numbers]
            if any(is_large(conversion, int(number)) for number in numbers):
                return [fmt.with_unit(fmt.decimal_digits(value), unit) for value in exact]
        texts = fmt.format_distinct((old, new), conversion, item.storage)
        if texts[0] == texts[1]:
            texts = with_bits(texts, raws)
        return [
            text if math.isnan(value) else fmt.with_unit(text, unit)
            for text, value in zip(texts, (old, new), strict=True)
        ]

    def format_distinct(self, item: Item, *values: float) -> list[str]:
        """Values with their unit; values that differ have enough digits to show it."""
        texts = fmt.format_distinct(values, self._definition.conversion_of(item), item.storage)
        return [fmt.with_unit(text, self._definition.unit_of(item)) for text in texts]

    def limit(self, item: Item, value: float) -> str:
        """A limit as the definition writes it, with the unit of the table or axis."""
        return fmt.with_unit(fmt.plain(value), self._definition.unit_of(item))

    def breakpoint(self, axis: Axis, index: int) -> str:
        """A breakpoint with its unit."""
        if axis.name not in self._breakpoints:
            values = self.new.breakpoints(axis.name).tolist()
            self._breakpoints[axis.name] = [self.axis_value(axis, value) for value in values]
        return self._breakpoints[axis.name][index]

    @cached_property
    def _breakpoints(self) -> dict[str, list[str]]:
        """By axis, the breakpoints with their unit. Many cells share each of them."""
        return {}

    def axis_value(self, axis: Axis, value: float) -> str:
        """A value along an axis with its unit."""
        return fmt.axis_value(self._definition, axis, value)

    def place(self, table: Table, x: int, y: int) -> str:
        """The cell's breakpoints as text: "at 2200 rpm, 45 mg"; "" for a scalar."""
        axes = (self._definition.axes[name] for name in table.axes)
        texts = [self.breakpoint(axis, index) for axis, index in zip(axes, (x, y), strict=False)]
        return f"at {', '.join(texts)}" if texts else ""
