"""Rules about conversions and their units."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.decoding.conversions import to_physical, to_raw_numbers
from callint.model import rule_ids
from callint.model.definition import (
    Axis,
    Conversion,
    Interpolated,
    Linear,
    Rational,
    States,
    Table,
)
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.rule import Scope, rule


@rule(rule_ids.DEFINITION_NOT_INVERTIBLE, Severity.ERROR, Scope.DEFINITION)
def not_invertible(context: CheckContext) -> Iterator[Finding]:
    """A conversion is not invertible from physical to raw.

    Why it matters: callint can show values of this conversion, but it cannot enter, merge or carry them. Two
    raw numbers that look the same to people are different to the engine.

    Example: `factor="0"`; one state name for two raw values; an interpolated conversion that rises and then
    falls; a rational conversion whose parabola has its turning point inside the limits of its table.

    Fix: correct the factor, the states, the points or the coefficients.
    """
    for conversion in context.definition.conversions.values():
        if reason := _why_not_invertible(conversion):
            yield definition_finding(
                rule_ids.DEFINITION_NOT_INVERTIBLE,
                conversion.line,
                conversion.name,
                f"conversion {conversion.name} is not invertible: {reason}",
                "Correct the conversion so that every physical value has one raw value.",
            )
    for table in context.definition.tables.values():
        conversion = context.definition.conversion_of(table)
        if isinstance(conversion, Rational) and (reason := _why_not_invertible_within(conversion, table)):
            yield definition_finding(
                rule_ids.DEFINITION_NOT_INVERTIBLE,
                table.line,
                f"{table.name} {conversion.name}",
                f"conversion {conversion.name} is not invertible within the limits of {table.name}: {reason}",
                "Correct the coefficients or the limits.",
                table.name,
            )


def _why_not_invertible(conversion: Conversion) -> str | None:
    """A clause that says why a conversion is not invertible; None if it is."""
    match conversion:
        case Linear():
            return "the factor is 0" if conversion.factor == 0 else None
        case States():
            return f"{', '.join(conversion.repeats)} occurs twice" if conversion.repeats else None
        case Interpolated():
            order = np.argsort(conversion.raw, kind="stable")
            raw, physical = np.array(conversion.raw)[order], np.array(conversion.physical)[order]
            if (np.diff(raw) == 0).any():
                return "one raw value occurs twice"
            steps = np.diff(physical)
            return None if (steps > 0).all() or (steps < 0).all() else "the points are not monotonic"
        case Rational(coefficients=(a, b, c, d, e, f)):
            if d == e == f == 0:
                return "the denominator is 0"
            constant = np.linalg.matrix_rank(np.array([[a, b, c], [d, e, f]])) < 2
            return "raw does not depend on the physical value" if constant else None


def _why_not_invertible_within(conversion: Rational, table: Table) -> str | None:
    """A clause with a value within the limits that does not come back from raw; None if all do."""
    limits = table.demands.limits
    if limits is None or not math.isfinite(limits.low) or not math.isfinite(limits.high):
        return None
    values = np.linspace(limits.low, limits.high, 33)
    back = to_physical(conversion, to_raw_numbers(conversion, values))
    width = max(abs(limits.low), abs(limits.high), 1e-12)
    lost = ~(np.abs(back - values) <= 1e-6 * width)
    # Whether the type can hold a raw value is not a question of the inverse.
    lost &= np.isfinite(to_raw_numbers(conversion, values))
    if not lost.any():
        return None
    first = int(np.flatnonzero(lost)[0])
    back_text = fmt.plain(float(back[first])) if np.isfinite(back[first]) else "nothing"
    return f"{fmt.plain(float(values[first]))} comes back as {back_text}"


@rule(rule_ids.DEFINITION_NO_UNIT, Severity.NOTE, Scope.DEFINITION)
def no_unit(context: CheckContext) -> Iterator[Finding]:
    """A conversion has no unit.

    Why it matters: readers assume a unit for a number without one; bar and MPa differ by a factor of ten.

    Example: `<linear name="pressure" factor="0.1"/>`.

    Fix: add `unit=`; write `unit="-"` for a dimensionless number.
    """
    for conversion in context.definition.conversions.values():
        if not isinstance(conversion, States) and not conversion.unit:
            yield definition_finding(
                rule_ids.DEFINITION_NO_UNIT,
                conversion.line,
                conversion.name,
                f"conversion {conversion.name} has no unit",
                'Add unit=; write unit="-" for a pure number.',
            )


#: The units of a pure number and of one whose unit the definition does not give.
_NO_UNITS = {"", "-"}


@rule(rule_ids.DEFINITION_UNIT_DIFFERS, Severity.WARNING, Scope.DEFINITION)
def unit_differs(context: CheckContext) -> Iterator[Finding]:
    """The unit of an axis or table differs from the unit of its signal.

    Why it matters: callint uses the same number in both units. It then looks up a breakpoint of 30 m/s at 30
    km/h, and every operating point, threshold and reading of that signal is wrong by the ratio of the units.

    Example: `<signal name="boat_speed" unit="km/h">` and an axis of this signal with a conversion in m/s.

    Fix: correct the unit or the conversion, or give the axis its own signal. If the two are spellings of one
    unit, use one spelling.
    """
    definition = context.definition
    pairs: list[tuple[str, Axis | Table, str | None]] = [
        ("axis", axis, axis.signal) for axis in definition.axes.values()
    ]
    for table in definition.tables.values():
        pairs += [("table", table, name) for name in dict.fromkeys((table.signal, table.produces))]
    for noun, item, name in pairs:
        signal = definition.signals.get(name or "")
        unit = definition.unit_of(item)
        if signal is None or {unit, signal.unit} & _NO_UNITS or fmt.same_unit(unit, signal.unit):
            continue
        yield definition_finding(
            rule_ids.DEFINITION_UNIT_DIFFERS,
            item.line,
            f"{item.name} {signal.name}",
            f"{noun} {item.name} is in {fmt.unit_word(unit)}, but its signal {signal.name} is in "
            f"{fmt.unit_word(signal.unit)}",
            "Correct one of the units, or use a different signal.",
            item.name if isinstance(item, Table) else "",
        )
