"""Files that git passes to its drivers: contents, or git-lfs pointers to them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.lfs_pointers import ABSENT, parse_pointer, pointer_to
from callint.reading.tree import error_with_remedy, read_as_stored, reason, require_inside_repository


@dataclass(frozen=True, slots=True)
class GitFile:
    """A file as git stores it, and its name for people in place of git's temporary name."""

    name: str
    stored: bytes

    @property
    def is_pointer(self) -> bool:
        return parse_pointer(self.stored) is not None

    @property
    def content(self) -> bytes:
        """The content, also behind a pointer; InputError if git-lfs has not fetched it."""
        if not self.is_pointer:
            return self.stored
        from callint.versioning.git.objects import resolve_pointer
        from callint.versioning.git.repository import open_repository

        try:
            repo = open_repository(Path.cwd(), bare=True)
        except InputError:
            raise InputError(f"{self.name}: {ABSENT}") from None
        try:
            return resolve_pointer(repo, self.stored)
        except OSError as error:
            raise InputError(f"{self.name}: {reason(error)}") from None

    def successor(self, content: bytes) -> bytes:
        """What git must store for a new content: the content, or a pointer if this file is one.

        git runs no filter on the result of a merge driver, so callint itself writes the content behind a new
        pointer into the store of git-lfs. InputError if that fails.
        """
        if not self.is_pointer:
            return content
        from callint.reporting.files.atomic_write import replace_file
        from callint.reporting.files.destinations import own_file
        from callint.versioning.git.objects import lfs_object_path
        from callint.versioning.git.repository import open_repository

        new = pointer_to(content)
        lfs_pointer = parse_pointer(new)
        assert lfs_pointer is not None
        path = lfs_object_path(open_repository(Path.cwd(), bare=True), lfs_pointer.oid)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{path}: it cannot be written: {reason(error)}; make room for it") from None
        replace_file(own_file(path), content)
        return new


def read_git_file(file: Path, name: str) -> GitFile:
    """A file that git passes to a driver; InputError if it is unreadable."""
    require_inside_repository(file, name)
    try:
        return GitFile(name, read_as_stored(file))
    except OSError as error:
        raise InputError(f"{name}: {error_with_remedy(error, 'check the path')}") from None
