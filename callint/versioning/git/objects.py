"""The contents of blobs, and of files that git-lfs stores."""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from pathlib import Path

from callint.reading.lfs_pointers import EXTENDED, AbsentError, parse_pointer
from callint.reading.tree import read_as_stored
from callint.versioning.git.blob_reader import ids_of, sizes_of
from callint.versioning.git.repository import Repo


def read_blob(repo: Repo, blob: str) -> bytes:
    """The content of a blob; OSError if it is absent, too large or unreadable."""
    return repo.blobs.read(blob)


def blob_sizes(repo: Repo, blobs: Collection[str]) -> dict[str, int]:
    """The sizes in bytes of blobs by id, without reading them; without those that are absent."""
    return sizes_of(repo.working_dir, blobs) if blobs else {}


def blobs_in_commits(repo: Repo, files: Collection[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """The blobs of files, each a commit's id and a path from the top; without those that are absent."""
    return ids_of(repo.working_dir, list(files)) if files else {}


def resolve_pointer(repo: Repo, data: bytes) -> bytes:
    """The content behind a git-lfs pointer, from the repository's own store; other data unchanged.

    callint reads the store itself. The filter of git-lfs would do the same, but filters are programs that a
    repository's config names, and callint starts none of them.
    """
    lfs_pointer = parse_pointer(data)
    if lfs_pointer is None:
        return data
    if lfs_pointer.has_extensions:
        raise OSError(EXTENDED)
    if not lfs_pointer.size:
        return b""  # whatever its id is
    try:
        content = read_as_stored(lfs_object_path(repo, lfs_pointer.oid))
    except FileNotFoundError:
        raise AbsentError(lfs_pointer) from None
    if len(content) != lfs_pointer.size or hashlib.sha256(content).hexdigest() != lfs_pointer.oid:
        raise OSError("its content in the store of git-lfs is damaged; git lfs fsck finds out more")
    return content


def lfs_object_path(repo: Repo, oid: str) -> Path:
    """The path at which git-lfs stores the content with a SHA-256."""
    return repo.lfs_objects / oid[:2] / oid[2:4] / oid
