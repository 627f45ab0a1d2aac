"""Revisions and references: the commits that names stand for, and the parents of the next commit."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable

from callint.model.errors import InputError
from callint.versioning.git.process import GitError, output_and_warnings
from callint.versioning.git.repository import Repo, run_git


class _AmbiguousError(InputError):
    """A revision names two commits."""


#: Git's warning about a name that both a branch and a tag have, or that is also the prefix of an id. Git then
#: takes the tag, which anybody may push: ``main..topic`` would be an empty range.
_AMBIGUOUS = re.compile(r"^warning: refname '(?P<name>.*)' is ambiguous", re.MULTILINE)


def commit_id(repo: Repo, revision: str) -> str:
    """The full id of the commit that a revision names.

    Raises InputError if the revision names no commit, or more than one.
    """
    if revision in repo.commit_ids:
        return repo.commit_ids[revision]
    arguments = ["rev-parse", "--verify", "--end-of-options", f"{revision}^{{commit}}"]
    try:
        printed, warnings = output_and_warnings(arguments, repo.working_dir)
    except GitError:
        raise InputError(f"{revision}: no such revision; git log lists them") from None
    # HEAD never means a branch of that name, and a full id always means itself.
    for name in _AMBIGUOUS.findall(warnings):
        if name != "HEAD" and not re.fullmatch(r"[0-9a-f]{40}|[0-9a-f]{64}", name):
            advice = f"write heads/{name} for a branch, tags/{name} for a tag, or a whole id"
            raise _AmbiguousError(f"{revision}: {name} names more than one commit; {advice}")
    commit = os.fsdecode(printed).strip()
    repo.commit_ids[revision] = repo.commit_ids[commit] = commit
    return commit


def know_commits(repo: Repo, ids: Iterable[str]) -> None:
    """Spare ``commit_id`` a start of git for full ids of commits that git has just read."""
    repo.commit_ids.update((commit, commit) for commit in ids)


def is_revision(repo: Repo, name: str) -> bool:
    """Whether a name stands for a commit; InputError if it stands for more than one."""
    try:
        commit_id(repo, name)
    except _AmbiguousError:
        raise
    except InputError:
        return False
    return True


def next_parents(repo: Repo) -> list[str]:
    """The parents of the next commit: HEAD, and in a merge all other sides; none before the first commit."""
    if not is_revision(repo, "HEAD"):
        return []
    # The file lists every branch of an octopus merge; the revision MERGE_HEAD is only the first of them.
    merge_head = repo.git_dir / "MERGE_HEAD"
    merged = merge_head.read_text("ascii", "replace").split() if merge_head.is_file() else []
    return list(dict.fromkeys([commit_id(repo, "HEAD"), *merged]))


def is_concluding(repo: Repo) -> bool:
    """Whether the next commit concludes a merge, a cherry-pick, a revert, or a step of git rebase or am."""
    states = ("MERGE_HEAD", "CHERRY_PICK_HEAD", "REVERT_HEAD", "REBASE_HEAD", "rebase-apply")
    return any((repo.git_dir / state).exists() for state in states)


def merge_bases(repo: Repo, first: str, second: str) -> list[str]:
    """The ids of all merge bases of two revisions: several if each was merged into the other."""
    ids = commit_id(repo, first), commit_id(repo, second)
    try:
        return run_git(repo, "merge-base", "--all", *ids).split()
    except InputError:
        return []


def merge_base(repo: Repo, first: str, second: str) -> str | None:
    """The short id of the best merge base of two revisions; None if they have no commit in common."""
    ids = commit_id(repo, first), commit_id(repo, second)
    try:
        base = run_git(repo, "merge-base", *ids).strip()
    except InputError:
        return None
    return run_git(repo, "rev-parse", "--short=10", base).strip()


def delete_reference(repo: Repo, name: str) -> None:
    """Delete a reference by its full name, if it exists."""
    try:
        run_git(repo, "show-ref", "--verify", "--quiet", name)
    except InputError:
        return
    # A stranger's repository may contain a hook that git runs at every change of a reference.
    run_git(repo, "-c", "core.hooksPath=/dev/null", "update-ref", "-d", name)
