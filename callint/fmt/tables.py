"""Tables, operating points and their changes as people read them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from callint.fmt import numbers
from callint.model.change import OutputShift, TextChange
from callint.model.definition import Axis, Definition, FixedAxis, Purpose, Table


def axis_value(definition: Definition, axis: Axis, value: float) -> str:
    """A value along an axis with its unit."""
    text = (
        numbers.plain(value)
        if isinstance(axis, FixedAxis)
        else numbers.number(value, definition.conversion_of(axis))
    )
    return numbers.with_unit(numbers.trimmed(text), definition.unit_of(axis))


def point(definition: Definition, axes: Iterable[str], at: Mapping[str, float]) -> str:
    """An operating point in words, written as on the named axes: "2200 rpm, 45 mg"."""
    by_signal = {definition.axes[name].signal: definition.axes[name] for name in axes}
    return ", ".join(axis_value(definition, by_signal[signal], value) for signal, value in at.items())


def movement(definition: Definition, moved: OutputShift) -> str:
    """How far a table's output moved: "up to +6 mg at 1900 rpm", or "unchanged within 0.4 mg"."""
    unit = definition.unit_of(moved.table)
    unit = numbers.distance_unit(unit)
    amount = float(f"{moved.new - moved.old:.3g}")
    if not moved.size:
        return "partly switched on or off" if moved.switched else "unchanged"
    if moved.is_slight:
        return f"unchanged within {numbers.with_unit(numbers.plain(abs(amount)), unit)}"
    place = point(definition, moved.table.axes, moved.at)
    text = f"up to {'+' if amount > 0 else ''}{numbers.with_unit(numbers.plain(amount), unit)} at {place}"
    return f"{text}, and partly switched on or off" if moved.switched else text


def output_movement(definition: Definition, moved: OutputShift) -> str:
    """The same as a clause: "output moved by up to +6 mg at 1900 rpm", or "output unchanged"."""
    is_far = moved.size and not moved.is_slight
    return f"output {'moved by ' if is_far else ''}{movement(definition, moved)}"


def name_with_purpose(table: Table) -> str:
    """A table's name, with a purpose that must not be overlooked."""
    loud = table.purpose in (Purpose.PROTECTION, Purpose.EMISSIONS)
    return f"{table.name} ({table.purpose.value})" if loud else table.name


def in_order_of_weight(movements: Iterable[OutputShift]) -> list[OutputShift]:
    """Movements that matter before slight ones, and of each protection before emissions before the rest."""
    weights = {Purpose.PROTECTION: 0, Purpose.EMISSIONS: 1}
    return sorted(movements, key=lambda shift: (shift.is_slight, weights.get(shift.table.purpose, 2)))


#: Of bytes that differ without anybody's seeing it so many are shown.
_MOST_BYTES = 8


def text_change(change: TextChange, between: str) -> str:
    """A text before and after; where both read alike, with the bytes that differ: "A" → "A" (20 → 00)."""
    text = f'"{change.old}" {between} "{change.new}"'
    if change.hidden is None:
        return text
    old, new = (
        part[:_MOST_BYTES].hex(" ").upper() + (" ..." if len(part) > _MOST_BYTES else "")
        for part in change.hidden
    )
    return f"{text} (they read alike; bytes {old} {between} {new})"
