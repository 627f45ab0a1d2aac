"""The rule about a definition beside the factory image that it describes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from callint import fmt
from callint.model import rule_ids
from callint.model.finding import Finding, Severity
from callint.rules import axis, image, value
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.rule import Rule, Scope, rule

#: Rules about the file as a whole, whose messages say all.
_OF_THE_FILE = (image.unreadable, image.damaged_record, image.wrong_size, image.wrong_identity)
_BLANK = "blank"
#: Rules about tables and axes, with what their findings count.
_OF_TABLES: tuple[tuple[Rule, str], ...] = (
    (image.missing_table, "gap"),
    (image.blank_table, _BLANK),
    (value.not_a_number, "cell without a number"),
    (value.unknown_state, "unknown state"),
    (value.out_of_range, "value out of range"),
    (value.unexpected, "unexpected value"),
    (value.not_monotonic, "value out of order"),
    (value.too_steep, "slope that is too steep"),
    (axis.not_increasing, "breakpoint that does not increase"),
    (axis.wrong_count, "wrong breakpoint count"),
    (axis.outside_plausible, "implausible breakpoint"),
)


@rule(rule_ids.DEFINITION_CONTRADICTS_BASE, Severity.WARNING, Scope.FACTORY)
def contradicts_base(context: CheckContext) -> Iterator[Finding]:
    """The factory image breaks what the definition demands of a table or axis.

    `callint check definition.xml --base factory.bin` judges a definition against a factory image alone, and
    `callint init` does so with the files that it writes into a new policy. In reworked images, the same
    faults are notes, because the base has them too.

    Why it matters: a factory image is in order. If a table in it is out of range, out of order or blank, the
    definition probably reads the wrong bytes: a wrong address, type, byte order or factor. Then every
    statement about this table is meaningless, and an edit of it overwrites something else.

    Example: `at="130"` instead of `at="0x130"`: 48 values of the factory image are out of range. A factory
    image that keeps every demand passes.

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
    faults: dict[str, Counter[str]] = {}
    lines: dict[str, int] = {}
    for checked, name in _OF_TABLES:
        for finding in checked.check(context):
            faults.setdefault(finding.table, Counter())[name] += 1
            lines.setdefault(finding.table, finding.line or 1)
    for table, names in sorted(faults.items(), key=lambda item: lines[item[0]]):
        is_blank = names.pop(_BLANK, 0) > 0
        parts = ["is blank"] if is_blank else []
        if names:
            parts.append("has " + ", ".join(_amount(count, name) for name, count in names.items()))
        yield definition_finding(
            rule_ids.DEFINITION_CONTRADICTS_BASE,
            lines[table],
            "",
            f"{table} {' and '.join(parts)} in {context.base_path}: the definition may read the wrong bytes",
            "Check address, type, byte order and conversion, then the demand itself.",
            table=table,
        )


def _amount(count: int, name: str) -> str:
    """A number of faults: "3 values out of range"."""
    noun, space, rest = name.partition(" ")
    if noun in ("wrong", "unknown", "unexpected", "implausible"):
        return fmt.count(count, name)
    rest = rest.replace("that is", "that are").replace("does", "do") if count > 1 else rest
    return f"{fmt.count(count, noun)}{space}{rest}"
