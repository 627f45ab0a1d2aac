"""The commits of a history: author, date, subject and changed files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

from callint.model.errors import InputError
from callint.versioning.git.authors import mailmap_options
from callint.versioning.git.diff import DIFF_OPTIONS
from callint.versioning.git.entries import REGULAR_MODES
from callint.versioning.git.refs import commit_id, know_commits
from callint.versioning.git.repository import Repo, run_git


@dataclass(frozen=True, slots=True)
class Commit:
    """A commit: its id, the ids of its parents, the first parent first, and its subject line."""

    id: str
    parents: tuple[str, ...]
    subject: str


def commits_between(repo: Repo, old: str, new: str) -> list[Commit]:
    """The commits that ``new`` has and ``old`` lacks, oldest first, merges included."""
    arguments = ("log", "--reverse", "--topo-order", "-z", "--format=%H%x09%P%x09%s", "--no-show-signature")
    printed = run_git(repo, *arguments, f"{commit_id(repo, old)}..{commit_id(repo, new)}", "--")
    commits = []
    for record in printed.split("\0"):
        if record:
            id_, parents, subject = record.split("\t", 2)
            commits.append(Commit(id_, tuple(parents.split()), subject))
    know_commits(repo, [commit.id for commit in commits])
    return commits


@dataclass(frozen=True, slots=True)
class FileChange:
    """The change of one file from the commit's first parent to the commit.

    ``old`` is the path in the parent, None for a new file. ``blob`` is None if the path is no longer a
    regular file.
    """

    path: str
    old: str | None
    blob: str | None


@dataclass(frozen=True, slots=True)
class LoggedCommit:
    """A commit of the log. ``date`` is the author date: seconds since 1970 in UTC and the zone, "0 +0000".

    ``author`` and ``email`` are those after ``.mailmap``, ``own_email`` is the one in the commit. An e-mail
    may be "". All three are "" if git cannot read the author.
    """

    id: str
    parents: tuple[str, ...]
    author: str
    email: str
    date: str
    subject: str
    changes: tuple[FileChange, ...] = ()
    own_email: str = ""

    @property
    def authored(self) -> datetime | None:
        """The author date with its zone; None if invalid, as it may be any text in a stranger's commit."""
        try:
            seconds, zone = self.date.split(" ")
            minutes = int(zone[-4:-2]) * 60 + int(zone[-2:])
            offset = timedelta(minutes=-minutes if zone.startswith("-") else minutes)
            return datetime.fromtimestamp(int(seconds), timezone(offset))
        except (ValueError, OverflowError, OSError):
            return None


#: Options that make ``git log`` print the fields of a commit, separated by NULs, and nothing that a
#: repository's config adds.
_COMMIT_FIELDS = (
    "--no-show-signature",  # git would start a program to verify it
    "--encoding=UTF-8",
    "--date=raw",
    "--format=%H%x00%P%x00%aN%x00%aE%x00%ae%x00%ad%x00%s",
)
#: The number of these fields.
_FIELD_COUNT = 7


def read_commit(repo: Repo, revision: str) -> LoggedCommit:
    """A commit without its changes; InputError if the revision does not exist."""
    (commit,) = _read_commits(repo, "-1", commit_id(repo, revision))
    return commit


def unmapped_author(repo: Repo, id_: str) -> str:
    """The author's name as the commit has it, before ``.mailmap``."""
    arguments = ("log", "-1", "--no-patch", "--no-color", "--no-show-signature", "--encoding=UTF-8")
    return run_git(repo, *arguments, "--format=%an", id_, "--").rstrip("\n")


def count_apart(repo: Repo, old: str, new: str) -> tuple[int, int]:
    """The number of commits that only ``old`` has, and of those that only ``new`` has, merges included."""
    apart = f"{commit_id(repo, old)}...{commit_id(repo, new)}"
    only_old, only_new = run_git(repo, "rev-list", "--count", "--left-right", apart, "--").split()
    return int(only_old), int(only_new)


def newest_commits(repo: Repo, old: str, new: str, most: int) -> list[LoggedCommit]:
    """At most ``most`` commits that ``new`` has and ``old`` lacks, without their changes.

    The newest one is the first; merges are included.
    """
    between = f"{commit_id(repo, old)}..{commit_id(repo, new)}"
    return _read_commits(repo, f"-{most}", "--topo-order", between)


def _read_commits(repo: Repo, *arguments: str) -> list[LoggedCommit]:
    printed = run_git(repo, "log", "--no-patch", "-z", "--no-color", *_COMMIT_FIELDS, *arguments, "--")
    fields = printed.split("\0")
    starts = range(0, len(fields) - _FIELD_COUNT + 1, _FIELD_COUNT)
    commits = [_parse_commit(fields[start : start + _FIELD_COUNT]) for start in starts]
    know_commits(repo, [commit.id for commit in commits])
    return commits


def _parse_commit(fields: list[str], changes: Sequence[FileChange] = ()) -> LoggedCommit:
    """A commit from its fields.

    If a commit has no author line, or names an encoding in which that line is invalid, git prints the
    placeholders themselves.
    """
    id_, parents, author, email, own_email, date, subject = fields
    if (author, email) == ("%aN", "%aE"):
        author = email = own_email = ""
    return LoggedCommit(id_, tuple(parents.split()), author, email, date, subject, tuple(changes), own_email)


#: Options that stand for all branches and tags instead of a revision; notes hold no files of the repository.
ALL = ("--exclude=refs/notes/*", "--all")


def read_history(repo: Repo, *revisions: str) -> list[LoggedCommit]:
    """Every commit in the history of the revisions, or of ``ALL``, newest first and none before its children.

    One git process reads the whole history. ``--follow`` would give the renames of one file, but follows a
    single name through both sides of a merge and hides parents; a pathspec would hide both renames and the
    commits between. So git compares whole trees, each with its first parent only: the commits of a merge's
    other parents have their own changes.
    """
    arguments = (
        *mailmap_options(repo),
        "log",
        "--raw",
        "-z",
        "--no-abbrev",
        "--date-order",  # no parent before its children, like --topo-order, and otherwise newest first
        "--diff-merges=first-parent",
        "--root",  # log.showRoot may switch off what the first commit adds
        *DIFF_OPTIONS,
        *_COMMIT_FIELDS,
    )
    starts = revisions if revisions == ALL else [commit_id(repo, revision) for revision in revisions]
    try:
        printed = run_git(repo, *arguments, "-M", *starts, "--")
    except InputError:
        # git reads two files to measure their similarity, and fails if the content of one is missing, as in
        # a partial clone. It finds renames without an edit by the ids alone.
        printed = run_git(repo, *arguments, "-M100%", *starts, "--")
    commits = _parse_history(printed.split("\0"))
    know_commits(repo, [commit.id for commit in commits])
    return commits


def _parse_history(fields: list[str]) -> list[LoggedCommit]:
    """The commits with their changes from all fields that ``git log --raw`` prints."""
    commits = []
    index = 0
    while index + _FIELD_COUNT <= len(fields):
        record = fields[index : index + _FIELD_COUNT]
        index += _FIELD_COUNT
        changes = []
        # A line break precedes the first change, though -z ends everything else with NUL.
        while index < len(fields) and fields[index].lstrip("\n").startswith(":"):
            _, mode, _, blob, status = fields[index].lstrip("\n").split(" ")
            path_count = 2 if status[0] in "RC" else 1
            old, path = fields[index + 1], fields[index + path_count]
            content = blob if mode in REGULAR_MODES else None
            changes.append(FileChange(path, None if status[0] == "A" else old, content))
            index += 1 + path_count
        commits.append(_parse_commit(record, changes))
    return commits


def shallow_commits(repo: Repo) -> frozenset[str]:
    """The commits at which a shallow clone ends; none in a full clone."""
    # No command lists them. The file is part of git's documented layout of a repository, and git also treats
    # a clone as full if it cannot open the file. Git rejects invalid lines when it reads the history.
    try:
        return frozenset((repo.common_dir / "shallow").read_text("ascii", "replace").split())
    except OSError:
        return frozenset()


def read_messages(repo: Repo, ids: Sequence[str]) -> dict[str, str]:
    """The messages of commits without their subject lines, by full id; "" for a subject alone."""
    if not ids:
        return {}
    arguments = ("log", "--no-walk=unsorted", "--no-patch", "-z", "--no-color", "--no-show-signature")
    printed = run_git(repo, *arguments, "--encoding=UTF-8", "--format=%H%x00%b", *ids, "--")
    fields = printed.split("\0")
    return {fields[start]: fields[start + 1].strip() for start in range(0, len(fields) - 1, 2)}
