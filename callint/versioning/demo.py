"""The demo repository: a short history from files that ship with callint."""

from __future__ import annotations

import os
import shutil
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from callint.model.errors import InputError
from callint.reading.family import SUFFIX
from callint.reading.locks import LOCKS, folder_lock
from callint.reading.resources import resource
from callint.reading.temp_files import left_behind, temporary_name
from callint.reading.tree import POLICY, reason
from callint.versioning.git import process
from callint.versioning.git.repository import LOCAL_VARIABLES, open_repository
from callint.versioning.git.repository import Repo as CallintRepo
from callint.versioning.init.plan import ATTRIBUTES, IGNORED

try:
    from git import Actor, Blob, Commit, GitCmdObjectDB, IndexFile, Repo
except ImportError:  # GitPython runs git when it is imported
    process.require()
    raise

#: A file in ``.git``, outside the demo's own files, that marks a folder which callint demo created.
_MARK = "callint-demo"
_MAIN = "main"
#: SHA-1 ids, and references in files. These variables override the user's settings.
_FORMAT = {"GIT_DEFAULT_HASH": "sha1", "GIT_DEFAULT_REF_FORMAT": "files"}


class _Objects(GitCmdObjectDB):
    """Objects that git reads but does not write, because GitPython would start git for each of them."""

    def store(self, istream: Any) -> Any:
        return super(GitCmdObjectDB, self).store(istream)


@dataclass(frozen=True, slots=True)
class Step:
    """One commit: the folder with the files that it adds or replaces, author, date and branch.

    The first commit of a branch follows the one whose folder is named ``start``. For every other commit
    ``start`` is empty: it follows the one before it on its branch.
    """

    folder: Path
    author: Actor
    date: datetime
    message: str
    branch: str
    start: str


def write_demo(target: Path, set_up: Callable[[CallintRepo], None]) -> bool:
    """Create the demo repository at ``target``; False, without any change, if it exists already.

    callint creates the repository next to the target and moves it there when it is complete. ``set_up`` does
    in it what callint init does, before each commit of main that has a policy or a definition. InputError if
    the target is neither new nor an empty folder, or if git does not run.
    """
    if (target / ".git" / _MARK).is_file():
        return False
    process.require()
    if target.is_dir() and not target.is_symlink():
        target = target.resolve()
    is_new = not target.exists() and not target.is_symlink()
    with _unfinished(target) as (complete, is_free):
        is_empty = target.is_dir() and not target.is_symlink() and not any(target.iterdir())
        if not is_new and not is_empty and complete is None:
            raise InputError(f"{target}: it exists, and callint demo did not create it; name a new folder")
        if not is_free:
            raise InputError(f"{target}: another callint demo is creating it; wait for it")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            if complete is not None:
                _move(complete, target)
                return True
            prefix, suffix = temporary_name(target)
            making = Path(tempfile.mkdtemp(prefix=prefix, suffix=suffix, dir=target.parent))
            try:
                with _own_repository(), folder_lock(making):
                    _commit_steps(making, set_up)
                    _move(making, target)
            except BaseException:
                with suppress(OSError):
                    shutil.rmtree(making)
                raise
        except OSError as error:
            raise InputError(f"{target}: it cannot be made: {reason(error)}; choose another place") from None
    return True


def _move(making: Path, target: Path) -> None:
    """Move a complete repository to the target. An existing folder stays: it may be the current folder."""
    if not target.is_dir():
        making.rename(target)
        return
    # .git comes last: it contains the mark of a complete repository.
    for path in sorted(making.iterdir(), reverse=True):
        path.rename(target / path.name)
    making.rmdir()


@contextmanager
def _unfinished(target: Path) -> Iterator[tuple[Path | None, bool]]:
    """A complete repository that a killed run left next to the target, or None; False if a run is active.

    Removes incomplete repositories of killed runs.
    """
    complete, is_free = None, True
    with ExitStack() as stack:
        for folder in filter(Path.is_dir, left_behind(target)) if LOCKS else ():
            if folder.is_symlink():
                continue
            if not stack.enter_context(folder_lock(folder)):
                is_free = False
            elif complete is None and (folder / ".git" / _MARK).is_file():
                complete = folder
            else:
                shutil.rmtree(folder, ignore_errors=True)
        yield complete, is_free


@contextmanager
def _own_repository() -> Iterator[None]:
    """Remove the variables by which a hook or a script points git to another repository.

    The repository has the format that GitPython can write, whatever the user's default format is.
    """
    before = dict(os.environ)
    for name in LOCAL_VARIABLES & before.keys():
        del os.environ[name]
    os.environ.update(_FORMAT)
    try:
        yield
    finally:
        for name in _FORMAT:
            del os.environ[name]
        os.environ.update(before)


def _commit_steps(folder: Path, set_up: Callable[[CallintRepo], None]) -> None:
    """Write the whole history into a new repository, with main checked out and set up.

    GitPython's own index writes the commits without the user's hooks, signing and line-end settings, so that
    every demo is the same to the byte.
    """
    folder.chmod(0o755)  # mkdtemp's own mode denies access to all others
    repo = Repo.init(folder, odbt=_Objects, initial_branch=_MAIN)
    try:
        with repo.config_writer() as config:
            config.set_value("core", "autocrlf", "false")
        commits: dict[str, Commit] = {}
        for step in steps():
            if step.branch == _MAIN:
                shutil.copytree(step.folder, folder, dirs_exist_ok=True, copy_function=shutil.copyfile)
                files = _files(step)
                # What is set up follows from the policy and the definitions.
                if any(name == POLICY or name.endswith(SUFFIX) for name in files):
                    set_up(open_repository(folder))
                repo.index.add([*files, ATTRIBUTES, IGNORED])
                commit = _commit(repo.index, step)
            else:
                parent = commits[step.start] if step.start else repo.heads[step.branch].commit
                commit = _commit(_index_after(repo, parent, step), step, parent)
                repo.create_head(step.branch, commit, force=True)
            commits[step.folder.name] = commit
        (folder / ".git" / _MARK).write_text("made by callint demo\n", "utf-8")
    finally:
        repo.close()


def _files(step: Step) -> dict[str, Path]:
    """The files of a step by their paths in the repository."""
    paths = sorted(path for path in step.folder.rglob("*") if path.is_file())
    return {path.relative_to(step.folder).as_posix(): path for path in paths}


def _index_after(repo: Repo, parent: Commit, step: Step) -> IndexFile:
    """A commit's tree with a step's files, in memory, so that the checked-out files stay."""
    index = IndexFile.new(repo, parent.tree)
    for name, path in _files(step).items():
        stored = repo.git.hash_object("-w", "--no-filters", "--", path)
        index.add([Blob(repo, bytes.fromhex(stored), Blob.file_mode, name)], write=False)
    return index


def _commit(index: IndexFile, step: Step, parent: Commit | None = None) -> Commit:
    """Commit after HEAD and move HEAD; with a ``parent``, commit after it and leave HEAD."""
    return index.commit(
        step.message,
        parent_commits=None if parent is None else [parent],
        head=parent is None,
        author=step.author,
        committer=step.author,
        author_date=step.date,
        commit_date=step.date,
        skip_hooks=True,
    )


def steps() -> Iterator[Step]:
    """The demo's commits: those of main, oldest first, then those of the branches."""
    demo = resource("fixtures/demo")
    timeline = tomllib.loads((demo / "timeline.toml").read_text("utf-8"))
    for commit in timeline["commits"]:
        yield Step(
            folder=demo / "steps" / commit["folder"],
            author=Actor(commit["author"], commit["email"]),
            date=datetime.fromisoformat(commit["date"]),
            message=commit["message"].strip() + "\n",
            branch=commit.get("branch", _MAIN),
            start=commit.get("from", ""),
        )
