"""Finds the images that a commit affects: directly, or through their definition, base or policy."""

from __future__ import annotations

import posixpath
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.checking.assignments import Assignment, assigned_and_others, definitions_on
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.family import SUFFIX
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, Tree, reason
from callint.versioning.git.diff import staged_paths
from callint.versioning.git.entries import index_entries
from callint.versioning.git.refs import next_parents
from callint.versioning.git.repository import Repo, from_top, open_repository, top_level
from callint.versioning.git.trees import IndexTree, RevisionTree, StoredTree, policy_folder


@dataclass(frozen=True, slots=True)
class TreeState:
    """The files of one state and its own policy; None if it has no readable policy."""

    tree: Tree
    policy: Policy | None


def state_at(repo: Repo, revision: str, folder: str, path: str = POLICY) -> TreeState:
    """The state of a revision below a folder, or below the folder of its only policy if that is elsewhere.

    If a policy was moved to another folder, the files next to it kept their names.
    """
    tree = RevisionTree(repo, revision, folder)
    if tree.entry(path) is None and path == POLICY:
        folders = tree.folders_with(POLICY)
        if len(folders) == 1:
            tree = RevisionTree(repo, revision, folders[0])
    return state_of(tree, path)


def state_of(tree: StoredTree, path: str = POLICY) -> TreeState:
    """A stored tree with its own policy; None if it has no readable policy."""
    try:
        return TreeState(tree, read_policy(tree.read(path), path))
    except (OSError, InputError):
        return TreeState(tree, None)


@dataclass(frozen=True, slots=True)
class CheckScope:
    """The images to check and the further definitions to check.

    ``is_complete`` is True if these are everything that the policy names. ``unassigned`` are further files to
    check, which the policy does not name.
    """

    images: tuple[Assignment, ...]
    definitions: tuple[str, ...]
    is_complete: bool
    unassigned: tuple[str, ...] = ()


def affected_scope(policy: Policy, tree: Tree, changed: Collection[str]) -> CheckScope:
    """The files to check if the paths in ``changed`` differ; a changed policy affects everything.

    A definition has changed if any file that it builds on has changed.
    """
    is_complete = policy.path in changed
    files = [path for path in changed if path.lower().endswith(SUFFIX)]
    if files and not is_complete:
        changed = {*changed, *definitions_on(files, policy.definitions, tree)}
    images = []
    assigned, others = assigned_and_others(policy, tree)
    for assignment in assigned:
        sources = {assignment.image, *assignment.definitions, *assignment.bases}
        if is_complete or not sources.isdisjoint(changed):
            images.append(assignment)
    definitions = [path for path in policy.definitions if is_complete or path in changed]
    unassigned = [path for path in others if is_complete or path in changed]
    return CheckScope(tuple(images), tuple(sorted(definitions)), is_complete, tuple(unassigned))


def common_scope(scopes: Sequence[CheckScope]) -> CheckScope:
    """The intersection of several scopes, such as those of a merge compared with each of its parents."""
    first, *others = scopes
    return CheckScope(
        tuple(image for image in first.images if all(image in other.images for other in others)),
        tuple(path for path in first.definitions if all(path in other.definitions for other in others)),
        all(scope.is_complete for scope in scopes),
        tuple(path for path in first.unassigned if all(path in other.unassigned for other in others)),
    )


@dataclass(frozen=True, slots=True)
class StagedState:
    """The index as a tree with its policy, and the scope that the next commit affects.

    ``folder`` is the folder of the tree's files on disk. ``earlier`` is the newest commit if the next one
    changes a base, a definition or the policy, and is empty otherwise.
    """

    folder: Path
    tree: IndexTree
    policy: Policy
    scope: CheckScope
    repo: Repo
    earlier: tuple[TreeState, ...] = ()

    def parents(self) -> list[RevisionTree]:
        """The trees of the next commit's parents."""
        prefix = self.tree.from_top("").rstrip("/")
        return [RevisionTree(self.repo, parent, prefix) for parent in next_parents(self.repo)]


def read_staged(start: Path, policy_path: str | None = None) -> StagedState:
    """The state that the next commit would record, read from the index alone.

    ``policy_path`` names the policy from the folder ``start``; the default is the nearest policy.
    """
    repo = open_repository(start)
    entries = index_entries(repo)
    if policy_path is None:
        folder, name = policy_folder(repo, start, entries, "the index"), POLICY
    else:
        folder, name = posixpath.split(from_top(repo, start, Path(policy_path).as_posix()))
    tree = IndexTree(repo, folder, entries)
    try:
        policy = read_policy(tree.read(name), name)
    except OSError as error:
        path = posixpath.join(folder, name)
        raise InputError(f"{path}: in the index, {reason(error)}; git add it or resolve it first") from None
    changed = set(tree.within(staged_paths(repo)))
    earlier: tuple[TreeState, ...] = ()
    has_definition = any(path.endswith(SUFFIX) for path in changed)  # one of the policy, or what it builds on
    if has_definition or not changed.isdisjoint({policy.path, *policy.bases, *policy.definitions}):
        # Compared with HEAD only: this commit adds everything that a merge takes from the other side.
        earlier = tuple(state_at(repo, head, folder, name) for head in next_parents(repo)[:1])
    scope = affected_scope(policy, tree, changed)
    return StagedState(top_level(repo) / folder, tree, policy, scope, repo, earlier)
