"""Which findings one state of a repository has and an earlier one has not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from callint.checking.checker import Report
from callint.model.finding import Finding, Severity

#: What a finding is about and was judged on; None where nobody can tell.
Key = tuple[object, ...]

#: The standing of a finding that somebody has accepted: it counts less than any severity.
_ACCEPTED = len(Severity)


def key_of(finding: Finding) -> Key | None:
    """What makes two findings of two states the same one.

    Unlike a fingerprint, which is short and for people, it covers everything that was judged.
    """
    if not finding.content:
        return None
    place = finding.image or finding.definition or finding.policy
    cell = finding.cell and (finding.cell.x, finding.cell.y)
    return finding.rule, place, finding.table, finding.other, finding.subject, cell, finding.content


class KnownFindings:
    """The findings of an earlier state, with the severity from which on that state fails."""

    def __init__(self, report: Report, fail_on: Severity) -> None:
        self._fail_on = fail_on
        self._standings: dict[Key, int] = {}
        for finding in report.findings:
            if key := key_of(finding):
                # Of two that cannot be told apart the milder one counts, so that nothing is taken for known.
                self._standings[key] = max(_standing(finding), self._standings.get(key, 0))

    def has(self, finding: Finding, fail_on: Severity) -> bool:
        """Whether the earlier state has the finding, and counts it at least as much.

        A finding that was accepted, or milder, or did not fail the check is new where that is no longer so.
        """
        key = key_of(finding)
        earlier = None if key is None else self._standings.get(key)
        if earlier is None or earlier > _standing(finding):
            return False
        return earlier <= self._fail_on.rank or _standing(finding) > fail_on.rank


def _standing(finding: Finding) -> int:
    """How much a finding counts, 0 the most."""
    return _ACCEPTED if finding.waived else finding.severity.rank


def new_findings(
    report: Report, earlier: Sequence[KnownFindings], fail_on: Severity, commit: str = ""
) -> Report:
    """The report with the findings apart that any earlier state has too.

    Several earlier states are the parents of a merge: what one of them has is not the merge's own. Findings
    carry the commit, where they are those of one.
    """
    known = [any(state.has(finding, fail_on) for state in earlier) for finding in report.findings]
    pairs = list(zip(report.findings, known, strict=True))
    new = tuple(replace(finding, commit=commit) for finding, is_known in pairs if not is_known)
    same = tuple(finding for finding, is_known in pairs if is_known)
    return replace(report, findings=new, known=same, commit=commit)
