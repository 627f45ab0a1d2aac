"""Temporary files and folders beside their targets, and those that killed runs left behind.

A killed run cannot remove its own temporary files, so the next run does. A lock tells them from the files of
a run that is still working. Without support for locks, as on some network drives, there is no difference;
Windows refuses to remove open files.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

from callint.reading.locks import LOCKS, lock

#: Number of characters of the target's name in a temporary name: up to four bytes each, of 255 in all.
_NAME_LENGTH = 48


def temporary_name(path: Path) -> tuple[str, str]:
    """The prefix and the suffix of the names of temporary files and folders for a target."""
    return f".{path.name[:_NAME_LENGTH]}.", ".part"


def left_behind(path: Path) -> list[Path]:
    """The temporary files and folders for a target, of this run or any other."""
    prefix, suffix = temporary_name(path)
    try:
        names = os.listdir(path.parent)  # noqa: PTH208 (only the names are needed)
    except OSError:
        return []
    # tempfile puts eight characters between prefix and suffix.
    pattern = re.compile(re.escape(prefix) + "[a-z0-9_]{8}" + re.escape(suffix))
    return [path.parent / name for name in names if pattern.fullmatch(name)]


def remove_file(path: Path) -> None:
    """Remove a temporary file unless a run has it locked."""
    with suppress(OSError):
        if not LOCKS:
            path.unlink()  # Windows refuses to remove an open file
            return
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        try:
            if lock(handle):
                path.unlink()
        finally:
            os.close(handle)
