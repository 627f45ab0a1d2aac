"""Pointers of git-lfs: small text files that stand in git for a large file stored elsewhere.

The form is that of the published git-lfs specification, version 1: a version line, then ``oid
sha256:<64 hexadecimal digits>`` and ``size <bytes>``.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

#: Larger files are no pointers, by the specification.
_LONGEST = 1024
_POINTER = re.compile(
    rb"version https://git-lfs\.github\.com/spec/v1\n(?:ext-\S+ \S+\n)*"
    rb"oid sha256:(?P<oid>[0-9a-f]{64})\nsize (?P<size>\d{1,15})\n?\Z"
)

ABSENT = "it is stored by git-lfs and its content is not here; git lfs pull fetches it"


@dataclass(frozen=True, slots=True)
class Pointer:
    """The SHA-256 of the content in hexadecimal, and its size in bytes."""

    oid: str
    size: int


class AbsentError(OSError):
    """The content that a pointer stands for is not here."""

    def __init__(self, found: Pointer) -> None:
        super().__init__(ABSENT)
        self.pointer = found


def pointer(data: bytes) -> Pointer | None:
    """The pointer that a file is, or None where it is the content itself."""
    if len(data) >= _LONGEST:
        return None
    match = _POINTER.match(data)
    return Pointer(match["oid"].decode(), int(match["size"])) if match else None


def pointer_to(content: bytes) -> bytes:
    """The pointer that stands for a content, as git-lfs writes it."""
    oid = hashlib.sha256(content).hexdigest()
    return f"version https://git-lfs.github.com/spec/v1\noid sha256:{oid}\nsize {len(content)}\n".encode()
