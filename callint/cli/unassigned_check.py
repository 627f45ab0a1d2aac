"""The check of files that the policy does not name, as the commands share it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from functools import partial

from callint.checking.checker import Checker
from callint.checking.unassigned import unassigned_findings
from callint.model.finding import Finding
from callint.reading.tree import Tree
from callint.reading.workspace import Workspace


def unassigned_check(
    paths: Sequence[str], tree: Tree | None = None
) -> list[Callable[[Checker], Iterable[Finding]]]:
    """What looks for images among files that the policy does not name; nothing without such files.

    Files of a ``tree`` on disk that git ignores do not count.
    """
    if not paths:
        return []
    if not isinstance(tree, Workspace):
        return [partial(unassigned_findings, paths=paths)]
    root = tree.root

    def ignored(candidates: Sequence[str]) -> Collection[str]:
        from callint.versioning.git.ignored import ignored_paths  # only such files need git

        return ignored_paths(root, candidates)

    return [partial(unassigned_findings, paths=paths, ignored=ignored)]
