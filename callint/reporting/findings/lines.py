"""Findings one a line, as editors jump to them."""

from __future__ import annotations

from callint.checking.report import Report
from callint.fmt import clean
from callint.model.finding import Finding
from callint.reporting.findings.wording import mark, told


def findings_lines(report: Report) -> str:
    """Every finding as ``file:line: severity: rule: message``, waived ones too.

    The file is the definition, or the policy; a finding that names no line has 1.
    """
    return "".join(f"{clean(_line(finding))}\n" for finding in report.findings)


def _line(finding: Finding) -> str:
    source = finding.policy or finding.definition or finding.image
    ending = f"[{mark(finding)}]"
    if finding.waiver:
        ending += f" waived by {finding.waiver.who}: {finding.waiver.reason}"
    where = f"{source}:{finding.line or 1}: {finding.severity.value}: {finding.rule}"
    return f"{where}: {told(finding)} {ending}"
