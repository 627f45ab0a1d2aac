"""What was worked out before, kept in a folder of the user's: entries of bytes under a name.

An entry depends on nothing but its name, which holds the digest of all that it was made of: the content, and
the program itself. So an entry is right or absent, and two processes that write one write the same.

What this promises: an entry is data, and reading one runs nothing. It is believed only if it lies in a folder
that is the user's own and nobody else may write to, is a regular file of theirs, is no symbolic link, and has
the sum that stands in it. Anything else is as if it were not there, and is replaced. Whoever may write into
that folder may change what callint says, as they may change callint. Where nothing can be written nothing is
kept, and nobody is told: a cache may make callint faster, and nothing else.
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

#: The variable that names another folder, or, where it is empty, switches the cache off.
VARIABLE = "CALLINT_CACHE"

#: Largest entry, and largest sum of all entries, in bytes. When there are more, those go first that were not
#: used for the longest time.
MAX_ENTRY = 32 * 2**20
MAX_TOTAL = 64 * 2**20

#: How entries are laid out; the number changes with the layout.
_MAGIC = b"callint cache 1\n"
_SUM = hashlib.sha256().digest_size
_SUFFIX, _PART = ".entry", ".part"

#: An entry's time says when it was used last, to within a day: most reads write nothing.
_DAY = 86_400.0
#: What a process that was ended left behind is cleared after an hour.
_HOUR = 3_600.0


def load(kind: str, *parts: bytes) -> bytes | None:
    """The entry of a kind that was made of these parts, or None where there is none to be believed."""
    folder = _folder()
    if folder is None or not _is_safe(folder):
        return None
    path = folder / _name(kind, parts)
    with suppress(OSError):
        return _content(path)
    return None


def store(make: Callable[[], bytes], kind: str, *parts: bytes) -> None:
    """Keep what ``make`` gives as the entry of a kind that was made of these parts.

    Where the cache is switched off ``make`` is not called, and where nothing can be written nothing happens.
    """
    folder = _folder()
    if folder is None or len(content := make()) > MAX_ENTRY:
        return
    with suppress(OSError):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _is_safe(folder):
            return
        import tempfile  # only who writes needs it

        name = _name(kind, parts)
        handle, part = tempfile.mkstemp(prefix=f".{name[:16]}.", suffix=_PART, dir=folder)
        try:
            with os.fdopen(handle, "wb") as file:
                # Not synced: what a failing machine leaves of it has not the right sum.
                file.write(_MAGIC + hashlib.sha256(content).digest() + content)
            Path(part).replace(folder / name)
        except BaseException:
            with suppress(OSError):
                Path(part).unlink()
            raise
        _shrink(folder)


def _content(path: Path) -> bytes | None:
    """What an entry holds; it is used now. OSError where it cannot be read."""
    # Not waiting for whoever may write into what only looks like a file.
    names = ("O_NOFOLLOW", "O_NONBLOCK", "O_CLOEXEC", "O_BINARY")
    handle = os.open(path, sum((getattr(os, name, 0) for name in names), os.O_RDONLY))
    with os.fdopen(handle, "rb") as file:
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode) or not _is_own(found) or found.st_size > MAX_ENTRY + 1024:
            return None
        whole = file.read(MAX_ENTRY + 1024)
    start = len(_MAGIC) + _SUM
    content = whole[start:]
    if whole[:start] != _MAGIC + hashlib.sha256(content).digest():
        return None
    if abs(time.time() - found.st_mtime) > _DAY:
        with suppress(OSError):
            os.utime(path)
    return content


def _shrink(folder: Path) -> None:
    """Remove what was used last the longest time ago until the rest is small enough, and old litter."""
    now = time.time()
    entries = []
    for name, found in _files(folder):
        if name.endswith(_PART) and now - found.st_mtime > _HOUR:
            with suppress(OSError):
                (folder / name).unlink()
        elif name.endswith(_SUFFIX):
            entries.append((found.st_mtime, found.st_size, name))
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


# The place


def _folder() -> Path | None:
    """The folder of the cache, which need not exist; None where there is to be none.

    A relative path would lead into whatever repository callint is called in, and counts as none.
    """
    given = os.environ.get(VARIABLE)
    path = _usual() if given is None else Path(given) if given else None
    return path if path is not None and path.is_absolute() else None


def _usual() -> Path | None:
    """Where programs keep their caches: by the XDG base directory specification, but for two systems."""
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA")
        return Path(local) / "callint" / "cache" if local else None
    if sys.platform == "darwin":
        usual = "~/Library/Caches"
    else:
        given = os.environ.get("XDG_CACHE_HOME", "")
        usual = given if given.startswith("/") else "~/.cache"
    try:
        return Path(usual).expanduser() / "callint"
    except RuntimeError:  # nobody's home
        return None


def _is_safe(folder: Path) -> bool:
    """Whether a folder is the user's own, and no link to another place."""
    try:
        found = os.lstat(folder)
    except OSError:
        return False
    return stat.S_ISDIR(found.st_mode) and _is_own(found)


def _is_own(found: os.stat_result) -> bool:
    """Whether something is the user's, and nobody else may write to it."""
    if sys.platform == "win32":  # below the user's own profile, where nobody else may write
        return True
    return found.st_uid == os.geteuid() and not found.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


# The name


def _name(kind: str, parts: tuple[bytes, ...]) -> str:
    """The file name of an entry: a digest of all that it was made of, each with its length."""
    digest = hashlib.sha256(_program())
    for part in (kind.encode(), *parts):
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
    return digest.hexdigest() + _SUFFIX


@cache
def _program() -> bytes:
    """What tells one state of the program from another: its version, and when its files were changed.

    The version alone would not do for somebody who works on callint, nor for one who has another catalogue of
    CRCs or another XML parser installed: the time of the folder with the libraries says that.
    """
    top = Path(__file__).resolve().parent.parent
    words = [__version__, _MAGIC.decode(), sys.version, str(top)]
    with suppress(OSError):
        libraries = Path(numpy.__file__).parent.parent
        words += [str(libraries), str(libraries.stat().st_mtime_ns)]
    # The schemas lie inside a wheel's package and beside a checkout's.
    for folder in (top, top / "schemas", top.parent / "schemas"):
        words += _stamps(folder)
    return hashlib.sha256("\n".join(words).encode("utf-8", "surrogateescape")).digest()


def _stamps(folder: Path) -> list[str]:
    """Name, size and time of the files that a program is made of, below a folder."""
    stamps = []
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in sorted(entries, key=lambda entry: entry.name):
            if entry.name.endswith((".py", ".xsd", ".json")):
                found = entry.stat()
                stamps.append(f"{entry.name} {found.st_size} {found.st_mtime_ns}")
            elif entry.is_dir() and entry.name != "__pycache__" and folder.name == "callint":
                stamps += [entry.name, *_stamps(Path(entry.path))]
    return stamps
