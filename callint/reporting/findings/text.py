"""Findings for people, in a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import groupby

from callint import fmt
from callint.checking.report import Report
from callint.model.finding import Finding
from callint.reporting.findings.summary import closing_line
from callint.reporting.findings.wording import headline, reference_text, rule_text, sentence
from callint.reporting.terminal import QUIET, SEVERITY_STYLES, Terminal, line, print_prose, width, wrapped

#: The largest number of findings of a rule that are printed for a table, and for all tables.
_PER_TABLE, _PER_RULE = 3, 30
_INDENT = " " * 9


def print_findings(report: Report, terminal: Terminal, everything: bool = False) -> None:
    """Print the findings that are not waived, the worst first, and a closing line; nothing without findings.

    Findings about one cell share a heading. Unless ``everything`` is set, callint prints only the first
    findings of a rule and counts the others.
    """
    if not report.findings:
        return
    printed: Counter[str] = Counter()
    unprinted: Counter[str] = Counter()
    active = (finding for finding in report.findings if not finding.waived)
    for _, group in groupby(active, key=_subject):
        findings = list(group)
        shown = findings if everything else list(_first(findings, printed))
        for _, members in groupby(shown, key=_place):
            _print_place(list(members), terminal)
        hidden = Counter(finding.rule for finding in findings) - Counter(finding.rule for finding in shown)
        for rule, count in hidden.items():
            if any(finding.rule == rule for finding in shown):
                note = f"and {count:,} more of {rule} in {headline(findings[0], with_place=False)}"
                print_prose(note, terminal, QUIET, _INDENT)
                terminal.print()
            else:
                unprinted[rule] += count
    for rule, count in unprinted.items():
        note = f"{fmt.count(count, 'more finding')} of {rule} not shown; --all shows them"
        terminal.print(line((note, QUIET)))
    for text in wrapped(closing_line(report) + ".", width(terminal)):
        terminal.print(line(text))


def _first(findings: Iterable[Finding], printed: Counter[str]) -> Iterator[Finding]:
    """The findings about one table that are printed; ``printed`` counts them by rule over all tables."""
    in_table: Counter[str] = Counter()
    for finding in findings:
        if in_table[finding.rule] < _PER_TABLE and printed[finding.rule] < _PER_RULE:
            in_table[finding.rule] += 1
            printed[finding.rule] += 1
            yield finding


def _subject(finding: Finding) -> tuple[str, ...]:
    """The severity, file and table of a finding, by which findings are grouped."""
    return (
        finding.commit,
        finding.severity.value,
        finding.image,
        finding.definition,
        finding.policy,
        finding.table,
    )


def _place(finding: Finding) -> tuple[object, ...]:
    """The cell or line of a finding; findings with the same one share a heading."""
    return finding.cell, finding.address, finding.line, finding.image_line


def _print_place(findings: list[Finding], terminal: Terminal) -> None:
    first = findings[0]
    style = SEVERITY_STYLES[first.severity]
    first_line, *more = wrapped(headline(first), width(terminal), _INDENT)
    terminal.print(line((f"{first.severity.value:<9}", style), (first_line[len(_INDENT) :], "bold")))
    for text in more:
        terminal.print(line((text, "bold")))
    base = ""
    for finding in findings:
        print_prose(sentence(finding, base), terminal, indent=_INDENT)
        rule = f"{rule_text(finding)}: {finding.hint}" if finding.hint else rule_text(finding)
        print_prose(rule, terminal, QUIET, f"{_INDENT}  ")
        base = finding.base
    if reference := reference_text(first):
        print_prose(reference, terminal, QUIET, f"{_INDENT}  ")
    terminal.print()
