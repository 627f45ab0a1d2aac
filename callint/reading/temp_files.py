"""Temporary files and folders beside what they are to become, and what killed runs left of them.

A run that is killed cannot remove its own. The next one does, and tells them from those that another run is
still making by locks. Where there are none, as on some network drives, nothing is told apart; Windows refuses
to remove what is open.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

from callint.reading.locks import LOCKS, lock

#: So many characters of a name, of up to four bytes each, leave room for the rest of a temporary one.
_LETTERS = 48


def temporary_name(path: Path) -> tuple[str, str]:
    """How the name of a temporary file or folder beside another one begins and ends."""
    return f".{path.name[:_LETTERS]}.", ".part"


def left_behind(path: Path) -> list[Path]:
    """Temporary files and folders beside another one, of this run or any other."""
    prefix, suffix = temporary_name(path)
    try:
        names = os.listdir(path.parent)  # noqa: PTH208 (names are all that is needed)
    except OSError:
        return []
    # Behind the prefix stand the eight characters of the library's names.
    form = re.compile(re.escape(prefix) + "[a-z0-9_]{8}" + re.escape(suffix))
    return [path.parent / name for name in names if form.fullmatch(name)]


def remove_file(left: Path) -> None:
    """Remove a temporary file that no run holds open."""
    with suppress(OSError):
        if not LOCKS:
            left.unlink()  # Windows refuses that while it is open
            return
        handle = os.open(left, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        try:
            if lock(handle):
                left.unlink()
        finally:
            os.close(handle)
