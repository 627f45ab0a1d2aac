"""XML of other programs as UTF-8 without a document type, which ``reading/xml.py`` then parses.

Other programs write Latin-1 and UTF-16, and name the document type of their standard. None of it is fetched:
the declaration is blanked before the parser sees the file. A document type with declarations of its own
stays, and is refused, so no entity is ever expanded.
"""

from __future__ import annotations

import codecs
import re

from callint.reading import xml

#: Encodings besides UTF-8 and UTF-16, by their names in XML.
_ENCODINGS = {
    "iso-8859-1": "latin-1",
    "latin-1": "latin-1",
    "latin1": "latin-1",
    "iso-8859-15": "iso-8859-15",
    "windows-1252": "cp1252",
    "cp1252": "cp1252",
}
#: The beginnings of files in UTF-16: a byte order mark, or "<?" without one.
_UTF_16 = {
    codecs.BOM_UTF16_LE: "utf-16",
    codecs.BOM_UTF16_BE: "utf-16",
    b"<\0?\0": "utf-16-le",
    b"\0<\0?": "utf-16-be",
}
_DECLARED = re.compile(rb"""^(<\?xml[^>]{0,200}?encoding\s*=\s*["'])([A-Za-z0-9._\-]{1,40})(["'])""")
#: A document type that names a file at most; its literals are those of XML 1.0, production [75] ExternalID.
_LITERAL = rb"""(?:"[^"<>]*"|'[^'<>]*')"""
_EXTERNAL_TYPE = re.compile(
    rb"<!DOCTYPE\s+[A-Za-z_][\w.\-]*(?:\s+SYSTEM\s+%s|\s+PUBLIC\s+%s\s+%s)?\s*>" % ((_LITERAL,) * 3)
)


def standard_form(data: bytes) -> bytes:
    """The file in UTF-8 with the same lines, or as it is if it is not text in an encoding that is read."""
    return _without_external_type(_as_utf_8(data))


def _as_utf_8(data: bytes) -> bytes:
    declared = _DECLARED.match(data)
    encoding = next((name for mark, name in _UTF_16.items() if data.startswith(mark)), None)
    if encoding is None and declared:
        encoding = _ENCODINGS.get(declared[2].decode("ascii").lower())
    if encoding is None or len(data) > xml.MAX_BYTES:
        return data
    try:
        text = data.decode(encoding).encode("utf-8")
    except UnicodeError:
        return data
    return _DECLARED.sub(rb"\1UTF-8\3", text, count=1)


def _without_external_type(data: bytes) -> bytes:
    """The data with spaces and line ends in place of a document type without declarations of its own."""
    start = xml.prolog_end(data)
    if not (declaration := _EXTERNAL_TYPE.match(data, start)):
        return data
    blank = re.sub(rb"[^\n]", b" ", declaration[0])
    return data[:start] + blank + data[declaration.end() :]
