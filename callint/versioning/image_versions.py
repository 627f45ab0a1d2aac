"""Finds every version of every image in the history of a repository."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from callint.checking.assignments import assignment_of_named
from callint.model.policy import Policy
from callint.versioning.git.log import LoggedCommit
from callint.versioning.git.objects import blob_sizes
from callint.versioning.git.repository import Repo


@dataclass(frozen=True, slots=True)
class ImageVersion:
    """A content of an image: its blob, the commit that first added it, and its path from the top.

    ``start`` is the policy's start address for raw images of part of the memory at the path.
    """

    blob: str
    path: str
    commit: LoggedCommit
    start: int | None = None


def image_versions(
    repo: Repo, commits: Sequence[LoggedCommit], policy: Policy, folder: str, sizes: Collection[int]
) -> list[ImageVersion]:
    """The versions of images and bases in the commits, the newest first.

    An image is a file that the policy names, and any other file with one of the ``sizes`` in bytes, because
    the policy may have named it before. ``folder`` is the policy's folder from the top.
    """
    prefix = f"{folder}/" if folder else ""
    first: dict[str, ImageVersion] = {}
    named: dict[str, int | None] = {}
    for commit in commits:
        for change in commit.changes:
            if change.blob is None:
                continue
            # The commits come newest first, so the oldest one stays.
            first[change.blob] = ImageVersion(change.blob, change.path, commit)
            own = change.path.removeprefix(prefix)
            if change.path.startswith(prefix) and (assigned := assignment_of_named(policy, own)):
                named[change.blob] = assigned.start
    if sizes:
        of_blobs = blob_sizes(repo, [blob for blob in first if blob not in named])
        named.update({blob: None for blob, size in of_blobs.items() if size in sizes})
    order = {commit.id: number for number, commit in enumerate(commits)}
    versions = (replace(version, start=named[blob]) for blob, version in first.items() if blob in named)
    return sorted(versions, key=lambda version: order[version.commit.id])
