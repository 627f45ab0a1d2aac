"""Builds rescale axes: their breakpoints follow from stored pairs of a breakpoint and a virtual value.

From memory of the published standard: AXIS_RESCALE_X stores pairs, first the breakpoint and then its virtual
value, and NO_RESCALE_X their number; NO_AXIS_PTS_X is the number of the breakpoints that follow from them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from callint.model.definition import (
    NO_CONSTRAINTS,
    Constraints,
    Kind,
    Purpose,
    Signal,
    Storage,
    StoredAxis,
    StoredCount,
    Table,
)
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.reading.asap2.layouts import RecordSlot
from callint.reading.asap2.nodes import AxisPoints, RecordLayout
from callint.reading.asap2.report import NotKeptError, label
from callint.reading.asap2.state import ImportState

_COUNTS = ("UBYTE", "UWORD", "ULONG")


class RescaleAxes:
    """Enters a derived axis, the curve of its pairs over their virtual values, and its stored numbers."""

    def __init__(self, state: ImportState) -> None:
        self.state = state

    def add(
        self,
        axis: AxisPoints,
        layout: RecordLayout,
        slots: Mapping[str, RecordSlot],
        like: StoredAxis,
    ) -> None:
        """Enter the axis instead of a stored axis ``like``, with its name, signal, conversion and count.

        Raises NotKeptError if it cannot be kept.
        """
        state, slot = self.state, slots["AXIS_RESCALE_X"]
        storage = state.layouts.storage(slot, axis.byte_order)
        storage = replace(storage, stride=2 * storage.type.size)
        if state.layouts.rescale_pairs(layout) < 2:
            raise NotKeptError(f"its RECORD_LAYOUT {layout.name} has less than two pairs in AXIS_RESCALE_X")
        name, title = self._name(axis, "pairs"), label(axis.title, axis.name)
        self._add_virtual_values(axis, layout, slots, f"{name}/x", storage)
        pairs = Table(
            name=name,
            title=label(f"{title}, breakpoints by virtual value"),
            kind=Kind.CURVE,
            purpose=Purpose.GENERAL,
            group="",
            at=slot.at,
            storage=storage,
            conversion=like.conversion,
            x=f"{name}/x",
            y=None,
            y_first=False,
            signal=None,
            produces=None,
            demands=NO_CONSTRAINTS,
            notes=(),
            line=0,
        )
        self._enter(axis, pairs)
        if (points := slots.get("NO_AXIS_PTS_X")) is not None:
            scalar, stored = self._name(axis, "no_axis_pts_x"), state.layouts.storage(points, axis.byte_order)
            counted = replace(pairs, name=scalar, title=label(f"{title}, number of breakpoints"))
            counted = replace(counted, kind=Kind.SCALAR, x=None, at=points.at, storage=stored)
            self._enter(axis, replace(counted, conversion=None, demands=Constraints(change=0.0)))
        state.axes[like.name] = DerivedAxis(
            like.name, like.signal, name, Derivation.RESCALED, like.count, 0, like.falling
        )

    def _add_virtual_values(
        self,
        axis: AxisPoints,
        layout: RecordLayout,
        slots: Mapping[str, RecordSlot],
        name: str,
        storage: Storage,
    ) -> None:
        """Enter the virtual values of the pairs as a stored axis, with a signal of its own."""
        state, slot = self.state, slots["AXIS_RESCALE_X"]
        virtual = state.log.name("signal", f"{axis.name}.virtual", None, key=f"{axis.name}/virtual")
        title = label(f"{label(axis.title, axis.name)}, virtual value")
        state.signals[virtual] = Signal(virtual, title, "-", None, None, 0)
        stored_count = None
        if (number := slots.get("NO_RESCALE_X")) is not None and number.type in _COUNTS:
            stored_count = StoredCount(number.at, state.layouts.storage(number, axis.byte_order))
        state.axes[name] = StoredAxis(
            name=name,
            signal=virtual,
            at=slot.at + storage.type.size,
            storage=storage,
            conversion=None,
            count=state.layouts.rescale_pairs(layout),
            stored_count=stored_count,
            line=0,
            falling=slot.is_reversed,
        )

    def _name(self, axis: AxisPoints, part: str) -> str:
        return self.state.log.name("CHARACTERISTIC", f"{axis.name}.{part}", None)

    def _enter(self, axis: AxisPoints, table: Table) -> None:
        self.state.sources[table.name] = axis
        self.state.tables[table.name] = table
