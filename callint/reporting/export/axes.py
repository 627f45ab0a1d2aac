"""The axes of a definition as AXIS_PTS blocks and AXIS_DESCR parts."""

from __future__ import annotations

import math
from collections.abc import Iterator

from callint.decoding.conversions import physical_limits
from callint.model.definition import Axis, Definition, FixedAxis, Range, StoredAxis, Table
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.reporting.export.conversions import Methods
from callint.reporting.export.names import LARGEST, ORDERS, Names, quoted, real
from callint.reporting.export.records import Part, RecordLayouts, are_adjacent
from callint.reporting.export.result import ExportLog


class AxisWriter:
    """Writes shared axes, and the part of a table that says what an axis of it is."""

    def __init__(
        self,
        definition: Definition,
        log: ExportLog,
        names: Names,
        methods: Methods,
        records: RecordLayouts,
        order: str,
    ) -> None:
        self.definition = definition
        self.log = log
        self.names = names
        self.methods = methods
        self.records = records
        self.order = order
        self.pairs: set[str] = set()
        self._left_out: set[str] = set()
        self._repeated: set[str] = set()

    def shared_axes(self) -> Iterator[str]:
        """The lines of all axes that tables share; those that cannot be written are left out."""
        yield from self._rescale_axes()
        for axis in self.definition.stored_axes:
            if "/" in axis.name:
                continue
            if not is_dense(axis, axis.count):
                reason = "its breakpoints have a distance of their own (stride)"
                self.log.omit("axis", axis.name, reason, axis.line)
                self._left_out.add(axis.name)
                continue
            yield from self.points(axis, self.names.of("axis", axis.name))

    def _rescale_axes(self) -> Iterator[str]:
        """The AXIS_PTS of each axis that takes the values of a curve of pairs at even distances."""
        for axis in self.definition.derived_axes:
            if axis.derivation is not Derivation.RESCALED:
                continue
            parts = self._pairs(axis)
            if not parts:
                reason = f"{axis.curve} is not a record of pairs, each with its value first"
                self.log.omit("axis", axis.name, reason, axis.line)
                self._left_out.add(axis.name)
                continue
            curve = self.definition.tables[axis.curve]
            self.pairs.add(curve.name)
            self.log.change("curve", curve.name, f"it is the AXIS_RESCALE_X of {axis.name}", curve.line)
            name, signal = self.names.of("axis", axis.name), self.definition.signals[axis.signal]
            own = ORDERS[curve.storage.byte_order]
            order = "" if own == self.order or curve.storage.type.size == 1 else f" BYTE_ORDER {own}"
            falls = " MONOTONY MON_DECREASE" if axis.falling else ""
            yield (
                f"/begin AXIS_PTS {name} {quoted(signal.title)} 0x{min(part.at for part in parts):X} "
                f"{self.names.of('signal', axis.signal)} {self.records.layout(parts)} 0 "
                f"{self._derived_method(axis)} {axis.count} {span(self._limits(axis))}{order}{falls} "
                f"/end AXIS_PTS"
            )

    def _pairs(self, axis: DerivedAxis) -> list[Part]:
        """The pairs of an axis and, if it lies beside them, their stored number; none if it has another form.

        The value of a pair comes first, then its virtual value, of the same type and without a conversion.
        """
        curve = self.definition.curve_of(axis)
        virtual = None if curve is None else self.definition.axes[curve.x or ""]
        if curve is None or not isinstance(virtual, StoredAxis) or virtual.conversion is not None:
            return []
        size = curve.storage.type.size
        if virtual.storage != curve.storage or curve.storage.mask is not None:
            return []
        if curve.storage.stride != 2 * size or virtual.at != curve.at + size:
            return []
        order = "INDEX_DECR DIRECT" if virtual.falling else "INDEX_INCR DIRECT"
        amount = 2 * virtual.count
        pairs = Part("AXIS_RESCALE_X", curve.at, curve.storage.type, amount, f"{virtual.count} {order}")
        stored = virtual.stored_count
        if stored is None:
            return [pairs]
        parts = [pairs, Part("NO_RESCALE_X", stored.at, stored.storage.type, 1)]
        is_same_order = (
            stored.storage.type.size == 1 or stored.storage.byte_order is virtual.storage.byte_order
        )
        if is_same_order and are_adjacent(parts):
            return parts
        self._report_count(virtual)
        return [pairs]

    def _derived_method(self, axis: DerivedAxis) -> str:
        curve = self.definition.tables[axis.curve]
        unit = self.definition.signals[axis.signal].unit
        source = self.definition.axes[curve.x or ""]
        if axis.derivation is Derivation.INVERTED:
            return self.methods.method(source.conversion if isinstance(source, StoredAxis) else None, unit)
        return self.methods.method(curve.conversion, unit)

    def is_written(self, axis: str) -> bool:
        """Whether a shared axis is in the description."""
        return axis not in self._left_out

    def points(self, axis: StoredAxis, name: str) -> Iterator[str]:
        """The AXIS_PTS of an axis under a name."""
        parts = self.parts(axis, "X")
        if not are_adjacent(parts):
            parts = parts[:1]
            self._report_count(axis)
        signal = self.definition.signals[axis.signal]
        yield (
            f"/begin AXIS_PTS {name} {quoted(signal.title)} 0x{min(part.at for part in parts):X} "
            f"{self.names.of('signal', axis.signal)} {self.records.layout(parts)} 0 {self._method(axis)} "
            f"{axis.count} {span(self._limits(axis))}{self._order(axis, self.order)} /end AXIS_PTS"
        )

    def parts(self, axis: StoredAxis, letter: str) -> list[Part]:
        """The breakpoints of an axis and, if it can be written, its stored count."""
        order = "INDEX_DECR DIRECT" if axis.falling else "INDEX_INCR DIRECT"
        parts = [Part(f"AXIS_PTS_{letter}", axis.at, axis.storage.type, axis.count, order)]
        stored = axis.stored_count
        if stored is not None:
            if stored.storage.type.size > 1 and stored.storage.byte_order is not axis.storage.byte_order:
                self._report_count(axis)
            else:
                parts.append(Part(f"NO_AXIS_PTS_{letter}", stored.at, stored.storage.type, 1))
        return parts

    def description(
        self, table: Table, along: str, name: str, points: str | None, order: str
    ) -> Iterator[str]:
        """The AXIS_DESCR of a table; ``points`` is the AXIS_PTS of the axis, None in the table's record.

        ``order`` is the byte order of the table.
        """
        axis = self.definition.axes[name]
        signal = self.names.of("signal", axis.signal)
        kind, rest = "COM_AXIS", f"AXIS_PTS_REF {points}"
        if isinstance(axis, FixedAxis):
            method = self.methods.method(None, self.definition.signals[axis.signal].unit)
            kind = "FIX_AXIS"
            values = reversed(axis.values) if axis.falling else axis.values
            rest = f"/begin FIX_AXIS_PAR_LIST {' '.join(map(real, values))} /end FIX_AXIS_PAR_LIST"
            self._report_repeated(axis)
        elif isinstance(axis, DerivedAxis):
            method = self._derived_method(axis)
            kind = "RES_AXIS"
            if axis.derivation is Derivation.INVERTED:
                kind, rest = "CURVE_AXIS", f"CURVE_AXIS_REF {self.names.of('table', axis.curve)}"
        else:
            method = self._method(axis)
            if points is None:
                kind, rest = "STD_AXIS", self._order(axis, order).strip()
        limits = span(self._limits(axis))
        yield f"  /begin AXIS_DESCR {kind} {signal} {method} {axis.count} {limits} {rest}".rstrip()
        yield from (f"    {row}" for row in self._shape(table, along, axis))
        yield "  /end AXIS_DESCR"

    def _shape(self, table: Table, along: str, axis: Axis) -> Iterator[str]:
        """The order and the steepest slope of a table along an axis."""
        for number, rule in enumerate(rule for rule in table.demands.monotonic if rule.along == along):
            direction = "INCREASE" if rule.rising else "DECREASE"
            if number:
                self.log.change("table", table.name, "its second order along an axis", rule.line)
            elif not isinstance(axis, StoredAxis) and axis.falling:
                kind = "fixed" if isinstance(axis, FixedAxis) else "derived"
                self.log.change("table", table.name, f"its order along a falling {kind} axis", rule.line)
            else:
                yield f"MONOTONY {'STRICT' if rule.strict else 'MON'}_{direction}"
        for number, gradient in enumerate(item for item in table.demands.gradients if item.along == along):
            if number:
                self.log.change("table", table.name, "its second gradient along an axis", gradient.line)
            else:
                yield f"MAX_GRAD {real(gradient.max)}"

    def _method(self, axis: StoredAxis) -> str:
        return self.methods.method(axis.conversion, self.definition.signals[axis.signal].unit)

    def _limits(self, axis: Axis) -> Range:
        """The plausible range of the signal, or what the axis can hold."""
        plausible = self.definition.signals[axis.signal].plausible
        if plausible is not None:
            return plausible
        if isinstance(axis, FixedAxis):
            return Range(axis.values[0], axis.values[-1])
        if isinstance(axis, DerivedAxis):
            return Range(-math.inf, math.inf)
        return Range(*physical_limits(self.definition.conversion_of(axis), axis.storage))

    def _order(self, axis: StoredAxis, usual: str) -> str:
        own = ORDERS[axis.storage.byte_order]
        return "" if own == usual or axis.storage.type.size == 1 else f" BYTE_ORDER {own}"

    def _report_count(self, axis: StoredAxis) -> None:
        self.log.change("axis", axis.name, "its stored count lies apart from its breakpoints", axis.line)

    def _report_repeated(self, axis: FixedAxis) -> None:
        if "/" not in axis.name and axis.name not in self._repeated:
            self._repeated.add(axis.name)
            self.log.change(
                "axis", axis.name, "its breakpoints are repeated in each of its tables", axis.line
            )


def is_dense(item: Table | StoredAxis, cells: int = 2) -> bool:
    """Whether the numbers of an item lie side by side."""
    return cells == 1 or item.storage.stride == item.storage.type.size


def span(limits: Range) -> str:
    """Both limits; an end that is open or unknown is the largest double."""
    low, high = limits.low, limits.high
    low_text = limits.low_text if math.isfinite(low) else f"-{LARGEST!r}"
    high_text = limits.high_text if math.isfinite(high) else f"{LARGEST!r}"
    return f"{real(low, low_text)} {real(high, high_text)}"
