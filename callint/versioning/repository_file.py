"""Finds an image in a git repository by its name on the command line."""

from __future__ import annotations

import posixpath
from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.tree import error_with_remedy, resolved
from callint.versioning.git.repository import Repo, folder_of, from_top, open_repository, top_level
from callint.versioning.git.trees import RevisionTree


@dataclass(frozen=True, slots=True)
class RepositoryFile:
    """A file of a repository: its path from the top and the revision, None for the working tree.

    ``argument`` is its name on the command line.
    """

    repo: Repo
    argument: str
    path: str
    revision: str | None

    @property
    def name(self) -> str:
        """The name of its content for people: the argument, or REV:path."""
        return self.argument if self.revision is None else f"{self.revision}:{self.path}"

    def path_from(self, folder: Path) -> str:
        """The path from a folder of the working tree, as a policy in that folder names the file."""
        prefix = folder_of(self.repo, folder)
        return self.path.removeprefix(f"{prefix}/") if prefix else self.path

    def read(self) -> bytes:
        """The content at the revision; InputError if the revision lacks the file."""
        revision = self.revision or "HEAD"
        try:
            return RevisionTree(self.repo, revision).read(self.path)
        except OSError as error:
            message = error_with_remedy(error, f"git ls-tree -r {revision} lists what there is")
            raise InputError(f"{revision}:{self.path}: {message}") from None


def find_image(argument: str, revision: str | None) -> RepositoryFile:
    """The image that the command line names by a path from the current folder, or by REV:path.

    The path in REV:path starts at the top. In a bare repository all paths start at the top, and the revision
    is HEAD by default. InputError if the path is not in a repository.
    """
    if revision is None and ":" in argument and not Path(argument).exists():
        revision, _, path = argument.partition(":")
        repo = open_repository(Path.cwd(), bare=True)
        if path.startswith(("./", "../")):
            path = from_top(repo, Path.cwd(), path)
        return RepositoryFile(repo, argument, posixpath.normpath(path), revision or "HEAD")
    target = Path(argument)
    folder = target.parent if target.parent.is_dir() else Path.cwd()
    repo = open_repository(folder.resolve(), bare=True)
    if repo.working_tree_dir is None:
        return RepositoryFile(repo, argument, posixpath.normpath(target.as_posix()), revision or "HEAD")
    try:
        top, parent = top_level(repo), resolved(target.parent)
    except OSError as error:
        raise InputError(f"{argument}: {error_with_remedy(error, 'check the path')}") from None
    if not parent.is_relative_to(top):
        raise InputError(
            f"{argument}: it lies outside the repository {top}; run callint in its own repository"
        )
    return RepositoryFile(repo, argument, (parent / target.name).relative_to(top).as_posix(), revision)
