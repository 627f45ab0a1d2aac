"""The rule about tables that are equal in the factory image."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from callint import fmt
from callint.decoding.statistics import distinct
from callint.model import rule_ids
from callint.model.definition import Table
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.base import is_of_other_file
from callint.rules.definition.finding import definition_finding
from callint.rules.rule import Scope, rule

#: Fewer different values than this may be equal by chance.
_LEAST_DISTINCT = 3
#: The most tables that a message names.
_MOST_NAMES = 6


@rule(rule_ids.DEFINITION_UNSTATED_MIRROR, Severity.NOTE, Scope.FACTORY)
def unstated_mirror(context: CheckContext) -> Iterator[Finding]:
    """Two tables are equal in the factory image, and no relation says so.

    Why it matters: a control unit that keeps a copy of a table compares the two. Whoever edits one of them
    and not the other stops the engine at the next start. Without a relation callint cannot say so.

    Example: an idle speed curve and the monitor's copy of it, without an `<equal>`. Curves and maps over the
    same breakpoints of the same signals are compared, in one unit. They need three different values: a curve
    of 0, 0 and 100 % barely passes, as many tables look like that.

    A check of all files compares in the bases that the policy assigns, and `check DEFINITION --base IMAGE` in
    the given one.

    Fix: add `<equal table= mirror=/>` if one is the copy of the other. If they are equal by chance, such as
    the trims of four new injectors, set the rule to off in the policy, or waive the finding.
    """
    if context.image is None or is_of_other_file(context):
        return
    stated = _Groups()
    for relation in context.definition.relations:
        if relation.kind == "equal":
            stated.join(relation.table, relation.other)
    invalid = context.loaded.unread.elements
    for tables in _equal_tables(context):
        if invalid.relates(*(table.name for table in tables)):
            continue  # the relation that says so may be the invalid one
        first = {stated.of(table.name): table for table in reversed(tables)}
        if len(first) > 1:
            apart = sorted(first.values(), key=lambda table: table.line)
            names = [table.name for table in apart]
            listed = " and ".join(names) if len(names) == 2 else fmt.list_names(names, _MOST_NAMES)
            yield definition_finding(
                rule_ids.DEFINITION_UNSTATED_MIRROR,
                apart[1].line,
                " ".join(names),
                f"{listed} are equal in {context.base_path}, and no relation says that they must be",
                "Add <equal table= mirror=/> if one is a copy of the other.",
                apart[1].name,
            )


class _Groups:
    """The tables that relations declare equal, directly or through others."""

    def __init__(self) -> None:
        self._parents: dict[str, str] = {}

    def of(self, name: str) -> str:
        """The name that stands for all tables that equal this one."""
        while (parent := self._parents.get(name, name)) != name:
            name = parent
        return name

    def join(self, first: str, second: str) -> None:
        self._parents[self.of(first)] = self.of(second)


def _equal_tables(context: CheckContext) -> Iterator[Sequence[Table]]:
    """Curves and maps with equal values over equal breakpoints, at different places in memory."""
    definition, decoded = context.definition, context.new
    alike: dict[tuple[object, ...], list[Table]] = {}
    for table in definition.tables.values():
        if table.axes and table.name in context.layout.table_items:
            signals = tuple(definition.axes[axis].signal for axis in table.axes)
            key = signals, definition.shape_of(table), definition.unit_of(table)
            alike.setdefault(key, []).append(table)
    for tables in alike.values():
        equal: dict[tuple[bytes, ...], list[Table]] = {}
        for table in tables if len(tables) > 1 else ():
            values = decoded.of_item(decoded.physical, context.layout.table_items[table.name])
            if np.isfinite(values).all():
                points = (decoded.breakpoints(axis).tobytes() for axis in table.axes)
                equal.setdefault((values.tobytes(), *points), []).append(table)
        for same in equal.values():
            apart = list({(table.at, table.storage.mask): table for table in reversed(same)}.values())[::-1]
            item = context.layout.table_items[apart[0].name]
            if len(apart) > 1 and len(distinct(decoded.of_item(decoded.physical, item))) >= _LEAST_DISTINCT:
                yield apart
