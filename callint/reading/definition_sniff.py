"""Tells a definition from an image by the first bytes of a file."""

from __future__ import annotations

import re

#: The bytes that may precede the first < of an XML file: byte order marks, halves of characters, spaces.
_BEFORE_XML = b"\xef\xbb\xbf\xff\xfe\0 \t\r\n"


#: What the outermost element of a definition names, near the begin of the file.
_NAMESPACE, _NEAR = "urn:callint:definition:", 64 * 2**10


#: The beginning of a definition, without NUL bytes: so also in an encoding that the reader refuses.
_BEGINNING = re.compile(
    rb"(?:\xef\xbb\xbf|\xff\xfe|\xfe\xff)?\s*<(?:\?xml\b|!--|!DOCTYPE\b|(?:[\w.-]+:)?(?:definition|shared)\b)"
)
#: The number of bytes in which a definition begins.
_BEGINNING_SIZE = 256


def begins_as_definition(data: bytes) -> bool:
    """Whether a file begins as a definition does; an image may begin with the character "<" by chance."""
    return _BEGINNING.match(data[:_BEGINNING_SIZE].replace(b"\0", b"")) is not None


def looks_like_xml(data: bytes) -> bool:
    """Whether a file begins as XML does."""
    return data[:64].lstrip(_BEFORE_XML).startswith(b"<")


def looks_like_definition(data: bytes) -> bool:
    """Whether a file begins as XML does and names the namespace of definitions."""
    encodings = ("utf-8", "utf-16-le", "utf-16-be")
    return looks_like_xml(data) and any(_NAMESPACE.encode(name) in data[:_NEAR] for name in encodings)
