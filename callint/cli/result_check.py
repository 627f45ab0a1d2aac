"""Checks the images that a command makes."""

from __future__ import annotations

from datetime import date

from callint.checking.assignments import Assignment
from callint.checking.cause_order import sort_findings
from callint.checking.checker import Checker
from callint.checking.image_findings import FindingDetails
from callint.checking.loading import Definitions
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
        self._policy = workspace.policy
        self._definitions = Definitions()
        self._assignment = Assignment(image, (loaded.file.path,), (base.name,), start)
        self._layout = loaded.layout

    def errors(self, data: bytes, *, finds_causes: bool = False) -> Report:
        """The errors of a content, sorted, without waived errors and errors that the base has too.

        ``finds_causes`` says that somebody will read them: then each error gets its cause.
        """
        self._tree.files[self._assignment.image] = data
        checker = Checker(
            self._tree,
            self._policy,
            date.today(),
            definitions=self._definitions,
            details=FindingDetails(contents=True, causes=finds_causes),
        )
        findings = sort_findings(checker.check_image(self._assignment), checker.settler.causes)
        errors = [
            finding for finding in findings if finding.severity is Severity.ERROR and not finding.waived
        ]
        tables, cells = len(self._layout.table_items), self._layout.table_cells
        return Report(tuple(errors), 1, tables, cells, causes=checker.settler.causes)
