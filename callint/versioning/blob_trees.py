"""Finds the revision that a file comes from, by the blobs that git gives an external diff driver.

git names no revisions to its driver. A definition builds on other files of the same revision, so the driver
looks for a commit that has the blobs at the path.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

from callint.model.errors import InputError
from callint.versioning.git.repository import Repo, run_git
from callint.versioning.git.trees import IndexTree, RevisionTree, StoredTree

#: The longest search in a history, in seconds.
_MOST_SECONDS = 10.0


@dataclass(frozen=True, slots=True)
class _FileChange:
    """A commit that changes the file, its first parent, and the blobs there and here."""

    commit: str
    parent: str
    old: str
    new: str


def trees_of_blobs(
    repo: Repo, paths: tuple[str, str], blobs: tuple[str, str]
) -> tuple[StoredTree | None, StoredTree | None]:
    """The trees of the old and of the new blob at their paths from the top; None for an unknown one.

    callint first looks for a commit that changes the file from one blob to the other, then at HEAD and the
    index, and then for the last commit with the blob.
    """
    changes = list(_changes(repo, paths[1], blobs[1]))
    for change in changes:
        if (change.old, change.new) == blobs and change.parent and paths[0] == paths[1]:
            return RevisionTree(repo, change.parent), RevisionTree(repo, change.commit)
    old_changes = _changes(repo, paths[0], blobs[0])
    return _tree(repo, paths[0], blobs[0], old_changes), _tree(repo, paths[1], blobs[1], changes)


def _tree(
    repo: Repo, path: str, blob: str, changes: Iterator[_FileChange] | list[_FileChange]
) -> StoredTree | None:
    if not blob.strip("0"):
        return None  # a file of the working tree
    with suppress(InputError):
        for tree in (RevisionTree(repo, "HEAD"), IndexTree(repo)):
            entry = tree.entry(path)
            if entry is not None and entry.blob == blob:
                return tree
        for change in changes:
            if change.new == blob:
                return RevisionTree(repo, change.commit)
            if change.old == blob and change.parent:
                return RevisionTree(repo, change.parent)
    return None


def _changes(repo: Repo, path: str, blob: str) -> Iterator[_FileChange]:
    """The commits that add a blob at a path or remove it, newest first; none if git cannot tell."""
    if not blob.strip("0"):
        return
    arguments = ["log", "--all", "HEAD", "--full-history", "--no-renames", "--no-show-signature"]
    arguments += ["--diff-merges=first-parent", "--raw", "--no-abbrev", "--format=%x01%H %P"]
    try:
        printed = run_git(
            repo, *arguments, f"--find-object={blob}", "--", f":(top,literal){path}", timeout=_MOST_SECONDS
        )
    except (InputError, subprocess.TimeoutExpired):
        return
    for record in printed.split("\1")[1:]:
        heading, *lines = record.splitlines()
        commit, *parents = heading.split()
        for line in lines:
            if line.startswith(":"):
                fields = line.split()
                yield _FileChange(commit, parents[0] if parents else "", fields[2], fields[3])
