"""Rules about guards that do not do what they seem to do."""

from __future__ import annotations

import math
from collections.abc import Iterator

from callint import fmt
from callint.model import rule_ids
from callint.model.definition import Guard, Purpose, Range, States, Table
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.definition.values import allowed, storable
from callint.rules.rule import Scope, rule


@rule(rule_ids.DEFINITION_UNUSABLE_GUARD, Severity.WARNING, Scope.DEFINITION)
def unusable_guard(context: CheckContext) -> Iterator[Finding]:
    """A guard never matches, or it matches every accepted value.

    Why it matters: the guard looks like a check, but it says nothing about the table. callint looks at the
    guards of protection tables only, so a guard in any other table never matches. Nor does a guard beyond the
    values that the table can store, or a guard against a flat scalar. A guard that lies further beyond the
    limits than these are wide, and beyond twice a limit, finds nothing that the limits do not find. If every
    value that the table accepts matches the guard, its number or its direction is wrong.

    Example: `<guard above="300"/>` on a uint8 with factor 1, which ends at 255; 254 barely passes. With
    `<limits min="3000" max="4600"/>`, `<guard below="4700"/>` matches every accepted value.

    Fix: correct the number, the direction or the type; or give the table `purpose="protection"`.
    """
    for table in context.definition.tables.values():
        if not table.demands.guards:
            continue
        if table.purpose is not Purpose.PROTECTION:
            guard = table.demands.guards[0]
            yield definition_finding(
                rule_ids.DEFINITION_UNUSABLE_GUARD,
                guard.line,
                table.name,
                f"{table.name} has a guard, but it is a {table.purpose} table: "
                "callint looks at the guards of protection tables only",
                'Give the table purpose="protection", or remove the guard.',
                table.name,
            )
        elif context.definition.is_resolved(table):
            for guard in table.demands.guards:
                if problem := _problem(context, table, guard):
                    yield definition_finding(
                        rule_ids.DEFINITION_UNUSABLE_GUARD,
                        guard.line,
                        f"{table.name} {_condition(guard)}",
                        problem,
                        "Correct the guard, the limits or the type.",
                        table.name,
                    )


def _condition(guard: Guard) -> str:
    """The condition of a guard as the format writes it; unique among the guards of a table."""
    if guard.above is not None:
        return f"above {guard.above!r}"
    if guard.below is not None:
        return f"below {guard.below!r}"
    return "flat" if guard.flat else f"{guard.state or guard.raw}"


def _problem(context: CheckContext, table: Table, guard: Guard) -> str | None:
    """A sentence that says why a guard is of no use; None if it is."""
    if guard.flat:
        rows, columns = context.definition.shape_of(table)
        # definition/undirected-protection reports a table without other guards.
        if rows * columns == 1 and any(not other.flat for other in table.demands.guards):
            return f"the guard flat of {table.name} never matches: the table has one value"
        return None
    bound = guard.above if guard.above is not None else guard.below
    if bound is None or isinstance(context.definition.conversion_of(table), States):
        return None
    upward = guard.above is not None
    storable_range = storable(context, table)
    text = f"{'above' if upward else 'below'} {fmt.plain(bound)}"
    unit = context.definition.unit_of(table)
    if _never_matches(context, table, bound, storable_range, upward):
        return (
            f"no value of {table.name} can match its guard {fmt.with_unit(text, unit)}: "
            f"its {table.storage.type.name} holds {_span(storable_range, unit)}"
        )
    limits = table.demands.limits
    if limits is not None and not limits.is_inverted:
        limit = limits.high if upward else limits.low
        distance = bound - limit if upward else limit - bound
        if distance > max(limits.high - limits.low, abs(limit)):
            return (
                f"the guard {fmt.with_unit(text, unit)} of {table.name} lies far beyond its limits of "
                f"{_span(limits, unit)}: every value that it matches is an error anyway"
            )
    for noun, accepted in (("limits", allowed(context, table)), ("expected range", table.demands.expected)):
        if accepted is None or accepted.is_inverted or accepted == storable_range:
            continue
        if accepted.low > bound if upward else accepted.high < bound:
            return (
                f"every value within the {noun} of {table.name} ({_span(accepted, unit)}) matches "
                f"its guard {fmt.with_unit(text, unit)}"
            )
    return None


def _never_matches(
    context: CheckContext, table: Table, bound: float, storable_range: Range, upward: bool
) -> bool:
    """Whether no stored value is beyond the bound of a guard."""
    limits = table.demands.limits
    if upward:
        is_reported = limits is not None and math.isfinite(limits.high) and limits.high > storable_range.high
        return bound >= storable_range.high and not is_reported
    is_reported = limits is not None and math.isfinite(limits.low) and limits.low < storable_range.low
    return bound <= storable_range.low and not is_reported


def _span(values: Range, unit: str) -> str:
    """A range as text; an open end has no number."""
    if not math.isfinite(values.low):
        return f"up to {fmt.with_unit(fmt.plain(values.high), unit)}"
    if not math.isfinite(values.high):
        return f"from {fmt.with_unit(fmt.plain(values.low), unit)} on"
    return f"{fmt.plain(values.low)} to {fmt.with_unit(fmt.plain(values.high), unit)}"
