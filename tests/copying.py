"""Copies of folders, for tests that start from the same files.

``shutil.copytree`` asks for much more than the tests need of a copy (extended attributes, flags, the times of
folders), and takes three times as long.
"""

from __future__ import annotations

import os
from pathlib import Path

_BINARY = getattr(os, "O_BINARY", 0)  # Windows would change line ends
_READ = os.O_RDONLY | _BINARY
_MAKE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY


def copy_tree(source: Path, target: Path) -> Path:
    """A folder with all that another one holds: folders, links, and files with their modes and times.

    The folder may exist, but none of what is copied.
    """
    target.mkdir(parents=True, exist_ok=True)
    folders = [(str(source), str(target))]
    for original, copy in folders:
        with os.scandir(original) as entries:
            for entry in entries:
                place = f"{copy}/{entry.name}"
                if entry.is_symlink():
                    os.symlink(os.readlink(entry.path), place)  # noqa: PTH115, PTH211 (quick)
                elif entry.is_dir():
                    os.mkdir(place)  # noqa: PTH102 (quick)
                    folders.append((entry.path, place))
                else:
                    _copy_file(entry, place)
    return target


def _copy_file(entry: os.DirEntry[str], place: str) -> None:
    status = entry.stat()
    original, copy = os.open(entry.path, _READ), os.open(place, _MAKE)
    while part := os.read(original, 1 << 24):
        os.write(copy, part)
    os.close(original)
    os.close(copy)
    os.chmod(place, status.st_mode)  # noqa: PTH101 (quick)
    os.utime(place, ns=(status.st_atime_ns, status.st_mtime_ns))
