"""Makes the signals of a definition from the inputs of the axes of a description."""

from __future__ import annotations

from callint.model.definition import Range, Signal
from callint.reading.asap2.conversions import ResolvedConversion
from callint.reading.asap2.nodes import Description
from callint.reading.asap2.report import label
from callint.reading.asap2.state import ImportState, Item, usable_range
from callint.reading.asap2.tokens import SourceLocation

#: Input names that stand for no input.
NO_INPUT = {"NO_INPUT_QUANTITY", ""}


class SignalBuilder:
    """Enters the signals that feed axes."""

    def __init__(self, state: ImportState) -> None:
        self.state = state

    def axis_signal(
        self, input: str, axis: str, conversion: ResolvedConversion, limits: Range, title: str, item: Item
    ) -> str:
        """The name of the signal that feeds an axis; a signal of the axis's own if no input is described.

        An axis in raw numbers, or in another unit than its input, has its own signal too, because the unit of
        the input would be wrong. ``item`` is the block that contains the axis.
        """
        state = self.state
        unit = conversion.unit or "-"
        if conversion.failure is not None:
            return self._own_signal(axis, "raw", label(f"{axis} in raw numbers"), "-", None)
        if input not in NO_INPUT:
            signal = self._input_signal(input, unit, limits, item.place)
            if signal.unit == unit:
                return signal.name
            units = f"its input {input[:60]} is {_unit_phrase(signal.unit)}"
            state.change(
                item, f"{units}, but its breakpoints are {_unit_phrase(unit)}; they get their own signal"
            )
        return self._own_signal(axis, "own", label(title, axis), unit, usable_range(limits))

    def _own_signal(self, axis: str, kind: str, title: str, unit: str, plausible: Range | None) -> str:
        name = self.state.log.name(
            "signal", f"{axis}.raw" if kind == "raw" else axis, None, key=f"{axis}/{kind}"
        )
        self.state.signals.setdefault(name, Signal(name, title, unit, plausible, None, 0))
        return name

    def index_signal(self, along: str) -> str:
        """The name of the signal that counts cells along x or y."""
        name = self.state.log.name("signal", f"index_{along}", None, key=f"{along}/index")
        signal = Signal(name, "Number of a cell, from 0", "-", None, None, 0)
        self.state.signals.setdefault(name, signal)
        return name

    def _input_signal(self, input: str, unit: str, limits: Range, place: SourceLocation) -> Signal:
        """The signal of an input; without a MEASUREMENT it has the unit and limits of its first axis."""
        state = self.state
        measurement = state.description.measurements.get(input)
        is_new = input not in state.log.names.get("signal", {})
        name = state.log.name("signal", input, measurement.place if measurement else None)
        if name in state.signals:
            return state.signals[name]
        if measurement is not None:
            method = state.description.methods.get(measurement.conversion)
            unit = (method and state.conversions.unit(method)) or "-"
            plausible = usable_range(measurement.limits)
            signal = Signal(name, label(measurement.title, input), unit, plausible, None, 0)
        else:
            if is_new:
                reason = "it feeds an axis, but is not a MEASUREMENT; it gets unit and range of the axis"
                state.log.change("MEASUREMENT", input, reason, place)
            signal = Signal(name, label(input), unit, usable_range(limits), None, 0)
        state.signals[name] = signal
        return signal


def shared_axis_inputs(description: Description) -> dict[str, set[str]]:
    """The inputs that tables name for each shared axis that names no input itself."""
    inputs: dict[str, set[str]] = {
        axis.name: set() for axis in description.axes.values() if axis.input in NO_INPUT
    }
    if inputs:
        for characteristic in description.characteristics.values():
            for axis in characteristic.axes:
                if (
                    axis.attribute in ("COM_AXIS", "RES_AXIS")
                    and axis.reference in inputs
                    and axis.input not in NO_INPUT
                ):
                    inputs[axis.reference].add(axis.input)
    return inputs


def _unit_phrase(unit: str) -> str:
    return "without a unit" if unit == "-" else f"in {unit}"
