"""The demo repository: a short history, written from the files that ship with callint."""

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

from callint.model.errors import InputError
from callint.reading.locks import LOCKS, held
from callint.reading.resources import resource
from callint.reading.temp_files import left_behind, temporary_name
from callint.reading.tree import reason
from callint.versioning.git.repository import LOCAL_VARIABLES, open_repository
from callint.versioning.git.repository import Repo as CallintRepo
from callint.versioning.init.plan import ATTRIBUTES, IGNORED

try:
    from git import Actor, Blob, Commit, IndexFile, Repo
except ImportError:  # GitPython looks for the program when it is imported
    raise InputError("git: the program is not found; install git 2.39 or newer") from None

#: Inside ``.git``, so that it is no part of what the demo shows: the folder was made by callint demo.
_MARK = "callint-demo"
_MAIN = "main"
#: Ids by SHA-1, and references in files. The variables go before settings of the user's.
_KIND = {"GIT_DEFAULT_HASH": "sha1", "GIT_DEFAULT_REF_FORMAT": "files"}


@dataclass(frozen=True, slots=True)
class Step:
    """One commit: the folder with the files that it adds or replaces, who wrote it, when, and its branch.

    A branch's first commit follows the one whose folder is named ``start``; every other, where ``start`` is
    empty, the one before it on its branch.
    """

    folder: Path
    author: Actor
    date: datetime
    message: str
    branch: str
    start: str


def write_demo(target: Path, set_up: Callable[[CallintRepo], None]) -> bool:
    """Make the demo repository at ``target``; False where it is there already, and nothing is touched then.

    The repository is made beside the target and moved there when it is whole. ``set_up`` does in it what
    callint init does, before each commit of main. InputError where the
    target is something else than a new or an empty folder.
    """
    if (target / ".git" / _MARK).is_file():
        return False
    if target.is_dir() and not target.is_symlink():
        target = target.resolve()
    is_new = not target.exists() and not target.is_symlink()
    with _unfinished(target) as (whole, is_free):
        is_empty = target.is_dir() and not target.is_symlink() and not any(target.iterdir())
        if not is_new and not is_empty and whole is None:
            words = "it exists, and callint demo did not create it; name a new folder"
            raise InputError(f"{target}: {words}")
        if not is_free:
            raise InputError(f"{target}: another callint demo is creating it; wait for it")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            if whole is not None:
                _move(whole, target)
                return True
            prefix, suffix = temporary_name(target)
            making = Path(tempfile.mkdtemp(prefix=prefix, suffix=suffix, dir=target.parent))
            try:
                with _own_repository(), held(making):
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
    """Put a whole repository in its place. The folder itself stays: it may be the one the user works in."""
    if not target.is_dir():
        making.rename(target)
        return
    # The mark that says that all is there lies in .git, which comes last.
    for path in sorted(making.iterdir(), reverse=True):
        path.rename(target / path.name)
    making.rmdir()


@contextmanager
def _unfinished(target: Path) -> Iterator[tuple[Path | None, bool]]:
    """What killed runs left beside the target: a repository that lacks nothing but its place, or None.

    The rest is removed. False where another run is at work there.
    """
    whole, is_free = None, True
    with ExitStack() as stack:
        for left in filter(Path.is_dir, left_behind(target)) if LOCKS else ():
            if left.is_symlink():
                continue
            if not stack.enter_context(held(left)):
                is_free = False
            elif whole is None and (left / ".git" / _MARK).is_file():
                whole = left
            else:
                shutil.rmtree(left, ignore_errors=True)
        yield whole, is_free


@contextmanager
def _own_repository() -> Iterator[None]:
    """Without the variables that point git to another repository, as a hook or a script may have set them.

    The repository is of the kind that GitPython can write, whatever kind the user's new ones are.
    """
    before = dict(os.environ)
    for name in LOCAL_VARIABLES & before.keys():
        del os.environ[name]
    os.environ.update(_KIND)
    try:
        yield
    finally:
        for name in _KIND:
            del os.environ[name]
        os.environ.update(before)


def _commit_steps(folder: Path, set_up: Callable[[CallintRepo], None]) -> None:
    """The whole history in a new repository, main checked out and set up.

    Commits are written through GitPython's own index: the user's hooks, signing and line-end settings
    have no part in it, so that every demo is the same to the byte.
    """
    folder.chmod(0o755)  # mkdtemp's own mode shuts out everybody else
    repo = Repo.init(folder, initial_branch=_MAIN)
    try:
        with repo.config_writer() as config:
            config.set_value("core", "autocrlf", "false")
        made: dict[str, Commit] = {}
        for step in steps():
            if step.branch == _MAIN:
                shutil.copytree(step.folder, folder, dirs_exist_ok=True, copy_function=shutil.copyfile)
                set_up(open_repository(folder))
                repo.index.add([*_files(step), ATTRIBUTES, IGNORED])
                commit = _commit(repo.index, step)
            else:
                parent = made[step.start] if step.start else repo.heads[step.branch].commit
                commit = _commit(_index_after(repo, parent, step), step, parent)
                repo.create_head(step.branch, commit, force=True)
            made[step.folder.name] = commit
        (folder / ".git" / _MARK).write_text("made by callint demo\n", "utf-8")
    finally:
        repo.close()


def _files(step: Step) -> dict[str, Path]:
    """The files of a step by their paths in the repository."""
    paths = sorted(path for path in step.folder.rglob("*") if path.is_file())
    return {path.relative_to(step.folder).as_posix(): path for path in paths}


def _index_after(repo: Repo, parent: Commit, step: Step) -> IndexFile:
    """A commit's tree with a step's files; in memory, so that nothing that is checked out changes."""
    index = IndexFile.new(repo, parent.tree)
    for name, path in _files(step).items():
        stored = repo.git.hash_object("-w", "--no-filters", "--", path)
        index.add([Blob(repo, bytes.fromhex(stored), Blob.file_mode, name)], write=False)
    return index


def _commit(index: IndexFile, step: Step, parent: Commit | None = None) -> Commit:
    """A commit after HEAD, which moves on to it; or after ``parent``, and HEAD stays."""
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
