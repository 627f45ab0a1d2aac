"""Rules about relations between tables."""

from __future__ import annotations

from collections.abc import Iterator

from callint.comparing import relations
from callint.model import rule_ids
from callint.model.definition import (
    Axis,
    FixedAxis,
    Table,
)
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.rule import Scope, rule


@rule(rule_ids.DEFINITION_UNUSABLE_RELATION, Severity.WARNING, Scope.DEFINITION)
def unusable_relation(context: CheckContext) -> Iterator[Finding]:
    """A relation relates two tables that cannot be compared.

    Why it matters: it reads like a check, but no image can break it, or what it compares are numbers of
    different kinds. A relation is judged wherever both tables give a number; tables in different units, or
    over signals that never meet, have nothing to be compared.

    Example: `<at-most table="boost_demand" bound="boost_ceiling"/>` where the demand is in mbar and the
    ceiling in bar: 1200 is above 2, although 1200 mbar is not above 2 bar.

    Fix: relate the tables that were meant, or give both the same unit. An inverse needs one signal that only
    the one table has, in the unit of the other's values, and the other way round.
    """
    tables = context.definition.tables
    for relation in context.definition.relations:
        if relation.table in context.layout.table_items and relation.other in context.layout.table_items:
            one, other = tables[relation.table], tables[relation.other]
            trouble = _trouble_of_relation(context, relation.kind, one, other)
            if trouble:
                yield definition_finding(
                    rule_ids.DEFINITION_UNUSABLE_RELATION,
                    relation.line,
                    f"{relation.kind} {other.name}",
                    f"{relation.kind} of {one.name} and {other.name}: {trouble}",
                    "Relate the intended tables, or correct their axes and units.",
                    one.name,
                )


def _trouble_of_relation(context: CheckContext, kind: str, one: Table, other: Table) -> str:
    """Why two tables cannot be compared; "" where they can."""
    if one.name == other.name:
        return "a table has no relation to itself"
    axes, others = ({axis.signal: axis for axis in context.axes_of(table)} for table in (one, other))
    for table, its in ((one, axes), (other, others)):
        if len(its) < len(table.axes):
            return f"both axes of {table.name} are over {next(iter(its))}, which has one value at a time"
    for signal in (signal for signal in axes if signal in others):
        ranges = [axis.values for axis in (axes[signal], others[signal]) if isinstance(axis, FixedAxis)]
        if len(ranges) == 2 and max(map(min, ranges)) > min(map(max, ranges)):
            return f"their axes over {signal} have no range in common"
        if trouble := _unlike(context, axes[signal], others[signal], f"their axes over {signal}"):
            return trouble
    counts = ({signal: axis.count for signal, axis in its.items()} for its in (axes, others))
    if relations.points_needed(kind, *counts) > relations.MOST_POINTS:
        return f"the comparison needs more than {relations.MOST_POINTS:,} operating points"
    if kind != "inverse":
        return _unlike(context, one, other, "their values")
    own, back = relations.own_signal(list(axes), list(others)), relations.own_signal(list(others), list(axes))
    if own is None or back is None:
        return f"an inverse needs one signal that only {one.name} has, and one that only {other.name} has"
    return _unlike(
        context, one, others[back], f"the output of {one.name} and the input of {other.name}"
    ) or _unlike(context, other, axes[own], f"the output of {other.name} and the input of {one.name}")


def _unlike(context: CheckContext, one: Table | Axis, other: Table | Axis, what: str) -> str:
    """That two things that should be alike have different units; a unit that is not said fits any."""
    first, second = (context.definition.unit_of(item) for item in (one, other))
    return f"{what} are in {first} and in {second}" if first and second and first != second else ""
