"""The tables and texts of a definition as CHARACTERISTIC blocks."""

from __future__ import annotations

import math
from collections.abc import Iterator

from callint.decoding.conversions import physical_limits
from callint.model.arrays import is_array
from callint.model.definition import (
    Definition,
    FixedAxis,
    Kind,
    NumberType,
    Purpose,
    Range,
    Rational,
    States,
    StoredAxis,
    Table,
    Text,
)
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.reporting.export.axes import AxisWriter, is_dense, span
from callint.reporting.export.conversions import LARGEST_RAW
from callint.reporting.export.names import ORDERS, TYPES, Names, quoted
from callint.reporting.export.records import Part, are_adjacent
from callint.reporting.export.result import ExportLog

_KINDS = {Kind.SCALAR: "VALUE", Kind.CURVE: "CURVE", Kind.MAP: "MAP"}
#: The words of the standard for the encodings of a text. A description without one means ASCII here.
_ENCODINGS = {"ascii": "", "utf-8": " ENCODING UTF8"}


class TableWriter:
    """Writes tables and texts; ``left_out`` has the names of those that the standard cannot say."""

    def __init__(self, definition: Definition, log: ExportLog, names: Names, axes: AxisWriter) -> None:
        self.definition = definition
        self.log = log
        self.names = names
        self.left_out: set[str] = set()
        self._axes = axes

    def rows(self) -> Iterator[str]:
        """The lines of all tables and texts, and of the axes that lie apart from their tables."""
        for table in self.definition.tables.values():
            if table.name not in self._axes.pairs:
                yield from self._table(table)
        for text in self.definition.texts.values():
            yield from self._text(text)

    def _table(self, table: Table) -> Iterator[str]:
        own = self._own_axes(table)
        reason = self._reason_against(table, own)
        if reason:
            self.left_out.add(table.name)
            self.log.omit(table.kind.value, table.name, reason, table.line)
            return
        is_alternating = _alternates(table, own)
        parts = [self._values(table, is_alternating)]
        points: dict[str, str] = {}
        own_parts = {letter: self._axes.parts(axis, letter) for letter, axis in own.items()}
        everything = [part for axis_parts in own_parts.values() for part in axis_parts]
        if is_alternating:
            layout, at = self._alternating(parts[0], own_parts["X"][0])
            if len(own_parts["X"]) > 1:
                self.log.change("axis", own["X"].name, "its stored count", own["X"].line)
        else:
            if are_adjacent(parts + everything):
                parts += everything
            else:
                for letter, axis in own.items():
                    points[letter] = self.names.add("own axis", f"{table.name}.{letter.lower()}")
                    yield from self._axes.points(axis, points[letter])
                    self.log.change(
                        "axis", axis.name, f"it becomes the shared axis {points[letter]}", axis.line
                    )
            layout, at = self._axes.records.layout(parts), min(part.at for part in parts)
        yield from self._characteristic(table, layout, at, points)
        self._report_losses(table)

    def _own_axes(self, table: Table) -> dict[str, StoredAxis]:
        """The stored axes that only this table has, by the letter of the standard."""
        return {
            letter: axis
            for letter, name in zip("XY", table.axes, strict=False)
            if isinstance(axis := self.definition.axes[name], StoredAxis) and "/" in name
        }

    def _reason_against(self, table: Table, own: dict[str, StoredAxis]) -> str:
        """Why a table cannot be written; "" if it can."""
        for name in table.axes:
            axis = self.definition.axes[name]
            if not self._axes.is_written(name):
                return f"its axis {name} is left out"
            if isinstance(axis, DerivedAxis) and axis.derivation is Derivation.INVERTED:
                curve = self.definition.tables[axis.curve]
                if curve.name in self._axes.pairs or self._reason_against(curve, self._own_axes(curve)):
                    return f"the curve {curve.name} of its axis {name} is left out"
        if _alternates(table, own):
            return ""
        if not is_dense(table, math.prod(self.definition.shape_of(table))):
            return "its cells have a distance of their own (stride)"
        if not all(is_dense(axis, axis.count) for axis in own.values()):
            return "its breakpoints have a distance of their own (stride)"
        return ""

    def _values(self, table: Table, is_alternating: bool) -> Part:
        mode = "ALTERNATE_WITH_X" if is_alternating else "COLUMN_DIR" if table.y_first else "ROW_DIR"
        cells = math.prod(self.definition.shape_of(table))
        return Part("FNC_VALUES", table.at, table.storage.type, cells, f"{mode} DIRECT")

    def _alternating(self, values: Part, breakpoints: Part) -> tuple[str, int]:
        """The layout and address of a curve whose values alternate with its breakpoints."""
        parts = sorted((values, breakpoints), key=lambda part: part.at)
        elements = [
            f"{part.keyword} {number} {TYPES[part.type]} {part.arguments}"
            for number, part in enumerate(parts, 1)
        ]
        return self._axes.records.named(elements), parts[0].at

    def _characteristic(self, table: Table, layout: str, at: int, points: dict[str, str]) -> Iterator[str]:
        # The standard has no array of one row that is not a list.
        is_flat_map = table.kind is Kind.MAP and self.definition.shape_of(table)[0] == 1
        has_cell_numbers = is_array(self.definition, table) and not is_flat_map
        kind = "VAL_BLK" if has_cell_numbers else _KINDS[table.kind]
        order = ORDERS[table.storage.byte_order]
        limits, extended = self._limits(table)
        off, methods = table.demands.off, self._axes.methods
        is_said = off is not None and abs(off.raw) <= LARGEST_RAW
        method = (
            methods.with_off(table.conversion, off)
            if is_said and off is not None
            else methods.method(table.conversion, "")
        )
        yield (
            f"/begin CHARACTERISTIC {self.names.of('table', table.name)} {quoted(table.title)} {kind} "
            f"0x{at:X} {layout} 0 {method} {span(limits)}"
        )
        if extended is not None:
            yield f"  EXTENDED_LIMITS {span(extended)}"
        if order != self._axes.order and table.storage.type.size > 1:
            yield f"  BYTE_ORDER {order}"
        if table.storage.mask is not None:
            yield f"  BIT_MASK 0x{table.storage.mask:X}"
        if table.demands.change == 0:
            yield "  READ_ONLY"
        if has_cell_numbers:
            sizes = [self.definition.axes[name].count for name in table.axes]
            yield f"  MATRIX_DIM {' '.join(map(str, [*sizes, 1, 1][:3]))}"
        else:
            for along, name in zip("xy", table.axes, strict=False):
                reference = points.get(along.upper())
                if "/" not in name and not isinstance(self.definition.axes[name], FixedAxis):
                    reference = self.names.of("axis", name)
                yield from self._axes.description(table, along, name, reference, order)
        yield from _notes(table)
        yield "/end CHARACTERISTIC"

    def _limits(self, table: Table) -> tuple[Range, Range | None]:
        """The limits and the extended limits; what a table can hold in place of an end that is open."""
        demands = table.demands
        conversion = self.definition.conversion_of(table)
        if isinstance(conversion, States):
            low, high = table.storage.raw_limits
            storable = Range(float(low), float(high))
        elif isinstance(conversion, Rational) and demands.limits is None:
            storable = Range(-math.inf, math.inf)  # the ends of the type need not be the extremes
        else:
            storable = Range(*physical_limits(conversion, table.storage))
        limits = storable if demands.limits is None else _closed(demands.limits, storable)
        if demands.expected is None:
            return limits, None
        return _closed(demands.expected, storable), limits

    def _report_losses(self, table: Table) -> None:
        """Record the demands on a table, and the facts about it, that the standard has no words for."""
        demands = table.demands
        zero = Range(0, 0)
        losses = {
            "its limits of 0 to 0, which the standard ignores": zero in (demands.limits, demands.expected),
            f"its purpose, {table.purpose.value}": table.purpose is not Purpose.GENERAL,
            "its guards": bool(demands.guards),
            "its off code of more than 53 bits": (
                demands.off is not None and abs(demands.off.raw) > LARGEST_RAW
            ),
            "its largest accepted change": demands.change not in (None, 0),
            "the signal that the control unit compares it with": table.signal is not None,
            "the signal that it produces": table.produces is not None,
            "that it is the number of a single unit": table.unit_own,
        }
        for reason, applies in losses.items():
            if applies:
                self.log.change("table", table.name, reason, table.line)

    def _text(self, text: Text) -> Iterator[str]:
        part = Part("FNC_VALUES", text.at, NumberType.uint8, text.length, "ROW_DIR DIRECT")
        encoding = _ENCODINGS.get(text.encoding, "")
        yield (
            f"/begin CHARACTERISTIC {self.names.of('table', text.name)} {quoted(text.title)} ASCII "
            f"0x{text.at:X} {self._axes.records.layout([part])} 0 NO_COMPU_METHOD 0 255 "
            f"NUMBER {text.length}{encoding}"
        )
        yield from _notes(text)
        yield "/end CHARACTERISTIC"
        if text.encoding not in _ENCODINGS:
            self.log.change("text", text.name, f"its encoding, {text.encoding}", text.line)
        if text.purpose is not Purpose.GENERAL:
            self.log.change("text", text.name, f"its purpose, {text.purpose.value}", text.line)
        if text.unit_own:
            self.log.change("text", text.name, "that it is the number of a single unit", text.line)


def _alternates(table: Table, own: dict[str, StoredAxis]) -> bool:
    """Whether the values of a curve alternate with its breakpoints."""
    if table.kind is not Kind.CURVE or "X" not in own or own["X"].count < 2:
        return False
    values, breakpoints = (table.at, table.storage), (own["X"].at, own["X"].storage)
    (first, before), (second, after) = sorted((values, breakpoints), key=lambda item: item[0])
    stride = before.type.size + after.type.size
    return second == first + before.type.size and before.stride == after.stride == stride


def _closed(limits: Range, storable: Range) -> Range:
    """The limits, with the ends of what a table can hold in place of ends that are open."""
    return Range(
        limits.low if math.isfinite(limits.low) else storable.low,
        limits.high if math.isfinite(limits.high) else storable.high,
        limits.low_text,
        limits.high_text,
    )


def _notes(item: Table | Text) -> Iterator[str]:
    for note in item.notes:
        yield f'  /begin ANNOTATION ANNOTATION_LABEL "note" /begin ANNOTATION_TEXT {quoted(note)}'
        yield "  /end ANNOTATION_TEXT /end ANNOTATION"
