"""A repository: its folders, and git commands that run in it.

The ``GIT_*`` variables that a hook inherits stay as they are: ``GIT_INDEX_FILE`` names the index that the
commit will record, which for ``git commit PATH`` is not the repository's own, and callint must judge that
index. ``process`` drops or overrides the variables by which git would replace one object by another, or
would give a commit other parents.
"""

from __future__ import annotations

import os
import posixpath
import re
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from callint.model.errors import InputError
from callint.versioning.git.blob_reader import BlobReader
from callint.versioning.git.process import GitError, output
from callint.versioning.git.remembered import remembered

if TYPE_CHECKING:
    from callint.versioning.git.entries import TreeEntry

#: Variables that point git to one repository, as ``git rev-parse --local-env-vars`` lists them. Hooks inherit
#: some of these; a command that works on another repository must drop them.
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

#: The paths that git reserves in addition to its own folders, and the options by which it prints them.
_OWN_PATHS = ("hooks", "objects", "index")
_PATH_OPTIONS = tuple(argument for name in _OWN_PATHS for argument in ("--git-path", name))
#: Options by which git prints, behind all paths, a line that is always "true" or "false", and at last the
#: commit of HEAD, if there is one. So the last line of the answer is never a part of a path.
_HEAD_OPTIONS = ("--is-bare-repository", "--default", "HEAD^{commit}")
#: Git's errors if it does not open a repository, and if a repository lacks a working tree.
_NO_REPOSITORY, _FOREIGN, _NO_WORKING_TREE = "not a git repository", "dubious ownership", "work tree"


@dataclass(frozen=True)
class Repo:
    """A repository, and the process that reads its contents.

    ``git_dir`` is git's own folder for one working tree, ``common_dir`` the one that all working trees share.
    A bare repository has no ``working_tree_dir``. ``given_paths`` are ``own_paths`` if they are known, and
    ``head`` is the full id of the commit of HEAD.
    """

    git_dir: Path
    common_dir: Path
    working_tree_dir: Path | None
    given_paths: tuple[str, ...] = ()
    head: str = ""

    @property
    def working_dir(self) -> Path:
        """The folder in which git runs: the top of the working tree, or a bare repository's own folder."""
        return self.working_tree_dir or self.git_dir

    def __getstate__(self) -> dict[str, object]:
        """The state without the process that reads contents: another process of callint starts its own."""
        return {
            "git_dir": self.git_dir,
            "common_dir": self.common_dir,
            "working_tree_dir": self.working_tree_dir,
            "given_paths": self.given_paths,
            "head": self.head,
        }

    @cached_property
    def own_paths(self) -> tuple[str, ...]:
        """The folders of hooks and objects, and the index, from ``working_dir``; "" if a setting is empty.

        Settings and the environment may move them anywhere.
        """
        if self.given_paths:
            return self.given_paths
        paths = run_git(self, "rev-parse", *_PATH_OPTIONS).removesuffix("\n").split("\n")
        if len(paths) != len(_OWN_PATHS):  # a folder's name may hold a line break
            paths = [run_git(self, "rev-parse", "--git-path", name).removesuffix("\n") for name in _OWN_PATHS]
        return tuple(paths)

    @cached_property
    def blobs(self) -> BlobReader:
        return BlobReader(self.working_dir)

    @cached_property
    def commit_ids(self) -> dict[str, str]:
        """The commits that revisions named when they were first asked for, which ``refs`` keeps.

        A command judges one state, even if a branch moves while it runs, and starts git once for each name.
        """
        return {"HEAD": self.head, self.head: self.head} if self.head else {}

    @cached_property
    def last_entries(self) -> dict[str, dict[str, TreeEntry]]:
        """The files of the commits that were read last, the newest one at the end; ``entries`` keeps them."""
        return {}

    @cached_property
    def last_changes(self) -> dict[tuple[str, str], list[tuple[str | None, str | None]]]:
        """The last comparison of two commits, which ``diff`` keeps."""
        return {}

    @cached_property
    def lfs_objects(self) -> Path:
        """The folder in which git-lfs stores contents: below ``common_dir``, or elsewhere by ``lfs.storage``.

        callint reads ``lfs.storage`` as git-lfs does: "~" is a name like any other. The setting names a
        folder and not a program, and callint uses a content from it only if its digest is right.
        """
        try:
            storage = run_git(self, "config", "-z", "--get", "lfs.storage").rstrip("\0")
        except InputError:
            storage = ""
        return self.common_dir / (storage or "lfs") / "objects"

    def close(self) -> None:
        """End the process that reads contents; the next read starts another one."""
        if "blobs" in self.__dict__:
            self.blobs.close()


def open_repository(start: Path, bare: bool = False) -> Repo:
    """The repository around a folder; with ``bare``, it may lack a working tree.

    Within one command it is opened once. Raises InputError if there is no repository, or no working tree.
    """
    # A hook may set GIT_DIR, which names the repository; otherwise git searches from the folder up.
    folder = Path.cwd() if "GIT_DIR" in os.environ else start
    repo = remembered("repository", folder, lambda: _ask_for_repository(folder, start))
    if repo.working_tree_dir is None and not bare:
        raise InputError(f"{start}: a bare repository has no index; run callint in a working tree")
    return repo


def _ask_for_repository(folder: Path, start: Path) -> Repo:
    """The repository that git finds from a folder; ``start`` is the folder for errors."""
    options = ["--absolute-git-dir", "--git-common-dir"]
    try:
        try:
            (git_dir, common_dir, top), own_paths, head = _rev_parse_paths(
                folder, [*options, "--show-toplevel"]
            )
        except GitError as error:
            if _NO_WORKING_TREE not in error.stderr:
                raise
            (git_dir, common_dir), _, head = _rev_parse_paths(folder, options)
            top, own_paths = None, ()
    except GitError as error:
        if _NO_REPOSITORY in error.stderr:
            raise InputError(f"{start}: this is not a git repository; run callint inside one") from None
        if _FOREIGN in error.stderr:
            # The last line is git's own advice, and names the folder in the form that git expects.
            advice = f"if you trust them, {error.reason}"
            raise InputError(f"{start}: the repository is somebody else's; {advice}") from None
        raise InputError(f"{start}: git cannot open it: {error.reason}; correct that first") from None
    except OSError:
        raise InputError(f"{start}: this is not a git repository; run callint inside one") from None
    if top is not None and not top.is_dir():
        raise InputError(
            f"{top}: git uses it as the working tree, but it is not a folder; correct core.worktree"
        )
    # Git prints relative paths from the folder in which it runs.
    return Repo(git_dir, common_dir, top, own_paths if folder == top else (), head)


def _rev_parse_paths(folder: Path, options: list[str]) -> tuple[list[Path], tuple[str, ...], str]:
    """The absolute path that ``git rev-parse`` prints for each option when it runs in a folder.

    The second result is ``Repo.own_paths`` as git prints them there, () if a name holds a line break. The
    third is the commit of HEAD, "" if there is none or git cannot read it.
    """
    absolute = "--path-format=absolute"  # for the options behind it
    command = ["rev-parse", *_PATH_OPTIONS, absolute, *options]
    try:
        paths = _lines([*command, *_HEAD_OPTIONS], folder)
        head = "" if paths[-1] in ("true", "false") else paths.pop()
        del paths[-1]
    except GitError as error:
        if any(text in error.stderr for text in (_NO_REPOSITORY, _FOREIGN, _NO_WORKING_TREE)):
            raise
        # HEAD may be damaged or missing, which is an error only for who asks for it.
        paths, head = _lines(command, folder), ""
    own_paths = tuple(paths[: len(_OWN_PATHS)])
    paths = paths[len(_OWN_PATHS) :]
    if len(paths) != len(options):  # a folder's name may hold a line break
        own_paths = ()
        paths = [
            os.fsdecode(output(["rev-parse", absolute, option], folder)).removesuffix("\n")
            for option in options
        ]
    return [Path(path) for path in paths], own_paths, head


def _lines(arguments: list[str], folder: Path) -> list[str]:
    return os.fsdecode(output(arguments, folder)).removesuffix("\n").split("\n")


def git_folders(start: Path) -> tuple[Path, ...]:
    """The paths that git reserves for itself when it runs in a folder; none outside a repository.

    These are git's folder for the working tree, its folder for all working trees, and ``Repo.own_paths``.
    """
    try:
        repo = open_repository(start, bare=True)
        # Relative paths, a relative core.hooksPath too, count from where commands run.
        own_paths = tuple(repo.working_dir / path for path in repo.own_paths if path)
    except (InputError, OSError):
        return ()
    return (repo.git_dir, repo.common_dir, *own_paths)


def top_level(repo: Repo) -> Path:
    """The folder that holds the working tree."""
    return repo.working_dir.resolve()


def common_folder(repo: Repo) -> Path:
    """Git's own folder, which all working trees of a repository share."""
    return repo.common_dir.resolve()


#: Git's error about a lock that exists already. Neither git nor callint can know who holds it.
_LOCKED = re.compile(
    r"(?:could not lock config file (?P<file>.+)|Unable to create '(?P<lock>.+\.lock)'): File exists"
)


def lock_clause(lock: Path | str) -> str:
    """What a lock of git's means and what to do about it. callint never removes one."""
    return (
        f"{lock}: another git command is running, or was killed and left this lock; wait for it, "
        "or remove the file if none is running"
    )


def settings_lock(repo: Repo) -> Path | None:
    """The lock that keeps git from changing the repository's settings; None if there is none."""
    lock = common_folder(repo) / "config.lock"
    return lock if os.path.lexists(lock) else None


def run_git(repo: Repo, *arguments: str, timeout: float | None = None) -> str:
    """The output of a git command, with file names decoded without loss.

    Raises InputError if the command fails, and subprocess.TimeoutExpired after ``timeout`` seconds.
    """
    try:
        return os.fsdecode(output(list(arguments), repo.working_dir, timeout))
    except GitError as error:
        if match := _LOCKED.search(error.stderr):
            # For a configuration git names the file itself, for all else the lock.
            lock = repo.working_dir / (match["lock"] or f"{match['file']}.lock")
            raise InputError(lock_clause(lock)) from None
        command = next(argument for argument in arguments if argument != "-c" and "=" not in argument)
        raise InputError(f"git {command}: {error.reason}") from None


def folder_of(repo: Repo, path: Path) -> str:
    """The path of a folder from the top of the working tree, "" for the top or a folder outside."""
    if repo.working_tree_dir is None:
        return ""
    top, here = top_level(repo), path.resolve()
    folder = here.relative_to(top).as_posix() if here.is_relative_to(top) else ""
    return "" if folder == "." else folder


def from_top(repo: Repo, here: Path, path: str) -> str:
    """The path from the top of a path that starts at a folder; InputError if it leads out."""
    from_top_level = posixpath.normpath(posixpath.join(folder_of(repo, here), path))
    if from_top_level.startswith(".."):
        raise InputError(f"{path}: it leads out of the repository; give a path inside it")
    return from_top_level
