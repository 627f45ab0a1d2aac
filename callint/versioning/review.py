"""A review of a change: the images, and the findings on them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Self

from callint.checking.report import Report
from callint.decoding.log_residency import LogSummary
from callint.model.change import ChangeSet
from callint.model.definition import Definition
from callint.model.definition_change import DefinitionDiff
from callint.model.image import Image
from callint.model.policy import Policy
from callint.model.release import FileDigest
from callint.reading.definition_file import content_digest
from callint.reading.tree import Tree
from callint.rules.context import CheckContext
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # git is slow to import, and two files need none of it
    from callint.comparing.softwares.result import SoftwareChange
    from callint.versioning.git.log import LoggedCommit
    from callint.versioning.ranges import Course
    from callint.versioning.revision_names import RevisionName


class ImageState(StrEnum):
    """The state of an image after the change."""

    CHANGED = "changed"
    ADDED = "added"
    REMOVED = "removed"
    SAME = "same"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Digests:
    """The SHA-256 of an image's old and new file, base and definition, in hexadecimal; "" without a file.

    That of the definition is ``Definition.digest``.
    """

    old: str = ""
    new: str = ""
    base: str = ""
    definition: str = ""

    @classmethod
    def of(cls, old: Content | None, new: Content | None) -> Self:
        return cls(*(hashlib.sha256(file.data).hexdigest() if file else "" for file in (old, new)))

    def judged_by(self, definition: Definition, base: str, tree: Tree) -> Self:
        """These digests with those of the definition and of the base at a path in the tree ("" for none)."""
        return replace(self, base=file_digest(tree, base) if base else "", definition=definition.digest)


def file_digest(tree: Tree, path: str) -> str:
    """The SHA-256 of a file of a tree; "" if it cannot be read."""
    try:
        return hashlib.sha256(tree.read(path)).hexdigest()
    except OSError:
        return ""


def policy_file(policy: Policy, tree: Tree) -> FileDigest | None:
    """The policy in a tree, with LF line ends; None without a policy."""
    if not policy.path:
        return None
    try:
        return FileDigest(policy.path, content_digest(tree.read(policy.path)))
    except OSError:
        return None


@dataclass(frozen=True, slots=True)
class VersionPair:
    """The change between images of two software versions, and the path of the old one's definition."""

    change: SoftwareChange
    definition: str


@dataclass(frozen=True, slots=True)
class ReviewedImage:
    """An image of a review; ``old``, ``new`` and ``base`` are names for people, "" if there is no such file.

    The base of ``context`` is the old content, or the factory image for an added image. ``context`` is None
    if nothing can be compared; ``problem`` gives the reason if the image is unreadable. ``renamed`` is the
    former path. ``log`` is the driving log, if there is one. ``base_image`` is the base for the rules, if the
    policy has one for it. ``versions`` is the change if the images are of
    two software versions; then ``context`` has no base.
    """

    path: str
    state: ImageState
    old: str = ""
    new: str = ""
    base: str = ""
    renamed: str = ""
    context: CheckContext | None = None
    problem: str = ""
    log: LogSummary | None = None
    sha256: Digests = Digests()
    versions: VersionPair | None = None
    base_image: Image | None = None

    @property
    def changes(self) -> ChangeSet | None:
        """The changes; None if nothing can be compared."""
        if self.versions is not None:
            return self.versions.change.changes
        return None if self.context is None else self.context.changes

    @property
    def is_unchanged(self) -> bool:
        """Whether nothing that callint compares changed."""
        if self.versions is not None:
            return self.versions.change.is_empty
        has_content = self.context is not None and self.context.changes.is_empty
        return self.state is ImageState.SAME or has_content


@dataclass(frozen=True, slots=True)
class ReviewedDefinition:
    """A definition whose meaning differs; ``old`` and ``new`` are names of the files for people."""

    path: str
    old: str
    new: str
    diff: DefinitionDiff


@dataclass(frozen=True, slots=True)
class Review:
    """The images by path, and the findings on their new contents.

    ``report`` has the findings that OLD lacks, ``report.known`` those that OLD has too. ``day`` is the day
    for which callint judged the waivers, None if no waiver ends. For two revisions, ``course`` says how they
    are related, and ``paths`` limits the review to some paths. ``definitions`` are those that differ between
    them. ``revisions`` names the revisions of OLD and NEW; None for a file. ``policy`` is the policy by which
    callint checked, None if there is none.
    """

    title: str
    old: str
    new: str
    images: tuple[ReviewedImage, ...]
    report: Report
    commit: LoggedCommit | None = None
    day: date | None = None
    course: Course | None = None
    paths: tuple[str, ...] = ()
    definitions: tuple[ReviewedDefinition, ...] = ()
    revisions: tuple[RevisionName | None, RevisionName | None] = (None, None)
    policy: FileDigest | None = None
