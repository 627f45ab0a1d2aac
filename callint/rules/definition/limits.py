"""Rules about limits, ranges and guards."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from callint import fmt
from callint.decoding.conversions import to_raw_numbers
from callint.model import rule_ids
from callint.model.definition import (
    NO_CONSTRAINTS,
    Axis,
    Conversion,
    FixedAxis,
    Guard,
    Linear,
    Purpose,
    Range,
    Rational,
    States,
    Storage,
    Table,
)
from callint.model.derived_axis import DerivedAxis
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.definition.values import allowed, storable
from callint.rules.rule import Scope, rule


@rule(rule_ids.DEFINITION_LIMITS_INVERTED, Severity.ERROR, Scope.DEFINITION)
def limits_inverted(context: CheckContext) -> Iterator[Finding]:
    """A lower limit is above its upper limit.

    Why it matters: no value satisfies the limits, so callint reports every cell, and people stop reading the
    findings.

    Example: `<limits min="90" max="0"/>`; `plausible="130 -40"`.

    Fix: swap the two limits.
    """
    for table in context.definition.tables.values():
        for noun, range_ in (("limits", table.demands.limits), ("expected", table.demands.expected)):
            yield from _inverted_range(f"{noun} of {table.name}", range_, table.line, table.name)
    for signal in context.definition.signals.values():
        for noun, range_ in (("plausible", signal.plausible), ("operating", signal.operating)):
            yield from _inverted_range(f"{noun} range of {signal.name}", range_, signal.line)


def _inverted_range(name: str, limits: Range | None, line: int, table: str = "") -> Iterator[Finding]:
    if limits is not None and limits.is_inverted:
        low, high = fmt.plain(limits.low), fmt.plain(limits.high)
        message = f"{name}: the lower limit {low} is above the upper limit {high}"
        hint = "Swap the two numbers."
        yield definition_finding(rule_ids.DEFINITION_LIMITS_INVERTED, line, name, message, hint, table)


@rule(rule_ids.DEFINITION_LIMITS_UNREACHABLE, Severity.WARNING, Scope.DEFINITION)
def limits_unreachable(context: CheckContext) -> Iterator[Finding]:
    """No stored value can reach a limit.

    Why it matters: a limit beyond the range of the type never triggers, so it protects nothing; usually the
    factor or the type is wrong. The same applies to an expected range beyond the limits, to an operating
    range beyond the plausible one, to a change limit that is as wide as the limits, and to a gradient that
    even a jump from the lowest to the highest value between the closest breakpoints keeps. Breakpoints that
    the image stores may be as close as one step of their storage.

    Example: `<limits min="0" max="300"/>` on a uint8 with factor 1, which ends at 255. `<limits min="0"
    max="90"/><change max="90"/>`: no change within the limits is larger than 90; 89.9 barely passes.

    Fix: correct the limit, the factor or the type.
    """
    for table in context.definition.tables.values():
        if context.definition.is_resolved(table):
            yield from _outside_storage(context, table)
            yield from _wide_change(context, table)
            yield from _wide_gradients(context, table)
        limits, expected = table.demands.limits, table.demands.expected
        if limits and expected and not limits.is_inverted and not expected.is_inverted:
            yield from _outside(f"expected range of {table.name}", "limits", expected, limits, table)
    for signal in context.definition.signals.values():
        if signal.plausible and signal.operating:
            name = f"operating range of {signal.name}"
            yield from _outside(name, "plausible range", signal.operating, signal.plausible, signal.line)


def _outside_storage(context: CheckContext, table: Table) -> Iterator[Finding]:
    # An expected range is compared with the limits, if there are some.
    limits, noun = table.demands.limits, "limits"
    if limits is None:
        limits, noun = table.demands.expected, "expected range"
    if limits is None or limits.is_inverted:
        return
    end = noun if noun == "expected range" else "limit"
    conversion = context.definition.conversion_of(table)
    if isinstance(conversion, Rational):
        yield from _outside_rational(conversion, table, limits)
        return
    storable_range = storable(context, table)
    low, high = storable_range.low, storable_range.high
    unit = conversion.unit
    if limits.low > high or limits.high < low:
        yield definition_finding(
            rule_ids.DEFINITION_LIMITS_UNREACHABLE,
            table.line,
            f"{table.name} {noun}",
            f"no value that {table.name} can hold lies within its {noun} of {fmt.plain(limits.low)} to "
            f"{fmt.with_unit(fmt.plain(limits.high), unit)}: its {table.storage.type.name} holds "
            f"{fmt.plain(low)} to {fmt.with_unit(fmt.plain(high), unit)}",
            "Correct the limits, the factor or the type.",
            table.name,
        )
        return
    if low <= limits.low and limits.high <= high:
        return
    step = _step(conversion, table.storage, high - low)
    for value, broken in (
        # With 64-bit numbers, a double may equal the end and the last step before it.
        (limits.high, limits.high >= high + step and limits.high > high),
        (limits.low, limits.low <= low - step and limits.low < low),
    ):
        if broken and math.isfinite(value):
            yield definition_finding(
                rule_ids.DEFINITION_LIMITS_UNREACHABLE,
                table.line,
                f"{table.name} {value}",
                f"no value of {table.name} can reach the {end} of "
                f"{fmt.with_unit(fmt.plain(value), unit)}: its {table.storage.type.name} holds "
                f"{fmt.plain(low)} to {fmt.with_unit(fmt.plain(high), unit)}",
                "Correct the limit, the factor or the type.",
                table.name,
            )


def _outside_rational(conversion: Rational, table: Table, limits: Range) -> Iterator[Finding]:
    """The limits whose raw numbers do not fit: the ends of a rational conversion need not be its extremes."""
    low, high = table.storage.raw_limits
    values = np.array([limits.low, limits.high])
    for value, raw in zip(values.tolist(), to_raw_numbers(conversion, values).tolist(), strict=True):
        # A lower limit of 0 is not a mistake: a period never reaches it, and 0 states that.
        if value and math.isfinite(value) and math.isfinite(raw) and not low - 1 < raw < high + 1:
            yield definition_finding(
                rule_ids.DEFINITION_LIMITS_UNREACHABLE,
                table.line,
                f"{table.name} {value}",
                f"no value of {table.name} can reach the limit of "
                f"{fmt.with_unit(fmt.plain(value), conversion.unit)}: that is raw {fmt.plain(raw)}, and its "
                f"{table.storage.type.name} holds {fmt.plain(low)} to {fmt.plain(high)}",
                "Correct the limit, the coefficients or the type.",
                table.name,
            )


def _wide_change(context: CheckContext, table: Table) -> Iterator[Finding]:
    """The finding about a change limit that no change within the limits exceeds."""
    change, conversion = table.demands.change, context.definition.conversion_of(table)
    if change is None or isinstance(conversion, States):
        return
    accepted = allowed(context, table)
    span = accepted.high - accepted.low
    if 0 < span <= change and math.isfinite(span):
        unit = conversion.unit
        yield definition_finding(
            rule_ids.DEFINITION_LIMITS_UNREACHABLE,
            table.line,
            f"{table.name} change",
            f"no change of {table.name} can exceed its change limit of "
            f"{fmt.with_unit(fmt.plain(change), fmt.distance_unit(unit))}: its values lie between "
            f"{fmt.plain(accepted.low)} and {fmt.with_unit(fmt.plain(accepted.high), unit)}",
            "Correct the change limit or the limits.",
            table.name,
        )


def _wide_gradients(context: CheckContext, table: Table) -> Iterator[Finding]:
    """The findings about gradients that no values within the limits exceed."""
    conversion = context.definition.conversion_of(table)
    accepted = allowed(context, table)
    span = accepted.high - accepted.low
    if isinstance(conversion, States) or not (span > 0 and math.isfinite(span)):
        return
    for gradient in table.demands.gradients:
        name = table.x if gradient.along == "x" else table.y
        axis = context.definition.axes.get(name or "")
        distance = 0.0 if axis is None else _least_distance(context, axis)
        if axis is None or not distance or span / distance > gradient.max * (1 + 1e-9):
            continue
        unit = fmt.distance_unit(conversion.unit)
        axis_unit = context.definition.unit_of(axis)
        yield definition_finding(
            rule_ids.DEFINITION_LIMITS_UNREACHABLE,
            gradient.line,
            f"{table.name} gradient {gradient.along}",
            f"no slope of {table.name} along {gradient.along} can exceed "
            f"{fmt.with_unit(fmt.plain(gradient.max), f'{unit} per {axis_unit}')}: its values lie between "
            f"{fmt.plain(accepted.low)} and {fmt.with_unit(fmt.plain(accepted.high), conversion.unit)}, and "
            f"its breakpoints are at least {fmt.with_unit(fmt.plain(distance), axis_unit)} apart",
            "Correct the gradient, the limits or the axis.",
            table.name,
        )


def _least_distance(context: CheckContext, axis: Axis) -> float:
    """The smallest distance that two breakpoints of an axis can have, in its unit; 0 if it is unknown."""
    if isinstance(axis, FixedAxis):
        return min((abs(second - first) for first, second in pairwise(axis.values)), default=0.0)
    if isinstance(axis, DerivedAxis):
        return 0.0
    conversion = context.definition.conversion_of(axis)
    is_even = isinstance(conversion, Linear) and axis.storage.type.is_integer
    return abs(conversion.factor) if is_even and isinstance(conversion, Linear) else 0.0


def _step(conversion: Conversion, storage: Storage, span: float) -> float:
    """One raw step in physical units: rounding a limit up by less than that is not a mistake."""
    if isinstance(conversion, Linear) and storage.type.is_integer:
        return abs(conversion.factor) * (1 - 1e-9)
    return 1e-9 * span


def _outside(name: str, outer_name: str, inner: Range, outer: Range, of: Table | int) -> Iterator[Finding]:
    line, table = (of, "") if isinstance(of, int) else (of.line, of.name)
    for value, broken in (
        (inner.low, math.isfinite(inner.low) and inner.low < outer.low),
        (inner.high, math.isfinite(inner.high) and inner.high > outer.high),
    ):
        if broken:
            yield definition_finding(
                rule_ids.DEFINITION_LIMITS_UNREACHABLE,
                line,
                f"{name} {value}",
                f"the {name} reaches {fmt.plain(value)}, beyond the {outer_name} of "
                f"{fmt.plain(outer.low)} to {fmt.plain(outer.high)}",
                "Correct one of the two ranges.",
                table,
            )


@rule(rule_ids.DEFINITION_REPEATED_DEMAND, Severity.WARNING, Scope.DEFINITION)
def repeated_demand(context: CheckContext) -> Iterator[Finding]:
    """A table has two demands of one kind along one axis.

    Why it matters: one of the two was meant for the other axis, along which nothing is demanded now.

    Example: a map with `<gradient along="x" max="2"/><gradient along="x" max="45"/>`, of which the second is
    that of y.

    Fix: correct `along=` of one of them, or remove it.
    """
    for table in context.definition.tables.values():
        for name, demands in (("monotonic", table.demands.monotonic), ("gradient", table.demands.gradients)):
            if len(demands) > 1 and demands[0].along == demands[1].along:
                yield definition_finding(
                    rule_ids.DEFINITION_REPEATED_DEMAND,
                    demands[1].line,
                    f"{table.name} {name}",
                    f"{table.name} has two <{name}> along {demands[0].along}",
                    "Correct along= of one of them, or remove it.",
                    table.name,
                )


def _whole_tables(context: CheckContext) -> Iterator[Table]:
    """The tables without those of which something is invalid: it may be what they seem to lack."""
    invalid = context.loaded.unread.elements
    for table in context.definition.tables.values():
        if not invalid.has("table", table.name) and not invalid.has("conversion", table.conversion or ""):
            yield table


@rule(rule_ids.DEFINITION_NO_LIMITS, Severity.NOTE, Scope.DEFINITION)
def no_limits(context: CheckContext) -> Iterator[Finding]:
    """A table has no limits.

    Why it matters: nobody notices an impossible value in the table. Tables of named states need no
    limits, and neither do tables that must equal the base: those with `<change max="0"/>`.

    Example: a map of rail pressure demand without `<limits>`: 21000 bar passes.

    Fix: add `<limits min= max=/>` with what the hardware withstands and the maker allows.
    """
    related = _related(context)
    for table in _whole_tables(context):
        if table.demands.limits is not None or _is_unchecked(context, table, related):
            continue  # definition/unguarded-protection reports a protection of which nothing is demanded
        is_states = isinstance(context.definition.conversion_of(table), States)
        is_known = table.conversion is None or table.conversion in context.definition.conversions
        is_fixed = table.demands.change == 0
        if is_known and not is_states and not is_fixed:
            yield definition_finding(
                rule_ids.DEFINITION_NO_LIMITS,
                table.line,
                table.name,
                f"{table.purpose} table {table.name} has no limits: any value passes",
                "Add <limits min= max=/> with the values that the hardware withstands.",
                table.name,
            )


@rule(
    rule_ids.DEFINITION_UNGUARDED_PROTECTION,
    Severity.WARNING,
    Scope.DEFINITION,
    if_severe=Severity.ERROR,
)
def unguarded_protection(context: CheckContext) -> Iterator[Finding]:
    """A protection table has no guard.

    Why it matters: a guard describes what the table looks like when it no longer protects. Without a guard,
    nobody notices when somebody moves an overspeed cut to a speed that the engine never reaches. If nothing
    else is demanded of the table either, neither limits nor a change limit nor a relation, the finding is an
    error.

    Example: `<scalar name="overspeed_cut" purpose="protection" ...>` without a `<guard above="5000"/>`.

    Fix: add `<guard .../>` with the value beyond which, or the state in which, the table no longer protects.
    """
    related = _related(context)
    for table in _whole_tables(context):
        if table.purpose is not Purpose.PROTECTION or table.demands.guards:
            continue
        unchecked = _is_unchecked(context, table, related)
        finding = definition_finding(
            rule_ids.DEFINITION_UNGUARDED_PROTECTION,
            table.line,
            table.name,
            f"protection table {table.name} has neither a guard nor limits, and nothing else "
            "is demanded of it: it may hold any value"
            if unchecked
            else f"protection table {table.name} has no guard: nobody notices when it stops protecting",
            "Add <guard .../> with the value beyond which the table no longer protects.",
            table.name,
        )
        yield replace(finding, severe=unchecked)


def _related(context: CheckContext) -> set[str]:
    """The names of the tables in relations."""
    relations = context.definition.relations
    return {name for relation in relations for name in (relation.table, relation.other)}


def _is_unchecked(context: CheckContext, table: Table, related: Collection[str]) -> bool:
    """Whether nothing at all is demanded of a protection."""
    return (
        table.purpose is Purpose.PROTECTION
        and replace(table.demands, off=None) == NO_CONSTRAINTS
        and table.name not in related
        and not context.loaded.unread.elements.relates(table.name)
        and not isinstance(context.definition.conversion_of(table), States)
    )


@rule(rule_ids.DEFINITION_UNDIRECTED_PROTECTION, Severity.WARNING, Scope.DEFINITION)
def undirected_protection(context: CheckContext) -> Iterator[Finding]:
    """No guard of a protection table says in which direction it protects less.

    Why it matters: `<guard flat="true"/>` is evaded by changing one cell, and a guard of a raw number by the
    number next to it. Only a guard above or below tells callint whether a changed value protects less, how
    much of the effect is lost, and that a stronger protection is not a fault.

    Example: a torque derating that has only `<guard flat="true"/>`. Its last cell is raised from 30 % to 99.5
    %: the table is not flat, and nothing in the definition says that 99.5 % protects less than 30 %. With
    `<guard above="99"/>` too, that is an error. Tables of named states have no direction and need none. A
    table that bounds another one in an `<at-most>` protects less if it rises, so it needs a guard above.

    Fix: add `<guard above= />` to a table that limits from above, or `<guard below= />` to one that limits
    from below.
    """
    relations = context.definition.relations
    bounded = {relation.other: relation.table for relation in relations if relation.kind == "at-most"}
    for table in _whole_tables(context):
        guards = table.demands.guards
        is_known = table.conversion is None or table.conversion in context.definition.conversions
        is_states = isinstance(context.definition.conversion_of(table), States)
        if table.purpose is not Purpose.PROTECTION or not guards or not is_known or is_states:
            continue  # a table without guards is unguarded
        if all(guard.above is None and guard.below is None for guard in guards):
            kinds = " and ".join(dict.fromkeys(map(_condition, guards)))
            yield definition_finding(
                rule_ids.DEFINITION_UNDIRECTED_PROTECTION,
                table.line,
                table.name,
                f"protection table {table.name} has no guard above or below, only {kinds}: "
                "nobody knows whether a changed value protects less",
                "Add <guard above= /> or <guard below= /> with the value beyond which it no longer protects.",
                table.name,
            )
        elif table.name in bounded and all(guard.above is None for guard in guards):
            yield definition_finding(
                rule_ids.DEFINITION_UNDIRECTED_PROTECTION,
                table.line,
                table.name,
                f"protection table {table.name} bounds {bounded[table.name]} from above and protects less if "
                "it rises, but it has no guard above, only below",
                "Add <guard above= /> with the value beyond which it no longer protects.",
                table.name,
            )


@rule(rule_ids.DEFINITION_UNLIMITED_EMISSIONS, Severity.NOTE, Scope.DEFINITION)
def unlimited_emissions(context: CheckContext) -> Iterator[Finding]:
    """An emissions curve or map has no change limit.

    Why it matters: `change/emissions` reports every change of an emissions table, but the change of one cell
    among hundreds looks the same whether it is a correction of 1 % or an entry error of 100 %. Only a change
    limit tells them apart. Scalars need none, because the report shows their one value,
    and neither do tables with an off code, because switching a cell off or on is a change without a size.

    Example: a map of the fresh air demand with `<limits min="200" max="1800"/>` alone. With `<change
    max="60"/>` too, an edit by 200 mg is an error.

    Fix: add `<change max=/>` with the largest step that a calibrator makes at once.
    """
    for table in _whole_tables(context):
        demands = table.demands
        if (
            table.purpose is Purpose.EMISSIONS
            and table.axes
            and demands.change is None
            and demands.off is None
            and demands.limits is not None  # definition/no-limits reports the others
            and not isinstance(context.definition.conversion_of(table), States)
        ):
            yield definition_finding(
                rule_ids.DEFINITION_UNLIMITED_EMISSIONS,
                table.line,
                table.name,
                f"emissions {table.kind} {table.name} has no change limit: "
                "an entry error within the limits looks like any other change",
                "Add <change max=/> with the largest step that a calibrator makes at once.",
                table.name,
            )


def _condition(guard: Guard) -> str:
    """The condition of a guard without a direction."""
    if guard.flat:
        return "flat"
    return f"raw {guard.raw}" if guard.raw is not None else f'"{guard.state}"'
