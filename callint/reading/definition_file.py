"""A definition file and what is in it, read once for good: what was read before comes from the cache."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from callint.model.definition import Definition
from callint.model.finding import Finding
from callint.reading import cache
from callint.reading.serialize import UnknownFormError, pack, unpack

#: The kind of entry in the cache.
_KIND = "definition file"


@dataclass(frozen=True, slots=True)
class DefinitionFile:
    """What a file holds: as much of a definition as it gives, and everything wrong with its form.

    ``definition`` is None where the file is no definition at all.
    """

    path: str
    definition: Definition | None
    problems: tuple[Finding, ...]


def normalized(data: bytes) -> bytes:
    """A definition file with LF at the end of its lines, as XML reads it and as git stores it.

    Git converts the line ends of texts on some machines (``core.autocrlf``). UTF-16 stays as it is: git takes
    it for binary, and the two bytes may be one character.
    """
    return data if b"\0" in data else data.replace(b"\r\n", b"\n")


def content_digest(data: bytes) -> str:
    """The SHA-256 of a definition file in hexadecimal, whatever its line ends."""
    return hashlib.sha256(normalized(data)).hexdigest()


def open_definition(data: bytes, path: str) -> DefinitionFile:
    """What ``reading.definition.read_definition`` makes of a file, from the cache where it is there."""
    digest = hashlib.sha256(data)
    parts = digest.digest(), path.encode("utf-8", "surrogateescape")
    kept = cache.load(_KIND, *parts)
    file = None if kept is None else _unpacked(kept, path, content_digest(data))
    if file is None:
        from callint.reading.definition import read_definition  # XML is slow to import

        file = read_definition(data, path)
        cache.store(lambda: pack((file.definition, *file.problems)), _KIND, *parts)
    return file


def _unpacked(kept: bytes, path: str, digest: str) -> DefinitionFile | None:
    """The file that an entry holds, or None where it is not that of the file with the digest."""
    try:
        definition, *problems = unpack(kept)
    except (UnknownFormError, ValueError):
        return None
    if not all(isinstance(problem, Finding) for problem in problems):
        return None
    if definition is not None and not (isinstance(definition, Definition) and definition.digest == digest):
        return None
    return DefinitionFile(path, definition, tuple(problems))
