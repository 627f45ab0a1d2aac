"""A line for each finding, in the form that editors can jump to."""

from __future__ import annotations

from callint.checking.report import Report
from callint.fmt import clean
from callint.model.finding import Finding, Severity
from callint.reporting.findings.wording import location, one_line, short_fingerprint


def findings_lines(report: Report) -> str:
    """Every finding as ``file:line: severity: rule: message``; the line is 1 if the finding has none.

    A waived finding is a note, so that editors do not count it as an error or a warning; its end names its
    own severity.
    """
    return "".join(f"{clean(_line(finding))}\n" for finding in report.findings)


def _line(finding: Finding) -> str:
    source, line = location(finding)
    severity, ending = finding.severity, f"[{short_fingerprint(finding)}]"
    if finding.waiver:
        ending += f" {severity.value} waived by {finding.waiver.who}: {finding.waiver.reason}"
        severity = Severity.NOTE
    place = f"{source}:{line or 1}: {severity.value}: {finding.rule}"
    return f"{place}: {one_line(finding)} {ending}"
