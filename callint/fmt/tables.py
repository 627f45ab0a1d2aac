"""Tables, operating points and their changes as text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from string import ascii_uppercase

from callint.fmt import numbers
from callint.model.change import OutputShift, TextChange
from callint.model.definition import PLAIN, Axis, Definition, Purpose, StoredAxis, Table
from callint.model.derived_axis import DerivedAxis


def axis_value(definition: Definition, axis: Axis, value: float) -> str:
    """A value along an axis with its unit."""
    text = (
        numbers.number(value, definition.conversion_of(axis), axis.storage)
        if isinstance(axis, StoredAxis)
        else numbers.output(value)
        if isinstance(axis, DerivedAxis)
        else numbers.plain(value)
    )
    return numbers.with_unit(numbers.trimmed(text), definition.unit_of(axis))


def format_breakpoints(definition: Definition, axis: Axis, values: tuple[float, ...]) -> list[str]:
    """Values along an axis without their unit; values that differ have enough digits to show it."""
    if isinstance(axis, StoredAxis):
        return numbers.format_distinct(values, definition.conversion_of(axis), axis.storage)
    return numbers.format_distinct(values, PLAIN)


def point(definition: Definition, axes: Iterable[str], at: Mapping[str, float]) -> str:
    """An operating point in the formats of the named axes: "2200 rpm, 45 mg"."""
    by_signal = {definition.axes[name].signal: definition.axes[name] for name in axes}
    return ", ".join(axis_value(definition, by_signal[signal], value) for signal, value in at.items())


def output_shift(definition: Definition, shift: OutputShift) -> str:
    """The change of a table's output: "up to +6 mg at 1900 rpm", or "unchanged within 0.4 mg"."""
    unit = numbers.distance_unit(definition.unit_of(shift.table))
    amount = float(f"{shift.new - shift.old:.3g}")
    if not shift.size:
        return "partly switched on or off" if shift.switched else "unchanged"
    if shift.is_slight:
        return f"unchanged within {numbers.with_unit(numbers.plain(abs(amount)), unit)}"
    place = point(definition, shift.table.axes, shift.at)
    change = f"up to {'+' if amount > 0 else ''}{numbers.with_unit(numbers.plain(amount), unit)} at {place}"
    return f"{change}, and partly switched on or off" if shift.switched else change


def output_shift_clause(definition: Definition, shift: OutputShift) -> str:
    """The change of a table's output as a clause: "output moved by up to +6 mg", or "output unchanged"."""
    is_far = shift.size and not shift.is_slight
    return f"output {'moved by ' if is_far else ''}{output_shift(definition, shift)}"


def name_with_purpose(table: Table) -> str:
    """A table's name, with its purpose if that is protection or emissions."""
    is_critical = table.purpose in (Purpose.PROTECTION, Purpose.EMISSIONS)
    return f"{table.name} ({table.purpose.value})" if is_critical else table.name


def list_names(names: Sequence[str], most: int) -> str:
    """The first ``most`` names, and the number of the others: "a, b, c and 2 more"."""
    others = len(names) - most
    return ", ".join(names[:most]) + (f" and {others} more" if others > 0 else "")


#: The most bytes that are printed of two texts that read alike.
_MOST_BYTES = 8


def text_change(change: TextChange, between: str) -> str:
    """A text before and after: '"A" → "B"'; if both read alike, with the bytes that differ.

    ``between`` is the arrow or verb between the two.
    """
    text = f'"{change.old}" {between} "{change.new}"'
    if change.hidden is None:
        return text
    old, new = (
        part[:_MOST_BYTES].hex(" ").upper() + (" ..." if len(part) > _MOST_BYTES else "")
        for part in change.hidden
    )
    return f"{text} (they read alike; bytes {old} {between} {new})"


def letter(number: int) -> str:
    """The mark with a number from 0: A to Z, then AA, AB and so on."""
    mark = ""
    number += 1
    while number:
        number, place = divmod(number - 1, len(ascii_uppercase))
        mark = ascii_uppercase[place] + mark
    return mark
