"""Findings by their causes for people, in a terminal."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator, Sequence

from callint import fmt
from callint.checking.cause_order import CauseFindings, cause_groups
from callint.checking.report import Report
from callint.model.cause import CauseKind
from callint.model.finding import Finding, Severity, can_be_waived
from callint.reporting.findings.cause_wording import cause_title, danger_counts, effect_text, mistakes_text
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
#: The most tables that are named because none of their findings is printed.
_MOST_NAMES = 4
_INDENT, _SHORT_INDENT = " " * 9, " " * 2


def print_causes(
    report: Report,
    terminal: Terminal,
    everything: bool = False,
    *,
    has_names: bool = True,
    has_commands: bool = False,
) -> None:
    """Print a summary, then the causes of the findings that are not waived, the most dangerous first.

    Prints nothing without findings. Below each cause, a finding has one line with its fingerprint. Unless
    ``everything`` is set, what the base has in the same way is one line for each image, and only the first
    causes are printed; with it, every finding is printed in full. ``has_names`` says whether ``callint
    waive`` knows the findings and causes by their names: not if the base is another than the policy's.
    With ``has_commands``, the command that puts it right follows each cause that has one.
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
            _print_group(group, terminal, has_names)
        if has_commands and (command := _command(group)):
            terminal.print(line(f"{_SHORT_INDENT}{command}"))
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
    if others := mistakes[_MOST_CAUSES:]:
        parts = [f"{fmt.count(len(others), 'more mistake')} not shown", *danger_counts(others)]
        yield f"{', '.join(parts)}; --all shows {_them(len(others))}"
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


def _print_group(group: CauseFindings, terminal: Terminal, has_names: bool) -> None:
    """A line for each finding of a cause, then a hint."""
    of_rule: dict[str, list[Finding]] = {}
    for finding in group.findings:
        of_rule.setdefault(finding.rule, []).append(finding)
    chosen = {rule: _chosen(findings) for rule, findings in of_rule.items()}
    for finding in group.findings:
        shown = chosen[finding.rule]
        if not any(finding is other for other in shown):
            continue
        terminal.print(line(_cut(_short(group, finding, has_names), terminal)))
        if finding is shown[-1] and len(shown) < len(of_rule[finding.rule]):
            print_prose(_more_text(of_rule[finding.rule], shown), terminal, QUIET, _SHORT_INDENT)
    name = f" ({group.cause.id})" if has_names and group.cause and can_be_waived(group.first) else ""
    hints = list(group.hints) or ([""] if name else [])
    for number, hint in enumerate(hints, 1):
        end = name if number == len(hints) else ""
        print_prose(f"{hint}{end}".strip(), terminal, QUIET, _SHORT_INDENT)


def _command(group: CauseFindings) -> str:
    """The command that puts the content of the base back, or that corrects a checksum; "" if none does."""
    cause, image = group.cause, group.first.image
    if cause is None or not image:
        return ""
    if cause.kind is CauseKind.CHECKSUM:
        return f"callint seal {shlex.quote(image)}"
    return f"callint restore {shlex.quote(image)} {cause.id}" if cause.is_change else ""


def _chosen(findings: Sequence[Finding]) -> list[Finding]:
    """The findings of a rule to print, in order: the most severe, of many tables, the largest changes.

    ``findings`` are in order, the most severe first.
    """
    if len(findings) <= _PER_RULE:
        return list(findings)
    in_table: Counter[tuple[Severity, str]] = Counter()
    ranks: dict[int, int] = {}
    for number in sorted(range(len(findings)), key=lambda number: -_change(findings[number])):
        finding = findings[number]
        ranks[number] = in_table[finding.severity, finding.table]
        in_table[finding.severity, finding.table] += 1
    best = sorted(ranks, key=lambda number: (findings[number].severity.rank, ranks[number], number))
    return [findings[number] for number in sorted(best[:_PER_RULE])]


def _change(finding: Finding) -> float:
    """The change of the value that a finding is about; 0 if it is not about one."""
    if finding.physical is None or finding.base_physical is None:
        return 0.0
    return abs(finding.physical - finding.base_physical)


def _more_text(findings: Sequence[Finding], shown: Sequence[Finding]) -> str:
    """The number of findings of a rule that are not printed, and the tables of which none is."""
    text = f"and {len(findings) - len(shown):,} more of {shown[0].rule}"
    tables = {finding.table: None for finding in shown}
    others = [name for name in dict.fromkeys(finding.table for finding in findings) if name not in tables]
    return f"{text}, also in {fmt.list_names(others, _MOST_NAMES)}" if others else text


def _short(group: CauseFindings, finding: Finding, has_names: bool) -> str:
    """A finding with its fingerprint; its severity if that is not the one of the cause."""
    message, cause = finding.message, group.cause
    if cause and ((finding.explanation and finding.explanation in cause.title) or message in cause.title):
        message = finding.rule  # the heading says the rest
    elif cause and finding.table and all(place.name != finding.table for place in cause.places):
        message = f"{finding.table}: {message}"
    elif cause and finding.place and cause.kind is CauseKind.TABLE:
        message = f"{finding.place}: {message}"
    severity = "" if finding.severity is group.severity else f"{finding.severity.value}: "
    name = f"{short_fingerprint(finding)} " if has_names and can_be_waived(finding) else ""
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
