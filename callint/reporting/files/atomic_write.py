"""Files that are there whole or not at all. Nothing that lasts is written but through here."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.locks import LOCKS, lock
from callint.reading.temp_files import left_behind, remove_file, temporary_name
from callint.reading.tree import reason
from callint.reporting.files.destinations import Destination

Content = bytes | Iterable[bytes]


def replace_file(destination: Destination, content: Content, executable: bool = False) -> None:
    """Write a file, whole or part by part, by way of a temporary one beside it: synced, then renamed over.

    Whatever goes wrong, the old file or the new one is there. It is made ``executable`` where that is asked
    for. Raises InputError where it cannot or must not be written.
    """
    replace_files([(destination, content)], executable)


def replace_files(files: Sequence[tuple[Destination, Content]], executable: bool = False) -> None:
    """As ``replace_file``, for files that belong together: all are written, or all are as they were.

    They are renamed in their order, and only when all of them are whole. A run that is killed between may
    leave the first of them new and the others old.
    """
    parts: list[_Part] = []
    try:
        for destination, content in files:
            place = destination.place()
            parts.append(_Part(destination.path, place))
            parts[-1].write(content, executable)
        for part in parts[:-1]:
            part.keep_old()
        for part in parts:
            part.put()
    except BaseException:
        for part in reversed(parts):
            part.take_back()
        raise
    finally:
        for part in parts:
            part.clear()


class _Part:
    """One of the files: what it is to become, and what it was, in temporary files beside it."""

    def __init__(self, path: Path, place: Path) -> None:
        self._path, self._place = path, place
        self._new: _Temporary | None = None
        self._old: _Temporary | None = None
        self._is_put = False

    def write(self, content: Content, executable: bool) -> None:
        """Write the new content beside the file. InputError where that cannot be."""
        try:
            mode = self._place.stat().st_mode & 0o777 if self._place.exists() else 0o666 & ~_umask()
            if executable:
                mode |= 0o111 & ~_umask()
            self._new = _Temporary(self._place)
            self._new.write(content, mode)
        except OSError as error:
            raise self._unwritable(error) from None

    def keep_old(self) -> None:
        """Copy the old content beside the file, so that putting it back needs no room any more."""
        try:
            if self._place.exists():
                mode = self._place.stat().st_mode & 0o777
                self._old = _Temporary(self._place, clears=False)
                self._old.write(self._place.read_bytes(), mode)
        except OSError as error:
            raise self._unwritable(error) from None

    def put(self) -> None:
        """Put the new file in its place."""
        assert self._new is not None
        try:
            self._new.put(self._place)
        except OSError as error:
            raise self._unwritable(error) from None
        self._is_put = True

    def take_back(self) -> None:
        """Put the old file in its place again, or none where there was none."""
        with suppress(OSError):
            if self._is_put and self._old is not None:
                self._old.put(self._place)
            elif self._is_put:
                self._place.unlink()

    def clear(self) -> None:
        """Remove what is not needed any more."""
        for temporary in (self._new, self._old):
            if temporary is not None:
                temporary.clear()

    def _unwritable(self, error: OSError) -> InputError:
        return InputError(f"{self._path}: it cannot be written: {reason(error)}; choose another place")


class _Temporary:
    """A temporary file beside another one, locked, so that it is told from what a killed run left behind."""

    def __init__(self, place: Path, clears: bool = True) -> None:
        """With ``clears`` what killed runs left there is removed before; this run has none there yet."""
        handle, self._path = _temporary(place, clears)
        self._file = os.fdopen(handle, "wb")
        self._is_there = True

    def write(self, content: Content, mode: int) -> None:
        self._file.writelines([content] if isinstance(content, bytes) else content)
        self._file.flush()
        os.fsync(self._file.fileno())
        self._path.chmod(mode)
        if not LOCKS:  # Windows renames nothing that is open
            self._file.close()

    def put(self, place: Path) -> None:
        self._path.replace(place)
        self._is_there = False

    def clear(self) -> None:
        with suppress(OSError):
            self._file.close()
        if self._is_there:
            with suppress(OSError):
                self._path.unlink()


def _temporary(path: Path, clears: bool) -> tuple[int, Path]:
    """A new file beside another one, open and locked."""
    prefix, suffix = temporary_name(path)
    for left in left_behind(path) if clears else ():
        if not left.is_dir():
            remove_file(left)
    while True:
        handle, name = tempfile.mkstemp(prefix=prefix, suffix=suffix, dir=path.parent)
        if not LOCKS:
            return handle, Path(name)
        lock(handle, is_patient=True)
        # Another run may have taken it for left behind before it was locked.
        if os.fstat(handle).st_nlink:
            return handle, Path(name)
        os.close(handle)


def write_output(text: str, output: Destination | None) -> None:
    """A text for programs, in UTF-8 and with its own line ends: to a file, or to the standard output."""
    if output is not None:
        replace_file(output, text.encode("utf-8", "backslashreplace"))
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
