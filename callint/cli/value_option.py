"""Values and cells on the command line, as callint set takes them."""

from __future__ import annotations

import math
import re

import numpy as np

from callint import fmt
from callint.cli.cell_option import breakpoint_index
from callint.cli.operating_point_option import number
from callint.comparing.set_values import CellSetting
from callint.decoding.decode import Decoded
from callint.decoding.layout import Item
from callint.decoding.signal_names import signal_named
from callint.decoding.stored_values import OFF
from callint.decoding.unit_conversions import UnitConversion, unit_conversion
from callint.model.change import Flags
from callint.model.definition import Definition, States, StoredAxis, Table
from callint.model.errors import InputError

#: A number with a unit behind it.
_QUANTITY = re.compile(r"([-+*]?\s*(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*)")


def parse_value(definition: Definition, item: Item, text: str) -> CellSetting:
    """What ``--to`` says: a number with or without a unit, the name of a state, or off.

    InputError for anything else.
    """
    text, conversion = text.strip(), definition.conversion_of(item)
    if isinstance(conversion, States):
        return CellSetting(name=_state(item, conversion, text))
    if text.casefold() == OFF:
        off = item.demands.off if isinstance(item, Table) else None
        if off is None:
            raise InputError(f"--to {text}: {item.name} has no off code in the definition; give a value")
        return CellSetting(name=OFF)
    place, unit = f"--to {text}", definition.unit_of(item)
    digits, written_unit = _split(text, place, unit)
    return CellSetting(value=_in_unit(number(digits, place, unit), written_unit, unit, place))


def parse_change(definition: Definition, item: Item, text: str) -> CellSetting:
    """What ``--by`` says: "+3 %" of the value, "-20 bar", or a factor "*1.03".

    InputError for anything else.
    """
    text, unit, place = text.strip(), definition.unit_of(item), f"--by {text.strip()}"
    if isinstance(definition.conversion_of(item), States):
        raise InputError(f"{place}: {item.name} has states, not numbers; give one with --to")
    if text[:1] not in ("+", "-", "*"):
        raise InputError(f"{place}: write a sign before the number, as in '+3 %', '-20 bar' or '*1.05'")
    digits, written_unit = _split(text, place, unit)
    value = number(digits.lstrip("*"), place, unit)
    if text.startswith("*"):
        if written_unit:
            raise InputError(f"{place}: a factor has no unit; remove {written_unit!r}")
        return CellSetting(factor=value)
    if not written_unit and unit not in ("", "-", "%"):
        raise InputError(f"{place}: give a unit, as in {digits} {fmt.unit_word(unit)} or {digits} %")
    if written_unit == "%":
        if unit == "%":
            raise InputError(
                f"{place}: {item.name} is in % itself; write +3 for percentage points, or *1.03 for a factor"
            )
        return CellSetting(factor=1 + value / 100)
    return CellSetting(offset=_in_unit(value, written_unit, unit, place, is_difference=True))


def _state(item: Item, states: States, text: str) -> str:
    """The name of a state; InputError if the table has no such state."""
    if states.raw_of(text) is None:
        listed = ", ".join(states.names.values())
        raise InputError(f"--to {text}: {item.name} has no such state; it has {listed}")
    return text


def _split(text: str, place: str, unit: str) -> tuple[str, str]:
    """A number and the unit behind it; InputError if it does not start with a number."""
    match = _QUANTITY.fullmatch(text)
    if match is None:
        unit_text = f" {fmt.unit_word(unit)}" if unit not in ("", "-") else ""
        raise InputError(f"{place}: it is not a number; write it as 12.5{unit_text}")
    if re.match(r",\s*\d", match[2]):
        raise InputError(f"{place}: write decimals with a point and thousands without a comma, as in 1012.5")
    return match[1].replace(" ", ""), match[2].strip()


def _in_unit(value: float, written: str, unit: str, place: str, *, is_difference: bool = False) -> float:
    """A value in the unit of the table; InputError if its own unit measures something else."""
    if not written or fmt.same_unit(written, unit):
        return value
    conversion = unit_conversion(written, unit)
    if conversion is None:
        raise InputError(f"{place}: {written} cannot be converted to {fmt.unit_word(unit) or 'no unit'}")
    if is_difference:
        conversion = UnitConversion(conversion.factor)
    return float(conversion.values(np.array([value]))[0])


def parse_cells(decoded: Decoded, number: int, text: str | None) -> Flags:
    """The cells of an item that ``engine_speed=2000..2800,fuel_quantity=58`` selects, shape (rows, columns).

    An axis that is not named counts whole; a value must be a breakpoint, and a range must hold one.
    InputError for anything else, and without a selection if there are several cells.
    """
    layout, definition = decoded.layout, decoded.layout.definition
    item, shape = layout.items[number], layout.shape(number)
    flags = [np.ones(count, bool) for count in shape]
    if text is None:
        if shape != (1, 1):
            signals = ",".join(f"{definition.axes[axis].signal}=..." for axis in _axes(item))
            raise InputError(f"{item.name}: it has several cells; select them with --at {signals}")
        return np.ones(shape, bool)
    given: set[str] = set()
    for part in text.split(","):
        name, sign, value = (piece.strip() for piece in part.partition("="))
        if not sign or not name:
            raise InputError(f"--at {text}: write SIGNAL=VALUE or SIGNAL=LOW..HIGH, with commas between them")
        signal = signal_named(definition, name, "--at")
        if signal.name in given:
            raise InputError(f"--at {text}: {signal.name} occurs twice; write a range as LOW..HIGH")
        given.add(signal.name)
        matching = [
            position
            for position, axis in enumerate(_axes(item))
            if definition.axes[axis].signal == signal.name
        ]
        if not matching:
            raise InputError(f"--at {text}: {item.name} has no axis of {signal.name}")
        for position in matching:
            flags[1 - position] &= _on_axis(decoded, item.name, _axes(item)[position], value, f"--at {text}")
    return np.logical_and.outer(*flags)


def _axes(item: Item) -> tuple[str, ...]:
    """The names of the axes of a table; an axis lies along itself."""
    return (item.name,) if isinstance(item, StoredAxis) else item.axes


def _on_axis(decoded: Decoded, table: str, axis: str, text: str, place: str) -> Flags:
    """The breakpoints that a value or a range selects, shape (count,)."""
    breakpoints = decoded.breakpoints(axis)
    low, dots, high = text.partition("..")
    if not dots:
        return np.asarray(np.arange(len(breakpoints)) == breakpoint_index(decoded, table, axis, text))
    least, most = (
        number(part, place) if part.strip() else default
        for part, default in ((low, -math.inf), (high, math.inf))
    )
    if least > most:
        raise InputError(f"{place}: {low}..{high} falls; write the lower value first")
    inside = (breakpoints >= least) & (breakpoints <= most)
    if not inside.any():
        listed = ", ".join(fmt.exact(value) for value in breakpoints.tolist())
        raise InputError(f"{place}: axis {axis} has no breakpoint between {low} and {high}; it has {listed}")
    return np.asarray(inside)
