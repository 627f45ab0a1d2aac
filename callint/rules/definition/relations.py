"""Rules about relations between tables."""

from __future__ import annotations

from collections.abc import Iterator

from callint import fmt
from callint.comparing import relations
from callint.model import rule_ids
from callint.model.definition import (
    Axis,
    FixedAxis,
    Range,
    Relation,
    States,
    Table,
)
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.definition.values import allowed
from callint.rules.rule import Scope, rule


@rule(rule_ids.DEFINITION_UNUSABLE_RELATION, Severity.WARNING, Scope.DEFINITION)
def unusable_relation(context: CheckContext) -> Iterator[Finding]:
    """A relation refers to two tables that cannot be compared.

    Why it matters: the relation looks like a check, but no image can break it, or it compares numbers of
    different kinds. callint checks a relation wherever both tables have a value; it cannot compare tables in
    different units, or tables over signals that do not overlap. `within="operating"` needs a signal with an
    operating range, and that range must overlap with the axes. If the limits of the two tables do not overlap
    in the right order, no accepted values keep the relation; its tables or numbers are then swapped.
    Named states cannot be compared with numbers.

    Example: `<at-most table="boost_demand" bound="boost_ceiling"/>` with the demand in mbar and the ceiling
    in bar: 1200 is above 2, although 1200 mbar is not above 2 bar.

    Fix: relate the intended tables, or give both the same unit. In an inverse, each table needs one signal
    that the other lacks, in the unit of the other table's values.
    """
    tables = context.definition.tables
    for relation in context.definition.relations:
        if relation.table in context.layout.table_items and relation.other in context.layout.table_items:
            table, other = tables[relation.table], tables[relation.other]
            problem = (
                _problem(context, relation.kind, table, other)
                or _within_problem(context, relation)
                or _never_kept(context, relation)
            )
            if problem:
                yield definition_finding(
                    rule_ids.DEFINITION_UNUSABLE_RELATION,
                    relation.line,
                    f"{relation.kind} {other.name}",
                    f"{relation.kind} of {table.name} and {other.name}: {problem}",
                    "Relate the intended tables, or correct their axes and units.",
                    table.name,
                )


def _problem(context: CheckContext, kind: str, table: Table, other: Table) -> str | None:
    """A clause that says why two tables cannot be compared; None if they can."""
    if table.name == other.name:
        return "a table has no relation to itself"
    named = [isinstance(context.definition.conversion_of(item), States) for item in (table, other)]
    if any(named) and not all(named):
        return f"{(table if named[0] else other).name} has named states, but the other table has numbers"
    axes, other_axes = ({axis.signal: axis for axis in context.axes_of(item)} for item in (table, other))
    for item, by_signal in ((table, axes), (other, other_axes)):
        if len(by_signal) < len(item.axes):
            return f"both axes of {item.name} are over {next(iter(by_signal))}, which has one value at a time"
    for signal in (signal for signal in axes if signal in other_axes):
        shared = axes[signal], other_axes[signal]
        ranges = [axis.values for axis in shared if isinstance(axis, FixedAxis)]
        if len(ranges) == 2 and max(map(min, ranges)) > min(map(max, ranges)):
            return f"their axes over {signal} have no range in common"
        if problem := _unit_mismatch(context, *shared, f"their axes over {signal}"):
            return problem
    counts = ({signal: axis.count for signal, axis in by_signal.items()} for by_signal in (axes, other_axes))
    if relations.points_needed(kind, *counts) > relations.MOST_POINTS:
        return f"the comparison needs more than {relations.MOST_POINTS:,} operating points"
    if kind != "inverse":
        return _unit_mismatch(context, table, other, "their values")
    own = relations.own_signal(list(axes), list(other_axes))
    other_own = relations.own_signal(list(other_axes), list(axes))
    if own is None or other_own is None:
        return f"an inverse needs one signal that only {table.name} has, and one that only {other.name} has"
    forward = f"the output of {table.name} and the input of {other.name}"
    back = f"the output of {other.name} and the input of {table.name}"
    return _unit_mismatch(context, table, other_axes[other_own], forward) or _unit_mismatch(
        context, other, axes[own], back
    )


def _within_problem(context: CheckContext, relation: Relation) -> str | None:
    """A clause that says why a relation cannot be limited to operating ranges; None if it can."""
    if not relation.within:
        return None
    tables, ranges = context.definition.tables, relation.ranges(context.definition.signals)
    axes = [axis for name in (relation.table, relation.other) for axis in context.axes_of(tables[name])]
    limited = [axis for axis in axes if axis.signal in ranges]
    if axes and not limited:
        return (
            f'within="{relation.within}" has no effect, because no axis has a signal with an operating range'
        )
    for axis in limited:
        limits = ranges[axis.signal]
        if isinstance(axis, FixedAxis) and (max(axis.values) < limits.low or min(axis.values) > limits.high):
            return f"the axis {axis.name} lies outside the operating range of {axis.signal}"
    return None


def _never_kept(context: CheckContext, relation: Relation) -> str | None:
    """A clause that says that no values within the limits of both tables keep a relation; None if some do."""
    distances = _distances(context, relation)
    if distances is None or distances.low <= _most(relation):
        return None
    tables = context.definition.tables
    texts = (_accepted_text(context, tables[name]) for name in (relation.table, relation.other))
    return "their limits allow {} and {}, so no accepted values keep it".format(*texts)


def _distances(context: CheckContext, relation: Relation) -> Range | None:
    """The distances that the accepted values of two tables can have, as the relation measures them.

    The first above the second; of a gap, the second above the first; of equal tables, without a sign. None if
    the accepted values say nothing, as for an inverse.
    """
    definition = context.definition
    pair = [definition.tables[name] for name in (relation.table, relation.other)]
    if relation.kind == "inverse" or any(
        isinstance(definition.conversion_of(table), States) or table.demands.off for table in pair
    ):
        return None
    first, second = (allowed(context, table) for table in pair)
    if first.is_inverted or second.is_inverted:
        return None
    above = Range(first.low - second.high, first.high - second.low)  # of the first table above the second
    if relation.kind == "equal":
        return Range(max(above.low, -above.high, 0.0), max(above.high, -above.low))
    if relation.kind == "gap":
        above = Range(-above.high, -above.low)
    return above


def _accepted_text(context: CheckContext, table: Table) -> str:
    """The accepted values of a table."""
    values, unit = allowed(context, table), context.definition.unit_of(table)
    return f"{fmt.plain(values.low)} to {fmt.with_unit(fmt.plain(values.high), unit)}"


@rule(rule_ids.DEFINITION_REDUNDANT_RELATION, Severity.NOTE, Scope.DEFINITION)
def redundant_relation(context: CheckContext) -> Iterator[Finding]:
    """No accepted values of two tables can break their relation, or another relation says the same.

    Why it matters: the relation looks like a check, but it finds nothing that the limits of the tables do not
    find. Usually a limit, a margin or one of the two tables is not the intended one.

    Example: `<at-most table="idle_speed" bound="overspeed_cut"/>` with limits of 600 to 1300 rpm and of 3000
    to 4600 rpm. With a limit of 3001 rpm for the idle speed, the relation can be broken.

    Fix: relate the intended tables, correct the limits or the margin, or remove the relation.
    """
    earlier: dict[tuple[str, ...], Relation] = {}
    for relation in context.definition.relations:
        names = relation.table, relation.other
        if any(name not in context.layout.table_items for name in names):
            continue
        table, other = (context.definition.tables[name] for name in names)
        key = relation.kind, relation.within, *(sorted(names) if relation.kind == "equal" else names)
        first = earlier.setdefault(key, relation)
        if first is not relation:
            problem = f"line {first.line} relates the same tables in the same way"
        elif _problem(context, relation.kind, table, other) is None and _always_holds(context, relation):
            problem = (
                f"their limits allow {_accepted_text(context, table)} and {_accepted_text(context, other)}, "
                "so no accepted values break it"
            )
        else:
            continue
        yield definition_finding(
            rule_ids.DEFINITION_REDUNDANT_RELATION,
            relation.line,
            f"{relation.kind} {other.name}" + ("" if first is relation else " again"),
            f"{relation.kind} of {table.name} and {other.name}: {problem}",
            "Relate the intended tables, correct the limits or the amount, or remove the relation.",
            table.name,
        )


def _always_holds(context: CheckContext, relation: Relation) -> bool:
    distances = _distances(context, relation)
    return distances is not None and distances.high <= _most(relation)


def _most(relation: Relation) -> float:
    """The largest distance of the first table above the second; of a gap, of the second above the first."""
    return relation.amount if relation.kind == "equal" else -relation.amount


def _unit_mismatch(
    context: CheckContext, first: Table | Axis, second: Table | Axis, names: str
) -> str | None:
    """A clause that says that two items have different units; an absent unit fits any."""
    units = [context.definition.unit_of(item) for item in (first, second)]
    return f"{names} are in {units[0]} and in {units[1]}" if all(units) and units[0] != units[1] else None
