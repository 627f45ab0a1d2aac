"""The result of a check: settled findings in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from callint.model.cause import Cause
from callint.model.finding import Finding


@dataclass(frozen=True, slots=True)
class Report:
    """Settled findings in order, and the number of images, tables and cells that were checked.

    ``files`` are the checked images and definitions, and ``policy`` is the path of the policy. If the check
    reports only new findings, ``known`` are the findings that an earlier state has too. ``commit`` is the id
    of the commit, if the report is about a single one. ``causes`` are the causes of the findings by id.
    """

    findings: tuple[Finding, ...]
    images: int
    tables: int
    cells: int
    files: tuple[str, ...] = ()
    policy: str = ""
    known: tuple[Finding, ...] | None = None
    commit: str = ""
    causes: Mapping[str, Cause] = field(default_factory=dict)


def merge_reports(reports: Sequence[Report]) -> Report:
    """Several reports as one, in order."""
    if len(reports) == 1:
        return reports[0]
    causes = {name: cause for report in reports for name, cause in report.causes.items()}
    return Report(
        findings=tuple(finding for report in reports for finding in report.findings),
        images=sum(report.images for report in reports),
        tables=sum(report.tables for report in reports),
        cells=sum(report.cells for report in reports),
        files=tuple(dict.fromkeys(path for report in reports for path in report.files)),
        policy=next((report.policy for report in reports), ""),
        causes=causes,
    )
