"""The cache: results of earlier calls in a folder of the user's, as entries of bytes.

The name of an entry is the digest of everything that the entry was made from: the content, and the program
itself. So an entry is right or absent, and two processes that write the same entry write the same bytes.

What this promises: an entry is data, and reading an entry runs nothing. callint trusts an entry only if its
folder belongs to the user and nobody else may write to it, and if the entry is a regular file of the user's,
not a symbolic link, and has the checksum that it states. Any other file counts as absent and is replaced. A
user who may write to the folder may change what callint says, as they may change callint. If nothing can be
written, nothing is kept and callint says nothing: a cache may make callint faster, and nothing else.
"""

from __future__ import annotations

import hashlib
import os
import stat
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import cache
from pathlib import Path

import numpy

from callint import __version__

#: The environment variable that names another folder; if it is empty, the cache is off.
VARIABLE = "CALLINT_CACHE"

#: Largest entry, and largest sum of all entries, in bytes. Above the sum, the entries that were not used for
#: the longest time are removed first. The sum is taken only once in a while (`_is_sweep_due`), so the folder
#: may hold a few MiB more for some time.
MAX_ENTRY = 32 * 2**20
MAX_TOTAL = 64 * 2**20

#: The sum is taken about this many times while as many bytes are stored as the folder may hold.
_SWEEPS = 64

#: The first bytes of an entry; the number changes with the layout of entries.
_MAGIC = b"callint cache 1\n"
_CHECKSUM_SIZE = hashlib.sha256().digest_size
_SUFFIX, _PART = ".entry", ".part"

#: The modification time of an entry is when it was last used, to within a day: most reads write nothing.
_DAY = 86_400.0
#: The temporary file of a killed process is removed after an hour.
_HOUR = 3_600.0


def load(kind: str, *parts: bytes) -> bytes | None:
    """The content of the entry of a kind that was made from ``parts``, or None without a valid entry."""
    folder = _folder()
    if folder is None or not _is_safe(folder):
        return None
    path = folder / _name(kind, parts)
    with suppress(OSError):
        return _content(path)
    return None


def store(make: Callable[[], bytes], kind: str, *parts: bytes) -> None:
    """Store what ``make`` returns as the entry of a kind that was made from ``parts``.

    If the cache is off, ``make`` is not called; if nothing can be written, nothing happens.
    """
    folder = _folder()
    if folder is None or len(content := make()) > MAX_ENTRY:
        return
    with suppress(OSError):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _is_safe(folder):
            return
        import tempfile  # slow to import, and only needed for writing

        name = _name(kind, parts)
        handle, part = tempfile.mkstemp(prefix=f".{name[:16]}.", suffix=_PART, dir=folder)
        try:
            with os.fdopen(handle, "wb") as file:
                # Not synced: after a crash of the machine an incomplete entry fails its checksum.
                file.write(_MAGIC + hashlib.sha256(content).digest() + content)
            Path(part).replace(folder / name)
        except BaseException:
            with suppress(OSError):
                Path(part).unlink()
            raise
        if _is_sweep_due(name, len(content)):
            _shrink(folder)


def _content(path: Path) -> bytes | None:
    """The content of an entry, None if it is not valid; marks the entry as used. Raises OSError."""
    # O_NONBLOCK: a named pipe in place of the entry must not block.
    names = ("O_NOFOLLOW", "O_NONBLOCK", "O_CLOEXEC", "O_BINARY")
    handle = os.open(path, sum((getattr(os, name, 0) for name in names), os.O_RDONLY))
    with os.fdopen(handle, "rb") as file:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode) or not _is_own(status) or status.st_size > MAX_ENTRY + 1024:
            return None
        whole = file.read(MAX_ENTRY + 1024)
    start = len(_MAGIC) + _CHECKSUM_SIZE
    content = whole[start:]
    if whole[:start] != _MAGIC + hashlib.sha256(content).digest():
        return None
    if abs(time.time() - status.st_mtime) > _DAY:
        with suppress(OSError):
            os.utime(path)
    return content


def _is_sweep_due(name: str, size: int) -> bool:
    """Whether to look at all entries after an entry of ``size`` bytes was stored.

    A look at thousands of entries takes longer than storing one, and processes share no counter. The name is
    a digest, so its first eight digits are a uniform random number: the chance is in proportion to the size.
    """
    return int(name[:8], 16) * MAX_TOTAL < size * _SWEEPS * 2**32


def _shrink(folder: Path) -> None:
    """Remove the least recently used entries above the bound, and old temporary files."""
    now = time.time()
    entries = []
    for name, status in _files(folder):
        if name.endswith(_PART) and now - status.st_mtime > _HOUR:
            with suppress(OSError):
                (folder / name).unlink()
        elif name.endswith(_SUFFIX):
            entries.append((status.st_mtime, status.st_size, name))
    total = sum(size for _, size, _ in entries)
    for _, size, name in sorted(entries):
        if total <= MAX_TOTAL:
            return
        with suppress(OSError):
            (folder / name).unlink()
        total -= size


def _files(folder: Path) -> Iterator[tuple[str, os.stat_result]]:
    with os.scandir(folder) as entries:
        for entry in entries:
            with suppress(OSError):  # another process may have removed it
                yield entry.name, entry.stat(follow_symlinks=False)


# The folder


def _folder() -> Path | None:
    """The folder of the cache, which need not exist; None if the cache is off.

    A relative path would lead into the repository in which callint is called, so it switches the cache off.
    """
    folder = os.environ.get(VARIABLE)
    path = _default_folder() if folder is None else Path(folder) if folder else None
    return path if path is not None and path.is_absolute() else None


def _default_folder() -> Path | None:
    """The folder for callint below the system's folder for caches.

    On Linux that is the one of the XDG base directory specification. The library platformdirs would do, but
    every warm call of a hook or a driver would pay its import of some 5 ms (a fiftieth of such a call).
    """
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA")
        return Path(local) / "callint" / "cache" if local else None
    if sys.platform == "darwin":
        caches = "~/Library/Caches"
    else:
        folder = os.environ.get("XDG_CACHE_HOME", "")
        caches = folder if folder.startswith("/") else "~/.cache"
    try:
        return Path(caches).expanduser() / "callint"
    except RuntimeError:  # the user has no home folder
        return None


def _is_safe(folder: Path) -> bool:
    """Whether a folder belongs to the user alone, and is not a symbolic link."""
    try:
        status = os.lstat(folder)
    except OSError:
        return False
    return stat.S_ISDIR(status.st_mode) and _is_own(status)


def _is_own(status: os.stat_result) -> bool:
    """Whether a file or folder belongs to the user, and nobody else may write to it."""
    if sys.platform == "win32":  # below the user's own profile, where nobody else may write
        return True
    return status.st_uid == os.geteuid() and not status.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


# The name


def _name(kind: str, parts: tuple[bytes, ...]) -> str:
    """The file name of an entry: a digest of everything that it was made from, each part with its length."""
    digest = hashlib.sha256(_program_state())
    for part in (kind.encode(), *parts):
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
    return digest.hexdigest() + _SUFFIX


#: The folders of the program in whose subfolders lies what entries are made by.
_FOLDERS_WITH_FOLDERS = ("callint", "checking", "reading", "rules")


@cache
def _program_state() -> bytes:
    """A digest of the state of the program: its version, and the modification times of its files.

    The version alone does not change while somebody works on callint, or installs another catalogue of CRCs
    or another XML parser; the modification time of the folder with the libraries does.
    """
    top = Path(__file__).resolve().parent.parent
    states = [__version__, _MAGIC.decode(), sys.version, str(top)]
    with suppress(OSError):
        libraries = Path(numpy.__file__).parent.parent
        states += [str(libraries), str(libraries.stat().st_mtime_ns)]
    # In a wheel the schemas lie inside the package, in a checkout beside it.
    for folder in (top, top / "schemas", top.parent / "schemas"):
        states += _stamps(folder)
    return hashlib.sha256("\n".join(states).encode("utf-8", "surrogateescape")).digest()


def _stamps(folder: Path) -> list[str]:
    """Name, size and modification time of each file of the program below a folder."""
    stamps = []
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in sorted(entries, key=lambda entry: entry.name):
            if entry.name.endswith((".py", ".xsd", ".json")):
                status = entry.stat()
                stamps.append(f"{entry.name} {status.st_size} {status.st_mtime_ns}")
            elif entry.is_dir() and entry.name != "__pycache__" and folder.name in _FOLDERS_WITH_FOLDERS:
                stamps += [entry.name, *_stamps(Path(entry.path))]
    return stamps
