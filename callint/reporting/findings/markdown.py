"""Findings as Markdown, for a comment on a code review."""

from __future__ import annotations

import html
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import groupby

from callint import fmt
from callint.checking.report import Report
from callint.model.finding import Finding, Severity
from callint.reporting.findings.summary import closing_line
from callint.reporting.findings.wording import headline, sentence

#: The number of findings that are visible without unfolding anything.
_WORST = 8
#: A text that is the same in every dialect once its emphasis is escaped: no link, mention, issue number,
#: emoji name or HTML. Hexadecimal digits may be the id of a commit.
_PLAIN = re.compile(
    r"(?!.*(?:://|www\.|:\w+:|\b[0-9a-f]{7,40}\b|\bGH-))[\w .,:;%°+()/→\"'=?!²³·µΩ-]*", re.DOTALL
)
_EMPHASIS = re.compile(r"([_*~])")


def findings_markdown(report: Report) -> str:
    """A heading with the counts, a table of the worst findings, and below all findings by file, folded.

    A stranger's text is always plain text or code.
    """
    lines = [f"### callint: {closing_line(report)}", ""]
    active = [finding for finding in report.findings if not finding.waived]
    if active:
        lines += ["| severity | where | what |", "| --- | --- | --- |"]
        lines += [_row(finding) for finding in _worst(active)]
        lines.append("")
    if len(active) > _WORST:
        lines += [f"{fmt.count(len(active) - _WORST, 'more finding')} below.", ""]
    ordered = sorted(report.findings, key=_file)
    for (source, commit), group in groupby(ordered, key=_file):
        lines += _details(f"{commit[:10]}:{source}" if commit else source, list(group))
    return "\n".join(lines)


def _worst(findings: Sequence[Finding]) -> list[Finding]:
    """The findings to see at once, in their order: the first of each cause before the second of any."""
    in_cause: Counter[tuple[str, str]] = Counter()
    ranks = []
    for number, finding in enumerate(findings):
        ranks.append((in_cause[finding.cause, finding.commit] if finding.cause else 0, number))
        in_cause[finding.cause, finding.commit] += 1
    return [findings[number] for number in sorted(number for _, number in sorted(ranks)[:_WORST])]


def _file(finding: Finding) -> tuple[str, str]:
    return finding.image or finding.definition or finding.policy, finding.commit


def _row(finding: Finding) -> str:
    # Dialects differ in how they read a bar behind a backslash, so no cell contains a bar.
    subject, message = (prose(text.replace("|", "\\x7c")) for text in (headline(finding), sentence(finding)))
    return f"| {finding.severity.value} | {subject} | {message} |"


def _details(source: str, findings: list[Finding]) -> Iterable[str]:
    """The findings about one file; HTML ends at the blank line, and Markdown ends at the end tag."""
    yield "<details>"
    yield f"<summary><code>{html.escape(fmt.clean(source))}</code>: {_counts(findings)}</summary>"
    yield ""
    for finding in findings:
        subject = f" {prose(f'{finding.table} {finding.place}'.strip())}:" if finding.table else ""
        yield f"- **{finding.severity.value}** `{finding.rule}`{subject} {prose(sentence(finding))}"
        yield f"  {_hint(finding)}"
    yield ""
    yield "</details>"
    yield ""


def _counts(findings: list[Finding]) -> str:
    active = [finding.severity for finding in findings if not finding.waived]
    parts = [fmt.count(active.count(level), level.value) for level in Severity if level in active]
    if waived := len(findings) - len(active):
        parts.append(f"{waived:,} waived")
    return ", ".join(parts)


def _hint(finding: Finding) -> str:
    """The second line of a finding: who waived it or what to do, and where it is."""
    parts = []
    if finding.waiver:
        parts.append(f"Waived by {prose(finding.waiver.who)}: {prose(finding.waiver.reason)}")
    elif finding.hint:
        parts.append(prose(finding.hint))
    source = finding.policy or finding.definition
    places = [] if finding.address is None else [fmt.address(finding.address)]
    if source and finding.line:
        places.append(f"{prose(source)} line {finding.line}")
    if finding.origin:
        places.append(f"from {prose(finding.origin)} line {finding.origin_line}")
    places.append(f"`{finding.fingerprint}`")
    return " ".join([*parts, f"({', '.join(places)})"])


def is_plain(text: str) -> bool:
    """Whether a text in one line is the same in every dialect once its emphasis is escaped."""
    return _PLAIN.fullmatch(text) is not None


def prose(text: str) -> str:
    """A stranger's text as plain text, or as code if a dialect could interpret it."""
    text = " ".join(fmt.clean(text).split())
    if is_plain(text):
        return _EMPHASIS.sub(r"\\\1", text)
    longest = max((len(run) for run in re.findall("`+", text)), default=0)
    fence = "`" * (longest + 1)
    gap = " " if text.startswith("`") or text.endswith("`") else ""
    return f"{fence}{gap}{text}{gap}{fence}"
