"""The result of a merge of definitions, with the findings that it causes."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

from callint.checking.assignments import definitions_on
from callint.checking.checker import Checker
from callint.checking.image_findings import FindingDetails
from callint.checking.report import Report
from callint.comparing.definition_merge.conflicts import DefinitionDecision, DefinitionMerge
from callint.model.definition import Definition
from callint.model.finding import Finding, Severity
from callint.reading.family import is_shared
from callint.reading.tree import OverlayTree
from callint.reading.workspace import Workspace


@dataclass(frozen=True, slots=True)
class DefinitionMergeReport:
    """A merge of definitions, the names of its files, and the findings that neither side has alone.

    ``path`` is the name of the merged file. ``definition`` is our side, or theirs if ours cannot be read: it
    has the units for the conflicts.
    """

    merge: DefinitionMerge
    definition: Definition | None
    path: str
    base: str
    ours: str
    theirs: str
    broken: Report

    @property
    def open_decisions(self) -> list[DefinitionDecision]:
        """The decisions that somebody has to make."""
        return [decision for decision in self.merge.decisions if decision.open]


class DefinitionJudge:
    """Checks contents of one file with all definitions of the policy that build on it, as ``check`` does."""

    def __init__(self, workspace: Workspace, path: str) -> None:
        self._workspace = workspace
        self._path = path

    def definition(self, data: bytes) -> Definition | None:
        """The definition in a content, None if it cannot be read."""
        loaded = self._checker(data).loader.load(self._path).loaded
        return None if loaded is None else loaded.definition

    def new_findings(self, data: bytes, sides: Iterable[bytes]) -> Report:
        """The errors and warnings about a content that neither side has."""
        known = {_key(finding) for side in sides for finding in self._report(side).findings}
        report = self._report(data, finds_causes=True)
        new = (finding for finding in report.findings if _key(finding) not in known)
        return replace(report, findings=tuple(new))

    def _report(self, data: bytes, *, finds_causes: bool = False) -> Report:
        checker = self._checker(data, finds_causes=finds_causes)
        children = definitions_on([self._path], self._workspace.policy.definitions, checker.tree)
        paths = children if is_shared(data) else [self._path, *children]
        # Two edits that only together bring a warning, such as two tables at one address, need a person too.
        report = checker.report((), paths)
        findings = (
            finding
            for finding in report.findings
            if finding.severity in (Severity.ERROR, Severity.WARNING)
            and not finding.waived
            and finding.definition in paths
        )
        return replace(report, findings=tuple(findings))

    def _checker(self, data: bytes, *, finds_causes: bool = False) -> Checker:
        tree = OverlayTree(self._workspace, {self._path: data})
        return Checker(
            tree, self._workspace.policy, date.today(), details=FindingDetails(causes=finds_causes)
        )


def _key(finding: Finding) -> tuple[object, ...]:
    """The key by which findings about two versions of a definition are the same, whatever their lines."""
    texts = (re.sub(r"\blines? \d+", "line", text) for text in (finding.subject, finding.message))
    return finding.rule, finding.definition, finding.table, *texts
