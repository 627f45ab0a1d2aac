"""Locks on files and folders, which end with the process that holds them.

The lock is on the folder itself: no lock file lies in a user's repository, and a killed run leaves none
behind. Without support for locks, as on Windows and on some network drives, other runs are not kept out.
"""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from callint.model.errors import InputError

LOCKS = sys.platform != "win32"
if sys.platform != "win32":
    import fcntl

#: How long a run waits while the file does not change, and how often it looks again, in seconds.
PATIENCE, PAUSE = 30.0, 0.02


def lock(handle: int, is_patient: bool = False) -> bool:
    """Lock an open file or folder until it is closed; returns whether that was possible.

    With ``is_patient`` it waits for other locks without a limit.
    """
    try:
        return _try_lock(handle, is_patient)
    except OSError:
        return False


@contextmanager
def folder_lock(folder: Path) -> Iterator[bool]:
    """Lock a folder against other runs, without waiting; yields whether that was possible."""
    handle = _open_folder(folder)
    if handle is None:
        yield False
        return
    try:
        yield lock(handle)
    finally:
        os.close(handle)


@contextmanager
def exclusive_update(path: Path, name: str) -> Iterator[None]:
    """Keep out other runs while a file is read and replaced; ``name`` is the file as errors show it.

    It waits as long as other runs keep replacing the file. Raises InputError if the file stays the same while
    its folder is locked: a stopped run, or another program, holds the lock.
    """
    handle = _open_folder(path.parent)
    if handle is None:
        yield
        return
    try:
        _wait(handle, path, name)
        yield
    finally:
        os.close(handle)


def _wait(handle: int, path: Path, name: str) -> None:
    """Lock a folder as soon as other runs release it."""
    state, since = _state(path), time.monotonic()
    while True:
        try:
            if _try_lock(handle):
                return
        except OSError:  # no support for locks
            return
        if (now := _state(path)) != state:
            state, since = now, time.monotonic()
        elif time.monotonic() - since > PATIENCE:
            raise InputError(
                f"{name}: another run keeps its folder locked; wait for it or end it, then call callint again"
            )
        time.sleep(PAUSE)


def _state(path: Path) -> tuple[int, int] | None:
    """A value that changes whenever a file is replaced; None if the file does not exist."""
    with suppress(OSError):
        status = path.stat()
        return status.st_ino, status.st_mtime_ns
    return None


def _open_folder(folder: Path) -> int | None:
    """A handle to a folder for a lock; None if it cannot be locked."""
    try:
        return os.open(folder, os.O_RDONLY) if LOCKS else None
    except OSError:
        return None


def _try_lock(handle: int, is_patient: bool = False) -> bool:
    """Lock a handle unless another run holds a lock. Raises OSError without support for locks."""
    if sys.platform == "win32":
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if is_patient else fcntl.LOCK_NB))
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES, errno.EINTR):
            return False
        raise
    return True
