"""The sign-off of a review: what a reviewer accepted, and on which files."""

from __future__ import annotations

from dataclasses import dataclass

from callint.model.release import FileDigest


@dataclass(frozen=True, slots=True)
class SignedImage:
    """An image of a review: its path, and the SHA-256 of its new file, "" if the image was removed."""

    path: str
    new: str
    base: FileDigest | None
    definition: FileDigest | None


@dataclass(frozen=True, slots=True)
class AcceptedFinding:
    """A finding that a reviewer accepts; ``table`` is "" if it is not about a table."""

    fingerprint: str
    rule: str
    table: str


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A mistake that a reviewer accepts, or a finding that belongs to none.

    ``image`` is the path of the image, "" if it is about a definition or the policy, whose path is
    ``source``.
    """

    image: str
    source: str
    title: str
    remark: str
    findings: tuple[AcceptedFinding, ...]


@dataclass(frozen=True, slots=True)
class SignOff:
    """What a reviewer saved.

    ``reviewer`` is the name, ``decision`` one of open, agreed and changes. ``unread`` is the number of
    tables, checksums and unexplained bytes that the reviewer did not mark as read.
    """

    reviewer: str
    decision: str
    is_signed: bool
    images: tuple[SignedImage, ...]
    policy: FileDigest | None
    accepted: tuple[Acceptance, ...]
    unread: int = 0
