"""Temporary files and folders beside what they are to become, and what killed runs left of them.

A run that is killed cannot remove its own. The next one does, and tells them from those that another run is
still making by locks, which end with the process that holds them. Where there are none, as on some network
drives, nobody is kept out and nothing is told apart; Windows refuses to remove what is open.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

LOCKS = sys.platform != "win32"
if sys.platform != "win32":
    import fcntl


def lock(handle: int, is_patient: bool = True) -> bool:
    """Lock an open file or folder until it is closed; whether that was possible.

    With ``is_patient`` it waits for whoever has locked it.
    """
    if sys.platform == "win32":
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if is_patient else fcntl.LOCK_NB))
    except OSError:
        return False
    return True


def temporary_name(path: Path) -> tuple[str, str]:
    """How the name of a temporary file or folder beside another one begins and ends."""
    return f".{path.name[:64]}.", ".part"


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
            if lock(handle, is_patient=False):
                left.unlink()
        finally:
            os.close(handle)


@contextmanager
def held(folder: Path, is_patient: bool = True) -> Iterator[bool]:
    """Keep out other runs that hold the same folder; whether that was possible."""
    try:
        handle = os.open(folder, os.O_RDONLY) if LOCKS else None
    except OSError:
        handle = None
    if handle is None:
        yield False
        return
    try:
        yield lock(handle, is_patient)
    finally:
        os.close(handle)
