"""What the rules say about an image that a command makes."""

from __future__ import annotations

from datetime import date

from callint.checking.assignments import Assignment
from callint.checking.checker import Checker
from callint.checking.report import Report, sort_findings
from callint.model.finding import Severity
from callint.reading.tree import OverlayTree
from callint.reading.workspace import Workspace
from callint.rules.context import LoadedDefinition


class ResultChecker:
    """Judges contents that are to be one image, beside a base that need be no file.

    ``image`` is the name that they are judged under, as the policy knows it, ``start`` where they and the
    base begin if they are raw files of part of the memory.
    """

    def __init__(
        self,
        workspace: Workspace,
        subject: LoadedDefinition,
        image: str,
        basis: str,
        base: bytes,
        start: int | None = None,
    ) -> None:
        self._tree = OverlayTree(workspace, {basis: base})
        self._inspector = Checker(self._tree, workspace.policy, date.today(), is_compared=True)
        self._assignment = Assignment(image, (subject.file.path,), (basis,), start)
        self._plan = subject.layout

    def errors(self, data: bytes) -> Report:
        """The errors of a content, in order, without what is waived or what the base has in the same way."""
        self._tree.files[self._assignment.image] = data
        found = sort_findings(self._inspector.check_image(self._assignment))
        errors = tuple(one for one in found if one.severity is Severity.ERROR and not one.waived)
        return Report(errors, 1, len(self._plan.table_items), self._plan.size)
