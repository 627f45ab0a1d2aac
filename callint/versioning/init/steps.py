"""The steps by which callint init sets a repository up, and takes that back."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path


@dataclass(frozen=True, slots=True)
class FileStep:
    """A file that is written (``new``) or removed (None). ``old`` is its present content, None where absent.

    ``words`` say what it is about.
    """

    path: Path
    old: bytes | None
    new: bytes | None
    words: str
    executable: bool = False

    def reversed(self) -> FileStep:
        """The step that takes this one back."""
        return replace(self, old=self.new, new=self.old)


@dataclass(frozen=True, slots=True)
class SettingStep:
    """A setting of the repository that gets a value, or is removed where ``new`` is None.

    ``words`` say what git does by it.
    """

    key: str
    old: str | None
    new: str | None
    words: str

    def reversed(self) -> SettingStep:
        """The step that takes this one back."""
        return replace(self, old=self.new, new=self.old)


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be done, in order; ``record`` is the step that notes it down, None where nothing is left.

    ``remarks`` are sentences for the user. ``folders`` are to be removed if they are empty then.
    """

    steps: tuple[FileStep | SettingStep, ...]
    record: FileStep | None
    remarks: tuple[str, ...] = ()
    folders: tuple[Path, ...] = ()


def shown(path: Path, here: Path) -> str:
    """A path as one says it in the folder ``here``."""
    try:
        return Path(os.path.relpath(path, here)).as_posix()
    except ValueError:  # on another drive
        return path.as_posix()
