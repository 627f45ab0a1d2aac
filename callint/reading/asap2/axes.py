"""Makes the axes of a definition from the AXIS_PTS and AXIS_DESCR blocks of a description."""

from __future__ import annotations

from collections.abc import Mapping

from callint.model.definition import FixedAxis, StoredAxis, StoredCount
from callint.reading.asap2.computed_axes import ComputedAxes, has_stored_parameters
from callint.reading.asap2.fixed_axes import FixedAxes
from callint.reading.asap2.groups import GroupBuilder
from callint.reading.asap2.layouts import RecordSlot
from callint.reading.asap2.nodes import AxisDescription, AxisPoints, Characteristic, RecordLayout
from callint.reading.asap2.report import NotKeptError, label
from callint.reading.asap2.rescale_axes import RescaleAxes
from callint.reading.asap2.signals import NO_INPUT, SignalBuilder, shared_axis_inputs
from callint.reading.asap2.state import AxisLimits, ImportState, Item, require_breakpoints

_DECREASING = ("MON_DECREASE", "STRICT_DECREASE")
_ATTRIBUTES = {"STD_AXIS", "COM_AXIS", "FIX_AXIS", "RES_AXIS", "CURVE_AXIS"}


class AxisBuilder:
    """Enters shared axes and the axes of tables, with their signals."""

    def __init__(self, state: ImportState, groups: GroupBuilder) -> None:
        self.state = state
        self._signals = SignalBuilder(state)
        self._fixed = FixedAxes(state.conversions)
        self._inputs = shared_axis_inputs(state.description)
        self._computed = ComputedAxes(state, groups)
        self._rescaled = RescaleAxes(state)

    # Shared axes

    def add_shared_axis(self, axis: AxisPoints) -> None:
        """Enter an AXIS_PTS. Raises NotKeptError if it cannot be kept."""
        state = self.state
        state.require_storable(axis.extension, axis.address)
        state.require_absolute(axis.deposit)
        layout = state.layouts.layout(axis.layout)
        count = _breakpoints(layout, "X", axis.points)
        slots = state.layouts.slots(layout, axis.address, {"AXIS_PTS_X": count}, axis.element)
        stored = next((slots[part] for part in ("AXIS_PTS_X", "AXIS_RESCALE_X") if part in slots), None)
        if stored is None:
            raise NotKeptError("its RECORD_LAYOUT lacks AXIS_PTS_X")
        item = Item("AXIS_PTS", axis.name, axis.place)
        name = state.log.name("AXIS_PTS", axis.name, axis.place)
        conversion = state.conversions.resolve(axis.conversion)
        state.check_unit(axis.unit, conversion, item)
        if conversion.failure is not None:
            state.change(item, f"it stays in raw numbers: {conversion.failure}")
        input = self._shared_input(axis, item)
        if count != axis.points:
            state.change(item, f"its RECORD_LAYOUT has {count} breakpoints, but it announces {axis.points}")
        state.axis_limits[name] = AxisLimits(axis.limits, "AXIS_PTS", axis.place)
        is_rescaled = "AXIS_PTS_X" not in slots
        entered = StoredAxis(
            name=name,
            signal=self._signals.axis_signal(input, axis.name, conversion, axis.limits, axis.title, item),
            at=stored.at,
            storage=state.layouts.storage(stored, axis.byte_order),
            conversion=conversion.name,
            count=count,
            stored_count=self._stored_count(slots, "X", axis.byte_order),
            line=0,
            falling=(axis.monotony in _DECREASING) != (stored.is_reversed and not is_rescaled),
        )
        if is_rescaled:
            self._rescaled.add(axis, layout, slots, entered)
        else:
            state.axes[name] = entered

    def _shared_input(self, axis: AxisPoints, item: Item) -> str:
        """The input of a shared axis: its own, or the one that all its tables name."""
        inputs = self._inputs.get(axis.name, set())
        if len(inputs) == 1:
            return next(iter(inputs))
        if inputs:
            names = ", ".join(input[:60] for input in sorted(inputs)[:3]) + (
                ", ..." if len(inputs) > 3 else ""
            )
            reason = f"it names no input, and its tables name several: {names}; it gets its own signal"
            self.state.change(item, reason)
        return axis.input

    def _stored_count(
        self, slots: Mapping[str, RecordSlot], letter: str, byte_order: str
    ) -> StoredCount | None:
        slot = slots.get(f"NO_AXIS_PTS_{letter}")
        if slot is None or slot.type not in ("UBYTE", "UWORD", "ULONG"):
            return None
        return StoredCount(slot.at, self.state.layouts.storage(slot, byte_order))

    # Axes of tables

    def add_index_axis(self, table: str, along: str, count: int, falling: bool = False) -> str:
        """Enter an axis that counts the cells of a table along x or y; returns its name."""
        name = f"{table}/{along}"
        signal = self._signals.index_signal(along)
        self.state.axes[name] = FixedAxis(name, signal, tuple(map(float, range(count))), 0, falling)
        return name

    def count_breakpoints(
        self, characteristic: Characteristic, axis: AxisDescription, letter: str, layout: RecordLayout
    ) -> int:
        """The number of breakpoints of a table's axis. Raises NotKeptError if the axis cannot be kept."""
        state = self.state
        if axis.attribute not in _ATTRIBUTES:
            raise NotKeptError(f"the axis {axis.attribute[:40]} is not covered")
        if axis.attribute == "COM_AXIS" or self.is_rescaled(axis):
            shared = state.axes.get(state.log.names.get("AXIS_PTS", {}).get(axis.reference, ""))
            if shared is None:
                status = "not kept" if axis.reference in state.description.axes else "not described"
                raise NotKeptError(f"its axis {axis.reference} is {status}")
            count = shared.count
        elif axis.attribute == "FIX_AXIS" and not has_stored_parameters(
            axis, state.layouts.plan(layout).keywords, letter
        ):
            count = len(self._fixed.breakpoints(axis))
        else:
            count = _breakpoints(layout, letter, axis.points)
        if count != axis.points:
            reason = f"its axis has {count} breakpoints, but it announces {axis.points}"
            state.change(_item(characteristic, axis), reason)
        return count

    def add_axis(
        self,
        characteristic: Characteristic,
        axis: AxisDescription,
        name: str,
        letter: str,
        slots: Mapping[str, RecordSlot],
        count: int,
    ) -> str:
        """Enter a table's own axis under ``name``, or find its shared one; returns the axis's name."""
        state, item = self.state, _item(characteristic, axis)
        if axis.attribute == "COM_AXIS" or self.is_rescaled(axis):
            self._report_contradictions(axis, state.description.axes[axis.reference], item)
            return state.log.names["AXIS_PTS"][axis.reference]
        if axis.attribute == "RES_AXIS":
            state.change(item, "the AXIS_PTS of its RES_AXIS is not kept; its axis counts cells instead")
            return self.add_index_axis(name[:-2], name[-1], count)
        if axis.attribute == "CURVE_AXIS" and not axis.reference:
            state.change(item, "its CURVE_AXIS names no curve; its axis counts cells instead")
            return self.add_index_axis(name[:-2], name[-1], count)
        if axis.attribute == "CURVE_AXIS":
            self._computed.add_curve(characteristic, axis, name)
            return self.add_index_axis(name[:-2], name[-1], count)
        if has_stored_parameters(axis, slots, letter):
            self._computed.add_parameters(characteristic, axis, name, letter, slots)
            return self.add_index_axis(name[:-2], name[-1], count)
        conversion = state.conversions.resolve(axis.conversion)
        title = f"{label(characteristic.title, characteristic.name)}, {letter.lower()}"
        own_name = f"{characteristic.name}.{letter.lower()}"
        state.axis_limits[name] = AxisLimits(axis.limits, "AXIS_DESCR", axis.place)
        if axis.attribute == "FIX_AXIS":
            values = self._fixed.breakpoints(axis)
            signal = self._signals.axis_signal(axis.input, own_name, conversion, axis.limits, title, item)
            state.axes[name] = FixedAxis(name, signal, tuple(sorted(values)), 0, values[0] > values[-1])
        else:
            state.require_absolute(axis.deposit)
            slot = slots.get(f"AXIS_PTS_{letter}")
            if slot is None:
                raise NotKeptError(f"its RECORD_LAYOUT lacks AXIS_PTS_{letter} for its STD_AXIS")
            order = axis.byte_order or characteristic.byte_order
            state.axes[name] = StoredAxis(
                name=name,
                signal=self._signals.axis_signal(axis.input, own_name, conversion, axis.limits, title, item),
                at=slot.at,
                storage=state.layouts.storage(slot, order),
                conversion=conversion.name,
                count=count,
                stored_count=self._stored_count(slots, letter, order),
                line=0,
                falling=slot.is_reversed,
            )
        if conversion.failure is not None:
            state.change(item, f"its {letter.lower()} axis stays in raw numbers: {conversion.failure}")
        return name

    def is_rescaled(self, axis: AxisDescription) -> bool:
        """Whether a table's axis is a RES_AXIS whose AXIS_PTS is kept."""
        name = self.state.log.names.get("AXIS_PTS", {}).get(axis.reference, "")
        return axis.attribute == "RES_AXIS" and name in self.state.axes

    def falls_by_index(self, axis: AxisDescription) -> bool:
        """Whether the breakpoints of a table's axis fall from the first index to the last."""
        if axis.attribute == "FIX_AXIS" and axis.fixed is not None:
            values = self._fixed.breakpoints(axis)
            return values[0] > values[-1]
        is_shared = axis.attribute == "COM_AXIS" or self.is_rescaled(axis)
        shared = self.state.description.axes.get(axis.reference) if is_shared else None
        return shared is not None and shared.monotony in _DECREASING

    def _report_contradictions(self, axis: AxisDescription, shared: AxisPoints, item: Item) -> None:
        """Record contradictions between a table and its shared axis; the statements of the axis are kept."""
        state = self.state
        contradictions: list[tuple[str, str, str]] = []
        if axis.conversion != shared.conversion:
            stated = state.conversions.resolve(axis.conversion)
            kept = state.conversions.resolve(shared.conversion)
            is_known = stated.failure is None and kept.failure is None
            if not is_known or not stated.is_equivalent(kept):
                contradictions.append(("the conversion", shared.conversion, axis.conversion))
        if axis.input not in NO_INPUT and shared.input not in NO_INPUT and axis.input != shared.input:
            contradictions.append(("the input", shared.input, axis.input))
        order = shared.byte_order or state.description.byte_order or "MSB_LAST"
        if axis.byte_order not in ("", order):
            contradictions.append(("the byte order", order, axis.byte_order))
        deposit = shared.deposit or state.description.deposit or "ABSOLUTE"
        if axis.deposit not in ("", deposit):
            contradictions.append(("DEPOSIT", deposit, axis.deposit))
        reasons = [
            f"its axis has {what} {kept_value[:60]}, but it states {stated_value[:60]}"
            for what, kept_value, stated_value in contradictions
        ]
        if axis.limits != shared.limits:
            # Without the numbers: reasons are grouped, and every table may have its own limits.
            reasons.append("its axis has other limits than it states")
        for reason in reasons:
            state.change(item, reason)


def _item(characteristic: Characteristic, axis: AxisDescription) -> Item:
    return Item("CHARACTERISTIC", characteristic.name, axis.place)


def _breakpoints(layout: RecordLayout, letter: str, announced: int) -> int:
    """The number of breakpoints: the one fixed in the record layout, otherwise the announced one."""
    return require_breakpoints(layout.counts.get(letter, announced))
