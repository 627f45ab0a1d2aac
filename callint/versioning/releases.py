"""Finds releases: in folders, in the working tree and in every commit of the repository.

``releases_of`` finds those whose image has the content of a file; it needs neither a definition nor git.
"""

from __future__ import annotations

import hashlib
import posixpath
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path, PurePosixPath

from callint.decoding.digest import content_digest
from callint.model.errors import InputError
from callint.model.image import Image
from callint.model.release import (
    GPG_SUFFIX,
    MANIFEST,
    SSH_SUFFIX,
    FileDigest,
    Release,
    ReleasedCommit,
    ReleasedMemory,
)
from callint.reading.images import DamagedError, read_image
from callint.reading.release_manifest import MAX_MANIFEST, is_manifest, read_manifest
from callint.reading.tree import WorkingTree
from callint.versioning.git.log import LoggedCommit, read_commit, unmapped_author
from callint.versioning.git.objects import blob_sizes, read_blob
from callint.versioning.git.refs import is_revision
from callint.versioning.git.repository import Repo
from callint.versioning.git.trees import RevisionTree
from callint.versioning.signatures import Signature

#: The most manifests that are read from one folder or one history, and the largest signature in bytes.
MOST_MANIFESTS, _MAX_SIGNATURE = 10_000, 64 * 2**10
#: The most files among which manifests are looked for in one folder, as someone may name the whole disk.
MOST_FILES = 100_000


@dataclass(frozen=True)
class KnownRelease:
    """A release that was found: its manifest, and where that lies, for people.

    ``signatures`` are those beside the manifest. ``read_beside`` returns the content of another file in its
    folder, None if there is no such file or if it cannot be read.
    """

    release: Release
    place: str
    manifest: bytes
    signatures: tuple[Signature, ...]
    read_beside: Callable[[str], bytes | None]

    def read_file(self, file: FileDigest) -> bytes | None:
        """A file of the release; None if it is absent or if the manifest's name for it leads elsewhere."""
        is_name = PurePosixPath(file.path).name == file.path and "\\" not in file.path
        return self.read_beside(file.path) if is_name else None

    def image_of(self, file: FileDigest, content: bytes | None) -> Image | None:
        """The image in a file of the release; None if the content is not what the manifest states."""
        if content is None or hashlib.sha256(content).hexdigest() != file.sha256:
            return None
        with suppress(DamagedError):
            return read_image(content, self.release.memory.memory, self.release.start)
        return None

    def contradictions(self, repo: Repo | None) -> Iterator[str]:
        """The contradictions to the manifest as clauses: files beside it, and the image in the commit."""
        for file in (self.release.file, self.release.page):
            content = self.read_file(file)
            if content is not None and hashlib.sha256(content).hexdigest() != file.sha256:
                yield f"{file.path} beside {self.place} is not the file that was released"
        if repo is None:
            return
        release, commit = self.release, self.release.commit.id
        content = committed_image(repo, release)
        if content is not None and hashlib.sha256(content).hexdigest() != release.image.sha256:
            yield f"commit {commit[:8]} has another {release.path}"
        if stated := _other_than_commit(repo, release.commit):
            yield f"the manifest states another {stated} than commit {commit[:8]}"
        if not self.signatures and not is_revision(repo, commit):
            yield f"commit {commit[:8]} is not in this repository, and nobody signed the manifest"


def _other_than_commit(repo: Repo, stated: ReleasedCommit) -> str:
    """The contradiction between a manifest and the commit that it names; "" without that commit."""
    if not is_revision(repo, stated.id):
        return ""
    actual = read_commit(repo, stated.id)
    date = actual.authored.isoformat() if actual.authored else ""
    # The release has the author's own name; a mailmap may have been added since.
    authors = {(actual.author, actual.email), (unmapped_author(repo, stated.id), actual.own_email)}
    accepted = {
        "author": (stated.author, stated.email) in authors,
        "date": stated.date == date,
        "subject": stated.subject == actual.subject,
    }
    return " and ".join(name for name, is_same in accepted.items() if not is_same)


def committed_image(repo: Repo, release: Release) -> bytes | None:
    """The image in the commit of a release; None if the repository lacks the commit or the file."""
    with suppress(OSError, InputError):
        if is_revision(repo, release.commit.id):
            return RevisionTree(repo, release.commit.id).read(release.path)
    return None


def releases_of(data: bytes, releases: Iterable[KnownRelease]) -> list[KnownRelease]:
    """The releases whose image has the content of an image file, in their order.

    The format of the file and erased memory do not count. DamagedError if its records are damaged.
    """

    @cache
    def digest(memory: ReleasedMemory, start: int) -> str:
        return content_digest(read_image(data, memory.memory, start), memory.fill)

    return [
        known
        for known in releases
        if digest(known.release.memory, known.release.start) == known.release.content
    ]


# Finding releases


def releases_in_folder(folder: Path, label: str, warn: Callable[[str], None]) -> Iterator[KnownRelease]:
    """The releases in a folder and in all folders below it; ``label`` is its name for people.

    ``warn`` is called with a line about each broken manifest.
    """
    tree = WorkingTree(folder)
    manifest_count = 0
    for file_count, path in enumerate(tree.paths()):
        if file_count == MOST_FILES:
            warn(f"{label or '.'}: callint looks for releases among the first {MOST_FILES:,} files only")
            return
        if posixpath.basename(path) != MANIFEST:
            continue
        if manifest_count == MOST_MANIFESTS:
            warn(f"{label or '.'}: callint reads the first {MOST_MANIFESTS:,} manifests only")
            return
        manifest_count += 1
        with suppress(OSError, ValueError):
            if tree.sizes([path]).get(path, MAX_MANIFEST + 1) <= MAX_MANIFEST:
                yield from _read(tree.read, path, posixpath.join(label, path) if label else path, warn)


def release_beside(file: Path, label: str, warn: Callable[[str], None]) -> Iterator[KnownRelease]:
    """The release in whose folder a file lies; ``label`` is the folder's name for people."""
    tree = WorkingTree(file.parent)
    with suppress(OSError, ValueError):
        if tree.sizes([MANIFEST]).get(MANIFEST, MAX_MANIFEST + 1) <= MAX_MANIFEST:
            yield from _read(tree.read, MANIFEST, posixpath.join(label, MANIFEST), warn)


def releases_in_history(repo: Repo, commits: Sequence[LoggedCommit]) -> Iterator[KnownRelease]:
    """The releases in all commits, the newest first; each manifest once."""
    blobs: dict[str, list[str]] = {}
    manifests: dict[str, tuple[str, LoggedCommit]] = {}
    for commit in commits:
        for change in commit.changes:
            if change.blob is None:
                continue
            if posixpath.basename(change.path) == MANIFEST:
                manifests.setdefault(change.blob, (change.path, commit))
            elif change.path.endswith((f"{MANIFEST}{SSH_SUFFIX}", f"{MANIFEST}{GPG_SUFFIX}")):
                blobs.setdefault(change.path, []).append(change.blob)
    sizes = blob_sizes(repo, manifests.keys())
    small = [blob for blob in manifests if sizes.get(blob, MAX_MANIFEST + 1) <= MAX_MANIFEST]
    for blob in small[:MOST_MANIFESTS]:
        path, commit = manifests[blob]
        with suppress(OSError, InputError):
            data = read_blob(repo, blob)
            if not is_manifest(data):
                continue
            place = f"{commit.id[:8]}:{path}"
            # A signature may have been committed later than the manifest.
            signatures = [
                Signature(suffix, content)
                for suffix in (SSH_SUFFIX, GPG_SUFFIX)
                for signature in dict.fromkeys(blobs.get(path + suffix, ()))
                if len(content := read_blob(repo, signature)) <= _MAX_SIGNATURE
            ]
            folder = posixpath.dirname(path)
            yield KnownRelease(
                read_manifest(data, place),
                place,
                data,
                tuple(signatures),
                _reader(repo, commit.id, folder),
            )


def _reader(repo: Repo, commit: str, folder: str) -> Callable[[str], bytes | None]:
    def read(name: str) -> bytes | None:
        with suppress(OSError, InputError):
            return RevisionTree(repo, commit, folder).read(name)
        return None

    return read


def _read(
    read: Callable[[str], bytes], path: str, place: str, warn: Callable[[str], None]
) -> Iterator[KnownRelease]:
    """The release of a manifest on disk; nothing if it is the manifest of something else."""
    data = read(path)
    if not is_manifest(data):
        return
    try:
        release = read_manifest(data, place)
    except InputError as error:
        warn(f"{error.lines[0]}; callint leaves it out")
        return

    def read_beside(name: str) -> bytes | None:
        with suppress(OSError, ValueError):
            return read(posixpath.join(posixpath.dirname(path), name))
        return None

    signatures = [
        Signature(suffix, content)
        for suffix in (SSH_SUFFIX, GPG_SUFFIX)
        if (content := read_beside(MANIFEST + suffix)) is not None and len(content) <= _MAX_SIGNATURE
    ]
    yield KnownRelease(release, place, data, tuple(signatures), read_beside)
