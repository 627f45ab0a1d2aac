"""A line for each finding, in the form that editors can jump to."""

from __future__ import annotations

from callint.checking.report import Report
from callint.fmt import clean
from callint.model.finding import Finding
from callint.reporting.findings.wording import one_line, short_fingerprint


def findings_lines(report: Report) -> str:
    """Every finding as ``file:line: severity: rule: message``, including waived ones.

    The file is the definition or the policy; the line is 1 if the finding has none.
    """
    return "".join(f"{clean(_line(finding))}\n" for finding in report.findings)


def _line(finding: Finding) -> str:
    source = finding.policy or finding.definition or finding.image
    ending = f"[{short_fingerprint(finding)}]"
    if finding.waiver:
        ending += f" waived by {finding.waiver.who}: {finding.waiver.reason}"
    place = f"{source}:{finding.line or 1}: {finding.severity.value}: {finding.rule}"
    return f"{place}: {one_line(finding)} {ending}"
