"""What a review is about: the images, what the rules say of them, and what OLD had too."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Self

from callint.checking.report import Report
from callint.decoding.log_residency import LogSummary
from callint.rules.context import CheckContext
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # git is slow to import, and two files need none of it
    from callint.versioning.git.log import LoggedCommit
    from callint.versioning.ranges import Course


class State(StrEnum):
    """What became of an image."""

    CHANGED = "changed"
    ADDED = "added"
    REMOVED = "removed"
    SAME = "same"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Digests:
    """The SHA-256 of an image's old and new file, in hexadecimal digits; "" where there is none."""

    old: str = ""
    new: str = ""

    @classmethod
    def of(cls, old: Content | None, new: Content | None) -> Self:
        return cls(*(hashlib.sha256(one.data).hexdigest() if one else "" for one in (old, new)))


@dataclass(frozen=True, slots=True)
class ReviewedImage:
    """One image of a review; ``old``, ``new`` and ``base`` are names for people, "" where there is none.

    ``case`` has the old content for its base, or for an image that was added the factory's. It is None where
    nothing can be compared; of an unreadable image ``trouble`` says why. ``renamed`` is the path before.
    """

    path: str
    state: State
    old: str = ""
    new: str = ""
    base: str = ""
    renamed: str = ""
    case: CheckContext | None = None
    trouble: str = ""
    logged: LogSummary | None = None
    sha256: Digests = Digests()


@dataclass(frozen=True, slots=True)
class Review:
    """Images by path, and the findings on their new contents.

    ``report`` has the findings that OLD has not; ``report.known`` are those that it has too. ``day`` is the
    one for which waivers were judged, None where none of them ends. Of two revisions ``course`` says how
    they lie to each other, and ``paths`` to what the review is confined.
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
