"""Releases of images: what their manifests state."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from callint.model.definition import Memory

#: The name of a manifest, and of a review page, in the folder of a release.
MANIFEST, PAGE = "manifest.json", "review.html"
#: The suffixes that ``ssh-keygen -Y sign`` and ``gpg --armor --detach-sign`` give the file of a signature.
SSH_SUFFIX, GPG_SUFFIX = ".sig", ".asc"


class ImageFormat(StrEnum):
    """The formats in which an image is released."""

    RAW = "raw"
    HEX = "hex"
    SREC = "srec"


@dataclass(frozen=True, slots=True)
class FileDigest:
    """A file by its path, and the SHA-256 of its content in hexadecimal digits."""

    path: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ReleasedCommit:
    """The commit of a release; ``date`` is the author date by ISO 8601, "" if the commit has none."""

    id: str
    author: str
    email: str
    date: str
    subject: str


@dataclass(frozen=True, slots=True)
class ReleasedMemory:
    """The memory of a released image: first address, size in bytes, and the value of erased bytes."""

    start: int
    size: int
    fill: int

    @property
    def memory(self) -> Memory:
        """A memory of the size, without anything in it."""
        return Memory(self.start, self.size, self.fill, (), (), (), 0)


@dataclass(frozen=True, slots=True)
class Release:
    """What a manifest states. Paths of ``image``, ``sources`` and ``folder`` are those of the repository.

    - ``image``: the image file in the commit; its path starts at the policy's folder.
    - ``folder``: the policy's folder from the top of the repository, "" for the top.
    - ``start``: the address of the first byte of a raw file of the image.
    - ``content``: the digest of the image's bytes, whatever the format of its file.
    - ``file``: the image file of the release, and ``page`` the review page beside it.
    - ``definition``, ``parts``: the definition, and its parents and shared files.
    - ``base``: the factory image that the image was compared with; None if the policy names none.
    """

    commit: ReleasedCommit
    image: FileDigest
    folder: str
    content: str
    start: int
    memory: ReleasedMemory
    file: FileDigest
    page: FileDigest
    definition: FileDigest
    parts: tuple[FileDigest, ...]
    base: FileDigest | None
    policy: FileDigest

    @property
    def path(self) -> str:
        """The path of the image from the top of the repository."""
        return f"{self.folder}/{self.image.path}" if self.folder else self.image.path
