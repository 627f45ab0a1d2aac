"""Files that git ignores."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from callint.model.errors import InputError
from callint.versioning.git.repository import folder_of, open_repository, run_git


def ignored_paths(root: Path, paths: Iterable[str]) -> set[str]:
    """The paths below ``root`` that git ignores and does not track; none without a repository."""
    try:
        repo = open_repository(root)
    except InputError:
        return set()
    folder = folder_of(repo, root)
    prefix = f"{folder}/" if folder else ""
    names = [prefix + path for path in paths]
    # Patterns of a repository's own files may be anything, but they are not programs.
    arguments = ("ls-files", "--others", "--ignored", "--exclude-standard", "-z", "--", *names)
    printed = run_git(repo, "--literal-pathspecs", *arguments)
    return {name.removeprefix(prefix) for name in printed.split("\0") if name}
