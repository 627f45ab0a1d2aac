"""The files of a repository: those of the working tree here, those of the index in ``versioning``.

All paths are relative to the root and have forward slashes.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Protocol

from callint.model.errors import InputError
from callint.reading.lfs_pointers import AbsentError, parse_pointer

#: Largest file that is read as an image, in bytes.
MAX_FILE = 256 * 2**20

POLICY = "callint.toml"
#: The suffixes of the two lists of open conflicts beside an image.
CONFLICT_TEXT, CONFLICT_DATA = ".conflicts.txt", ".conflicts.json"


class Tree(Protocol):
    """The files of a repository in one state."""

    def read(self, path: str) -> bytes:
        """The content of a file. Raises FileNotFoundError, or OSError with a reason."""
        ...

    def paths(self) -> Iterator[str]:
        """The paths of all files."""
        ...

    def sizes(self, paths: Iterable[str]) -> dict[str, int]:
        """The size in bytes of each regular file; without those whose size is not known."""
        ...

    def digests(self, paths: Iterable[str]) -> dict[str, str]:
        """Texts for files: files of one tree with the same text have the same content, and no others.

        Files without a text equal no other one of ``paths``, or cannot be read.
        """
        ...


def normalize_repository_path(path: str, source: str) -> str:
    """A path from a policy in normal form. Raises InputError if it leads out of the repository."""
    pure = PurePosixPath(path.replace("\\", "/"))
    drive = len(path) > 1 and path[1] == ":"
    if pure.is_absolute() or drive or ".." in pure.parts or "\0" in path:
        raise InputError(f"{source}: {path!r} leads out of the repository; give a path inside it")
    return str(pure)


class WorkingTree:
    """The files on disk below ``root``."""

    def __init__(self, root: Path) -> None:
        self.root = root.resolve()

    def read(self, path: str) -> bytes:
        target = self.root / path
        try:
            inside = target.resolve().is_relative_to(self.root)
        except RuntimeError:  # what Python before 3.13 raises for links in a circle
            raise OSError(errno.ELOOP, os.strerror(errno.ELOOP)) from None
        except UnicodeError:
            raise OSError("its name does not fit the locale's encoding; set PYTHONUTF8=1") from None
        if not inside:
            raise OSError("a link leads out of the repository")
        return read_file(target)

    def paths(self) -> Iterator[str]:
        for folder, folders, files in os.walk(self.root):
            folders[:] = sorted(name for name in folders if name != ".git")
            here = Path(folder).relative_to(self.root).as_posix()
            prefix = "" if here == "." else f"{here}/"
            yield from (f"{prefix}{name}" for name in sorted(files))

    def digests(self, paths: Iterable[str]) -> dict[str, str]:
        return file_digests(self, paths)

    def sizes(self, paths: Iterable[str]) -> dict[str, int]:
        sizes = {}
        for path in paths:
            with suppress(OSError, ValueError):
                status = os.lstat(f"{self.root}/{path}")
                if stat.S_ISREG(status.st_mode):
                    sizes[path] = status.st_size
        return sizes


@dataclass
class OverlayTree:
    """A tree with the content of some files in memory instead."""

    below: Tree
    files: dict[str, bytes] = field(default_factory=dict)

    def read(self, path: str) -> bytes:
        return self.files[path] if path in self.files else self.below.read(path)

    def paths(self) -> Iterator[str]:
        return self.below.paths()

    def digests(self, paths: Iterable[str]) -> dict[str, str]:
        return file_digests(self, paths)

    def sizes(self, paths: Iterable[str]) -> dict[str, int]:
        paths = list(paths)
        own = {path: len(self.files[path]) for path in paths if path in self.files}
        return {**self.below.sizes(path for path in paths if path not in own), **own}


class InMemoryTree:
    """Some files of another tree in memory; for a file that cannot be read, the reason."""

    def __init__(self, tree: Tree, paths: Iterable[str]) -> None:
        self._files: dict[str, bytes | str] = {}
        for path in paths:
            try:
                self._files[path] = tree.read(path)
            except OSError as error:
                self._files[path] = reason(error)

    def read(self, path: str) -> bytes:
        content = self._files.get(path)
        if content is None:
            raise FileNotFoundError(path)
        if isinstance(content, str):
            raise OSError(content)
        return content

    def paths(self) -> Iterator[str]:
        return iter(self._files)

    def digests(self, paths: Iterable[str]) -> dict[str, str]:
        return file_digests(self, paths)

    def sizes(self, paths: Iterable[str]) -> dict[str, int]:
        contents = ((path, self._files.get(path)) for path in paths)
        return {path: len(content) for path, content in contents if isinstance(content, bytes)}


def file_digests(tree: Tree, paths: Iterable[str]) -> dict[str, str]:
    """The digests of those files of a tree that share their size with another one, by reading them."""
    of_size: dict[int, list[str]] = {}
    for path, size in tree.sizes(paths).items():
        of_size.setdefault(size, []).append(path)
    digests = {}
    for path in (path for group in of_size.values() if len(group) > 1 for path in group):
        with suppress(OSError):
            digests[path] = hashlib.sha256(tree.read(path)).hexdigest()
    return digests


def read_file(path: Path, most: int = MAX_FILE) -> bytes:
    """As ``read_as_stored``; raises AbsentError for a git-lfs pointer, whose content is elsewhere."""
    data = read_as_stored(path, most)
    if pointer := parse_pointer(data):
        raise AbsentError(pointer)
    return data


def read_as_stored(path: Path, most: int = MAX_FILE) -> bytes:
    """The bytes of a regular file, also of a git-lfs pointer. Raises OSError above ``most`` bytes."""
    status = path.stat()
    if stat.S_ISDIR(status.st_mode):
        raise OSError("it is a folder")
    if not stat.S_ISREG(status.st_mode):
        raise OSError("it is not a regular file")
    if status.st_size > most:
        raise OSError(f"it is larger than {most >> 20} MiB, the most that callint reads")
    return path.read_bytes()


def reason(error: OSError) -> str:
    """The reason of an OSError as a clause: "it does not exist"."""
    if isinstance(error, FileNotFoundError):
        return "it does not exist"
    if isinstance(error, PermissionError):
        return "permission is missing"
    if error.errno == errno.ELOOP:
        return "its links form a loop"
    return error.strerror or str(error)


def content_or_reason(tree: Tree, path: str) -> bytes | str | None:
    """What to compare to find whether a file differs between two trees; None if the file does not exist.

    That is its content, the reason why it cannot be read, or the digest in its git-lfs pointer.
    """
    try:
        return tree.read(path)
    except FileNotFoundError:
        return None
    except AbsentError as error:
        return error.pointer.oid
    except OSError as error:
        return reason(error)


def error_with_remedy(error: OSError, remedy: str) -> str:
    """The reason of an OSError, and the remedy unless the reason has one itself."""
    message = reason(error)
    return message if ";" in message else f"{message}; {remedy}"


def resolved(path: Path) -> Path:
    """A path without links and "..", whether it exists or not. Raises OSError for links in a circle."""
    try:
        target = path.resolve()
        target.stat()  # from Python 3.13 on, resolve does not raise for links in a circle
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return target
    except RuntimeError:
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP)) from None
    except ValueError:
        raise OSError("no file can have this name") from None
    return target


def require_inside_repository(path: Path, name: str = "", start: Path | None = None) -> None:
    """Raise InputError if a path inside the repository leads out of it by a link.

    ``name`` is the path as the error shows it. The repository is the one that holds ``start``, by default the
    current folder; without git it is the folder of the policy. A path outside the repository is allowed.
    """
    here = Path.cwd() if start is None else start
    folders = (here, *here.parents)
    top = next((folder for folder in folders if (folder / ".git").exists()), None) or find_root(here)
    # abspath, not resolve: links on the way to the repository are allowed.
    if top is None or not Path(os.path.abspath(path)).is_relative_to(top):  # noqa: PTH100
        return
    try:
        inside = path.resolve().is_relative_to(top.resolve())
    except (OSError, RuntimeError):  # opening the file reports links in a circle
        return
    if not inside:
        raise InputError(f"{name or path}: a link leads out of the repository; put a file in its place")


def find_root(start: Path) -> Path | None:
    """The nearest folder with a policy, from ``start`` up; the search ends at the top of a repository.

    Raises InputError if a folder has the name of the policy.
    """
    for folder in (start, *start.parents):
        if (folder / POLICY).is_file():
            return folder
        if (folder / POLICY).is_dir():
            raise InputError(f"{folder / POLICY}: it is a folder; put a policy in its place")
        if (folder / ".git").exists():
            return None
    return None
