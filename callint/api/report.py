"""Checks of an image, and their findings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date

from callint.api.definition import CalibrationDefinition
from callint.api.html import findings_html
from callint.api.image import CalibrationImage
from callint.api.policy import CheckPolicy
from callint.api.source import files_beside, workspace_here
from callint.checking.assignments import Assignment, assignment_of_named
from callint.checking.checker import Checker
from callint.checking.report import Report
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.reading.tree import OverlayTree
from callint.reading.workspace import Workspace
from callint.reporting.findings.json import findings_json
from callint.reporting.findings.summary import closing_line, summary
from callint.rules.second_person import AuthorshipCheck, NoAuthorship


@dataclass(frozen=True, eq=False)
class CheckReport:
    """The findings about one image and its definition, the worst first."""

    report: Report = field(repr=False)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings, waived ones included (``Finding.waived``)."""
        return self.report.findings

    @property
    def summary(self) -> dict[str, int]:
        """The number of findings, and of what was checked.

        ``error``, ``warning`` and ``note`` count findings that are not waived, and ``waived`` the others.
        ``images``, ``tables`` and ``cells`` count what was checked.
        """
        return summary(self.report)

    def to_json(self) -> str:
        """The document that ``callint check --format json`` prints."""
        return findings_json(self.report)

    def __repr__(self) -> str:
        return f"CheckReport({closing_line(self.report)})"

    def _repr_html_(self) -> str:
        return findings_html(self.report)


def check(
    image: CalibrationImage,
    definition: CalibrationDefinition,
    *,
    base: CalibrationImage | None = None,
    policy: CheckPolicy | None = None,
) -> CheckReport:
    """Check an image and its definition, as ``callint check IMAGE --definition FILE`` does.

    With a ``base``, callint also checks the change. A ``policy`` sets severities and waives findings, and
    names the base if the argument does not. Without the argument no policy applies, whatever files exist. An
    image that is damaged, empty or of other software has findings that say so. Raises InputError if the
    definition is unusable.
    """
    workspace = workspace_here() if policy is None else policy.workspace
    label, path = image.source.label(workspace), definition.source.label(workspace)
    known = assignment_of_named(workspace.policy, label)
    files = {path: definition.source.data}
    label = _placed(files, label, image.data)
    bases, start = ((), None) if known is None else (known.bases, known.start)
    if base is not None:
        bases = (_placed(files, base.source.label(workspace), base.data),)
    start = start if image.start is None else image.start
    tree = OverlayTree(workspace.tree, files)
    authorship = _authorship(workspace, files)
    with definition.lock:
        parts = definition.loaded(path).definition.lines.parts
        if (beside := files_beside(definition.source, path)) is not None:
            files.update((part, beside.read(part)) for part in parts if part not in files)
        checker = Checker(tree, workspace.policy, date.today(), authorship, definition.known)
        report = checker.report([Assignment(label, (path,), bases, start)])
    return CheckReport(report)


def _placed(files: dict[str, bytes], label: str, data: bytes) -> str:
    """Add a content to the files and return its name, which changes if another content has the same name."""
    name, number = label, 2
    while files.setdefault(name, data) != data:
        name, number = f"{label} ({number})", number + 1
    return name


def _authorship(workspace: Workspace, files: Mapping[str, bytes]) -> Callable[[], AuthorshipCheck]:
    """A function that makes the authorship check; a checker calls it if the policy demands a second person.

    Git knows who changed the files on disk; nobody knows who made other contents.
    """

    def authorship() -> AuthorshipCheck:
        try:
            is_stored = all(workspace.tree.read(label) == data for label, data in files.items())
        except OSError:
            return NoAuthorship()
        if not is_stored:
            return NoAuthorship()
        try:
            from callint.versioning.commit_authorship import CommitAuthorship  # git is slow to import
        except InputError:  # git is not installed
            return NoAuthorship()
        return CommitAuthorship().check_for(workspace.tree, workspace.policy.path)

    return authorship
