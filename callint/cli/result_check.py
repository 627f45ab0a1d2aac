"""Checks the images that a command makes."""

from __future__ import annotations

from datetime import date

from callint.checking.assignments import Assignment
from callint.checking.cause_order import sort_findings
from callint.checking.checker import Checker
from callint.checking.report import Report
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.finding import Severity
from callint.reading.tree import OverlayTree
from callint.reading.workspace import Workspace
from callint.versioning.file_version import Content


class ResultChecker:
    """Checks contents of one image against a base that need not be a file.

    ``image`` is the name of the checked image, as the policy knows it. ``start`` is the start address of the
    image and the base if they are raw files of part of the memory.
    """

    def __init__(
        self,
        workspace: Workspace,
        loaded: LoadedDefinition,
        image: str,
        base: Content,
        start: int | None = None,
    ) -> None:
        self._tree = OverlayTree(workspace, {base.name: base.data})
        self._checker = Checker(
            self._tree, workspace.policy, date.today(), is_compared=True, finds_causes=False
        )
        self._assignment = Assignment(image, (loaded.file.path,), (base.name,), start)
        self._layout = loaded.layout

    def errors(self, data: bytes) -> Report:
        """The errors of a content, sorted, without waived errors and errors that the base has too."""
        self._tree.files[self._assignment.image] = data
        findings = sort_findings(self._checker.check_image(self._assignment))
        errors = [
            finding for finding in findings if finding.severity is Severity.ERROR and not finding.waived
        ]
        return Report(tuple(errors), 1, len(self._layout.table_items), self._layout.size)
