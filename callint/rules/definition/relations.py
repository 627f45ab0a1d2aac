"""Rules about relations between tables."""

from __future__ import annotations

from collections.abc import Iterator

from callint.comparing import relations
from callint.model import rule_ids
from callint.model.definition import (
    Axis,
    FixedAxis,
    Relation,
    Table,
)
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.rule import Scope, rule


@rule(rule_ids.DEFINITION_UNUSABLE_RELATION, Severity.WARNING, Scope.DEFINITION)
def unusable_relation(context: CheckContext) -> Iterator[Finding]:
    """A relation refers to two tables that cannot be compared.

    Why it matters: the relation looks like a check, but no image can break it, or it compares numbers of
    different kinds. callint checks a relation wherever both tables have a value; it cannot compare tables in
    different units, or tables over signals that do not overlap. `within="operating"` needs a signal with an
    operating range, and that range must overlap with the axes.

    Example: `<at-most table="boost_demand" bound="boost_ceiling"/>` with the demand in mbar and the ceiling
    in bar: 1200 is above 2, although 1200 mbar is not above 2 bar.

    Fix: relate the intended tables, or give both the same unit. In an inverse, each table needs one signal
    that the other lacks, in the unit of the other table's values.
    """
    tables = context.definition.tables
    for relation in context.definition.relations:
        if relation.table in context.layout.table_items and relation.other in context.layout.table_items:
            table, other = tables[relation.table], tables[relation.other]
            problem = _problem(context, relation.kind, table, other) or _within_problem(context, relation)
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
            f'within="{relation.within}" limits nothing, because no axis has a signal with an operating range'
        )
    for axis in limited:
        limits = ranges[axis.signal]
        if isinstance(axis, FixedAxis) and (max(axis.values) < limits.low or min(axis.values) > limits.high):
            return f"the axis {axis.name} lies outside the operating range of {axis.signal}"
    return None


def _unit_mismatch(
    context: CheckContext, first: Table | Axis, second: Table | Axis, names: str
) -> str | None:
    """A clause that says that two items have different units; an absent unit fits any."""
    units = [context.definition.unit_of(item) for item in (first, second)]
    return f"{names} are in {units[0]} and in {units[1]}" if all(units) and units[0] != units[1] else None
