"""Git, as flat functions: every oddity of git that callint depends on is explained here.

Commands go through GitPython, which starts the git program without a shell. The ``GIT_*`` variables that
a hook inherits are left as they are: ``GIT_INDEX_FILE`` names the index that is about to be committed,
which for ``git commit PATH`` is not the repository's own, and it is that index which must be judged.
"""

from __future__ import annotations

import hashlib
import os
import posixpath
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from callint.model.errors import InputError
from callint.reading.pointers import ABSENT, pointer
from callint.reading.tree import MAX_FILE, POLICY, read_file

try:
    from git import Actor as Actor
    from git import BadName, GitCommandError, InvalidGitRepositoryError, NoSuchPathError
    from git import Blob as Blob
    from git import IndexFile as IndexFile
    from git import Repo as Repo
except ImportError:  # GitPython looks for the program when it is imported
    raise InputError("git: the program is not found; install git 2.39 or newer") from None

#: What points git to one repository, as ``git rev-parse --local-env-vars`` lists it. Hooks inherit some of
#: these; a command that works on another repository must drop them.
LOCAL_VARIABLES = frozenset(
    f"GIT_{name}"
    for name in [
        "ALTERNATE_OBJECT_DIRECTORIES",
        "CONFIG",
        "CONFIG_PARAMETERS",
        "CONFIG_COUNT",
        "OBJECT_DIRECTORY",
        "DIR",
        "WORK_TREE",
        "IMPLICIT_WORK_TREE",
        "GRAFT_FILE",
        "INDEX_FILE",
        "NO_REPLACE_OBJECTS",
        "REPLACE_REF_BASE",
        "PREFIX",
        "SHALLOW_FILE",
        "COMMON_DIR",
        "NAMESPACE",
    ]
)

_REGULAR = {"100644", "100755"}
_LINK = "120000"
#: The id of empty content, by SHA-1 and by SHA-256.
_EMPTY_BLOBS = {
    "e69de29bb2d1d6434b8b29ae775ad8c2e48c5391",
    "473a0f4c3be8a93681a267e3b1e9a7dcda1185436fe141f7749120a303721813",
}


@dataclass(frozen=True, slots=True)
class Entry:
    """One file in the index: its mode, the id of its blob, and 0 or the stage of a conflict."""

    mode: str
    blob: str
    stage: int


def open_repository(start: Path, bare: bool = False) -> Repo:
    """The repository around a folder; InputError where there is none, or where it has no working tree.

    ``bare`` says that it need not have one.
    """
    try:
        # GIT_DIR, where a hook sets it, names the repository; otherwise it is searched from the folder up.
        path = None if "GIT_DIR" in os.environ else start
        repo = Repo(path, search_parent_directories=True)
    except (InvalidGitRepositoryError, NoSuchPathError):
        raise InputError(f"{start}: this is no git repository; call callint inside one") from None
    if repo.working_tree_dir is None and not bare:
        raise InputError(f"{start}: a bare repository has no index; call callint in a working tree")
    # In a partial clone git fetches objects that are absent, by any program that a stranger's config
    # names. What is not here is not here.
    repo.git.update_environment(GIT_NO_LAZY_FETCH="1", GIT_ALLOW_PROTOCOL="none")
    return repo


def top_level(repo: Repo) -> Path:
    """The folder that holds the working tree."""
    return Path(str(repo.working_tree_dir)).resolve()


def _run(repo: Repo, *arguments: str) -> str:
    """The output of a git command with NUL-separated fields, names decoded without loss."""
    try:
        # fsmonitor names a program in the repository's config; a stranger's repository must not start it.
        words = ["git", "-c", "core.fsmonitor=false", *arguments]
        output = repo.git.execute(words, stdout_as_string=False, strip_newline_in_stdout=False)
    except GitCommandError as error:
        reason = str(error.stderr).strip().strip("'").splitlines()
        raise InputError(f"git {arguments[0]}: {reason[-1] if reason else 'failed'}") from None
    return os.fsdecode(bytes(output))


def index_entries(repo: Repo) -> dict[str, Entry]:
    """Every file that the index would commit, by its path from the top; of a conflict the highest stage.

    Commands run at the top of the working tree, so that paths are whole without a pathspec, which
    ``GIT_LITERAL_PATHSPECS`` would change.
    """
    entries = {}
    for record in _run(repo, "ls-files", "--stage", "-z").split("\0"):
        if record:
            details, path = record.split("\t", 1)
            mode, blob, stage = details.split(" ")
            entries[path] = Entry(mode, blob, int(stage))
    if any(entry.blob in _EMPTY_BLOBS for entry in entries.values()):
        # ``git add --intent-to-add`` enters an empty blob that no commit records; only a comparison
        # with the working tree tells it from an empty file.
        for path in _run(repo, "diff-files", "--name-only", "--diff-filter=A", "-z").split("\0"):
            entries.pop(path, None)
    return entries


def staged_paths(repo: Repo) -> list[str]:
    """The paths from the top that the next commit adds, changes or removes."""
    arguments = ("diff", "--cached", "--name-only", "--no-renames", "--no-ext-diff", "-z")
    return [path for path in _run(repo, *arguments).split("\0") if path]


class StoredTree:
    """Files as git stores them, below ``folder`` (from the top, "" for the top itself)."""

    def __init__(self, repo: Repo, entries: Mapping[str, Entry], folder: str = "") -> None:
        self._repo = repo
        self._prefix = f"{folder}/" if folder not in ("", ".") else ""
        self._entries = entries

    def read(self, path: str) -> bytes:
        """The content of a file; of one that git-lfs stores, what its pointer stands for."""
        entry = self._entries.get(self._prefix + path)
        if entry is None:
            raise FileNotFoundError(path)
        if entry.stage:
            raise OSError("it is in conflict; settle the merge first")
        if entry.mode == _LINK:
            raise OSError("it is a symbolic link; only regular files are read")
        if entry.mode not in _REGULAR:
            raise OSError("it is not a regular file")
        return behind_pointer(self._repo, read_blob(self._repo, entry.blob))

    def paths(self) -> Iterator[str]:
        return (path[len(self._prefix) :] for path in sorted(self._entries) if path.startswith(self._prefix))

    def within(self, paths: Iterable[str]) -> list[str]:
        """Those of the paths from the top that lie below the folder, relative to it."""
        return [path[len(self._prefix) :] for path in paths if path.startswith(self._prefix)]

    def blob(self, path: str) -> str | None:
        """The id of a file's blob, or None where there is no such file."""
        entry = self._entries.get(self._prefix + path)
        return None if entry is None else entry.blob


class IndexTree(StoredTree):
    """The files as they stand in the index."""

    def __init__(self, repo: Repo, folder: str = "") -> None:
        super().__init__(repo, index_entries(repo), folder)


class RevisionTree(StoredTree):
    """The files of one revision; InputError where there is no such revision."""

    def __init__(self, repo: Repo, revision: str, folder: str = "") -> None:
        super().__init__(repo, revision_entries(repo, revision), folder)
        self.revision = revision


def read_blob(repo: Repo, blob: str) -> bytes:
    """The content of a blob through one long-lived git process; OSError where it is absent or too large."""
    try:
        stream = repo.odb.stream(bytes.fromhex(blob))
    except (BadName, ValueError):
        raise OSError("its content is missing from the repository; fetch it first") from None
    if stream.size > MAX_FILE:
        stream.read()  # the pipe to git is shared, and must be emptied before the next request
        raise OSError(f"it is larger than {MAX_FILE >> 20} MiB, the most that is read")
    content: bytes = stream.read()
    return content


def behind_pointer(repo: Repo, data: bytes) -> bytes:
    """What a git-lfs pointer stands for, from the repository's own store; other data as it is.

    The store is read directly. git-lfs's own filter would do the same, but filters are programs that a
    repository's config names, and no such program is started here.
    """
    found = pointer(data)
    if found is None:
        return data
    store = Path(str(repo.common_dir)) / "lfs" / "objects" / found.oid[:2] / found.oid[2:4] / found.oid
    try:
        content = read_file(store)
    except FileNotFoundError:
        raise OSError(ABSENT) from None
    if len(content) != found.size or hashlib.sha256(content).hexdigest() != found.oid:
        raise OSError("its content in the store of git-lfs is damaged; git lfs fsck finds out more")
    return content


def commit_id(repo: Repo, revision: str) -> str:
    """The whole id of the commit that a revision names; InputError where there is none."""
    words = ("rev-parse", "--verify", "--quiet", "--end-of-options", f"{revision}^{{commit}}")
    try:
        return _run(repo, *words).strip()
    except InputError:
        raise InputError(f"{revision}: there is no such revision; git log lists them") from None


def is_revision(repo: Repo, word: str) -> bool:
    """Whether a word names a commit."""
    try:
        commit_id(repo, word)
    except InputError:
        return False
    return True


def revision_entries(repo: Repo, revision: str) -> dict[str, Entry]:
    """Every file of a revision by its path from the top."""
    entries = {}
    words = ("ls-tree", "-r", "-z", "--full-tree", commit_id(repo, revision))
    for record in _run(repo, *words).split("\0"):
        if record:
            details, path = record.split("\t", 1)
            mode, _, blob = details.split(" ")
            entries[path] = Entry(mode, blob, 0)
    return entries


def changed_paths(repo: Repo, old: str, new: str) -> list[tuple[str | None, str | None]]:
    """The paths of files that differ between two revisions, old and new; one is None if added or removed.

    Two trees are compared: no working tree, no filters, no textconv.
    """
    words = ("diff-tree", "-r", "-M", "-z", "--name-status", "--no-ext-diff", "--no-textconv")
    fields = iter(_run(repo, *words, commit_id(repo, old), commit_id(repo, new)).split("\0"))
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


def wants_colour(start: Path) -> bool:
    """Whether git would colour a diff that goes to its pager, by ``color.diff`` and ``color.ui``."""
    try:
        return (
            _run(open_repository(start), "config", "--get-colorbool", "color.diff", "true").strip() == "true"
        )
    except InputError:
        return False


def folder_of(repo: Repo, path: Path) -> str:
    """A folder from the top of the working tree, "" for the top itself or one that lies elsewhere."""
    if repo.working_tree_dir is None:
        return ""
    top, here = top_level(repo), path.resolve()
    folder = here.relative_to(top).as_posix() if here.is_relative_to(top) else ""
    return "" if folder == "." else folder


def from_top(repo: Repo, here: Path, path: str) -> str:
    """A path that starts at a folder, as one from the top; InputError where it leads out."""
    whole = posixpath.normpath(posixpath.join(folder_of(repo, here), path))
    if whole.startswith(".."):
        raise InputError(f"{path}: it leads out of the repository; give a path inside it")
    return whole


@dataclass(frozen=True, slots=True)
class Commit:
    """One commit: its id, its first parent's if it has one, and what people call it."""

    id: str
    parent: str | None
    subject: str


def commits_between(repo: Repo, old: str, new: str) -> list[Commit]:
    """The commits that ``new`` has and ``old`` has not, oldest first, merges left out.

    A merge commit changes nothing that its parents have not, unless its conflicts were settled by hand;
    that is judged where the range is judged in sum.
    """
    words = (
        "log",
        "--reverse",
        "--no-merges",
        "--topo-order",
        "-z",
        "--format=%H%x09%P%x09%s",
        "--no-show-signature",
    )
    output = _run(repo, *words, f"{commit_id(repo, old)}..{commit_id(repo, new)}", "--")
    commits = []
    for record in output.split("\0"):
        if record:
            id_, parents, subject = record.split("\t", 2)
            commits.append(Commit(id_, parents.split(" ")[0] or None, subject))
    return commits


def policy_folder(repo: Repo, start: Path, entries: Mapping[str, Entry] | None = None) -> str:
    """The nearest folder from ``start`` up to the top whose policy is stored, from the top.

    ``entries`` are the files to look through; those of the index where absent.

    InputError where there is none.
    """
    where = "the index" if entries is None else "that revision"
    entries = index_entries(repo) if entries is None else entries
    if repo.working_tree_dir is None:
        if POLICY in entries:
            return ""
        raise InputError(f"{POLICY}: there is none in {where}; name another revision")
    top = top_level(repo)
    here = start.resolve()
    folder = PurePosixPath(here.relative_to(top).as_posix()) if here.is_relative_to(top) else PurePosixPath()
    for candidate in (folder, *folder.parents):
        if str(candidate / POLICY) in entries:
            return "" if candidate == PurePosixPath() else str(candidate)
    advice = f"git add {POLICY}" if (top / POLICY).exists() else "write one and git add it"
    raise InputError(f"{POLICY}: there is none in {where}; {advice}")


# The log


@dataclass(frozen=True, slots=True)
class FileChange:
    """What a commit did to one file, beside the commit's first parent.

    ``old`` is its path there, None where the file is new; ``blob`` is None where there is no regular file
    any more.
    """

    path: str
    old: str | None
    blob: str | None


@dataclass(frozen=True, slots=True)
class LoggedCommit:
    """One commit of the log. ``date`` is the author's: seconds since 1970 in UTC and the zone, "0 +0000"."""

    id: str
    parents: tuple[str, ...]
    author: str
    date: str
    subject: str
    changes: tuple[FileChange, ...]


def log(repo: Repo, revision: str) -> list[LoggedCommit]:
    """Every commit that a revision's history holds, newest first and none before its children.

    It is one process for all of it. ``--follow`` would give the renames of one file, but follows a single
    name through both sides of a merge and hides parents; a pathspec would hide both renames and the
    commits between. So the whole trees are compared, each with its first parent only: what a merge's
    other parents hold is known from their own commits.
    """
    words = (
        "log",
        "--raw",
        "-z",
        "--no-abbrev",
        "--date-order",  # no parent before its children, like --topo-order, and otherwise newest first
        "--diff-merges=first-parent",
        "--root",  # log.showRoot may switch off what the first commit adds
        "--no-relative",  # diff.relative would leave out what lies outside the current folder
        "--no-color",
        "--no-ext-diff",
        "--no-textconv",
        "--no-show-signature",  # which would start a program to verify it
        "--encoding=UTF-8",
        "--date=raw",
        "--format=%H%x00%P%x00%aN%x00%ad%x00%s",
    )
    start = commit_id(repo, revision)
    try:
        output = _run(repo, *words, "-M", start, "--")
    except InputError:
        # To tell how alike two files are git reads them, and gives up where one is missing, as in a
        # partial clone. Renames without an edit show in the ids alone.
        output = _run(repo, *words, "-M100%", start, "--")
    fields = output.split("\0")
    commits = []
    at = 0
    while at + 5 <= len(fields):
        id_, parents, author, date, subject = fields[at : at + 5]
        at += 5
        changes = []
        # A line break stands before the first change, though -z ends everything else with NUL.
        while at < len(fields) and fields[at].lstrip("\n").startswith(":"):
            _, mode, _, blob, status = fields[at].lstrip("\n").split(" ")
            count = 2 if status[0] in "RC" else 1
            path, old = fields[at + count], fields[at + 1]
            kept = blob if mode in _REGULAR else None
            changes.append(FileChange(path, None if status[0] == "A" else old, kept))
            at += 1 + count
        commits.append(LoggedCommit(id_, tuple(parents.split()), author, date, subject, tuple(changes)))
    return commits


def shallow_commits(repo: Repo) -> frozenset[str]:
    """The commits at which a shallow clone was cut off; none in a whole one."""
    if _run(repo, "rev-parse", "--is-shallow-repository").strip() != "true":
        return frozenset()
    # No command lists them; the file is part of git's documented layout of a repository.
    return frozenset((Path(str(repo.common_dir)) / "shallow").read_text("ascii").split())


def staged_source(repo: Repo, path: str) -> str | None:
    """The path in HEAD of a file that the index has under another one, or None."""
    words = ("diff-index", "--cached", "-M", "-z", "--name-status", "--diff-filter=R", "--no-ext-diff")
    fields = _run(repo, *words, "--no-textconv", "--no-relative", commit_id(repo, "HEAD"), "--").split("\0")
    renames = zip(fields[1::3], fields[2::3], strict=False)
    return next((old for old, new in renames if new == path), None)
