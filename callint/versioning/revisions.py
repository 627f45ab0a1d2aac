"""Reads revisions: files as ``REV:path``, differences between two, the policy of a bare repository."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.globs import matches
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, error_with_remedy, reason
from callint.reading.workspace import Workspace
from callint.versioning.file_version import Content
from callint.versioning.git.diff import changed_paths
from callint.versioning.git.repository import Repo, folder_of, from_top, open_repository
from callint.versioning.git.trees import RevisionTree, StageTree


@dataclass(frozen=True, slots=True)
class ChangedFile:
    """A file that differs between two revisions; ``old`` is None if it was added, ``new`` if removed."""

    old: Content | None
    new: Content | None


def content_at(workspace: Workspace, name: str) -> Content:
    """The file that ``REV:path`` names, from the top of the repository; with ./ from the current folder.

    As in git, ``:path`` is the file in the index, and ``:1:path`` to ``:3:path`` are base, ours and theirs
    of a conflict.
    """
    revision, _, path = name.partition(":")
    repo = open_repository(Path.cwd(), bare=bool(revision))
    stage = 0
    if not revision and (match := re.match(r"([0-3]):", path)):
        stage, path = int(match[1]), path[match.end() :]
    is_from_here = path.startswith(("./", "../"))
    if is_from_here:
        path = from_top(repo, Path.cwd(), path)
    try:
        tree = RevisionTree(repo, revision) if revision else StageTree(repo, stage)
        data = tree.read(path)
    except OSError as error:
        remedy = f"{'git ls-tree -r ' + revision if revision else 'git ls-files --stage'} lists what there is"
        if folder_of(repo, Path.cwd()) and not is_from_here:
            remedy = f"the path counts from the top of the repository; write ./{path} for the current folder"
        message = error_with_remedy(error, remedy)
        raise InputError(f"{name}: {message}") from None
    folder = folder_of(repo, workspace.root)
    return Content(
        name, _path_from(folder, path), data, tree.below(folder) if is_below(path, [folder]) else tree
    )


def workspace_at(revision: str) -> Workspace:
    """The workspace in a revision, for a repository without a working tree."""
    repo = open_repository(Path.cwd(), bare=True)
    tree = RevisionTree(repo, revision)
    try:
        policy = read_policy(tree.read(POLICY), POLICY)
    except OSError as error:
        raise InputError(f"{revision}:{POLICY}: {reason(error)}; give --definition") from None
    return Workspace(Path.cwd(), policy, tree)


def changed_files(
    workspace: Workspace,
    old: str,
    new: str,
    paths: Sequence[str],
    wanted: Callable[[str], bool] = lambda path: True,
) -> Iterator[ChangedFile]:
    """The files that differ between two revisions, by path; git detects renames.

    ``paths`` are folders, files or globs from the top (default: all files). ``wanted`` tests whether to read
    a file, by its newest path. Raises InputError for an unreadable file.
    """
    repo = open_repository(Path.cwd(), bare=True)
    trees = RevisionTree(repo, old), RevisionTree(repo, new)
    folder = folder_of(repo, workspace.root)
    for before, after in _changed_paths(repo, old, new, paths):
        if not wanted(after or before or ""):
            continue
        yield ChangedFile(
            _content(trees[0], before, folder) if before else None,
            _content(trees[1], after, folder) if after else None,
        )


def changed_names(
    start: Path, root: Path, old: str, new: str, paths: Sequence[str]
) -> Iterator[tuple[str | None, str | None]]:
    """As ``changed_files``, but only the old and the new paths, from the policy's folder ``root``."""
    repo = open_repository(start, bare=True)
    folder = folder_of(repo, root)
    for before, after in _changed_paths(repo, old, new, paths):
        yield before and _path_from(folder, before), after and _path_from(folder, after)


def _changed_paths(
    repo: Repo, old: str, new: str, paths: Sequence[str]
) -> Iterator[tuple[str | None, str | None]]:
    for before, after in changed_paths(repo, old, new):
        if not paths or any(is_below(path, paths) for path in (before, after) if path):
            yield before, after


def _content(tree: RevisionTree, path: str, folder: str) -> Content:
    name = f"{tree.revision}:{path}"
    try:
        return Content(name, _path_from(folder, path), tree.read(path))
    except OSError as error:
        raise InputError(f"{name}: {reason(error)}") from None


def is_below(path: str, paths: Sequence[str]) -> bool:
    """Whether a path is one of the folders, files or globs, or lies below a folder; all from the top."""
    return any(
        path == selected or path.startswith(f"{selected.rstrip('/')}/") or matches(path, selected)
        for selected in paths
    )


def _path_from(folder: str, path: str) -> str:
    """The path from the policy's folder of a path from the top; unchanged if it lies outside the folder."""
    return path.removeprefix(f"{folder}/") if folder else path
