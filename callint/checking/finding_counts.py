"""The counts of a report."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from callint.checking.report import Report
from callint.model.finding import Severity


@dataclass(frozen=True, slots=True)
class FindingCounts:
    """The number of findings that are not waived, by severity, of waived ones, and of what was checked."""

    severities: dict[Severity, int]
    waived: int
    images: int
    tables: int
    cells: int


def finding_counts(report: Report) -> FindingCounts:
    """The counts of a report; every severity has one."""
    counts = Counter(finding.severity for finding in report.findings if not finding.waived)
    return FindingCounts(
        {severity: counts[severity] for severity in Severity},
        sum(finding.waived for finding in report.findings),
        report.images,
        report.tables,
        report.cells,
    )
