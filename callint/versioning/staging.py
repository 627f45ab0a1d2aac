"""What a commit touches: images directly, or through their definition, base or policy."""

from __future__ import annotations

import posixpath
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.checking.assignments import Assignment, assignments
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, Tree, reason
from callint.versioning.git.diff import staged_paths
from callint.versioning.git.entries import index_entries
from callint.versioning.git.refs import next_parents
from callint.versioning.git.repository import Repo, from_top, open_repository, top_level
from callint.versioning.git.trees import IndexTree, RevisionTree, StoredTree, policy_folder


@dataclass(frozen=True, slots=True)
class State:
    """The files of one state, and its own policy; None where it has none that can be read."""

    tree: Tree
    policy: Policy | None


def state_at(repo: Repo, revision: str, folder: str, path: str = POLICY) -> State:
    """The state of a revision below a folder, or below where its policy lay if that is elsewhere.

    A policy that was moved to another folder has the files beside it under the same names.
    """
    tree = RevisionTree(repo, revision, folder)
    if tree.entry(path) is None and path == POLICY:
        folders = tree.folders_with(POLICY)
        if len(folders) == 1:
            tree = RevisionTree(repo, revision, folders[0])
    return state_of(tree, path)


def state_of(tree: StoredTree, path: str = POLICY) -> State:
    """A stored tree with its own policy; None where it has none that can be read."""
    try:
        return State(tree, read_policy(tree.read(path), path))
    except (OSError, InputError):
        return State(tree, None)


@dataclass(frozen=True, slots=True)
class Touched:
    """The images to check, the definitions to check besides, and whether that is all there is."""

    images: tuple[Assignment, ...]
    definitions: tuple[str, ...]
    whole: bool


def touched(policy: Policy, tree: Tree, changed: Collection[str]) -> Touched:
    """What must be checked when the paths in ``changed`` differ; a changed policy touches everything."""
    whole = policy.path in changed
    images = []
    for one in assignments(policy, tree):
        sources = {one.image, *one.definitions, *one.bases}
        if whole or not sources.isdisjoint(changed):
            images.append(one)
    named = set(policy.definitions)
    definitions = named if whole else named.intersection(changed)
    return Touched(tuple(images), tuple(sorted(definitions)), whole)


def shared(several: Sequence[Touched]) -> Touched:
    """What all of several lists have, such as those of a merge beside each of its parents."""
    first, *others = several
    return Touched(
        tuple(one for one in first.images if all(one in other.images for other in others)),
        tuple(path for path in first.definitions if all(path in other.definitions for other in others)),
        all(one.whole for one in several),
    )


@dataclass(frozen=True, slots=True)
class Staged:
    """The index as a tree with its policy, and what the next commit touches.

    ``folder`` is where the tree's files lie in the working tree. ``earlier`` is the newest commit, where the
    next one touches a base or the policy.
    """

    folder: Path
    tree: IndexTree
    policy: Policy
    touched: Touched
    repo: Repo
    earlier: tuple[State, ...] = ()


def staged(start: Path, policy_path: str | None = None) -> Staged:
    """The state that the next commit would record, seen from a folder; nothing of it is read from disk.

    ``policy_path`` names the policy, from that folder, where it is not the nearest one.
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
        where = posixpath.join(folder, name)
        raise InputError(f"{where}: in the index, {reason(error)}; git add it or settle it first") from None
    changed = set(tree.within(staged_paths(repo)))
    earlier: tuple[State, ...] = ()
    if not changed.isdisjoint({policy.path, *policy.bases}):
        # Beside the newest commit alone: what a merge takes from the other side comes in by this commit.
        earlier = tuple(state_at(repo, head, folder, name) for head in next_parents(repo)[:1])
    found = touched(policy, tree, changed)
    return Staged(top_level(repo) / folder, tree, policy, found, repo, earlier)
