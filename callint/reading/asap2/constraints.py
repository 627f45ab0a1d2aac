"""Makes the limits of a table and its shape along its axes from a CHARACTERISTIC block of a description."""

from __future__ import annotations

from collections.abc import Iterable

from callint.model.cell_demands import Gradient, Monotonic
from callint.model.definition import NO_CONSTRAINTS, Constraints, Range, Storage
from callint.reading.asap2.axes import AxisBuilder
from callint.reading.asap2.conversions import ResolvedConversion
from callint.reading.asap2.nodes import AxisDescription, Characteristic
from callint.reading.asap2.report import plain
from callint.reading.asap2.state import ImportState, Item, excludes_nothing, is_everything, usable_range

#: The direction, true for rising, and whether it is strict.
_MONOTONIES = {
    "MON_INCREASE": (True, False),
    "MON_DECREASE": (False, False),
    "STRICT_INCREASE": (True, True),
    "STRICT_DECREASE": (False, True),
}


class ConstraintBuilder:
    """Makes the constraints of tables."""

    def __init__(self, state: ImportState, axes: AxisBuilder) -> None:
        self.state = state
        self._axes = axes

    def of(
        self,
        characteristic: Characteristic,
        conversion: ResolvedConversion,
        storage: Storage,
        descriptions: Iterable[AxisDescription],
    ) -> Constraints:
        """The limits and the shape of a table.

        EXTENDED_LIMITS become limits, and the ordinary limits become expected values; without EXTENDED_LIMITS
        the ordinary limits become limits. Limits that every storable value meets are dropped.
        """
        is_raw = conversion.failure is not None or conversion.name in self.state.conversions.numeric_states
        limits = expected = None
        if not is_raw:
            ordinary = self._range(characteristic, characteristic.limits, "limits")
            if characteristic.extended is None:
                limits = ordinary
            else:
                limits = self._range(characteristic, characteristic.extended, "EXTENDED_LIMITS")
                expected = ordinary
            if limits is not None and excludes_nothing(limits, conversion.conversion, storage):
                limits = None
        monotonic, gradients = self._shape(characteristic, descriptions, is_raw)
        off = self.state.conversions.off_codes.get(characteristic.conversion)
        if off is not None and not (storage.type.is_integer and storage.holds(off.raw)):
            item = Item("CHARACTERISTIC", characteristic.name, characteristic.place)
            self.state.change(item, f"its status off, raw {off.raw}, does not fit its type and is not kept")
            off = None
        change = 0.0 if characteristic.is_read_only else None
        if (
            limits is None
            and expected is None
            and off is None
            and change is None
            and not monotonic
            and not gradients
        ):
            return NO_CONSTRAINTS
        return Constraints(
            limits=limits,
            expected=expected,
            off=off,
            monotonic=tuple(monotonic),
            gradients=tuple(gradients),
            change=change,
        )

    def _shape(
        self, characteristic: Characteristic, descriptions: Iterable[AxisDescription], is_raw: bool
    ) -> tuple[list[Monotonic], list[Gradient]]:
        """The MONOTONY and MAX_GRAD of a table's axes; a gradient of raw values is not kept."""
        state = self.state
        monotonic: list[Monotonic] = []
        gradients: list[Gradient] = []
        for axis, along in zip(descriptions, "xy", strict=False):
            if not axis.monotony and axis.max_gradient is None:
                continue
            item = Item("CHARACTERISTIC", characteristic.name, axis.place)
            if axis.monotony in _MONOTONIES and self._axes.falls_by_index(axis):
                # The standard does not say whether the values rise with the index or with the breakpoints.
                state.change(item, "its MONOTONY is not kept, because its breakpoints fall")
            elif axis.monotony in _MONOTONIES:
                rising, strict = _MONOTONIES[axis.monotony]
                monotonic.append(Monotonic(along, rising, strict, 0))
            elif axis.monotony not in ("", "NOT_MON"):
                state.change(item, f"its MONOTONY {axis.monotony[:40]} has no direction and is not kept")
            if axis.max_gradient is not None:
                is_axis_raw = state.conversions.resolve(axis.conversion).failure is not None
                counts_cells = axis.attribute in ("RES_AXIS", "CURVE_AXIS")
                counts_cells = counts_cells and not self._axes.is_rescaled(axis)
                if axis.max_gradient > 0 and not is_raw and not is_axis_raw and not counts_cells:
                    gradients.append(Gradient(along, axis.max_gradient, 0))
                else:
                    state.change(item, "its MAX_GRAD is not kept")
        return monotonic, gradients

    def _range(self, characteristic: Characteristic, limits: Range, what: str) -> Range | None:
        usable = usable_range(limits)
        if usable is not None or is_everything(limits):
            return usable
        if limits.low == limits.high != 0:
            return limits  # a single value; a description without limits gives 0 to 0
        reason = f"its {what} {plain(limits.low)} to {plain(limits.high)} are not a range"
        self.state.change(Item("CHARACTERISTIC", characteristic.name, characteristic.place), reason)
        return None
