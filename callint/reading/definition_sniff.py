"""Tells a definition from an image by the first bytes of a file."""

from __future__ import annotations

#: The bytes that may precede the first < of an XML file: byte order marks, halves of characters, spaces.
_BEFORE_XML = b"\xef\xbb\xbf\xff\xfe\0 \t\r\n"


#: What the outermost element of a definition names, near the begin of the file.
_NAMESPACE, _NEAR = "urn:callint:definition:", 64 * 2**10


def looks_like_xml(data: bytes) -> bool:
    """Whether a file begins as XML does."""
    return data[:64].lstrip(_BEFORE_XML).startswith(b"<")


def looks_like_definition(data: bytes) -> bool:
    """Whether a file begins as XML does and names the namespace of definitions."""
    encodings = ("utf-8", "utf-16-le", "utf-16-be")
    return looks_like_xml(data) and any(_NAMESPACE.encode(name) in data[:_NEAR] for name in encodings)
