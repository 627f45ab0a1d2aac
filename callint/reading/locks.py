"""Locks on files and folders, which end with the process that holds them.

A folder is locked itself, so that no file of a lock lies in anybody's repository, and a killed run leaves
none behind. Where there are no locks, as on Windows and on some network drives, nobody is kept out.
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

#: For so many seconds a run waits for others that change nothing, and looks again after so many.
PATIENCE, PAUSE = 30.0, 0.02


def lock(handle: int, is_patient: bool = False) -> bool:
    """Lock an open file or folder until it is closed; whether that was possible.

    With ``is_patient`` it waits for whoever has locked it, however long.
    """
    try:
        return _locked(handle, is_patient)
    except OSError:
        return False


@contextmanager
def held(folder: Path) -> Iterator[bool]:
    """Keep out other runs that hold the same folder; whether that was possible. It does not wait."""
    handle = _opened(folder)
    if handle is None:
        yield False
        return
    try:
        yield lock(handle)
    finally:
        os.close(handle)


@contextmanager
def alone(path: Path, shown: str) -> Iterator[None]:
    """Keep out other runs while a file is read and written anew, which is ``shown`` to the user by a name.

    It waits for its turn as long as the others get on, which the file itself shows. InputError where they do
    not: a run that was stopped, or another program, has the folder locked.
    """
    handle = _opened(path.parent)
    if handle is None:
        yield
        return
    try:
        _wait(handle, path, shown)
        yield
    finally:
        os.close(handle)


def _wait(handle: int, path: Path, shown: str) -> None:
    """Lock a folder as soon as others leave it."""
    state, since = _state(path), time.monotonic()
    while True:
        try:
            if _locked(handle):
                return
        except OSError:  # there are no locks here
            return
        if (now := _state(path)) != state:
            state, since = now, time.monotonic()
        elif time.monotonic() - since > PATIENCE:
            words = "another run keeps its folder locked; wait for it or end it, then call callint again"
            raise InputError(f"{shown}: {words}")
        time.sleep(PAUSE)


def _state(path: Path) -> tuple[int, int] | None:
    """What changes whenever a file is written anew; None where there is none."""
    with suppress(OSError):
        found = path.stat()
        return found.st_ino, found.st_mtime_ns
    return None


def _opened(folder: Path) -> int | None:
    """A folder that can be locked; None where it cannot be."""
    try:
        return os.open(folder, os.O_RDONLY) if LOCKS else None
    except OSError:
        return None


def _locked(handle: int, is_patient: bool = False) -> bool:
    """Whether nobody else has locked it, so that it is locked now. OSError where there are no locks."""
    if sys.platform == "win32":
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if is_patient else fcntl.LOCK_NB))
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES, errno.EINTR):
            return False
        raise
    return True
