"""Where the files of a repository are read from: the working tree here, the index in ``versioning``.

All paths are relative to the root and have forward slashes.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Protocol

from callint.model.errors import InputError
from callint.reading.lfs_pointers import AbsentError, pointer

#: Largest file that is read as an image, in bytes.
MAX_FILE = 256 * 2**20

POLICY = "callint.toml"
#: The lists of open conflicts beside an image: its name and these.
CONFLICT_TEXT, CONFLICT_DATA = ".conflicts.txt", ".conflicts.json"


class Tree(Protocol):
    """The files of a repository in one state."""

    def read(self, path: str) -> bytes:
        """The content of a file. Raises FileNotFoundError, or OSError with a reason."""
        ...

    def paths(self) -> Iterator[str]:
        """The paths of all files."""
        ...


def normalize_repository_path(path: str, source: str) -> str:
    """A path from a policy, made normal; InputError where it leads out of the repository."""
    pure = PurePosixPath(path.replace("\\", "/"))
    drive = len(path) > 1 and path[1] == ":"
    if pure.is_absolute() or drive or ".." in pure.parts or "\0" in path:
        raise InputError(f"{source}: {path!r} leads out of the repository; give a path inside it")
    return str(pure)


class WorkingTree:
    """The files as they lie on disk below ``root``."""

    def __init__(self, root: Path) -> None:
        self.root = root.resolve()

    def read(self, path: str) -> bytes:
        target = self.root / path
        try:
            inside = target.resolve().is_relative_to(self.root)
        except RuntimeError:  # so Python before 3.13 says that links lead round
            raise OSError(errno.ELOOP, "links lead round in a circle") from None
        except UnicodeError:
            raise OSError("its name does not fit the locale's encoding; set PYTHONUTF8=1") from None
        if not inside:
            raise OSError("a link leads out of the repository")
        return read_file(target)

    def paths(self) -> Iterator[str]:
        for folder, folders, files in os.walk(self.root):
            folders[:] = sorted(name for name in folders if name != ".git")
            here = Path(folder).relative_to(self.root)
            yield from ((here / name).as_posix() for name in sorted(files))


@dataclass
class OverlayTree:
    """A tree with some files in memory."""

    below: Tree
    files: dict[str, bytes] = field(default_factory=dict)

    def read(self, path: str) -> bytes:
        return self.files[path] if path in self.files else self.below.read(path)

    def paths(self) -> Iterator[str]:
        return self.below.paths()


class InMemoryTree:
    """Some files of another tree, or why they cannot be read there, carried along in memory."""

    def __init__(self, tree: Tree, paths: Iterable[str]) -> None:
        self._files: dict[str, bytes | str] = {}
        for path in paths:
            try:
                self._files[path] = tree.read(path)
            except OSError as error:
                self._files[path] = reason(error)

    def read(self, path: str) -> bytes:
        content = self._files[path]
        if isinstance(content, str):
            raise OSError(content)
        return content

    def paths(self) -> Iterator[str]:
        return iter(self._files)


def read_file(path: Path, most: int = MAX_FILE) -> bytes:
    """As ``read_as_stored``, with an OSError also where git-lfs has not put the content in its place."""
    data = read_as_stored(path, most)
    if found := pointer(data):
        raise AbsentError(found)
    return data


def read_as_stored(path: Path, most: int = MAX_FILE) -> bytes:
    """The bytes of a regular file of at most so many, a pointer's too; OSError with a plain reason else."""
    status = path.stat()
    if stat.S_ISDIR(status.st_mode):
        raise OSError("it is a folder")
    if not stat.S_ISREG(status.st_mode):
        raise OSError("it is not a regular file")
    if status.st_size > most:
        raise OSError(f"it is larger than {most >> 20} MiB, the most that is read")
    return path.read_bytes()


def reason(error: OSError) -> str:
    """Why a file cannot be read, as the end of a sentence."""
    if isinstance(error, FileNotFoundError):
        return "it does not exist"
    if isinstance(error, PermissionError):
        return "permission is missing"
    if error.errno == errno.ELOOP:
        return "it is a link that leads round in a circle"
    return error.strerror or str(error)


def content_or_reason(tree: Tree, path: str) -> bytes | str | None:
    """What tells whether a file differs between two trees: its content, or why it cannot be read.

    Of content that git-lfs has not put in its place it is the digest in the pointer; None where there is no
    such file.
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
    """Why a file cannot be read, and what to do about it where the reason does not say that itself."""
    words = reason(error)
    return words if ";" in words else f"{words}; {remedy}"


def resolved(path: Path) -> Path:
    """A path without links and "..", whether it exists or not. OSError where links lead round in a circle."""
    try:
        found = path.resolve()
        found.stat()  # from Python 3.13 on links that lead round are left as they are
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return found
    except RuntimeError:
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP)) from None
    except ValueError:
        raise OSError("no file can have this name") from None
    return found


def require_inside_repository(path: Path, shown: str = "", start: Path | None = None) -> None:
    """InputError where a path inside the repository leads out of it by a link; ``shown`` is its name.

    The repository is the one around ``start``, the current folder where absent; without git it is the
    policy's folder, and without a policy there is none. A path outside is its user's own business.
    """
    here = Path.cwd() if start is None else start
    around = (here, *here.parents)
    top = next((one for one in around if (one / ".git").exists()), None) or find_root(here)
    # Links on the way to the repository are nobody's trick, so ".." is worked out in words.
    if top is None or not Path(os.path.abspath(path)).is_relative_to(top):  # noqa: PTH100
        return
    try:
        inside = path.resolve().is_relative_to(top.resolve())
    except (OSError, RuntimeError):  # whoever opens it says that links lead round
        return
    if not inside:
        raise InputError(f"{shown or path}: a link leads out of the repository; put a file in its place")


def find_root(start: Path) -> Path | None:
    """The nearest folder, from ``start`` up, that holds a policy; the search ends at a repository's top.

    InputError where a folder has the policy's name.
    """
    for folder in (start, *start.parents):
        if (folder / POLICY).is_file():
            return folder
        if (folder / POLICY).is_dir():
            raise InputError(f"{folder / POLICY}: it is a folder; put a policy in its place")
        if (folder / ".git").exists():
            return None
    return None
