"""The repository's own settings and hooks."""

from __future__ import annotations

import os
import re
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.tree import read_as_stored
from callint.versioning.git.remembered import remembered
from callint.versioning.git.repository import Repo, common_folder, open_repository, run_git, top_level


def wants_colour(start: Path) -> bool:
    """Whether git would colour a diff that goes to its pager, by ``color.diff`` and ``color.ui``."""
    try:
        repo = open_repository(start)
        return run_git(repo, "config", "--get-colorbool", "color.diff", "true").strip() == "true"
    except InputError:
        return False


def read_settings(repo: Repo) -> dict[str, list[str]]:
    """The repository's own settings, which its working trees share; a key may have several values."""
    values: dict[str, list[str]] = {}
    for record in run_git(repo, "config", "--local", "--null", "--list").split("\0"):
        if record:
            key, _, value = record.partition("\n")  # a key without any value means true
            values.setdefault(key, []).append(value)
    return values


def may_have_section(repo: Repo, section: str) -> bool:
    """Whether the repository's own settings may have a section; False only if they certainly lack it.

    This saves a start of git, which nearly always finds nothing. Git allows no escapes in the names of
    sections, so a file that has a section spells its name, in any case. It may also include other files.
    """
    words = section.lower().encode(), b"include"
    for path in (repo.common_dir / "config", repo.git_dir / "config.worktree"):
        try:
            content = read_as_stored(path).lower()
        except FileNotFoundError:
            continue
        except OSError:
            return True
        if any(word in content for word in words):
            return True
    return False


def require_own_config(repo: Repo) -> None:
    """InputError if git's own folder, or the settings in it, belong to another repository.

    A stranger's ``.git`` may name any folder of this machine. The git folder of a linked working tree or of a
    submodule lies elsewhere too, but it names the working tree to which it belongs.
    """
    top, git_dir, common = top_level(repo), repo.git_dir.resolve(), common_folder(repo)
    if git_dir.is_relative_to(top):
        is_known = common == git_dir
    elif (git_dir / "gitdir").is_file():
        link = git_dir / (git_dir / "gitdir").read_text("utf-8", "surrogateescape").strip()
        is_known = link.resolve() == (top / ".git").resolve() and git_dir.parent == common / "worktrees"
    else:
        worktree = read_settings(repo).get("core.worktree", [""])[-1]
        is_known = bool(worktree) and (git_dir / worktree).resolve() == top and common == git_dir
    if "GIT_DIR" not in os.environ and not is_known:
        raise InputError(
            f"{top / '.git'}: it leads out of the repository, to {common}, which does not know this working "
            f"tree; if both are yours, git config core.worktree {top} says so"
        )
    if not (common / "config").resolve().is_relative_to(common):
        raise InputError(f"{common / 'config'}: a link leads out of the repository; put a file in its place")


def set_setting(repo: Repo, key: str, value: str | None) -> None:
    """Give one of the repository's own settings a single value, or remove it if the value is None."""
    if value is not None:
        run_git(repo, "config", "--local", key, value)
        return
    run_git(repo, "config", "--local", "--unset", key)
    # Below a comment git keeps the heading of an empty section, as the comment may belong to it.
    group, name, _ = key.split(".", 2)
    heading = rf'^\[{group} "{name}"\][ \t]*\r?\n(?=\[|\Z)'
    content = (common_folder(repo) / "config").read_text("utf-8", "surrogateescape")
    if re.search(heading, content, re.MULTILINE):
        run_git(repo, "config", "--local", "--remove-section", f"{group}.{name}")


def hooks_folder(repo: Repo) -> tuple[Path, bool]:
    """The folder of the repository's hooks, and whether it may belong to more than this repository.

    Other repositories share a folder that a setting outside the repository names. A folder outside that the
    repository's own settings name may be anything. A command, which never sets core.hooksPath, asks once.
    """
    return remembered("hooks folder", repo.working_dir, lambda: _ask_for_hooks_folder(repo))


def _ask_for_hooks_folder(repo: Repo) -> tuple[Path, bool]:
    # A relative core.hooksPath counts from the top, where hooks run.
    folder = repo.working_dir / repo.own_paths[0]
    own_folders = (top_level(repo), common_folder(repo))
    is_outside = not any(folder.resolve().is_relative_to(own_folder) for own_folder in own_folders)
    try:
        arguments = ("config", "--show-scope", "--null", "--get", "core.hooksPath")
        scope, value, _ = run_git(repo, *arguments).split("\0")
    except InputError:
        return folder.resolve(), is_outside
    if not value:
        raise InputError("core.hooksPath: it is empty; git config --unset core.hooksPath clears it")
    return folder.resolve(), is_outside or scope not in ("local", "worktree")
