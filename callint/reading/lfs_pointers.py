"""Pointers of git-lfs: small text files in git in the place of a large file that is stored elsewhere.

The format is that of the published git-lfs specification, version 1: a version line, then ``oid
sha256:<64 hexadecimal digits>`` and ``size <bytes>``. git-lfs accepts more than it writes: other spaces and
line ends, older addresses, the first KiB of a file. On checkout it replaces such a file by the stored
content, so callint treats it as a pointer too. The pattern follows the observed behaviour of git-lfs 3.3;
``tests/hostile/test_pointers.py`` compares it with the installed git-lfs.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

#: git-lfs reads only this number of bytes of a file.
_MAX_LENGTH = 1024
#: No pointer is shorter: its digest alone has 64 digits.
_MIN_LENGTH = 64
_MAX_SIZE = 2**63 - 1
#: White space around a pointer, by Unicode in UTF-8.
_SPACE = (
    rb"(?:[\t\n\v\f\r ]|\xc2[\x85\xa0]|\xe1\x9a\x80|\xe2\x80[\x80-\x8a\xa8\xa9\xaf]|\xe2\x81\x9f"
    rb"|\xe3\x80\x80)*+"
)
_NEXT = rb"(?:\r?\n)++"
#: Names and hashes of programs that filtered the content before it was stored.
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
    """The SHA-256 of the stored content in hexadecimal digits, and its size in bytes.

    With extensions the stored content differs from the file: programs of the user's filtered it.
    """

    oid: str
    size: int
    has_extensions: bool = False


class AbsentError(OSError):
    """A file is a pointer, and its content is not here."""

    def __init__(self, pointer: Pointer) -> None:
        super().__init__(ABSENT)
        self.pointer = pointer


def is_pointer_size(size: int) -> bool:
    """Whether a file of this size may be a pointer."""
    return _MIN_LENGTH <= size <= _MAX_LENGTH


def parse_pointer(data: bytes) -> Pointer | None:
    """The pointer in a file, or None if the file is not a pointer."""
    match = _POINTER.match(data[:_MAX_LENGTH])
    if match is None or not 0 <= (size := int(match["size"])) <= _MAX_SIZE:
        return None
    extensions = match["first"] + match["second"] + match["third"]
    return Pointer(match["oid"].decode(), size, bool(extensions))


def pointer_to(content: bytes) -> bytes:
    """The pointer to a content, as git-lfs writes it."""
    oid = hashlib.sha256(content).hexdigest()
    return f"version https://git-lfs.github.com/spec/v1\noid sha256:{oid}\nsize {len(content)}\n".encode()
