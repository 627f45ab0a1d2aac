"""The entries of the index and of revisions: mode and blob of each file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from callint.versioning.git.diff import staged_statuses
from callint.versioning.git.refs import commit_id, is_revision
from callint.versioning.git.repository import Repo, run_git

REGULAR_MODES = {"100644", "100755"}
LINK_MODE = "120000"
#: The id of empty content, by SHA-1 and by SHA-256.
_EMPTY_BLOBS = {
    "e69de29bb2d1d6434b8b29ae775ad8c2e48c5391",
    "473a0f4c3be8a93681a267e3b1e9a7dcda1185436fe141f7749120a303721813",
}

#: The revisions whose entries a repository keeps: a command compares a few, and a range may have thousands.
_KEPT_REVISIONS = 4


@dataclass(frozen=True, slots=True)
class TreeEntry:
    """One file in the index or a revision: its mode, the id of its blob, and 0 or the stage of a conflict."""

    mode: str
    blob: str
    stage: int


def index_entries(repo: Repo, stage: int | None = None) -> dict[str, TreeEntry]:
    """Every file that the index would commit, by its path from the top; in a conflict the highest stage.

    With a ``stage``, only the entries of that stage: 1 the base, 2 ours and 3 theirs of a conflict, 0 all
    files without a conflict.

    Git runs at the top of the working tree, so that paths are complete without a pathspec, which
    ``GIT_LITERAL_PATHSPECS`` would change.
    """
    entries = {}
    for record in run_git(repo, "ls-files", "--stage", "-z").split("\0"):
        if record:
            details, path = record.split("\t", 1)
            mode, blob, entry_stage = details.split(" ")
            if stage is None:
                entries[path] = TreeEntry(mode, blob, int(entry_stage))
            elif int(entry_stage) == stage:
                entries[path] = TreeEntry(mode, blob, 0)
    for path in _intended_paths(repo, entries):
        del entries[path]
    return entries


def _intended_paths(repo: Repo, entries: dict[str, TreeEntry]) -> list[str]:
    """The paths that ``git add --intent-to-add`` entered into the index.

    It enters an empty blob that no commit records, and no command lists these entries. A comparison with HEAD
    leaves them out: either HEAD lacks the file too and the file is not new, or the file seems deleted. A
    comparison with the working tree would be simpler, but may start filters that a stranger's config names.
    """
    empty = [path for path, entry in entries.items() if entry.blob in _EMPTY_BLOBS and not entry.stage]
    if not empty:
        return []
    statuses = staged_statuses(repo)
    committed: Mapping[str, TreeEntry] = revision_entries(repo, "HEAD") if is_revision(repo, "HEAD") else {}
    known = statuses.keys() | committed.keys()
    return [path for path in empty if path not in known or statuses.get(path) == "D"]


def revision_entries(repo: Repo, revision: str) -> Mapping[str, TreeEntry]:
    """Every file of a revision by its path from the top; the repository keeps those of its last revisions."""
    commit = commit_id(repo, revision)
    entries = repo.last_entries.pop(commit, None)
    if entries is None:
        entries = _read_tree(repo, commit)
    repo.last_entries[commit] = entries
    while len(repo.last_entries) > _KEPT_REVISIONS:
        del repo.last_entries[next(iter(repo.last_entries))]
    return entries


def _read_tree(repo: Repo, commit: str) -> dict[str, TreeEntry]:
    entries = {}
    for record in run_git(repo, "ls-tree", "-r", "-z", "--full-tree", commit).split("\0"):
        if record:
            details, path = record.split("\t", 1)
            mode, _, blob = details.split(" ")
            entries[path] = TreeEntry(mode, blob, 0)
    return entries


def resolved_conflicts(repo: Repo) -> set[str]:
    """The paths from the top that were in conflict before somebody added them to the index.

    Git records them in the index. No other state tells of conflicts after git stash pop, git merge --squash,
    git cherry-pick -n and git checkout --merge.
    """
    records = run_git(repo, "ls-files", "--resolve-undo", "-z").split("\0")
    return {record.split("\t", 1)[1] for record in records if record}
