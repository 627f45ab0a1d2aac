"""Findings as Markdown, for a comment on a review."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable
from itertools import groupby

from callint import fmt
from callint.checking.report import Report
from callint.model.finding import Finding, Severity
from callint.reporting.findings.summary import closing_line
from callint.reporting.findings.wording import headline, sentence

#: So many findings are seen without unfolding anything.
_WORST = 8
#: Text of these characters is the same in every dialect once its stars and the like are escaped: no link,
#: no mention, no number of an issue, no name of a picture, no HTML. Hexadecimal digits may be a commit's.
_TAME = re.compile(
    r"(?!.*(?:://|www\.|:\w+:|\b[0-9a-f]{7,40}\b|\bGH-))[\w .,:;%°+()/→\"'=?!²³·µΩ-]*", re.DOTALL
)
_MEANT = re.compile(r"([_*~])")


def findings_markdown(report: Report) -> str:
    """A heading with the counts, a table of the worst findings, and everything folded away below, by file.

    Whatever a stranger wrote is text or code in it, and nothing else.
    """
    lines = [f"### callint: {closing_line(report)}", ""]
    alive = [finding for finding in report.findings if not finding.waived]
    alive.sort(key=lambda finding: finding.severity.rank)
    if alive:
        lines += ["| severity | where | what |", "| --- | --- | --- |"]
        lines += [_row(finding) for finding in alive[:_WORST]]
        lines.append("")
    if len(alive) > _WORST:
        lines += [f"{fmt.count(len(alive) - _WORST, 'more finding')} below.", ""]
    ordered = sorted(report.findings, key=_file)
    for (source, commit), group in groupby(ordered, key=_file):
        lines += _details(f"{commit[:10]}:{source}" if commit else source, list(group))
    return "\n".join(lines)


def _file(finding: Finding) -> tuple[str, str]:
    return finding.image or finding.definition or finding.policy, finding.commit


def _row(finding: Finding) -> str:
    # Dialects differ in what a bar behind a backslash is, so that there is none in any cell.
    where, what = (prose(text.replace("|", "\\x7c")) for text in (headline(finding), sentence(finding)))
    return f"| {finding.severity.value} | {where} | {what} |"


def _details(source: str, findings: list[Finding]) -> Iterable[str]:
    """The findings about one file; HTML ends at the blank line, and Markdown at the end tag."""
    yield "<details>"
    yield f"<summary><code>{html.escape(fmt.clean(source))}</code>: {_counts(findings)}</summary>"
    yield ""
    for finding in findings:
        place = f" {prose(f'{finding.table} {finding.place}'.strip())}:" if finding.table else ""
        yield f"- **{finding.severity.value}** `{finding.rule}`{place} {prose(sentence(finding))}"
        yield f"  {_behind(finding)}"
    yield ""
    yield "</details>"
    yield ""


def _counts(findings: list[Finding]) -> str:
    alive = [finding.severity for finding in findings if not finding.waived]
    words = [fmt.count(alive.count(level), level.value) for level in Severity if level in alive]
    if waived := len(findings) - len(alive):
        words.append(f"{waived:,} waived")
    return ", ".join(words)


def _behind(finding: Finding) -> str:
    """What stands in the second line of a finding: who waived it or what to do, and where to look."""
    words = []
    if finding.waiver:
        words.append(f"Waived by {prose(finding.waiver.who)}: {prose(finding.waiver.reason)}")
    elif finding.hint:
        words.append(prose(finding.hint))
    source = finding.policy or finding.definition
    places = [] if finding.address is None else [fmt.address(finding.address)]
    if source and finding.line:
        places.append(f"{prose(source)} line {finding.line}")
    places.append(f"`{finding.fingerprint}`")
    return " ".join([*words, f"({', '.join(places)})"])


def prose(text: str) -> str:
    """Text of a stranger's as text, or as code where some dialect might make more of it."""
    text = " ".join(fmt.clean(text).split())
    if _TAME.fullmatch(text):
        return _MEANT.sub(r"\\\1", text)
    longest = max((len(run) for run in re.findall("`+", text)), default=0)
    fence = "`" * (longest + 1)
    gap = " " if text.startswith("`") or text.endswith("`") else ""
    return f"{fence}{gap}{text}{gap}{fence}"
