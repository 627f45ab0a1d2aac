"""Files that git hands to its drivers: contents, or what git-lfs stores in place of them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.lfs_pointers import ABSENT, parse_pointer, pointer_to
from callint.reading.tree import error_with_remedy, read_as_stored, reason, require_inside_repository


@dataclass(frozen=True, slots=True)
class GitFile:
    """A file as git stores it, and the name that people know it by; git's temporary names say nothing."""

    name: str
    stored: bytes

    @property
    def is_pointer(self) -> bool:
        return parse_pointer(self.stored) is not None

    @property
    def content(self) -> bytes:
        """The content, behind a pointer too; InputError where it is not here."""
        if not self.is_pointer:
            return self.stored
        from callint.versioning.git import repository as git

        try:
            repo = git.open_repository(Path.cwd(), bare=True)
        except InputError:
            raise InputError(f"{self.name}: {ABSENT}") from None
        try:
            return git.behind_pointer(repo, self.stored)
        except OSError as error:
            raise InputError(f"{self.name}: {reason(error)}") from None

    def successor(self, content: bytes) -> bytes:
        """What git is to store for a new content: the content, or a pointer where there was one.

        git itself runs no filter over what a merge driver leaves, so that the content behind a new pointer
        goes into the store of git-lfs here. InputError where it cannot.
        """
        if not self.is_pointer:
            return content
        from callint.reporting.files.atomic_write import replace_file
        from callint.reporting.files.destinations import own_file
        from callint.versioning.git import repository as git

        new = pointer_to(content)
        found = parse_pointer(new)
        assert found is not None
        place = git.lfs_place(git.open_repository(Path.cwd(), bare=True), found.oid)
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{place}: it cannot be written: {reason(error)}; make room for it") from None
        replace_file(own_file(place), content)
        return new


def read_git_file(file: Path, name: str) -> GitFile:
    """A file that git hands over; InputError where it cannot be read."""
    require_inside_repository(file, name)
    try:
        return GitFile(name, read_as_stored(file))
    except OSError as error:
        raise InputError(f"{name}: {error_with_remedy(error, 'check the path')}") from None
