"""Writes files whole or not at all. Every lasting file is written by this module."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from callint.model.errors import InputError
from callint.reading.locks import LOCKS, folder_lock, lock
from callint.reading.temp_files import left_behind, remove_file, temporary_name
from callint.reading.tree import reason, resolved
from callint.reporting.files.destinations import Destination

Content = bytes | Iterable[bytes]


def replace_file(destination: Destination, content: Content, executable: bool = False) -> None:
    """Write a file, whole or in parts: to a temporary file next to it, synced, then renamed over it.

    After any failure, either the old or the new file exists. ``executable`` sets the permission to run the
    file. InputError if the file cannot or must not be written.
    """
    replace_files([(destination, content)], executable)


def replace_files(files: Sequence[tuple[Destination, Content]], executable: bool = False) -> None:
    """Write files that belong together as ``replace_file`` does: all are written, or none changes.

    The files are renamed in order after all of them are complete. A run that is killed between two renames
    may leave the first files new and the others old.
    """
    replacements: list[_Replacement] = []
    try:
        for destination, content in files:
            replacement = _Replacement(destination.path, destination.place())
            replacements.append(replacement)
            replacement.write(content, executable)
        for replacement in replacements[:-1]:
            replacement.keep_old()
        for replacement in replacements:
            replacement.install()
    except BaseException:
        for replacement in reversed(replacements):
            replacement.restore()
        raise
    finally:
        for replacement in replacements:
            replacement.clear()


def write_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files, by their names, into a new folder or an empty one: all of them, or none.

    They are written and synced in a folder beside it, which is then renamed. The call changes nothing if the
    folder has exactly these files already. InputError if it has others, or if it cannot be written.
    """
    try:
        target = resolved(folder)
        if _holds(target, files):
            return
        if os.path.lexists(target) and not (target.is_dir() and not any(target.iterdir())):
            raise InputError(f"{folder}: it exists and is not empty; name a new folder with --to")
        if not target.parent.is_dir():
            raise InputError(
                f"{folder}: it cannot be written: there is no folder {folder.parent}; make it first"
            )
        _clear_folders(target)
        prefix, suffix = temporary_name(target)
        making = Path(tempfile.mkdtemp(prefix=prefix, suffix=suffix, dir=target.parent))
        try:
            with folder_lock(making):
                _fill_folder(making, files)
                _install_folder(making, target, files)
        finally:
            if making.exists():
                shutil.rmtree(making, ignore_errors=True)
        _sync_folder(target.parent)
    except OSError as error:
        raise InputError(f"{folder}: it cannot be written: {reason(error)}; choose another place") from None


def _holds(folder: Path, files: Mapping[str, bytes]) -> bool:
    """Whether a folder has exactly these files."""
    if not folder.is_dir() or set(os.listdir(folder)) != files.keys():  # noqa: PTH208 (only the names)
        return False
    paths = {name: folder / name for name in files}
    return all(
        not path.is_symlink() and path.is_file() and path.stat().st_size == len(files[name])
        for name, path in paths.items()
    ) and all(path.read_bytes() == files[name] for name, path in paths.items())


def _clear_folders(target: Path) -> None:
    """Remove the folders that killed runs left beside a target."""
    for leftover in left_behind(target):
        if leftover.is_dir() and not leftover.is_symlink() and LOCKS:
            with folder_lock(leftover) as is_free:
                if is_free:
                    shutil.rmtree(leftover, ignore_errors=True)


def _fill_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    for name, content in files.items():
        handle = os.open(folder / name, flags, 0o666)
        with os.fdopen(handle, "wb") as file:
            file.writelines([content])
            file.flush()
            os.fsync(file.fileno())
    folder.chmod(0o777 & ~_umask())  # mkdtemp's own mode denies access to all others
    _sync_folder(folder)


def _install_folder(folder: Path, target: Path, files: Mapping[str, bytes]) -> None:
    """Rename a complete folder; another run may have installed the same one meanwhile."""
    try:
        if not LOCKS and target.is_dir():  # Windows replaces no folder
            target.rmdir()
        folder.rename(target)
    except OSError:
        if not _holds(target, files):
            raise


def _sync_folder(folder: Path) -> None:
    """Make the names in a folder last, where the system can."""
    if LOCKS:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


class _Replacement:
    """The replacement of a file: its new and its old content, in temporary files next to it."""

    def __init__(self, path: Path, place: Path) -> None:
        self._path, self._place = path, place
        self._new: _Temporary | None = None
        self._old: _Temporary | None = None
        self._is_installed = False

    def write(self, content: Content, executable: bool) -> None:
        """Write the new content next to the file. InputError if that fails."""
        try:
            mode = self._place.stat().st_mode & 0o777 if self._place.exists() else 0o666 & ~_umask()
            if executable:
                mode |= 0o111 & ~_umask()
            self._new = _Temporary(self._place)
            self._new.write(content, mode)
        except OSError as error:
            raise self._unwritable(error) from None

    def keep_old(self) -> None:
        """Copy the old content next to the file, so that restoring it needs no more disk space."""
        try:
            if self._place.exists():
                mode = self._place.stat().st_mode & 0o777
                self._old = _Temporary(self._place, clears=False)
                self._old.write(self._place.read_bytes(), mode)
        except OSError as error:
            raise self._unwritable(error) from None

    def install(self) -> None:
        """Move the new file to its place."""
        assert self._new is not None
        try:
            self._new.move_to(self._place)
        except OSError as error:
            raise self._unwritable(error) from None
        self._is_installed = True

    def restore(self) -> None:
        """Move the old file back to its place; remove the new file if there was no old one."""
        with suppress(OSError):
            if self._is_installed and self._old is not None:
                self._old.move_to(self._place)
            elif self._is_installed:
                self._place.unlink()

    def clear(self) -> None:
        """Remove the temporary files."""
        for temporary in (self._new, self._old):
            if temporary is not None:
                temporary.clear()

    def _unwritable(self, error: OSError) -> InputError:
        return InputError(f"{self._path}: it cannot be written: {reason(error)}; choose another place")


class _Temporary:
    """A temporary file next to another file, locked to distinguish it from files that a killed run left."""

    def __init__(self, place: Path, clears: bool = True) -> None:
        """``clears`` first removes the files that killed runs left there; this run has none there yet."""
        handle, self._path = _temporary(place, clears)
        self._file = os.fdopen(handle, "wb")
        self._is_there = True

    def write(self, content: Content, mode: int) -> None:
        self._file.writelines([content] if isinstance(content, bytes) else content)
        self._file.flush()
        os.fsync(self._file.fileno())
        self._path.chmod(mode)
        if not LOCKS:  # Windows does not rename open files
            self._file.close()

    def move_to(self, place: Path) -> None:
        self._path.replace(place)
        self._is_there = False

    def clear(self) -> None:
        with suppress(OSError):
            self._file.close()
        if self._is_there:
            with suppress(OSError):
                self._path.unlink()


def _temporary(path: Path, clears: bool) -> tuple[int, Path]:
    """A new file next to another file, open and locked."""
    prefix, suffix = temporary_name(path)
    for leftover in left_behind(path) if clears else ():
        if not leftover.is_dir():
            remove_file(leftover)
    while True:
        handle, name = tempfile.mkstemp(prefix=prefix, suffix=suffix, dir=path.parent)
        if not LOCKS:
            return handle, Path(name)
        lock(handle, is_patient=True)
        # Another run may have removed it as a leftover before it was locked.
        if os.fstat(handle).st_nlink:
            return handle, Path(name)
        os.close(handle)


def write_output(text: str, output: Destination | None) -> None:
    """Write a text for programs to a file or to the standard output, in UTF-8 with its own line ends."""
    if output is not None:
        replace_file(output, text.encode("utf-8", "backslashreplace"))
    elif hasattr(sys.stdout, "buffer"):
        # The text layer would use the terminal's encoding, and on Windows add a CR to every line.
        sys.stdout.flush()
        sys.stdout.buffer.write(text.encode("utf-8", "backslashreplace"))
    else:
        sys.stdout.write(text)


def _umask() -> int:
    """The umask of the process; setting it is the only way to read it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
