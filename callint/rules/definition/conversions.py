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


@rule(rule_ids.DEFINITION_SIMILAR_CONVERSION, Severity.WARNING, Scope.DEFINITION)
def similar_conversion(context: CheckContext) -> Iterator[Finding]:
    """Two conversions of one unit differ in one number, by a hundredth of it or less.

    Why it matters: one of the two was probably meant to be the other, and a digit of it is wrong or was
    rounded away. Every value of its tables is then wrong by a little, which nobody sees in a single table.
    Two conversions that are equal are not reported: descriptions often have one for each table.

    Example: factors of 0.0078125 and of 0.0078, both in the unit "-": 1/128 and its rounded copy, 0.16 %
    apart. Factors of 0.1 and 0.102 barely pass, and so do two sensors that differ in factor and offset.

    Fix: correct the wrong one and use one conversion for both; or, if both are right, set the rule to note in
    the policy.
    """
    groups: dict[tuple[str, str, int], list[tuple[Conversion, list[float]]]] = {}
    for conversion in context.definition.conversions.values():
        if numbers := _numbers(conversion):
            key = type(conversion).__name__, conversion.unit, len(numbers)
            groups.setdefault(key, []).append((conversion, numbers))
    for members in groups.values():
        if len(members) > 1:
            yield from _similar(members)


def _numbers(conversion: Conversion) -> list[float]:
    """The numbers of a conversion, in an order in which those of two conversions can be compared."""
    match conversion:
        case Linear():
            return [conversion.factor, conversion.offset]
        case Rational():
            return [*conversion.coefficients]
        case Interpolated():
            return [*conversion.raw, *conversion.physical]
        case States():
            return []


#: The relative difference up to which two numbers of conversions are similar.
_SIMILAR = 0.01


def _similar(members: list[tuple[Conversion, list[float]]]) -> Iterator[Finding]:
    """The findings about conversions of one form and unit: the neighbours in the order of their numbers."""
    # Of equal ones, the first stands for all.
    distinct = list({tuple(numbers): conversion for conversion, numbers in reversed(members)}.items())
    order = sorted(distinct, key=lambda item: item[0])
    numbers = np.array([numbers for numbers, _ in order])
    before, after = numbers[:-1], numbers[1:]
    near = np.abs(after - before) <= _SIMILAR * np.maximum(np.abs(before), np.abs(after))
    alike = near.all(axis=1) & (np.count_nonzero(before != after, axis=1) == 1)
    for place in np.flatnonzero(alike).tolist():
        first, second = sorted((order[place][1], order[place + 1][1]), key=lambda item: item.line)
        yield definition_finding(
            rule_ids.DEFINITION_SIMILAR_CONVERSION,
            second.line,
            f"{first.name} {second.name}",
            f"conversion {second.name} is almost {first.name} (line {first.line}): "
            f"{_difference(first, second)}",
            "Correct the wrong one and use one conversion for both.",
        )


def _difference(first: Conversion, second: Conversion) -> str:
    """The first number in which two similar conversions differ."""
    names = {Linear: ("factor", "offset"), Rational: tuple("abcdef")}.get(type(first), ())
    pairs = zip(_numbers(first), _numbers(second), strict=True)
    place, (one, other) = next((n, pair) for n, pair in enumerate(pairs) if pair[0] != pair[1])
    noun = names[place] if names else "a point"
    return f"{noun} {fmt.plain(other)} instead of {fmt.plain(one)}"


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
