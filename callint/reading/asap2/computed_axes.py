"""Builds axes whose breakpoints follow from numbers in the image: stored parameters, or another curve.

The formulas are from memory of the published standard. With OFFSET and SHIFT_OP in the record, breakpoint i
is offset + i * 2 to the power of shift; with OFFSET and DIST_OP it is offset + i * distance. A CURVE_AXIS is
an axis whose signal another curve turns into the index of a cell: an axis that is derived from the curve.
"""

from __future__ import annotations

from collections.abc import Container, Mapping
from dataclasses import replace

from callint.model.definition import FixedAxis, Kind, Linear, Signal
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.reading.asap2.groups import GroupBuilder
from callint.reading.asap2.layouts import RecordSlot
from callint.reading.asap2.nodes import AxisDescription, Characteristic
from callint.reading.asap2.plain_tables import PlainPart, PlainTables
from callint.reading.asap2.report import Loss, label
from callint.reading.asap2.signals import SignalBuilder
from callint.reading.asap2.state import ComputedAxis, ImportState, Item

_STEPS = ("SHIFT_OP", "DIST_OP")
_STEP_TITLES = {"SHIFT_OP": "power of 2 between breakpoints", "DIST_OP": "distance between breakpoints"}


def has_stored_parameters(axis: AxisDescription, keywords: Container[str], letter: str) -> bool:
    """Whether the record of a table stores the parameters of an axis instead of its breakpoints."""
    return (
        axis.attribute in ("FIX_AXIS", "STD_AXIS")
        and axis.fixed is None
        and f"AXIS_PTS_{letter}" not in keywords
        and f"OFFSET_{letter}" in keywords
        and any(f"{step}_{letter}" in keywords for step in _STEPS)
    )


class ComputedAxes:
    """Enters the items that computed axes need: stored parameters as scalars, and their curves."""

    def __init__(self, state: ImportState, groups: GroupBuilder) -> None:
        self.state = state
        self._plain = PlainTables(state, groups)
        self._signals = SignalBuilder(state)

    def add_parameters(
        self,
        characteristic: Characteristic,
        axis: AxisDescription,
        name: str,
        letter: str,
        slots: Mapping[str, RecordSlot],
    ) -> None:
        """Enter the stored parameters of an axis that counts cells under ``name``."""
        state = self.state
        step = next(step for step in _STEPS if f"{step}_{letter}" in slots)
        along = letter.lower()
        conversion = state.conversions.resolve(axis.conversion)
        is_linear = isinstance(conversion.conversion, Linear)
        names = []
        for keyword, title in (("OFFSET", "lowest breakpoint"), (step, _STEP_TITLES[step])):
            scalar = self._plain.name(characteristic, f"{keyword.lower()}_{along}")
            own = conversion.name if keyword == "OFFSET" and is_linear else None
            slot = slots[f"{keyword}_{letter}"]
            self._plain.add(characteristic, axis, PlainPart(scalar, f"{along}: {title}", slot, own))
            names.append(scalar)
        loss = self._report(characteristic, axis, f"its {along} axis follows from stored parameters")
        state.computed[name] = ComputedAxis(
            name=name,
            table=name.rpartition("/")[0],
            signal=self._signal(characteristic, axis, letter),
            loss=loss,
            offset=names[0],
            step=names[1],
            is_shift=step == "SHIFT_OP",
            conversion=conversion.name,
        )

    def add_curve(self, characteristic: Characteristic, axis: AxisDescription, name: str) -> None:
        """Enter the curve that turns a signal into the index of a cell, for an axis that counts cells."""
        reference = axis.reference
        loss = self._report(characteristic, axis, f"its CURVE_AXIS follows from {reference[:60]}")
        self.state.computed[name] = ComputedAxis(name, name.rpartition("/")[0], loss, curve=reference)

    @staticmethod
    def derive_from_curves(state: ImportState) -> None:
        """Replace axes that count cells by axes that follow from their curves, if these are kept.

        Tables over one curve with the same number of cells share the axis.
        """
        names = state.log.names.get("CHARACTERISTIC", {})
        for computed in [axis for axis in state.computed.values() if axis.curve]:
            curve, user = state.tables.get(names.get(computed.curve, "")), state.tables.get(computed.table)
            source = None if curve is None else state.axes.get(curve.x or "")
            if user is None or curve is None or curve.kind is not Kind.CURVE or source is None:
                continue
            if curve.x in state.computed or isinstance(source, DerivedAxis):
                continue
            count = state.axes[computed.name].count
            name = state.log.name("AXIS_PTS", f"{curve.name}.axis_{count}", None)
            state.axes[name] = DerivedAxis(name, source.signal, curve.name, Derivation.INVERTED, count, 0)
            x, y = (name if own == computed.name else own for own in (user.x, user.y))
            state.tables[user.name] = replace(user, x=x, y=y)
            counting = state.axes.pop(computed.name)
            assert isinstance(counting, FixedAxis)
            state.computed[computed.name] = replace(
                computed, name=name, counting=counting, signal=state.signals[counting.signal]
            )
            state.log.losses.remove(computed.loss)

    def _report(self, characteristic: Characteristic, axis: AxisDescription, reason: str) -> Loss:
        item = Item("CHARACTERISTIC", characteristic.name, axis.place)
        self.state.change(item, f"{reason}; it counts cells instead, unless --image gives a factory image")
        return self.state.log.losses[-1]

    def _signal(self, characteristic: Characteristic, axis: AxisDescription, letter: str) -> Signal:
        """The signal of the axis, which is in the definition only if its breakpoints are."""
        state, along = self.state, letter.lower()
        item = Item("CHARACTERISTIC", characteristic.name, axis.place)
        title = f"{label(characteristic.title, characteristic.name)}, {along}"
        conversion = state.conversions.resolve(axis.conversion)
        name = self._signals.axis_signal(
            axis.input, f"{characteristic.name}.{along}", conversion, axis.limits, title, item
        )
        return state.signals[name]
