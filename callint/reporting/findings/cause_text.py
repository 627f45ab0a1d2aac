"""Findings by their causes for people, in a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from callint import fmt
from callint.checking.cause_order import CauseFindings, cause_groups
from callint.checking.report import Report
from callint.model.cause import CauseKind
from callint.model.finding import Finding, can_be_waived
from callint.reporting.findings.cause_wording import cause_title, effect_text, mistakes_text
from callint.reporting.findings.summary import closing_line
from callint.reporting.findings.wording import (
    headline,
    reference_text,
    rule_text,
    sentence,
    short_fingerprint,
    source_of,
)
from callint.reporting.terminal import (
    QUIET,
    SEVERITY_STYLES,
    Terminal,
    arrow,
    ellipsis,
    line,
    print_prose,
    width,
    wrapped,
)

#: The largest number of findings of a rule that are printed for a cause, and of causes that are printed.
_PER_RULE, _MOST_CAUSES = 3, 40
_INDENT, _SHORT_INDENT = " " * 9, " " * 2


def print_causes(report: Report, terminal: Terminal, everything: bool = False) -> None:
    """Print a summary, then the causes of the findings that are not waived, the most dangerous first.

    Prints nothing without findings. Below each cause, a finding has one line with its fingerprint. Unless
    ``everything`` is set, what the base has in the same way is one line for each image, and only the first
    causes are printed; with it, every finding is printed in full.
    """
    if not report.findings:
        return
    active = [finding for finding in report.findings if not finding.waived]
    groups = cause_groups(active, report.causes)
    mistakes = [group for group in groups if not group.is_inherited]
    sources = list(dict.fromkeys(source_of(group.first) for group in groups))
    common = sources[0] if len(sources) == 1 else ""
    _print_summary(report, mistakes, common, terminal)
    shown = groups if everything else mistakes[:_MOST_CAUSES]
    for group in shown:
        terminal.print()
        _print_heading(group, bool(common), terminal)
        if everything:
            for finding in group.findings:
                _print_finding(finding, terminal)
        else:
            _print_group(group, terminal)
    if everything:
        return
    notes = list(_notes(groups, mistakes, common))
    if notes and mistakes:
        terminal.print()
    for text in notes:
        print_prose(text, terminal, QUIET, "")


def _print_summary(
    report: Report, mistakes: Sequence[CauseFindings], common: str, terminal: Terminal
) -> None:
    """The number of mistakes and what they do to protections, then the number of findings."""
    if mistakes:
        for text in wrapped(f"{mistakes_text(mistakes, common)}.", width(terminal)):
            terminal.print(line((text, "bold")))
    print_prose(f"{closing_line(report)}.", terminal, "", "")


def _notes(groups: Sequence[CauseFindings], mistakes: Sequence[CauseFindings], common: str) -> Iterator[str]:
    """What is not printed: further causes, and by image what the base has in the same way."""
    if (others := len(mistakes) - _MOST_CAUSES) > 0:
        yield f"{fmt.count(others, 'more mistake')} not shown; --all shows them"
    inherited = Counter(
        source_of(finding) for group in groups if group.is_inherited for finding in group.findings
    )
    for source, count in inherited.items():
        prefix = "" if source == common else f"{source}: "
        yield f"{prefix}{fmt.count(count, 'note')} as in the base; --all shows {_them(count)}"


def _them(count: int) -> str:
    return "it" if count == 1 else "them"


def _print_heading(group: CauseFindings, has_common_source: bool, terminal: Terminal) -> None:
    title = cause_title(group)
    if not has_common_source or group.first.policy:
        title = f"{source_of(group.first)}: {title}" if title else source_of(group.first)
    title = title.replace("→", arrow(terminal))
    first, *more = wrapped(title, width(terminal), _INDENT)
    style = SEVERITY_STYLES[group.severity]
    terminal.print(line((f"{group.severity.value:<9}", style), (first[len(_INDENT) :], "bold")))
    for text in more:
        terminal.print(line((text, "bold")))
    if effect := effect_text(group):
        print_prose(effect, terminal, indent=_INDENT)


def _print_group(group: CauseFindings, terminal: Terminal) -> None:
    """A line for each finding of a cause, then a hint."""
    for finding, others in _first_of_each_rule(group.findings):
        terminal.print(line(_cut(_short(group, finding), terminal)))
        if others:
            print_prose(f"and {others:,} more of {finding.rule}", terminal, QUIET, _SHORT_INDENT)
    name = f" ({group.cause.id})" if group.cause and can_be_waived(group.first) else ""
    if group.hint or name:
        print_prose(f"{group.hint}{name}".strip(), terminal, QUIET, _SHORT_INDENT)


def _first_of_each_rule(findings: Iterable[Finding]) -> Iterator[tuple[Finding, int]]:
    """The findings to print; behind the last one of a rule, the number of those left out."""
    counts: Counter[str] = Counter(finding.rule for finding in findings)
    printed: Counter[str] = Counter()
    for finding in findings:
        printed[finding.rule] += 1
        if printed[finding.rule] <= _PER_RULE:
            is_last = printed[finding.rule] == _PER_RULE
            yield finding, counts[finding.rule] - _PER_RULE if is_last else 0


def _short(group: CauseFindings, finding: Finding) -> str:
    """A finding with its fingerprint; its severity if that is not the one of the cause."""
    message, cause = finding.message, group.cause
    if cause and ((finding.explanation and finding.explanation in cause.title) or message in cause.title):
        message = finding.rule  # the heading says the rest
    elif cause and finding.table and all(place.name != finding.table for place in cause.places):
        message = f"{finding.table}: {message}"
    elif cause and finding.place and cause.kind is CauseKind.TABLE:
        message = f"{finding.place}: {message}"
    severity = "" if finding.severity is group.severity else f"{finding.severity.value}: "
    name = f"{short_fingerprint(finding)} " if can_be_waived(finding) else ""
    return f"{_SHORT_INDENT}{name}{severity}{message}"


def _cut(text: str, terminal: Terminal) -> str:
    """A text in one line, cut between words if it is too long."""
    text = fmt.clean(text)
    if len(text) <= width(terminal):
        return text
    mark = ellipsis(terminal)
    return f"{text[: width(terminal) - len(mark) - 1].rsplit(' ', 1)[0].rstrip(',;: ')} {mark}"


def _print_finding(finding: Finding, terminal: Terminal) -> None:
    """A finding in full: its place, message, rule, hint, address and line."""
    place = headline(finding).removeprefix(source_of(finding)).removeprefix(": ")
    print_prose(f"{place}: {sentence(finding)}" if place else sentence(finding), terminal, indent=_INDENT)
    rule = f"{finding.severity.value}, {rule_text(finding)}"
    print_prose(f"{rule}: {finding.hint}" if finding.hint else rule, terminal, QUIET, f"{_INDENT}  ")
    if reference := reference_text(finding):
        print_prose(reference, terminal, QUIET, f"{_INDENT}  ")
