"""Which definitions and bases a policy assigns to an image."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from contextlib import suppress
from dataclasses import dataclass

from callint.model.policy import Policy
from callint.reading.family import find_family
from callint.reading.globs import matches
from callint.reading.tree import Tree


@dataclass(frozen=True, slots=True)
class Assignment:
    """An image with the definitions and bases that it may belong to.

    ``start`` is the address of the first byte of the image and its bases if they are raw files of part of the
    memory.
    """

    image: str
    definitions: tuple[str, ...]
    bases: tuple[str, ...]
    start: int | None = None


def definition_parts(paths: Iterable[str], tree: Tree) -> dict[str, tuple[str, ...]]:
    """The other files that each definition builds on, unreadable ones included, by the definition's path."""
    parts = {}
    for path in paths:
        with suppress(OSError):
            parts[path] = find_family(tree.read(path), path, tree).paths[1:]
    return parts


def definitions_on(files: Collection[str], paths: Iterable[str], tree: Tree) -> list[str]:
    """The definitions among the given ones that build on one of the files."""
    return [path for path, parts in definition_parts(paths, tree).items() if not set(parts).isdisjoint(files)]


def assignment(policy: Policy, image: str) -> Assignment | None:
    """The policy's assignment of an image, by the first entry that matches."""
    for entry in policy.images:
        if any(matches(image, glob) for glob in entry.paths):
            return Assignment(image, entry.definitions, entry.bases, entry.start)
    return None


def assignment_of_named(policy: Policy, image: str) -> Assignment | None:
    """As ``assignment``, for an image that the user names; a base gets its own definition, but no base."""
    assigned = assignment(policy, image)
    if assigned is None:
        for entry in policy.images:
            if image in entry.bases:
                return Assignment(image, entry.definitions, (), entry.start)
    return assigned


def assignments(policy: Policy, tree: Tree) -> list[Assignment]:
    """Every image of the tree that the policy names."""
    return assigned_and_others(policy, tree)[0]


def assigned_and_others(policy: Policy, tree: Tree) -> tuple[list[Assignment], list[str]]:
    """Every image of the tree that the policy names, and the paths of all files that it does not name."""
    if not policy.images:
        return [], []
    assigned, others = [], []
    for path in tree.paths():
        item = assignment(policy, path)
        if item is not None:
            assigned.append(item)
        else:
            others.append(path)
    named = {policy.path, *policy.definitions, *policy.bases}
    return assigned, [path for path in others if path not in named]
