"""Pointers of git-lfs: small text files that stand in git for a large file stored elsewhere.

The form is that of the published git-lfs specification, version 1: a version line, then ``oid
sha256:<64 hexadecimal digits>`` and ``size <bytes>``. git-lfs itself takes more for a pointer than it writes:
other spaces and line ends, older addresses, the first KiB of a file. What it puts in the place of such a file
is what colleagues get, so that it is a pointer here too. This is as git-lfs 3.3 was found to do it;
``tests/hostile/test_pointers.py`` asks the one at hand.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

#: git-lfs looks no further into a file, whatever follows.
_LONGEST = 1024
_MOST = 2**63 - 1
#: White space around a pointer, by Unicode in UTF-8.
_SPACE = (
    rb"(?:[\t\n\v\f\r ]|\xc2[\x85\xa0]|\xe1\x9a\x80|\xe2\x80[\x80-\x8a\xa8\xa9\xaf]|\xe2\x81\x9f"
    rb"|\xe3\x80\x80)*+"
)
_NEXT = rb"(?:\r?\n)++"
#: Names and hashes of programs that a content went through on its way into the store.
_EXTENSIONS = rb"(?:ext-\d-\w\S* sha256:[0-9a-f]{64}" + _NEXT + rb")*+"
_POINTER = re.compile(
    _SPACE
    + rb"(?P<first>"
    + _EXTENSIONS
    + rb")"
    + rb"version (?:https://git-lfs\.github\.com/spec/v1|https://hawser\.github\.com/spec/v1|http://git-media\.io/v/2)"
    + _NEXT
    + rb"(?P<second>"
    + _EXTENSIONS
    + rb")"
    + rb"oid sha256:(?P<oid>[0-9a-f]{64})"
    + _NEXT
    + rb"(?P<third>"
    + _EXTENSIONS
    + rb")"
    + rb"size (?P<size>[+-]?\d+)"
    + _SPACE
    + rb"\Z"
)

EXTENDED = "its git-lfs pointer has extensions, whose programs callint does not start; store it without them"
ABSENT = "it is stored by git-lfs and its content is not here; git lfs pull fetches it"


@dataclass(frozen=True, slots=True)
class Pointer:
    """The SHA-256 of the stored content in hexadecimal, and its size in bytes.

    With extensions it is not the content that people have, but what programs of theirs made of that.
    """

    oid: str
    size: int
    has_extensions: bool = False


class AbsentError(OSError):
    """The content that a pointer stands for is not here."""

    def __init__(self, found: Pointer) -> None:
        super().__init__(ABSENT)
        self.pointer = found


def pointer(data: bytes) -> Pointer | None:
    """The pointer that a file is, or None where it is the content itself."""
    match = _POINTER.match(data[:_LONGEST])
    if match is None or not 0 <= (size := int(match["size"])) <= _MOST:
        return None
    extensions = match["first"] + match["second"] + match["third"]
    return Pointer(match["oid"].decode(), size, bool(extensions))


def pointer_to(content: bytes) -> bytes:
    """The pointer that stands for a content, as git-lfs writes it."""
    oid = hashlib.sha256(content).hexdigest()
    return f"version https://git-lfs.github.com/spec/v1\noid sha256:{oid}\nsize {len(content)}\n".encode()
