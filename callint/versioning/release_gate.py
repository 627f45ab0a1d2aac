"""The gate before a release: whether an image may be released, and what is released.

The files are judged as they are on disk. As the gate demands that they equal those of HEAD, what it lets
through is the commit.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property

from callint import fmt
from callint.checking.assignments import Assignment, assignment, definition_parts
from callint.checking.checker import Checker
from callint.checking.report import Report
from callint.checking.unit_numbers import unit_findings
from callint.decoding.checksum_update import UnsealableError, seal
from callint.decoding.digest import content_digest
from callint.model.errors import InputError
from callint.model.finding import Finding, Severity
from callint.model.image import Image
from callint.model.policy import Policy
from callint.model.release import FileDigest, Release, ReleasedCommit, ReleasedMemory
from callint.model.waiver import Waiver
from callint.reading.definition_file import normalized
from callint.reading.images import ImageFile, read_image_file
from callint.reading.tree import content_or_reason
from callint.reading.workspace import Workspace
from callint.rules.context import CheckContext
from callint.rules.second_person import needs_second_person
from callint.versioning.commit_authorship import CommitAuthorship
from callint.versioning.git.authors import Person
from callint.versioning.git.log import LoggedCommit, read_commit
from callint.versioning.git.refs import is_revision
from callint.versioning.git.repository import folder_of, open_repository
from callint.versioning.git.trees import RevisionTree

#: The most checksums that an obstacle names.
_MOST_NAMES = 4


@dataclass(frozen=True, slots=True)
class GateResult:
    """What keeps an image from being released: clauses for people, and the findings that count.

    ``report`` has all findings. ``blocking`` are those that keep the image from being released.
    """

    obstacles: tuple[str, ...]
    report: Report
    blocking: Report

    @property
    def is_open(self) -> bool:
        return not self.obstacles and not self.blocking.findings


class ReleaseGate:
    """Judges one image of a workspace at HEAD.

    InputError if the policy does not name the image, or if there is no commit.
    """

    def __init__(self, workspace: Workspace, image: str, today: date) -> None:
        policy = workspace.policy
        if not policy.path:
            raise InputError("no callint.toml in this folder or any parent; run callint init first")
        assigned = assignment(policy, image)
        if assigned is None:
            raise InputError(f"{image}: the policy does not name it; add the image to {policy.path}")
        self.workspace = workspace
        self.assigned: Assignment = assigned
        self.repo = open_repository(workspace.root)
        if not is_revision(self.repo, "HEAD"):
            raise InputError(f"{image}: the repository has no commit; commit the image first")
        self.commit: LoggedCommit = read_commit(self.repo, "HEAD")
        self.tree = RevisionTree(self.repo, self.commit.id, folder_of(self.repo, workspace.root))
        self._today = today
        self._authorship = CommitAuthorship()
        self._checker = Checker(
            workspace,
            policy,
            today,
            lambda: self._authorship.check_for(workspace, policy.path),
        )

    @property
    def policy(self) -> Policy:
        return self.workspace.policy

    def judge(self) -> GateResult:
        """Run all checks."""
        report = self._checker.report(
            [self.assigned],
            further=[lambda checker: unit_findings(checker, [self.assigned])],
        )
        blocking = [finding for finding in report.findings if self._is_blocking(finding)]
        obstacles = [*self._uncommitted(), *self._unsealed(), *self._expired(report.findings)]
        obstacles += self._objections(blocking)
        # A mistake is shown whole: what does not block may explain what does.
        causes = {finding.cause for finding in blocking if finding.cause}
        shown = tuple(
            finding
            for finding in report.findings
            if finding in blocking or (finding.cause in causes and not finding.waived)
        )
        return GateResult(tuple(obstacles), report, replace(report, findings=shown))

    def _is_blocking(self, finding: Finding) -> bool:
        """Whether a finding counts: by ``fail-on``, or because a second person must accept it."""
        if finding.waived:
            return False
        if finding.severity.reaches(self.policy.fail_on):
            return True
        is_note = finding.severity is Severity.NOTE
        definition = self._context.definition if self._context else None
        return self.policy.second_person and not is_note and needs_second_person(finding, definition)

    def _objections(self, findings: Sequence[Finding]) -> Iterator[str]:
        """Why waivers of open findings do not count as a second person's."""
        if not self.policy.second_person:
            return
        authorship = self._authorship.check_for(self.workspace, self.policy.path)
        for waiver in self.policy.waivers:
            covered = next((item for item in findings if _is_of(waiver, item)), None)
            if covered is None:
                continue
            objection = authorship.objection(waiver, covered, self._context)
            if objection is not None:
                place = f" for {waiver.table}" if waiver.table else ""
                yield f"{waiver.who}'s waiver of {waiver.rule}{place} {objection.text}. {objection.hint}"

    def _uncommitted(self) -> Iterator[str]:
        """What differs from HEAD, of all files that the release depends on."""
        for path in self._inputs():
            stored, actual = (content_or_reason(tree, path) for tree in (self.tree, self.workspace))
            is_text = path == self.policy.path or path in self._definition_files
            if is_text and isinstance(stored, bytes) and isinstance(actual, bytes):
                stored, actual = normalized(stored), normalized(actual)  # git may change line ends
            if stored is None:
                yield f"{path} is not committed; git add it and commit"
            elif stored != actual:
                yield f"{path} differs from the commit {self.commit.id[:8]}; commit it, or restore it"

    @cached_property
    def _definition_files(self) -> tuple[str, ...]:
        """The definitions that the image may have, and the files on which they build."""
        paths = self.assigned.definitions
        parts = definition_parts(paths, self.workspace).values()
        return tuple(dict.fromkeys([*paths, *(path for files in parts for path in files)]))

    def _inputs(self) -> list[str]:
        files = (self.policy.path, self.assigned.image, *self._definition_files, *self.assigned.bases)
        return list(dict.fromkeys(files))

    def _unsealed(self) -> Iterator[str]:
        """The checksums that are stale, or that cannot be computed, whatever the policy says of them."""
        context, name = self._context, self.assigned.image
        if context is None or context.image is None:
            return
        try:
            sealed = seal(context.image, context.definition.memory)
        except UnsealableError as error:
            yield f"it cannot be sealed: {error}"
            return
        stale = [renewal.checksum.name for renewal in sealed.renewals]
        if stale:
            verb = "is" if len(stale) == 1 else "are"
            noun = "checksum" if len(stale) == 1 else "checksums"
            yield f"{noun} {fmt.list_names(stale, _MOST_NAMES)} {verb} stale; run callint seal {name}"

    def _expired(self, findings: tuple[Finding, ...]) -> Iterator[str]:
        """The waivers of the image that have ended while their findings are there."""
        open_findings = {
            (finding.rule, finding.image, finding.table) for finding in findings if not finding.waived
        }
        for waiver in self.policy.waivers:
            is_past = waiver.until is not None and waiver.until < self._today
            if is_past and waiver.subject in open_findings:
                place = f" for {waiver.table}" if waiver.table else ""
                yield f"{waiver.who}'s waiver of {waiver.rule}{place} expired on {waiver.until}; renew it"

    @cached_property
    def _context(self) -> CheckContext | None:
        return self._checker.loader.context(self.assigned)

    # What is released, if the gate is open

    @property
    def context(self) -> CheckContext:
        """The image with its definition and base."""
        assert self._context is not None
        return self._context

    @property
    def image(self) -> Image:
        assert self.context.image is not None
        return self.context.image

    @property
    def image_file(self) -> ImageFile:
        """The image file, as git stores it."""
        data = self.tree.read(self.assigned.image)
        return read_image_file(data, self.context.definition.memory, self.assigned.start)

    @property
    def base_path(self) -> str:
        """The path of the base; "" without one."""
        return "" if self.context.base is None else self.context.base_path

    def waiver_author(self, waiver: Waiver) -> Person | None:
        """The author of the commit that brought a waiver; None if git cannot tell."""
        return self._authorship.waiver_author(self.tree, self.policy.path, waiver)

    def release(self, file: FileDigest, page: FileDigest) -> Release:
        """What the manifest states of the image; ``file`` and ``page`` are the files beside it."""
        memory, definition = self.context.definition.memory, self.context.loaded.file.path
        parts = definition_parts([definition], self.tree).get(definition, ())
        base = self.base_path
        authored = self.commit.authored
        return Release(
            commit=ReleasedCommit(
                self.commit.id,
                self.commit.author,
                self.commit.email,
                authored.isoformat() if authored else "",
                self.commit.subject,
            ),
            image=self._digest(self.assigned.image),
            folder=folder_of(self.repo, self.workspace.root),
            content=content_digest(self.image, memory.fill),
            start=self.image.segments[0].start,
            memory=ReleasedMemory(memory.start, memory.size, memory.fill),
            file=file,
            page=page,
            definition=self._digest(definition),
            parts=tuple(map(self._digest, parts)),
            base=self._digest(base) if base else None,
            policy=self._digest(self.policy.path),
        )

    def _digest(self, path: str) -> FileDigest:
        return FileDigest(path, hashlib.sha256(self.tree.read(path)).hexdigest())


def _is_of(waiver: Waiver, finding: Finding) -> bool:
    """Whether a waiver is about a finding, whether it counts or not."""
    return waiver.subject in {(finding.rule, finding.image, table) for table in (finding.table, "")}
