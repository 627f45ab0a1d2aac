"""Follows a file under all of its names through every commit of a history."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count

from callint.versioning.git.log import FileChange, LoggedCommit


@dataclass(frozen=True, slots=True)
class FileVersion:
    """A file in one commit: its number, which renames keep, and the id of its content."""

    file: int
    blob: str


@dataclass(frozen=True, slots=True)
class HistoryNode:
    """A file in one commit: the commit's position in the log, the file's path, the id of its content."""

    commit: int
    path: str
    blob: str


#: The files of one commit by their paths.
_Files = dict[str, FileVersion]


class HistoryGraph:
    """The path and content of one file in every commit of a history.

    A renamed file keeps its number, so that a merge's other parents lead to it under the name that it has
    there. ``commits`` are in the order of the log: newest first.
    """

    def __init__(self, commits: list[LoggedCommit], path: str) -> None:
        self.commits = commits
        self._positions = {commit.id: position for position, commit in enumerate(commits)}
        names = _connected_names(commits, path)
        numbers = count()
        self._files: list[_Files] = [{}] * len(commits)
        for position in reversed(range(len(commits))):
            commit = commits[position]
            parents = [self._files[self._positions[parent]] for parent in commit.parents]
            files = parents[0] if parents else {}
            changes = [change for change in commit.changes if change.path in names]
            if changes:
                files = _after(files, parents[1:], changes, numbers)
            self._files[position] = files

    def start(self, path: str) -> HistoryNode | None:
        """The file in the newest commit; None if that commit has no file at the path."""
        return self.at(self.commits[0].id, path)

    def at(self, commit: str, path: str) -> HistoryNode | None:
        """The file in a commit of the history; None if the commit has no file at the path."""
        position = self._positions[commit]
        version = self._files[position].get(path)
        return HistoryNode(position, path, version.blob) if version else None

    def parents(self, node: HistoryNode) -> list[HistoryNode]:
        """The file in the commit's parents, in their order, without parents that lack the file."""
        file = self._files[node.commit][node.path].file
        nodes = []
        for parent in self.commits[node.commit].parents:
            position = self._positions[parent]
            files = self._files[position]
            same = [path for path, version in files.items() if version.file == file]
            # In joined histories that have no file in common, the same path counts as the same file.
            for path in [node.path] if node.path in same else [*same, node.path]:
                if path in files:
                    nodes.append(HistoryNode(position, path, files[path].blob))
                    break
        return nodes


def _connected_names(commits: list[LoggedCommit], path: str) -> set[str]:
    """Every path that renames connect with a path, in either direction and on any branch."""
    renames: dict[str, set[str]] = {}
    for commit in commits:
        for change in commit.changes:
            if change.old is not None and change.old != change.path:
                renames.setdefault(change.path, set()).add(change.old)
                renames.setdefault(change.old, set()).add(change.path)
    names, queue = {path}, [path]
    while queue:
        new = renames.get(queue.pop(), set()) - names
        names |= new
        queue += new
    return names


def _after(files: _Files, others: list[_Files], changes: list[FileChange], numbers: Iterator[int]) -> _Files:
    """The files of a commit from the files of its first parent, and of its other parents."""
    after = dict(files)
    for change in changes:
        after.pop(change.path if change.old is None else change.old, None)
    for change in changes:
        if change.blob is None:
            continue
        known = None if change.old is None else files.get(change.old)
        if change.old != change.path:
            # A file that a merge adds or renames was added or renamed on another side before.
            known = next((parent[change.path] for parent in others if change.path in parent), known)
        after[change.path] = FileVersion(next(numbers) if known is None else known.file, change.blob)
    return after
