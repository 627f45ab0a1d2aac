"""Names revisions as people do: by a branch or tag if there is one, and by the id of the commit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.versioning.git.refs import commit_id
from callint.versioning.git.remembered import remembered
from callint.versioning.git.repository import Repo, open_repository, run_git

#: The digits of a commit's id that people see.
SHORT_ID = 10
#: Git's names for the checked-out commit, before any steps from it.
_HEAD = re.compile(r"(?:HEAD|@)(?=$|[~^])")
_FIRST_STEP = re.compile(r"[~^]")


@dataclass(frozen=True, slots=True)
class RevisionName:
    """The name of a revision and the whole id of its commit.

    The name is a short id if the revision was given as an id, or means something else on every machine.
    """

    name: str
    commit: str


def revision_name(start: Path, revision: str) -> RevisionName:
    """The name of a revision: HEAD~3 as main~3 if main is checked out, an id by its first digits.

    InputError if the revision names no commit.
    """
    repo = open_repository(start, bare=True)
    commit = commit_id(repo, revision)
    return RevisionName(_name(repo, revision, commit), commit)


def name_of_file(start: Path, argument: str) -> tuple[str, RevisionName | None]:
    """``REV:path`` with the name of its revision, and that name; None for a file on disk or in the index."""
    revision, colon, path = argument.partition(":")
    if not colon or not revision or Path(argument).exists():
        return argument, None
    named = revision_name(start, revision)
    return f"{named.name}:{path}", named


def _name(repo: Repo, revision: str, commit: str) -> str:
    if "@{" in revision or ":" in revision:  # former states of a branch differ between clones
        return commit[:SHORT_ID]
    if _HEAD.match(revision):
        branch = remembered("branch", repo.working_dir, lambda: _branch(repo))
        if not branch:
            return commit[:SHORT_ID]
        return _HEAD.sub(lambda _: branch, revision, count=1)
    first = _FIRST_STEP.split(revision)[0]
    if re.fullmatch(r"[0-9a-f]{4,64}", first) and commit_id(repo, first).startswith(first):
        return commit[:SHORT_ID]
    return revision


def _branch(repo: Repo) -> str:
    """The branch that is checked out, "" if there is none."""
    try:
        return run_git(repo, "symbolic-ref", "--quiet", "--short", "HEAD").strip()
    except InputError:
        return ""
