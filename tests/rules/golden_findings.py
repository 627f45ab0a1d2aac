"""All findings in the examples of all rules, as a text for reviewers.

``python -m tests.rules.golden_findings`` writes the text again; review each line that differs.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, replace
from enum import Enum
from pathlib import Path

from callint.model.finding import Cell, Finding
from callint.model.waiver import Waiver
from tests.golden import number, point
from tests.rules import (
    test_axis,
    test_base,
    test_change,
    test_contradicts_base,
    test_definition,
    test_definition_lint,
    test_image,
    test_loosened,
    test_off_codes,
    test_protection,
    test_relation,
    test_suspicious,
    test_value,
    test_waiver,
)
from tests.rules.example import Example

STORED = Path(__file__).parent / "golden_findings.txt"
EXAMPLES: tuple[Example, ...] = (
    *test_definition.EXAMPLES,
    *test_definition_lint.EXAMPLES,
    *test_contradicts_base.EXAMPLES,
    *test_loosened.OF_DEFINITIONS,
    *test_image.EXAMPLES,
    *test_axis.EXAMPLES,
    *test_value.EXAMPLES,
    *test_protection.EXAMPLES,
    *test_relation.EXAMPLES,
    *test_change.EXAMPLES,
    *test_off_codes.EXAMPLES,
    *test_suspicious.EXAMPLES,
    *test_base.EXAMPLES,
    *test_loosened.OF_POLICIES,
    *test_waiver.EXAMPLES,
)
#: Nearly every small definition has these, and they have examples of their own.
_EVERYWHERE = {
    "definition/unused",
    "definition/no-limits",
    "definition/overlap",
    "definition/uncovered-operating-range",
}
# Tests of their own look at the bytes of the base and at causes.
_LEFT_OUT = {"rule", "message", "severity", "evidence", "content", "base_bytes", "explanation", "cause"}


def stored() -> dict[str, str]:
    """The stored text of each rule."""
    sections = STORED.read_text("utf-8").split("\n=== ")[1:]
    return {name: rest for name, _, rest in (section.partition("\n") for section in sections)}


def findings_text(rule: str) -> str:
    """The findings in the examples of a rule, and again with each image as its own base."""
    return "".join(line for example in EXAMPLES if example.rule == rule for line in _of(example))


def _of(example: Example) -> Iterator[str]:
    yield f"\n{example}\n"
    yield from finding_lines(_chosen(example, example.report().findings))
    if example.data is not None and example.assignment is None and example.base != example.data:
        yield "\n  and where the base is the same\n"
        yield from finding_lines(_chosen(example, replace(example, base=example.data).report().findings))


def _chosen(example: Example, findings: Iterable[Finding]) -> Iterator[Finding]:
    return (
        finding for finding in findings if finding.rule == example.rule or finding.rule not in _EVERYWHERE
    )


def finding_lines(findings: Iterable[Finding], is_brief: bool = False) -> Iterator[str]:
    """Two lines for each finding, with every field that says something; a brief one has no hint and paths."""
    left_out = {*_LEFT_OUT, "hint", "image", "definition"} if is_brief else _LEFT_OUT
    for finding in findings:
        yield f"  {finding.rule} ({finding.severity}): {finding.message}\n"
        values = ((field.name, getattr(finding, field.name)) for field in fields(Finding))
        said = [
            f"{name.replace('_', ' ')} {_said(value)}"
            for name, value in values
            if name not in left_out and value is not None and value is not False and value not in ("", {})
        ]
        yield f"    {'; '.join(said)}\n"


def _said(value: object) -> str:
    match value:
        case Cell():
            return f"{value.x}, {value.y}"
        case Waiver():
            return f"of line {value.line}"
        case Enum() | str():
            return str(value)
        case True:
            return "yes"
        case float():
            return number(value)
        case Mapping():
            return point(value)
    return repr(value)


def main() -> None:
    rules = dict.fromkeys(example.rule for example in EXAMPLES)
    head = "What callint finds in the examples of each rule. See tests/rules/golden_findings.py.\n"
    STORED.write_text(head + "".join(f"\n=== {rule}\n{findings_text(rule)}" for rule in rules), "utf-8")


if __name__ == "__main__":
    main()
