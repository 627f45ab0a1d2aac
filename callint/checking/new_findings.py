"""The findings that one state of a repository has and an earlier one lacks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from callint.checking.report import Report
from callint.model.finding import Finding, Severity

#: The subject and the content of a finding.
Key = tuple[object, ...]

#: The weight of a waived finding: it counts less than any severity.
_WAIVED = len(Severity)


def key_of(finding: Finding) -> Key | None:
    """The key by which findings of two states are the same; None if a finding cannot be compared.

    Unlike a fingerprint, which is short and for people, it covers everything that the finding depends on.
    """
    if not finding.content:
        return None
    place = finding.image or finding.definition or finding.policy
    cell = finding.cell and (finding.cell.x, finding.cell.y)
    return finding.rule, place, finding.table, finding.other, finding.subject, cell, finding.content


#: Gives the key of a finding; None if the finding cannot be compared.
KeyOf = Callable[[Finding], Key | None]


class KnownFindings:
    """The findings of an earlier state, and the least severity at which that state fails.

    ``keys`` give the keys of a finding of the earlier state and of a later one.
    """

    def __init__(
        self, report: Report, fail_on: Severity, keys: tuple[KeyOf, KeyOf] = (key_of, key_of)
    ) -> None:
        self._fail_on = fail_on
        earlier_key, self._key = keys
        self._weights: dict[Key, int] = {}
        for finding in report.findings:
            if key := earlier_key(finding):
                # If two findings have one key, the milder one counts: a new finding must not count as known.
                self._weights[key] = max(_weight(finding), self._weights.get(key, 0))

    def has(self, finding: Finding, fail_on: Severity) -> bool:
        """Whether the earlier state has the finding, and counts it at least as much.

        A finding that was waived, milder or below the failing severity is new as soon as it is not.
        """
        key = self._key(finding)
        earlier = None if key is None else self._weights.get(key)
        if earlier is None or earlier > _weight(finding):
            return False
        return earlier <= self._fail_on.rank or _weight(finding) > fail_on.rank


def _weight(finding: Finding) -> int:
    """The weight of a finding; 0 is the greatest."""
    return _WAIVED if finding.waived else finding.severity.rank


def new_findings(
    report: Report, earlier: Sequence[KnownFindings], fail_on: Severity, commit: str = ""
) -> Report:
    """The report with the new findings; those that any earlier state has become its ``known`` findings.

    The earlier states of a merge are its parents: a finding that one parent has is not the merge's own.
    ``commit`` is the id of the commit, if the report is about a single one.
    """
    known = [any(state.has(finding, fail_on) for state in earlier) for finding in report.findings]
    pairs = list(zip(report.findings, known, strict=True))
    new = tuple(replace(finding, commit=commit) for finding, is_known in pairs if not is_known)
    same = tuple(finding for finding, is_known in pairs if is_known)
    return replace(report, findings=new, known=same, commit=commit)
