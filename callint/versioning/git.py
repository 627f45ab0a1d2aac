"""Git, as flat functions: every oddity of git that callint depends on is explained here.

Commands go through GitPython, which starts the git program without a shell. The ``GIT_*`` variables that
a hook inherits are left as they are: ``GIT_INDEX_FILE`` names the index that is about to be committed,
which for ``git commit PATH`` is not the repository's own, and it is that index which must be judged.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from callint.model.errors import InputError
from callint.reading.tree import MAX_FILE, POLICY

try:
    from git import Actor, BadName, GitCommandError, InvalidGitRepositoryError, NoSuchPathError, Repo
except ImportError:  # GitPython looks for the program when it is imported
    raise InputError("git: the program is not found; install git 2.39 or newer") from None

__all__ = [
    "LOCAL_VARIABLES",
    "Actor",
    "IndexTree",
    "Repo",
    "open_repository",
    "policy_folder",
    "staged_paths",
    "top_level",
]

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


def open_repository(start: Path) -> Repo:
    """The repository around a folder; InputError where there is none."""
    try:
        # GIT_DIR, where a hook sets it, names the repository; otherwise it is searched from the folder up.
        path = None if "GIT_DIR" in os.environ else start
        repo = Repo(path, search_parent_directories=True)
    except (InvalidGitRepositoryError, NoSuchPathError):
        raise InputError(f"{start}: this is no git repository; call callint inside one") from None
    if repo.working_tree_dir is None:
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


class IndexTree:
    """The files as they stand in the index, below ``folder`` (from the top, "" for the top itself)."""

    def __init__(self, repo: Repo, folder: str = "") -> None:
        self._repo = repo
        self._prefix = f"{folder}/" if folder else ""
        self._entries = index_entries(repo)

    def read(self, path: str) -> bytes:
        """The staged content of a file, as git stores it."""
        entry = self._entries.get(self._prefix + path)
        if entry is None:
            raise FileNotFoundError(path)
        if entry.stage:
            raise OSError("it is in conflict; settle the merge first")
        if entry.mode == _LINK:
            raise OSError("it is a symbolic link; only regular files are read")
        if entry.mode not in _REGULAR:
            raise OSError("it is not a regular file")
        try:
            stream = self._repo.odb.stream(bytes.fromhex(entry.blob))
        except (BadName, ValueError):
            raise OSError("its content is missing from the repository; fetch it first") from None
        if stream.size > MAX_FILE:
            stream.read()  # the pipe to git is shared, and must be emptied before the next request
            raise OSError(f"it is larger than {MAX_FILE >> 20} MiB, the most that is read")
        content: bytes = stream.read()
        return content

    def paths(self) -> Iterator[str]:
        return (path[len(self._prefix) :] for path in sorted(self._entries) if path.startswith(self._prefix))

    def within(self, paths: list[str]) -> list[str]:
        """Those of the paths from the top that lie below the folder, relative to it."""
        return [path[len(self._prefix) :] for path in paths if path.startswith(self._prefix)]


def policy_folder(repo: Repo, start: Path) -> str:
    """The nearest folder from ``start`` up to the top whose policy is in the index, from the top.

    InputError where there is none.
    """
    entries = index_entries(repo)
    top = top_level(repo)
    here = start.resolve()
    folder = PurePosixPath(here.relative_to(top).as_posix()) if here.is_relative_to(top) else PurePosixPath()
    for candidate in (folder, *folder.parents):
        if str(candidate / POLICY) in entries:
            return "" if candidate == PurePosixPath() else str(candidate)
    advice = f"git add {POLICY}" if (top / POLICY).exists() else "write one and git add it"
    raise InputError(f"{POLICY}: there is none in the index; {advice}")
