"""The rules about a definition beside the factory image that it describes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from callint import fmt
from callint.model import rule_ids
from callint.model.definition import Axis, Range, StoredAxis
from callint.model.finding import Finding, Severity
from callint.rules import axis, image, protection, relation, value
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.definition.operating import covers
from callint.rules.rule import Rule, Scope, rule

#: Rules about the file as a whole, whose messages say all.
_OF_THE_FILE = (image.unreadable, image.damaged_record, image.wrong_size, image.wrong_identity)
_BLANK = "blank"
_STEEP = "slope that is too steep"
#: Rules about tables and axes, with what their findings count.
_OF_TABLES: tuple[tuple[Rule, str], ...] = (
    (image.missing_table, "gap"),
    (image.blank_table, _BLANK),
    (value.not_a_number, "cell without a number"),
    (value.unknown_state, "unknown state"),
    (value.out_of_range, "value out of range"),
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
    (protection.disabled, "matches its guard"),
    (protection.flat, "is flat"),
    (protection.unreachable_threshold, "has a threshold that its signal never reaches"),
)
_OF_RELATIONS: tuple[tuple[Rule, str], ...] = (
    (relation.exceeds_bound, "exceeds {}"),
    (relation.mirror_differs, "differs from its mirror {}"),
    (relation.not_inverse, "is not the inverse of {}"),
    (relation.gap_closed, "is too close to {}"),
)


@dataclass
class _Faults:
    """The faults of one table or axis: how many of each kind, and clauses that say more."""

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


@rule(rule_ids.DEFINITION_CONTRADICTS_BASE, Severity.WARNING, Scope.FACTORY)
def contradicts_base(context: CheckContext) -> Iterator[Finding]:
    """The factory image breaks what the definition demands of a table or axis.

    `callint check definition.xml --base factory.bin` judges a definition against a factory image alone, and
    `callint init` does so with the files that it writes into a new policy. In reworked images, the same
    faults are notes, because the base has them too.

    Why it matters: a factory image is in order. If a table in it is out of range, out of order or blank, the
    definition probably reads the wrong bytes: a wrong address, type, byte order or factor. Then every
    statement about this table is meaningless, and an edit of it overwrites something else. The same applies
    to a guard that a protection matches, to a broken relation, to a checksum that is not that of its range,
    and to axes that miss the operating range of their signal.

    Example: `at="130"` instead of `at="0x130"`: 48 values of the factory image are out of range. A factory
    image that keeps every demand passes. callint leaves out what follows from another fault: a relation to a
    table that is itself wrong, or a slope between wrong breakpoints.

    Fix: correct the address, type, byte order or conversion; or the demand, if the factory image really
    breaks it.
    """
    if context.image is None and not (context.read_error or context.damages):
        return
    for checked in _OF_THE_FILE:
        for finding in checked.check(context):
            message = f"{context.base_path}: {finding.message}"
            yield definition_finding(
                rule_ids.DEFINITION_CONTRADICTS_BASE,
                finding.line or 1,
                finding.subject or checked.id,
                message,
                "Name the factory image of this software, or correct the definition.",
            )
            return
    for finding in image.stale_checksum.check(context):
        yield definition_finding(
            rule_ids.DEFINITION_CONTRADICTS_BASE,
            finding.line or 1,
            f"checksum {finding.subject}",
            f"{context.base_path}: {finding.message}",
            "Check range, algorithm, byte order and address of the checksum.",
        )
    for table, faults in sorted(_faults(context).items(), key=lambda item: item[1].line):
        yield definition_finding(
            rule_ids.DEFINITION_CONTRADICTS_BASE,
            faults.line,
            "",
            f"{table} {faults.text} in {context.base_path}: the definition may read the wrong bytes",
            "Check address, type, byte order and conversion, then the demand itself.",
            table=table,
        )


def is_of_other_file(context: CheckContext) -> bool:
    """Whether the factory image is unreadable or not of the definition's software."""
    return any(next(iter(checked.check(context)), None) is not None for checked in _OF_THE_FILE)


def _faults(context: CheckContext) -> dict[str, _Faults]:
    """The faults of tables and axes by name; those that follow from the faults of others are left out."""
    faults: dict[str, _Faults] = {}
    for checked, name in _OF_TABLES:
        for finding in checked.check(context):
            faults.setdefault(finding.table, _Faults(finding.line or 1)).counts[name] += 1
    for item, clause in _outside_operation(context):
        if item.name not in faults:
            faults[item.name] = _Faults(item.line, clauses=[clause])
    for text in context.definition.texts.values():
        # What follows a NUL is not part of the text.
        content = (context.new.text(text) or "").partition("\0")[0]
        if not all(character.isprintable() or character.isspace() for character in content):
            faults.setdefault(text.name, _Faults(text.line)).clauses.append(
                "has bytes that are not characters"
            )
    wrong = set(faults)
    for checked, clause in _OF_PROTECTIONS:
        for finding in checked.check(context):
            if finding.table not in wrong:
                faults.setdefault(finding.table, _Faults(finding.line or 1)).clauses.append(clause)
    for name in [name for name, found in faults.items() if [*found.counts] == [_STEEP] and not found.clauses]:
        # Between wrong breakpoints, right values are too steep.
        table = context.definition.tables.get(name)
        if table is not None and any(on in faults for on in table.axes):
            del faults[name]
    wrong = set(faults)
    for checked, clause in _OF_RELATIONS:
        for finding in checked.check(context):
            axes = [
                on for name in (finding.table, finding.other) for on in context.definition.tables[name].axes
            ]
            if wrong.isdisjoint({finding.table, finding.other, *axes}):
                found = faults.setdefault(finding.table, _Faults(finding.line or 1))
                found.clauses.append(clause.format(finding.other))
    return faults


def _outside_operation(context: CheckContext) -> Iterator[tuple[Axis, str]]:
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
                yield item, f"reaches from {own}, although {name} operates at {usual},"


def _amount(count: int, name: str) -> str:
    """A number of faults: "3 values out of range"."""
    noun, space, rest = name.partition(" ")
    if noun in ("wrong", "unknown", "unexpected", "implausible"):
        return fmt.count(count, name)
    rest = rest.replace("that is", "that are").replace("does", "do") if count > 1 else rest
    return f"{fmt.count(count, noun)}{space}{rest}"
