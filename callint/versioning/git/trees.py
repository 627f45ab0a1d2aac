"""The files of the index or of a revision, as trees to read from."""

from __future__ import annotations

import posixpath
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path, PurePosixPath

from callint.model.errors import InputError
from callint.reading.lfs_pointers import is_pointer_size, parse_pointer
from callint.reading.tree import POLICY
from callint.versioning.git.entries import (
    LINK_MODE,
    REGULAR_MODES,
    TreeEntry,
    index_entries,
    revision_entries,
)
from callint.versioning.git.objects import blob_sizes, read_blob, resolve_pointer
from callint.versioning.git.repository import Repo, top_level


class StoredTree:
    """Files that git stores, below ``folder`` (from the top, "" for the top itself)."""

    def __init__(self, repo: Repo, entries: Mapping[str, TreeEntry], folder: str = "") -> None:
        self.repo = repo
        self._prefix = f"{folder}/" if folder not in ("", ".") else ""
        self._entries = entries

    def read(self, path: str) -> bytes:
        """The content of a file; for a git-lfs pointer, the content behind it. OSError if unreadable."""
        entry = self._entries.get(self._prefix + path)
        if entry is None:
            raise FileNotFoundError(path)
        if entry.stage:
            raise OSError("it is in conflict; resolve the conflict first")
        if entry.mode == LINK_MODE:
            raise OSError("it is a symbolic link; only regular files are read")
        if entry.mode not in REGULAR_MODES:
            raise OSError("it is not a regular file")
        return resolve_pointer(self.repo, read_blob(self.repo, entry.blob))

    def paths(self) -> Iterator[str]:
        return (path[len(self._prefix) :] for path in sorted(self._entries) if path.startswith(self._prefix))

    def sizes(self, paths: Iterable[str]) -> dict[str, int]:
        """The size of each regular file; for a git-lfs pointer, that of the content behind it."""
        blobs = self.digests(paths)
        of_blobs = blob_sizes(self.repo, set(blobs.values()))
        sizes = {path: of_blobs[blob] for path, blob in blobs.items() if blob in of_blobs}
        for path, size in sizes.items():
            if is_pointer_size(size):
                with suppress(OSError):
                    pointer = parse_pointer(read_blob(self.repo, blobs[path]))
                    sizes[path] = pointer.size if pointer else size
        return sizes

    def digests(self, paths: Iterable[str]) -> dict[str, str]:
        """The ids of the blobs of regular files; equal git-lfs pointers stand for equal contents."""
        blobs = {}
        for path in paths:
            entry = self._entries.get(self._prefix + path)
            if entry is not None and entry.mode in REGULAR_MODES and not entry.stage:
                blobs[path] = entry.blob
        return blobs

    def below(self, folder: str) -> StoredTree:
        """The same files, with their paths from a folder of the top."""
        return StoredTree(self.repo, self._entries, folder)

    def from_top(self, path: str) -> str:
        """A path of the tree as a path from the top."""
        return self._prefix + path

    def within(self, paths: Iterable[str]) -> list[str]:
        """The paths from the top that lie below the folder, relative to it."""
        return [path[len(self._prefix) :] for path in paths if path.startswith(self._prefix)]

    def entry(self, path: str) -> TreeEntry | None:
        """The entry of a file, or None if the file does not exist."""
        return self._entries.get(self._prefix + path)

    def folders_with(self, name: str) -> list[str]:
        """The folders from the top, "" for the top itself, that hold a file of this name."""
        return [posixpath.dirname(path) for path in self._entries if posixpath.basename(path) == name]


class IndexTree(StoredTree):
    """The files in the index."""

    def __init__(self, repo: Repo, folder: str = "", entries: Mapping[str, TreeEntry] | None = None) -> None:
        """``entries`` are those of the index, if already read."""
        super().__init__(repo, index_entries(repo) if entries is None else entries, folder)


class StageTree(StoredTree):
    """The files at one stage of the index, as during a merge with conflicts."""

    def __init__(self, repo: Repo, stage: int) -> None:
        super().__init__(repo, index_entries(repo, stage))


class RevisionTree(StoredTree):
    """The files of one revision; InputError if the revision does not exist."""

    def __init__(self, repo: Repo, revision: str, folder: str = "") -> None:
        super().__init__(repo, revision_entries(repo, revision), folder)
        self.revision = revision


def policy_folder(
    repo: Repo, start: Path, entries: Mapping[str, TreeEntry], where: str = "that revision"
) -> str:
    """The nearest folder from ``start`` up to the top whose policy is in ``entries``, from the top.

    ``where`` names the source of the entries in errors. Raises InputError if no folder has a policy.
    """
    if repo.working_tree_dir is None:
        if POLICY in entries:
            return ""
        raise InputError(f"{where} has no {POLICY}; name another revision")
    top = top_level(repo)
    here = start.resolve()
    folder = PurePosixPath(here.relative_to(top).as_posix()) if here.is_relative_to(top) else PurePosixPath()
    for candidate in (folder, *folder.parents):
        if str(candidate / POLICY) in entries:
            return "" if candidate == PurePosixPath() else str(candidate)
    advice = f"git add {POLICY}" if (top / POLICY).exists() else "write one and git add it"
    raise InputError(f"{where} has no {POLICY}; {advice}")
