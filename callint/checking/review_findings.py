"""The findings of a review: new and known ones together, their order, and their counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from callint.checking.cause_order import CauseFindings, cause_groups, sort_findings
from callint.checking.report import Report
from callint.model.cause import Cause
from callint.model.finding import Finding, Severity


@dataclass(frozen=True, slots=True)
class ReviewFinding:
    """A finding on the new image; ``is_known`` says whether the old image has it too."""

    finding: Finding
    is_known: bool


@dataclass(frozen=True, slots=True)
class ReviewCounts:
    """The number of findings by severity without waived ones, of waived ones, and of known ones.

    ``known`` and ``known_severe`` leave out waived findings; ``known_severe`` also leaves out notes.
    """

    severities: dict[Severity, int]
    waived: int
    known: int
    known_severe: int

    @property
    def severe(self) -> int:
        """The number of errors and warnings that are not waived."""
        return self.severities[Severity.ERROR] + self.severities[Severity.WARNING]


def review_findings(report: Report) -> list[ReviewFinding]:
    """All findings: not waived before waived, then in the order of their causes."""
    new = {id(finding) for finding in report.findings}
    ordered = sort_findings((*report.findings, *(report.known or ())), report.causes)
    findings = [ReviewFinding(finding, id(finding) not in new) for finding in ordered]
    return sorted(findings, key=lambda item: item.finding.waived)


def review_counts(findings: Sequence[ReviewFinding]) -> ReviewCounts:
    """The counts of the findings of a review; every severity has one."""
    active = [item for item in findings if not item.finding.waived]
    known = [item for item in active if item.is_known]
    counts = Counter(item.finding.severity for item in active)
    return ReviewCounts(
        {severity: counts[severity] for severity in Severity},
        len(findings) - len(active),
        len(known),
        sum(item.finding.severity is not Severity.NOTE for item in known),
    )


def new_mistakes(findings: Sequence[ReviewFinding], causes: Mapping[str, Cause]) -> list[CauseFindings]:
    """The mistakes in the new image: the causes of its findings that are not waived, the worst first.

    A cause that the base has in the same way does not count, nor one whose findings the old image has too.
    """
    new = {id(item.finding) for item in findings if not item.is_known}
    groups = cause_groups(_active(findings), causes)
    return [
        group for group in groups if not group.is_inherited and not new.isdisjoint(map(id, group.findings))
    ]


def worst_ranks(findings: Sequence[ReviewFinding]) -> dict[str, dict[str, int]]:
    """The rank of the worst finding by image and table: 0 for an error; waived findings rank behind notes."""
    worst: dict[str, dict[str, int]] = {}
    for item in findings:
        finding = item.finding
        rank = len(Severity) if finding.waived else finding.severity.rank
        tables = worst.setdefault(finding.image, {})
        tables[finding.table] = min(rank, tables.get(finding.table, rank))
    return worst


def disabled_protections(findings: Sequence[ReviewFinding]) -> int:
    """The number of tables that no longer protect."""
    rules = ("protection/disabled", "protection/flat")
    return len({(finding.image, finding.table) for finding in _active(findings) if finding.rule in rules})


def stale_checksums(findings: Sequence[ReviewFinding]) -> int:
    """The number of checksums that do not fit the contents."""
    rule = "image/stale-checksum"
    return len({(finding.image, finding.subject) for finding in _active(findings) if finding.rule == rule})


def _active(findings: Sequence[ReviewFinding]) -> list[Finding]:
    return [item.finding for item in findings if not item.finding.waived]
