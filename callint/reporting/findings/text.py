"""Findings as a person reads them in a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import groupby

from callint import fmt
from callint.checking.report import Report
from callint.model.finding import Finding
from callint.reporting.findings.summary import closing_line
from callint.reporting.findings.wording import headline, mark, sentence
from callint.reporting.terminal import QUIET, SEVERITY_STYLES, Terminal, line, width, wrapped

#: Of one rule in one table so many cells are spelled out, of one rule altogether so many findings.
_PER_TABLE, _PER_RULE = 3, 30
_INDENT = " " * 9


def print_findings(report: Report, terminal: Terminal, everything: bool = False) -> None:
    """Print what nobody waived, the worst first, and a closing line; nothing where nothing was found.

    Findings about one cell stand under one heading. Unless ``everything`` is asked for, a rule that
    speaks often is cut short, and the rest is counted.
    """
    if not report.findings:
        return
    spoken: Counter[str] = Counter()
    held_back: Counter[str] = Counter()
    for _, group in groupby((f for f in report.findings if not f.waived), key=_thing):
        found = list(group)
        chosen = found if everything else list(_chosen(found, spoken))
        for _, about in groupby(chosen, key=_place):
            _print_place(list(about), terminal)
        rests = Counter(f.rule for f in found) - Counter(f.rule for f in chosen)
        for rule, rest in rests.items():
            if any(finding.rule == rule for finding in chosen):
                words = f"and {rest:,} more of {rule} in {headline(found[0], with_place=False)}"
                _print_prose(words, terminal, QUIET)
                terminal.print()
            else:
                held_back[rule] += rest
    for rule, rest in held_back.items():
        words = f"{fmt.count(rest, 'more finding')} of {rule} not shown; --all shows them"
        terminal.print(line((words, QUIET)))
    for text in wrapped(closing_line(report) + ".", width(terminal)):
        terminal.print(line(text))


def _chosen(found: Iterable[Finding], spoken: Counter[str]) -> Iterator[Finding]:
    """The findings about one thing that are spelled out; ``spoken`` counts them by rule over all things."""
    here: Counter[str] = Counter()
    for finding in found:
        if here[finding.rule] < _PER_TABLE and spoken[finding.rule] < _PER_RULE:
            here[finding.rule] += 1
            spoken[finding.rule] += 1
            yield finding


def _thing(finding: Finding) -> tuple[str, ...]:
    """What neighbouring findings share: their severity, file and table."""
    return (
        finding.commit,
        finding.severity.value,
        finding.image,
        finding.definition,
        finding.policy,
        finding.table,
    )


def _place(finding: Finding) -> tuple[object, ...]:
    """What findings under one heading share: the very cell, or the very line."""
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
        _print_prose(sentence(finding, base), terminal)
        words = f"{_rule(finding)}: {finding.hint}" if finding.hint else _rule(finding)
        _print_prose(words, terminal, QUIET, 2)
        base = finding.base
    if reference := ", ".join(_reference(first)):
        _print_prose(reference, terminal, QUIET, 2)
    terminal.print()


def _print_prose(words: str, terminal: Terminal, style: str = "", indent: int = 0) -> None:
    for text in wrapped(words, width(terminal), _INDENT + " " * indent):
        terminal.print(line((text, style)))


def _rule(finding: Finding) -> str:
    """The rule, and by what callint waive knows the finding; one about a waiver cannot be waived."""
    return finding.rule if finding.policy else f"{finding.rule} ({mark(finding)})"


def _reference(finding: Finding) -> Iterator[str]:
    """Where to look it up."""
    if finding.address is not None:
        yield fmt.address(finding.address)
    source = finding.policy or finding.definition
    if source and finding.line:
        yield f"{source} line {finding.line}"
