"""The steps by which callint init sets up a repository or undoes that."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path


@dataclass(frozen=True, slots=True)
class FileStep:
    """Writes a file with the content ``new``, or removes it if that is None.

    ``old`` is its present content, None if it does not exist. ``purpose`` is a phrase for the user.
    """

    path: Path
    old: bytes | None
    new: bytes | None
    purpose: str
    executable: bool = False

    def reversed(self) -> FileStep:
        """The step that undoes this one."""
        return replace(self, old=self.new, new=self.old)


@dataclass(frozen=True, slots=True)
class SettingStep:
    """Gives a setting of the repository a value, or removes it if ``new`` is None.

    ``purpose`` says what the setting makes git do.
    """

    key: str
    old: str | None
    new: str | None
    purpose: str

    def reversed(self) -> SettingStep:
        """The step that undoes this one."""
        return replace(self, old=self.new, new=self.old)


@dataclass(frozen=True, slots=True)
class Plan:
    """Steps in order; ``record`` is the step that writes the record, None if the record stays the same.

    ``remarks`` are sentences for the user. ``folders`` must be removed at the end if they are empty.
    """

    steps: tuple[FileStep | SettingStep, ...]
    record: FileStep | None
    remarks: tuple[str, ...] = ()
    folders: tuple[Path, ...] = ()


def relative_name(path: Path, here: Path) -> str:
    """The name of a path for a user in the folder ``here``."""
    try:
        return Path(os.path.relpath(path, here)).as_posix()
    except ValueError:  # on another drive
        return path.as_posix()
