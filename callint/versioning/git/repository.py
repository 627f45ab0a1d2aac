"""Git, as flat functions: every oddity of git that callint depends on is explained here.

Commands go through ``program``, which starts git without a shell; contents come from ``blobs``.
The ``GIT_*`` variables that a hook inherits are left as they are: ``GIT_INDEX_FILE`` names the index that
is about to be committed, which for ``git commit PATH`` is not the repository's own, and it is that index
which must be judged. Those by which git would take one object for another, or would give a commit other
parents, are not: ``program`` says why.
"""

from __future__ import annotations

import hashlib
import os
import posixpath
import re
import subprocess
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from functools import cached_property
from pathlib import Path, PurePosixPath

from callint.model.errors import InputError
from callint.reading.lfs_pointers import EXTENDED, AbsentError, parse_pointer
from callint.reading.tree import POLICY, read_as_stored
from callint.versioning.git.blob_reader import Blobs
from callint.versioning.git.process import GitError, answer, output

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

#: Said to every comparison of git's: no setting of a repository changes what it finds or starts a program.
_COMPARING = (
    "--no-color",
    "--no-ext-diff",
    "--no-textconv",
    "--no-relative",  # which would leave out what lies outside the current folder
    "--ignore-submodules=none",
    "-O/dev/null",  # diff.orderFile names a file, of which git dies where it is absent
    "-l1000",  # so many files are looked through for renames with edits, which takes the square of it
)
_REGULAR = {"100644", "100755"}
_LINK = "120000"
#: The id of empty content, by SHA-1 and by SHA-256.
_EMPTY_BLOBS = {
    "e69de29bb2d1d6434b8b29ae775ad8c2e48c5391",
    "473a0f4c3be8a93681a267e3b1e9a7dcda1185436fe141f7749120a303721813",
}


@dataclass(frozen=True)
class Repo:
    """A repository, and the process that reads its contents.

    ``git_dir`` is git's own folder for one working tree, ``common_dir`` the one that all working trees share.
    A bare repository has no ``working_tree_dir``.
    """

    git_dir: Path
    common_dir: Path
    working_tree_dir: Path | None

    @property
    def working_dir(self) -> Path:
        """Where its commands run: the top of the working tree, or git's own folder where there is none."""
        return self.working_tree_dir or self.git_dir

    def __getstate__(self) -> dict[str, object]:
        """Another process has a process of its own to read contents."""
        return {
            "git_dir": self.git_dir,
            "common_dir": self.common_dir,
            "working_tree_dir": self.working_tree_dir,
        }

    @cached_property
    def blobs(self) -> Blobs:
        return Blobs(self.working_dir)

    @cached_property
    def lfs_objects(self) -> Path:
        """Where git-lfs keeps contents: below the folder that git and all working trees share, or elsewhere.

        ``lfs.storage`` is read as git-lfs reads it, "~" as a name like any other. It names a folder and no
        program, and what is found there is believed only if its sum is right.
        """
        try:
            storage = _run(self, "config", "-z", "--get", "lfs.storage").rstrip("\0")
        except InputError:
            storage = ""
        return self.common_dir / (storage or "lfs") / "objects"

    def close(self) -> None:
        """End the process that reads contents; the next read starts another one."""
        if "blobs" in self.__dict__:
            self.blobs.close()


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
    # GIT_DIR, where a hook sets it, names the repository; otherwise it is searched from the folder up.
    folder = Path.cwd() if "GIT_DIR" in os.environ else start
    questions = ["--absolute-git-dir", "--git-common-dir"]
    try:
        try:
            git_dir, common_dir, top = _places(folder, [*questions, "--show-toplevel"])
        except GitError as error:
            if "work tree" not in error.said:
                raise
            git_dir, common_dir = _places(folder, questions)
            top = None
    except GitError as error:
        if "not a git repository" in error.said:
            raise InputError(f"{start}: this is not a git repository; run callint inside one") from None
        if "dubious ownership" in error.said:
            # The last line is git's own advice, with the folder as git wants to have it named.
            advice = f"if you trust them, {error.reason}"
            raise InputError(f"{start}: the repository is somebody else's; {advice}") from None
        raise InputError(f"{start}: git cannot open it: {error.reason}; correct that first") from None
    except OSError:
        raise InputError(f"{start}: this is not a git repository; run callint inside one") from None
    if top is not None and not top.is_dir():
        raise InputError(
            f"{top}: git uses it as the working tree, but it is not a folder; correct core.worktree"
        )
    if top is None and not bare:
        raise InputError(f"{start}: a bare repository has no index; run callint in a working tree")
    return Repo(git_dir, common_dir, top)


def _places(folder: Path, questions: list[str]) -> list[Path]:
    """What ``git rev-parse`` answers to each question, as seen from a folder."""
    words = ["rev-parse", "--path-format=absolute"]
    answers = os.fsdecode(output([*words, *questions], folder)).removesuffix("\n").split("\n")
    if len(answers) != len(questions):  # a folder's name may hold a line break
        answers = [os.fsdecode(output([*words, one], folder)).removesuffix("\n") for one in questions]
    return [Path(answer) for answer in answers]


def own_folders(start: Path) -> tuple[Path, ...]:
    """What git keeps for itself, as it is called from a folder: none where that is in no repository.

    These are the folders of the working tree and of all working trees, those of hooks and objects, and the
    file of the index: settings and the environment may put the latter three anywhere.
    """
    names = ("hooks", "objects", "index")
    try:
        repo = open_repository(start, bare=True)
        words = [word for name in names for word in ("--git-path", name)]
        placed = _run(repo, "rev-parse", *words).removesuffix("\n").split("\n")
        if len(placed) != len(names):  # a folder's name may hold a line break
            placed = [_run(repo, "rev-parse", "--git-path", one).removesuffix("\n") for one in names]
    except (InputError, OSError):
        return ()
    # Relative ones, a relative core.hooksPath too, count from where commands run. An empty one is none.
    return (repo.git_dir, repo.common_dir, *(repo.working_dir / one for one in placed if one))


def top_level(repo: Repo) -> Path:
    """The folder that holds the working tree."""
    return repo.working_dir.resolve()


def common_folder(repo: Repo) -> Path:
    """Git's own folder, which all working trees of a repository share."""
    return repo.common_dir.resolve()


#: What git says where it needs a lock that is there already. Whose it is neither git nor callint can know.
_LOCKED = re.compile(
    r"(?:could not lock config file (?P<file>.+)|Unable to create '(?P<lock>.+\.lock)'): File exists"
)


def _run(repo: Repo, *arguments: str, patience: float | None = None) -> str:
    """The output of a git command with NUL-separated fields, names decoded without loss.

    With ``patience``, subprocess.TimeoutExpired where it takes longer than so many seconds.
    """
    try:
        return os.fsdecode(output(list(arguments), repo.working_dir, patience))
    except GitError as error:
        if found := _LOCKED.search(error.said):
            # Of a configuration git names the file itself, of all else the lock.
            lock = repo.working_dir / (found["lock"] or f"{found['file']}.lock")
            raise InputError(
                f"{lock}: another git command is running, or was killed and left this lock; wait for it, "
                "or remove the file if none is running"
            ) from None
        command = next(word for word in arguments if word != "-c" and "=" not in word)
        raise InputError(f"git {command}: {error.reason}") from None


def index_entries(repo: Repo, stage: int | None = None) -> dict[str, Entry]:
    """Every file that the index would commit, by its path from the top; of a conflict the highest stage.

    With a ``stage`` what stands there alone: 1 the base, 2 ours and 3 theirs of a conflict, 0 all else.

    Commands run at the top of the working tree, so that paths are whole without a pathspec, which
    ``GIT_LITERAL_PATHSPECS`` would change.
    """
    entries = {}
    for record in _run(repo, "ls-files", "--stage", "-z").split("\0"):
        if record:
            details, path = record.split("\t", 1)
            mode, blob, found = details.split(" ")
            if stage is None:
                entries[path] = Entry(mode, blob, int(found))
            elif int(found) == stage:
                entries[path] = Entry(mode, blob, 0)
    empty = [path for path, entry in entries.items() if entry.blob in _EMPTY_BLOBS and not entry.stage]
    if empty:
        # ``git add --intent-to-add`` enters an empty blob that no commit records, and no command lists. To a
        # comparison with HEAD it is not there: so HEAD lacks it and it is not new, or has it and it is gone.
        # A comparison with the working tree would tell more simply, but may start the filters that a
        # stranger's config names.
        statuses = _staged_statuses(repo)
        is_new = (
            statuses.keys() | (revision_entries(repo, "HEAD") if is_revision(repo, "HEAD") else {}).keys()
        )
        for path in empty:
            if path not in is_new or statuses.get(path) == "D":
                del entries[path]
    return entries


def staged_paths(repo: Repo) -> list[str]:
    """The paths from the top that the next commit adds, changes or removes."""
    return list(_staged_statuses(repo))


def _staged_statuses(repo: Repo) -> dict[str, str]:
    """What the next commit does to paths from the top, "A" where it adds one and "D" where it removes one."""
    fields = _run(repo, "diff", "--cached", "--name-status", "--no-renames", "-z", *_COMPARING).split("\0")
    return dict(zip(fields[1::2], fields[0::2], strict=False))


class StoredTree:
    """Files as git stores them, below ``folder`` (from the top, "" for the top itself)."""

    def __init__(self, repo: Repo, entries: Mapping[str, Entry], folder: str = "") -> None:
        self.repo = repo
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
        return behind_pointer(self.repo, read_blob(self.repo, entry.blob))

    def paths(self) -> Iterator[str]:
        return (path[len(self._prefix) :] for path in sorted(self._entries) if path.startswith(self._prefix))

    def from_top(self, path: str) -> str:
        """A path of the tree as one from the top."""
        return self._prefix + path

    def within(self, paths: Iterable[str]) -> list[str]:
        """Those of the paths from the top that lie below the folder, relative to it."""
        return [path[len(self._prefix) :] for path in paths if path.startswith(self._prefix)]

    def entry(self, path: str) -> Entry | None:
        """How git stores a file, its mode too, or None where there is no such file."""
        return self._entries.get(self._prefix + path)

    def places(self, name: str) -> list[str]:
        """The folders from the top, "" for the top itself, that hold a file of a name."""
        return [posixpath.dirname(path) for path in self._entries if posixpath.basename(path) == name]


class IndexTree(StoredTree):
    """The files as they stand in the index."""

    def __init__(self, repo: Repo, folder: str = "", entries: Mapping[str, Entry] | None = None) -> None:
        """``entries`` are those of the index, where they are known already."""
        super().__init__(repo, index_entries(repo) if entries is None else entries, folder)


class StageTree(StoredTree):
    """The files at one stage of the index, as of a merge that is not settled yet."""

    def __init__(self, repo: Repo, stage: int) -> None:
        super().__init__(repo, index_entries(repo, stage))


class RevisionTree(StoredTree):
    """The files of one revision; InputError where there is no such revision."""

    def __init__(self, repo: Repo, revision: str, folder: str = "") -> None:
        super().__init__(repo, revision_entries(repo, revision), folder)
        self.revision = revision


def read_blob(repo: Repo, blob: str) -> bytes:
    """The content of a blob; OSError where it is absent, too large or not to be read."""
    return repo.blobs.read(blob)


def behind_pointer(repo: Repo, data: bytes) -> bytes:
    """What a git-lfs pointer stands for, from the repository's own store; other data as it is.

    The store is read directly. git-lfs's own filter would do the same, but filters are programs that a
    repository's config names, and no such program is started here.
    """
    found = parse_pointer(data)
    if found is None:
        return data
    if found.has_extensions:
        raise OSError(EXTENDED)
    if not found.size:
        return b""  # whatever its id says
    try:
        content = read_as_stored(lfs_place(repo, found.oid))
    except FileNotFoundError:
        raise AbsentError(found) from None
    if len(content) != found.size or hashlib.sha256(content).hexdigest() != found.oid:
        raise OSError("its content in the store of git-lfs is damaged; git lfs fsck finds out more")
    return content


def lfs_place(repo: Repo, oid: str) -> Path:
    """Where git-lfs keeps the content of a SHA-256."""
    return repo.lfs_objects / oid[:2] / oid[2:4] / oid


class _AmbiguousError(InputError):
    """A revision names two commits."""


#: What git says of a name that is a branch's and a tag's, or a reference's and the beginning of an id. Of the
#: first of these it takes the tag, which anybody may push: ``main..topic`` would be an empty range.
_AMBIGUOUS = re.compile(r"^warning: refname '(?P<name>.*)' is ambiguous", re.MULTILINE)


def commit_id(repo: Repo, revision: str) -> str:
    """The whole id of the commit that a revision names; InputError where there is none, or more than one."""
    words = ["rev-parse", "--verify", "--end-of-options", f"{revision}^{{commit}}"]
    try:
        printed, said = answer(words, repo.working_dir)
    except GitError:
        raise InputError(f"{revision}: no such revision; git log lists them") from None
    # Whatever branch is called HEAD, it is not meant, and a whole id means itself.
    for name in _AMBIGUOUS.findall(said):
        if name != "HEAD" and not re.fullmatch(r"[0-9a-f]{40}|[0-9a-f]{64}", name):
            advice = f"write heads/{name} for a branch, tags/{name} for a tag, or a whole id"
            raise _AmbiguousError(f"{revision}: {name} names more than one commit; {advice}")
    return os.fsdecode(printed).strip()


def is_revision(repo: Repo, word: str) -> bool:
    """Whether a word names a commit; InputError where it names more than one."""
    try:
        commit_id(repo, word)
    except _AmbiguousError:
        raise
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
    words = ("diff-tree", "-r", "-M", "-z", "--name-status", *_COMPARING)
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
    """One commit: its id, its parents' ids, the first parent first, and what people call it."""

    id: str
    parents: tuple[str, ...]
    subject: str


def commits_between(repo: Repo, old: str, new: str) -> list[Commit]:
    """The commits that ``new`` has and ``old`` has not, oldest first, merges among them."""
    words = ("log", "--reverse", "--topo-order", "-z", "--format=%H%x09%P%x09%s", "--no-show-signature")
    printed = _run(repo, *words, f"{commit_id(repo, old)}..{commit_id(repo, new)}", "--")
    commits = []
    for record in printed.split("\0"):
        if record:
            id_, parents, subject = record.split("\t", 2)
            commits.append(Commit(id_, tuple(parents.split()), subject))
    return commits


def policy_folder(repo: Repo, start: Path, entries: Mapping[str, Entry], where: str = "that revision") -> str:
    """The nearest folder from ``start`` up to the top whose policy is stored, from the top.

    ``entries`` are the files to look through, and ``where`` says whose they are. InputError where there is
    none.
    """
    if repo.working_tree_dir is None:
        if POLICY in entries:
            return ""
        raise InputError(f"{where} has no {POLICY}; name another revision")
    top = top_level(repo)
    here = start.resolve()
    folder = PurePosixPath(here.relative_to(top).as_posix()) if here.is_relative_to(top) else PurePosixPath()
    for candidate in (folder, *folder.parents):
        if str(candidate / POLICY) in entries:
            return "" if candidate == PurePosixPath() else str(candidate)
    advice = f"git add {POLICY}" if (top / POLICY).exists() else "write one and git add it"
    raise InputError(f"{where} has no {POLICY}; {advice}")


# Who


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody as git knows them.

    ``own_email`` is the e-mail before ``.mailmap`` maps it, "" where that is not known.
    """

    name: str
    email: str
    own_email: str = ""

    def is_same(self, other: Person) -> bool:
        """Whether two are one person: by their e-mail, or by their name where either has none.

        A mailmap only unites: a branch can bring one along that takes one person for two.
        """
        if self.own_email and self.own_email.casefold() == other.own_email.casefold():
            return True
        if self.email and other.email:
            return self.email.casefold() == other.email.casefold()
        return self.name.casefold() == other.name.casefold()


def present_author(folder: Path) -> Person:
    """Whoever would be the author of a commit that is made in a folder, which need not be a repository's.

    ``git commit --author`` tells its hooks by the environment. InputError where git knows nobody.
    """
    try:
        identity = os.fsdecode(output(["var", "GIT_AUTHOR_IDENT"], folder))
    except GitError:
        identity = ""
    # The time and zone that stand behind are no part of a person.
    found = re.fullmatch(r"(.*?) ?<([^<>]*)> \d+ [+-]\d+", identity.strip())
    if not found or not found[1].strip():
        raise InputError("git: it does not know who you are; set user.name and user.email with git config")
    email = found[2].strip()
    return Person(found[1].strip(), email, email)


def mapped(repo: Repo, person: Person) -> Person:
    """A person as ``.mailmap`` has them, which the log goes by too."""
    if not person.email:
        return person  # git maps no contact without an e-mail
    words = (*_own_mailmap(repo), "check-mailmap", "--", f"{person.name} <{person.email}>")
    name, _, email = _run(repo, *words).strip().removesuffix(">").rpartition("<")
    return Person(name.strip(), email, person.own_email)


def _own_mailmap(repo: Repo) -> tuple[str, ...]:
    """What keeps git from reading a file anywhere as a mailmap because the repository's settings name it."""
    try:
        scope, _, _ = _run(repo, "config", "--show-scope", "--null", "--get", "mailmap.file").split("\0")
    except InputError:
        return ()
    return ("-c", "mailmap.file=") if scope in ("local", "worktree") else ()


def heads(repo: Repo) -> list[str]:
    """The commits that the next commit will have as parents: none yet, the newest, in a merge all sides."""
    if not is_revision(repo, "HEAD"):
        return []
    # A merge of many branches lists all of them; the name alone would give the first.
    merging = repo.git_dir / "MERGE_HEAD"
    others = merging.read_text("ascii", "replace").split() if merging.is_file() else []
    return list(dict.fromkeys([commit_id(repo, "HEAD"), *others]))


def is_settling(repo: Repo) -> bool:
    """Whether the next commit ends a merge, a cherry-pick, a revert or a step of a rebase or of git am."""
    states = ("MERGE_HEAD", "CHERRY_PICK_HEAD", "REVERT_HEAD", "REBASE_HEAD", "rebase-apply")
    return any((repo.git_dir / state).exists() for state in states)


def settled_paths(repo: Repo) -> set[str]:
    """The paths from the top that were in conflict before somebody added them to the index.

    Git notes them down there, and they tell of conflicts of which no other state does: those of git stash
    pop, git merge --squash, git cherry-pick -n and git checkout --merge.
    """
    records = _run(repo, "ls-files", "--resolve-undo", "-z").split("\0")
    return {record.split("\t", 1)[1] for record in records if record}


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
    """One commit of the log. ``date`` is the author's: seconds since 1970 in UTC and the zone, "0 +0000".

    ``author`` and ``email`` are as ``.mailmap`` has them, ``own_email`` as the commit has it; an e-mail may
    be "", and all three are where git can read no author.
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
        """The author's date with its zone; strangers' commits may hold anything there."""
        try:
            seconds, zone = self.date.split(" ")
            minutes = int(zone[-4:-2]) * 60 + int(zone[-2:])
            offset = timedelta(minutes=-minutes if zone.startswith("-") else minutes)
            return datetime.fromtimestamp(int(seconds), timezone(offset))
        except (ValueError, OverflowError, OSError):
            return None


#: How ``git log`` prints the fields of a logged commit, with NULs between them, and nothing that a
#: repository's config adds.
_COMMIT_FIELDS = (
    "--no-show-signature",  # which would start a program to verify it
    "--encoding=UTF-8",
    "--date=raw",
    "--format=%H%x00%P%x00%aN%x00%aE%x00%ae%x00%ad%x00%s",
)
#: How many fields that are.
_FIELDS = 7


def stated_commit(repo: Repo, revision: str) -> LoggedCommit:
    """What one commit says of itself, without its changes; InputError where there is none."""
    (commit,) = _stated_commits(repo, "-1", commit_id(repo, revision))
    return commit


def newest_between(repo: Repo, old: str, new: str, most: int) -> tuple[list[LoggedCommit], int]:
    """What the commits say of themselves that ``new`` has and ``old`` has not, and how many they are.

    At most so many are told, the newest first, merges among them.
    """
    between = f"{commit_id(repo, old)}..{commit_id(repo, new)}"
    total = int(_run(repo, "rev-list", "--count", between, "--"))
    return _stated_commits(repo, f"-{most}", "--topo-order", between), total


def _stated_commits(repo: Repo, *words: str) -> list[LoggedCommit]:
    printed = _run(repo, "log", "--no-patch", "-z", "--no-color", *_COMMIT_FIELDS, *words, "--")
    fields = printed.split("\0")
    return [_logged(fields[at : at + _FIELDS]) for at in range(0, len(fields) - _FIELDS + 1, _FIELDS)]


def _logged(fields: list[str], changes: Sequence[FileChange] = ()) -> LoggedCommit:
    """A commit from its fields.

    Where a commit has no line of an author, or names an encoding in which that line is none, git prints the
    placeholders themselves.
    """
    id_, parents, author, email, own_email, date, subject = fields
    if (author, email) == ("%aN", "%aE"):
        author = email = own_email = ""
    return LoggedCommit(id_, tuple(parents.split()), author, email, date, subject, tuple(changes), own_email)


def merge_bases(repo: Repo, one: str, other: str) -> list[str]:
    """The commits from which two revisions parted: several where each was merged into the other."""
    ids = commit_id(repo, one), commit_id(repo, other)
    try:
        return _run(repo, "merge-base", "--all", *ids).split()
    except InputError:
        return []


def merge_base(repo: Repo, one: str, other: str) -> str | None:
    """The short id of the commit from which two revisions parted; None where they have none in common."""
    ids = commit_id(repo, one), commit_id(repo, other)
    try:
        base = _run(repo, "merge-base", *ids).strip()
    except InputError:
        return None
    return _run(repo, "rev-parse", "--short=10", base).strip()


def log(repo: Repo, *revisions: str) -> list[LoggedCommit]:
    """Every commit that the history of revisions holds, newest first and none before its children.

    It is one process for all of it. ``--follow`` would give the renames of one file, but follows a single
    name through both sides of a merge and hides parents; a pathspec would hide both renames and the
    commits between. So the whole trees are compared, each with its first parent only: what a merge's
    other parents hold is known from their own commits.
    """
    words = (
        *_own_mailmap(repo),
        "log",
        "--raw",
        "-z",
        "--no-abbrev",
        "--date-order",  # no parent before its children, like --topo-order, and otherwise newest first
        "--diff-merges=first-parent",
        "--root",  # log.showRoot may switch off what the first commit adds
        *_COMPARING,
        *_COMMIT_FIELDS,
    )
    starts = [commit_id(repo, revision) for revision in revisions]
    try:
        printed = _run(repo, *words, "-M", *starts, "--")
    except InputError:
        # To tell how alike two files are git reads them, and gives up where one is missing, as in a
        # partial clone. Renames without an edit show in the ids alone.
        printed = _run(repo, *words, "-M100%", *starts, "--")
    fields = printed.split("\0")
    commits = []
    at = 0
    while at + _FIELDS <= len(fields):
        record = fields[at : at + _FIELDS]
        at += _FIELDS
        changes = []
        # A line break stands before the first change, though -z ends everything else with NUL.
        while at < len(fields) and fields[at].lstrip("\n").startswith(":"):
            _, mode, _, blob, status = fields[at].lstrip("\n").split(" ")
            count = 2 if status[0] in "RC" else 1
            path, old = fields[at + count], fields[at + 1]
            kept = blob if mode in _REGULAR else None
            changes.append(FileChange(path, None if status[0] == "A" else old, kept))
            at += 1 + count
        commits.append(_logged(record, changes))
    return commits


def shallow_commits(repo: Repo) -> frozenset[str]:
    """The commits at which a shallow clone was cut off; none in a whole one."""
    if _run(repo, "rev-parse", "--is-shallow-repository").strip() != "true":
        return frozenset()
    # No command lists them; the file is part of git's documented layout of a repository.
    return frozenset((repo.common_dir / "shallow").read_text("ascii").split())


def staged_source(repo: Repo, path: str) -> str | None:
    """The path in HEAD of a file that the index has under another one, or None."""
    words = ("diff-index", "--cached", "-M", "-z", "--name-status", "--diff-filter=R", *_COMPARING)
    fields = _run(repo, *words, commit_id(repo, "HEAD"), "--").split("\0")
    renames = zip(fields[1::3], fields[2::3], strict=False)
    return next((old for old, new in renames if new == path), None)


# Settings, hooks and attributes


def settings(repo: Repo) -> dict[str, list[str]]:
    """The repository's own settings, which its working trees share; a key may have several values."""
    found: dict[str, list[str]] = {}
    for record in _run(repo, "config", "--local", "--null", "--list").split("\0"):
        if record:
            key, _, value = record.partition("\n")  # a key without any value stands for true
            found.setdefault(key, []).append(value)
    return found


def refuse_borrowed(repo: Repo) -> None:
    """InputError where git's own folder, or the settings in it, are another repository's.

    A stranger's ``.git`` may name any folder of this machine. That of a linked working tree or of a submodule
    lies elsewhere too, but it says which working tree it belongs to.
    """
    top, own, common = top_level(repo), Path(str(repo.git_dir)).resolve(), common_folder(repo)
    if own.is_relative_to(top):
        is_known = common == own
    elif (own / "gitdir").is_file():
        back = (own / "gitdir").read_text("utf-8", "surrogateescape").strip()
        is_known = (own / back).resolve() == (top / ".git").resolve() and own.parent == common / "worktrees"
    else:
        place = settings(repo).get("core.worktree", [""])[-1]
        is_known = bool(place) and (own / place).resolve() == top and common == own
    if "GIT_DIR" not in os.environ and not is_known:
        raise InputError(
            f"{top / '.git'}: it leads out of the repository, to {common}, which does not know this working "
            f"tree; if both are yours, git config core.worktree {top} says so"
        )
    if not (common / "config").resolve().is_relative_to(common):
        raise InputError(f"{common / 'config'}: a link leads out of the repository; put a file in its place")


def set_setting(repo: Repo, key: str, value: str | None) -> None:
    """Give one of the repository's own settings its only value, or remove it where that is None."""
    if value is not None:
        _run(repo, "config", "--local", key, value)
        return
    _run(repo, "config", "--local", "--unset", key)
    # Below a comment git keeps the heading of what is empty now, as the comment may belong to it.
    group, name, _ = key.split(".", 2)
    heading = rf'^\[{group} "{name}"\][ \t]*\r?\n(?=\[|\Z)'
    content = (common_folder(repo) / "config").read_text("utf-8", "surrogateescape")
    if re.search(heading, content, re.MULTILINE):
        _run(repo, "config", "--local", "--remove-section", f"{group}.{name}")


def hooks_folder(repo: Repo) -> tuple[Path, bool]:
    """Where the repository's hooks lie, and whether that is not its own business.

    A folder that a setting outside the repository names is shared by other repositories; one that the
    repository itself places outside may be anything.
    """
    # A relative core.hooksPath counts from where hooks run, which is the top.
    folder = repo.working_dir / _run(repo, "rev-parse", "--git-path", "hooks").rstrip("\n")
    is_outside = not any(
        folder.resolve().is_relative_to(one) for one in (top_level(repo), common_folder(repo))
    )
    try:
        words = ("config", "--show-scope", "--null", "--get", "core.hooksPath")
        scope, value, _ = _run(repo, *words).split("\0")
    except InputError:
        return folder.resolve(), is_outside
    if not value:
        raise InputError("core.hooksPath: it is empty; git config --unset core.hooksPath clears it")
    return folder.resolve(), is_outside or scope not in ("local", "worktree")


#: Seconds that git may take over attributes. A stranger's patterns keep it busy for ever before 2.41.
_PATIENCE = 20


def attributes(repo: Repo, paths: Iterable[str], *names: str) -> dict[str, dict[str, str]]:
    """What attributes git gives to paths from the top, by path and name; "unset" and "unspecified" too."""
    found: dict[str, dict[str, str]] = {}
    paths = list(paths)
    if not paths:
        return found  # git takes a call without paths for a wrong one
    try:
        fields = _run(repo, "check-attr", "-z", *names, "--", *paths, patience=_PATIENCE).split("\0")
    except subprocess.TimeoutExpired:
        raise InputError(
            "git check-attr: it does not finish; look for lines with many stars in .gitattributes"
        ) from None
    for path, name, value in zip(fields[0::3], fields[1::3], fields[2::3], strict=False):
        found.setdefault(path, {})[name] = value
    return found


def delete_reference(repo: Repo, name: str) -> None:
    """Remove a reference, by its full name; nothing happens where there is none."""
    try:
        _run(repo, "show-ref", "--verify", "--quiet", name)
    except InputError:
        return
    # A stranger's repository may bring a hook that git asks about every change of a reference.
    _run(repo, "-c", "core.hooksPath=/dev/null", "update-ref", "-d", name)
