"""Files that are there whole or not at all."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.leftovers import LOCKS, left_behind, lock, remove_file, temporary_name
from callint.reading.tree import reason, refuse_leading_out


def replace_file(path: Path, content: bytes | Iterable[bytes], executable: bool = False) -> None:
    """Write a file, whole or part by part, by way of a temporary one beside it: synced, then renamed over.

    Whatever goes wrong, the old file or the new one is there. It is made ``executable`` where that is asked
    for. Raises InputError where it cannot be written, or where its folder is a link out of the repository.
    """
    if not path.parent.is_dir():
        raise InputError(f"{path}: it cannot be written: there is no folder {path.parent}; make it first")
    refuse_leading_out(path.parent, str(path))
    if path.exists() and not path.is_file() and not path.is_dir():
        # A device or pipe would be gone, and a file in its place.
        raise InputError(f"{path}: it cannot be written: it is no regular file; choose another place")
    temporary: Path | None = None
    try:
        handle, temporary = _temporary(path)
        with os.fdopen(handle, "wb") as file:
            file.writelines([content] if isinstance(content, bytes) else content)
            file.flush()
            os.fsync(file.fileno())
            mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
            if executable:
                mode |= 0o111 & ~_umask()
            temporary.chmod(mode)
            if LOCKS:  # as long as the file is open it is told from what a killed run left behind
                temporary.replace(path)
                temporary = None
        if temporary is not None:
            temporary.replace(path)
            temporary = None
    except OSError as error:
        raise InputError(f"{path}: it cannot be written: {reason(error)}; choose another place") from None
    finally:
        if temporary is not None:
            with suppress(OSError):
                temporary.unlink()


def _temporary(path: Path) -> tuple[int, Path]:
    """A new file beside another one, open and locked; what killed runs left there is removed before."""
    prefix, suffix = temporary_name(path)
    for left in left_behind(path):
        if not left.is_dir():
            remove_file(left)
    while True:
        handle, name = tempfile.mkstemp(prefix=prefix, suffix=suffix, dir=path.parent)
        if not LOCKS:
            return handle, Path(name)
        lock(handle)
        # Another run may have taken it for left behind before it was locked.
        if os.fstat(handle).st_nlink:
            return handle, Path(name)
        os.close(handle)


def put_out(text: str, output: str | None) -> None:
    """A text for programs, in UTF-8 and with its own line ends: to a file, or to the standard output."""
    if output is not None:
        replace_file(Path(output), text.encode("utf-8", "backslashreplace"))
    elif hasattr(sys.stdout, "buffer"):
        # The text layer would write in the terminal's encoding, and on Windows a CR more on every line.
        sys.stdout.flush()
        sys.stdout.buffer.write(text.encode("utf-8", "backslashreplace"))
    else:
        sys.stdout.write(text)


def _umask() -> int:
    """The process's umask, which can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
