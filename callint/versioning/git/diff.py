"""Finds the files that differ between two revisions, or between the newest commit and the index."""

from __future__ import annotations

from callint.versioning.git.refs import commit_id
from callint.versioning.git.repository import Repo, run_git

#: Options of every comparison: no setting of a repository may change its result or start a program.
DIFF_OPTIONS = (
    "--no-color",
    "--no-ext-diff",
    "--no-textconv",
    "--no-relative",  # a relative diff omits files outside the current folder
    "--ignore-submodules=none",
    "-O/dev/null",  # diff.orderFile names a file, and git dies if it is absent
    "-l1000",  # the number of files compared for renames with edits, which takes the square of it
)


def staged_paths(repo: Repo) -> list[str]:
    """The paths from the top that the next commit adds, changes or removes."""
    return list(staged_statuses(repo))


def staged_statuses(repo: Repo) -> dict[str, str]:
    """The status letters of paths from the top in the next commit: "A" added, "D" deleted, "M" and others."""
    arguments = ("diff", "--cached", "--name-status", "--no-renames", "-z", *DIFF_OPTIONS)
    fields = run_git(repo, *arguments).split("\0")
    return dict(zip(fields[1::2], fields[0::2], strict=False))


def changed_paths(repo: Repo, old: str, new: str) -> list[tuple[str | None, str | None]]:
    """The old and the new path of each file that differs between two revisions.

    The old path of an added file is None, and so is the new path of a removed one. Git compares two trees:
    no working tree, no filters, no textconv. The repository keeps the last comparison.
    """
    commits = commit_id(repo, old), commit_id(repo, new)
    if commits not in repo.last_changes:
        repo.last_changes.clear()
        repo.last_changes[commits] = _compare_trees(repo, *commits)
    return repo.last_changes[commits]


def _compare_trees(repo: Repo, old: str, new: str) -> list[tuple[str | None, str | None]]:
    arguments = ("diff-tree", "-r", "-M", "-z", "--name-status", *DIFF_OPTIONS)
    fields = iter(run_git(repo, *arguments, old, new).split("\0"))
    changed: list[tuple[str | None, str | None]] = []
    for status in fields:
        match status[:1]:
            case "A":
                changed.append((None, next(fields)))
            case "D":
                changed.append((next(fields), None))
            case "R" | "C":
                changed.append((next(fields), next(fields)))
            case "":
                break
            case _:
                path = next(fields)
                changed.append((path, path))
    return changed


def staged_rename_source(repo: Repo, path: str) -> str | None:
    """The path in HEAD of a file that the index renames to ``path``, or None."""
    arguments = ("diff-index", "--cached", "-M", "-z", "--name-status", "--diff-filter=R", *DIFF_OPTIONS)
    fields = run_git(repo, *arguments, commit_id(repo, "HEAD"), "--").split("\0")
    renames = zip(fields[1::3], fields[2::3], strict=False)
    return next((old for old, new in renames if new == path), None)
