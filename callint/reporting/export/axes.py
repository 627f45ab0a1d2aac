"""The axes of a definition as AXIS_PTS blocks and AXIS_DESCR parts."""

from __future__ import annotations

import math
from collections.abc import Iterator

from callint.decoding.conversions import physical_limits
from callint.model.definition import Definition, FixedAxis, Range, StoredAxis, Table
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
        self._left_out: set[str] = set()
        self._repeated: set[str] = set()

    def shared_axes(self) -> Iterator[str]:
        """The lines of all axes that tables share; those that cannot be written are left out."""
        for axis in self.definition.stored_axes:
            if "/" in axis.name:
                continue
            if not is_dense(axis, axis.count):
                reason = "its breakpoints have a distance of their own (stride)"
                self.log.omit("axis", axis.name, reason, axis.line)
                self._left_out.add(axis.name)
                continue
            yield from self.points(axis, self.names.of("axis", axis.name))

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
        else:
            method = self._method(axis)
            if points is None:
                kind, rest = "STD_AXIS", self._order(axis, order).strip()
        limits = span(self._limits(axis))
        yield f"  /begin AXIS_DESCR {kind} {signal} {method} {axis.count} {limits} {rest}".rstrip()
        yield from (f"    {row}" for row in self._shape(table, along, axis))
        yield "  /end AXIS_DESCR"

    def _shape(self, table: Table, along: str, axis: StoredAxis | FixedAxis) -> Iterator[str]:
        """The order and the steepest slope of a table along an axis."""
        for number, rule in enumerate(rule for rule in table.demands.monotonic if rule.along == along):
            direction = "INCREASE" if rule.rising else "DECREASE"
            if number:
                self.log.change("table", table.name, "its second order along an axis", rule.line)
            elif isinstance(axis, FixedAxis) and axis.falling:
                self.log.change("table", table.name, "its order along a falling fixed axis", rule.line)
            else:
                yield f"MONOTONY {'STRICT' if rule.strict else 'MON'}_{direction}"
        for number, gradient in enumerate(item for item in table.demands.gradients if item.along == along):
            if number:
                self.log.change("table", table.name, "its second gradient along an axis", gradient.line)
            else:
                yield f"MAX_GRAD {real(gradient.max)}"

    def _method(self, axis: StoredAxis) -> str:
        return self.methods.method(axis.conversion, self.definition.signals[axis.signal].unit)

    def _limits(self, axis: StoredAxis | FixedAxis) -> Range:
        """The plausible range of the signal, or what the axis can hold."""
        plausible = self.definition.signals[axis.signal].plausible
        if plausible is not None:
            return plausible
        if isinstance(axis, FixedAxis):
            return Range(axis.values[0], axis.values[-1])
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
