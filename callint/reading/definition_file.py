"""What a definition file holds, and the digest of its content."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from callint.model.declarations import DecimalAddress, InvalidElement
from callint.model.definition import Definition
from callint.model.finding import Finding


@dataclass(frozen=True, slots=True)
class DefinitionFile:
    """The definition in a file, as far as it can be read, and every mistake in its form.

    ``path`` is the name that findings show. ``definition`` is None if the file is not a definition at all.
    ``decimal_addresses`` are those that look like a forgotten 0x. ``invalid`` are the elements with mistakes.
    """

    path: str
    definition: Definition | None
    problems: tuple[Finding, ...]
    decimal_addresses: tuple[DecimalAddress, ...] = ()
    invalid: tuple[InvalidElement, ...] = ()


def problem_place(problem: Finding) -> str:
    """The file and line of a problem, and those in the other file that it comes from: "a.xml:5 (b.xml:7)"."""
    origin = f" ({problem.origin}:{problem.origin_line})" if problem.origin else ""
    return f"{problem.definition}:{problem.line}{origin}" if problem.line else problem.definition


def normalized(data: bytes) -> bytes:
    """A definition file with LF at the end of its lines, as XML reads it and as git stores it.

    Git converts the line ends of text files on some machines (``core.autocrlf``). A file with NUL bytes, such
    as UTF-16, stays as it is: git treats it as binary, and the two bytes CR LF may be one character.
    """
    return data if b"\0" in data else data.replace(b"\r\n", b"\n")


def content_digest(data: bytes) -> str:
    """The SHA-256 of a definition file in hexadecimal digits, the same for all line ends."""
    return hashlib.sha256(normalized(data)).hexdigest()
