"""What of a definition a factory image contradicts, by table, axis, text or conversion."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from callint import fmt
from callint.decoding.cell_order import is_smoother_in_other_order
from callint.decoding.characters import count_strange_characters
from callint.decoding.layout import falls_in_memory
from callint.model.definition import Axis, Range, StoredAxis
from callint.rules import axis, image, relation, value
from callint.rules.context import CheckContext
from callint.rules.definition.operating import covers
from callint.rules.protection.disabled import disabled
from callint.rules.protection.flat import flat
from callint.rules.protection.thresholds import unreachable_threshold
from callint.rules.rule import Rule

_BLANK = "blank"
_STEEP = "slope that is too steep"
_BEYOND_LIMITS = "value out of range"
#: Rules about tables and axes, with what their findings count.
_OF_TABLES: tuple[tuple[Rule, str], ...] = (
    (image.missing_table, "gap"),
    (image.blank_table, _BLANK),
    (value.not_a_number, "cell without a number"),
    (value.unknown_state, "unknown state"),
    (value.out_of_range, _BEYOND_LIMITS),
    (value.unexpected, "unexpected value"),
    (value.not_monotonic, "value out of order"),
    (value.too_steep, _STEEP),
    (value.off_in_operating_range, "cell that is off in the operating range"),
    (axis.not_increasing, "breakpoint that does not increase"),
    (axis.wrong_count, "wrong breakpoint count"),
    (axis.outside_plausible, "implausible breakpoint"),
)
#: Rules whose findings are one for each table, with a clause of which the table is the subject.
_OF_PROTECTIONS: tuple[tuple[Rule, str], ...] = (
    (disabled, "matches its guard"),
    (flat, "is flat"),
    (unreachable_threshold, "has a threshold that its signal never reaches"),
)
_OF_RELATIONS: tuple[tuple[Rule, str], ...] = (
    (relation.exceeds_bound, "exceeds {}"),
    (relation.mirror_differs, "differs from its mirror {}"),
    (relation.not_inverse, "is not the inverse of {}"),
    (relation.gap_closed, "is too close to {}"),
)


@dataclass
class Faults:
    """The faults of a table, an axis or a text: how many of each kind, and clauses that say more."""

    line: int
    counts: Counter[str] = field(default_factory=Counter)
    clauses: list[str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """All faults, as predicates of the table."""
        counts = self.counts.copy()
        parts = ["is blank"] if counts.pop(_BLANK, 0) else []
        if counts:
            parts.append("has " + ", ".join(_amount(count, name) for name, count in counts.items()))
        return " and ".join([*parts, *dict.fromkeys(self.clauses)])


def find_faults(context: CheckContext) -> dict[str, Faults]:
    """The faults by the name of the item; those that follow from the faults of others are left out."""
    faults: dict[str, Faults] = {}
    for checked, name in _OF_TABLES:
        for finding in checked.check(context):
            if name != _BEYOND_LIMITS or not _has_inverted_limits(context, finding.table):
                faults.setdefault(finding.table, Faults(finding.line or 1)).counts[name] += 1
    for find in (_outside_operation, _transposed, _strange_texts, _idle_protections):
        for name, line, clause in [*find(context)]:
            if name not in faults:
                faults[name] = Faults(line, clauses=[clause])
    _leave_out_slopes(context, faults)
    wrong = set(faults)
    for name, line, clause, axes in _broken_relations(context):
        if wrong.isdisjoint(axes):
            faults.setdefault(name, Faults(line)).clauses.append(clause)
    return faults


def _has_inverted_limits(context: CheckContext, name: str) -> bool:
    """Whether a table has limits that no value keeps: definition/limits-inverted reports that."""
    table = context.definition.tables.get(name)
    return table is not None and table.demands.limits is not None and table.demands.limits.is_inverted


#: The name of an item, a line, and a clause of which the item is the subject.
_Clause = tuple[str, int, str]


def _leave_out_slopes(context: CheckContext, faults: dict[str, Faults]) -> None:
    """Drop the tables that are only too steep, on wrong axes: between wrong breakpoints, right values are."""
    for name in [name for name, item_faults in faults.items() if [*item_faults.counts] == [_STEEP]]:
        table = context.definition.tables.get(name)
        if table is not None and not faults.keys().isdisjoint(table.axes):
            del faults[name]


def _idle_protections(context: CheckContext) -> Iterator[_Clause]:
    """The protections that protect against nothing in the image."""
    for checked, clause in _OF_PROTECTIONS:
        for finding in checked.check(context):
            yield finding.table, finding.line or 1, clause


def _broken_relations(context: CheckContext) -> Iterator[tuple[str, int, str, set[str]]]:
    """The relations that the image breaks, each with the names of its tables and their axes."""
    for checked, clause in _OF_RELATIONS:
        for finding in checked.check(context):
            pair = [context.definition.tables[name] for name in (finding.table, finding.other)]
            names = {name for table in pair for name in (table.name, *table.axes)}
            yield finding.table, finding.line or 1, clause.format(finding.other), names


def _strange_texts(context: CheckContext) -> Iterator[_Clause]:
    """The texts of which the image has other bytes than characters."""
    for text in context.definition.texts.values():
        if count_strange_characters(context.new.text(text) or ""):
            yield text.name, text.line, "has bytes that are not characters"


#: The smallest number of faulty items of a conversion, and their share, from which the conversion is blamed.
_LEAST_FAULTY, _LEAST_SHARE = 3, 0.5


@dataclass(frozen=True, slots=True)
class FaultyConversion:
    """A conversion of which ``faulty`` items, by name, are among its ``count`` ones."""

    name: str
    line: int
    faulty: tuple[str, ...]
    count: int


def faulty_conversions(context: CheckContext, faults: dict[str, Faults]) -> Iterator[FaultyConversion]:
    """The conversions that are probably wrong themselves, because many of their items have faults."""
    members: dict[str, list[str]] = {}
    for item in context.layout.items:
        if item.conversion is not None:
            members.setdefault(item.conversion, []).append(item.name)
    for name, names in members.items():
        faulty = tuple(item for item in names if item in faults)
        if len(faulty) >= max(_LEAST_FAULTY, _LEAST_SHARE * len(names)):
            yield FaultyConversion(name, context.definition.conversions[name].line, faulty, len(names))


def _outside_operation(context: CheckContext) -> Iterator[_Clause]:
    """The axes of the image if no axis of their signal reaches its operating range, with a clause for each.

    A single axis may lie beyond the range: the axis of a derating often does.
    """
    by_signal: dict[str, list[tuple[Axis, Range]]] = {}
    for item in context.definition.axes.values():
        signal = context.definition.signals.get(item.signal)
        is_known = not isinstance(item, StoredAxis) or item.name in context.layout.axis_items
        if signal is None or signal.operating is None or not is_known:
            continue
        values = context.new.breakpoints(item.name)
        values = values[np.isfinite(values)]
        if values.size:
            reach = Range(float(values.min()), float(values.max()))
            by_signal.setdefault(signal.name, []).append((item, reach))
    for name, reaches in by_signal.items():
        signal = context.definition.signals[name]
        operating = signal.operating
        assert operating is not None
        if any(covers(reach, operating, 0.0) for _, reach in reaches):
            continue
        for item, reach in reaches:
            if isinstance(item, StoredAxis):  # definition/uncovered-operating-range reports fixed axes
                texts = (f"{fmt.plain(ends.low)} to {fmt.plain(ends.high)}" for ends in (reach, operating))
                own, usual = (fmt.with_unit(text, signal.unit) for text in texts)
                yield item.name, item.line, f"reaches from {own}, although {name} operates at {usual},"


def _transposed(context: CheckContext) -> Iterator[_Clause]:
    """The maps that are far smoother if their cells are read in the other order."""
    for name, item in context.layout.table_items.items():
        rows, columns = context.layout.shapes[item].tolist()
        values = context.new.of_item(context.new.physical, item).reshape(rows, columns)
        if context.new.of_item(context.new.valued, item).all() and np.isfinite(values).all():
            table = context.definition.tables[name]
            x_falls, y_falls = falls_in_memory(context.definition, table)
            values = values[:: -1 if y_falls else 1, :: -1 if x_falls else 1]  # as they lie in memory
            if is_smoother_in_other_order(values, table.y_first):
                yield name, table.line, "would be far smoother with order= changed or x and y swapped"


def _amount(count: int, name: str) -> str:
    """A number of faults: "3 values out of range"."""
    noun, space, rest = name.partition(" ")
    if noun in ("wrong", "unknown", "unexpected", "implausible"):
        return fmt.count(count, name)
    rest = rest.replace("that is", "that are").replace("does", "do") if count > 1 else rest
    return f"{fmt.count(count, noun)}{space}{rest}"
