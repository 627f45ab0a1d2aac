"""Definition files through the cache: a file that callint has read before is not parsed again."""

from __future__ import annotations

import hashlib

from callint.model.definition import DecimalAddress, Definition
from callint.model.finding import Finding
from callint.reading import cache
from callint.reading.definition_file import DefinitionFile, content_digest
from callint.reading.serialize import UnknownFormError, pack, unpack

#: The kind of entry in the cache.
_KIND = "definition file"


def open_definition(data: bytes, path: str) -> DefinitionFile:
    """As ``reading.definition.read_definition``; takes the result from the cache if it is there."""
    parts = hashlib.sha256(data).digest(), path.encode("utf-8", "surrogateescape")
    entry = cache.load(_KIND, *parts)
    file = None if entry is None else _unpack_file(entry, path, content_digest(data))
    if file is None:
        from callint.reading.definition import read_definition  # XML is slow to import

        file = read_definition(data, path)
        cache.store(lambda: pack((file.definition, *file.problems, *file.decimal_addresses)), _KIND, *parts)
    return file


def _unpack_file(entry: bytes, path: str, digest: str) -> DefinitionFile | None:
    """The file that a cache entry holds, or None if the entry does not belong to the digest."""
    try:
        definition, *rest = unpack(entry)
    except (UnknownFormError, ValueError):
        return None
    problems = tuple(item for item in rest if isinstance(item, Finding))
    addresses = tuple(item for item in rest if isinstance(item, DecimalAddress))
    if len(problems) + len(addresses) < len(rest):
        return None
    if definition is not None and not (isinstance(definition, Definition) and definition.digest == digest):
        return None
    return DefinitionFile(path, definition, problems, addresses)
