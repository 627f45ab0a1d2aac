"""Definition files through the cache: a file that callint has read before is not parsed again."""

from __future__ import annotations

from collections.abc import Callable

from callint.model.declarations import DecimalAddress, InvalidElement
from callint.model.definition import Definition
from callint.model.finding import Finding
from callint.reading import cache
from callint.reading.definition_file import DefinitionFile
from callint.reading.family import Family, FileReader, find_family
from callint.reading.serialize import UnknownFormError, pack, unpack

#: Bytes of files above which a definition is not packed: an entry takes four fifths of them, give or take,
#: and packing takes several times as much memory.
_MOST_PACKED = 3 * cache.MAX_ENTRY // 2
#: The kind of entry in the cache.
_KIND = "definition file"


def open_definition(data: bytes, path: str, tree: FileReader | None = None) -> DefinitionFile:
    """As ``reading.definition.read_definition``; takes the result from the cache if it is there."""
    return open_family(find_family(data, path, tree))


def open_family(
    family: Family, open_parent: Callable[[Family], DefinitionFile] | None = None
) -> DefinitionFile:
    """As ``reading.definition.read_family``; takes the result from the cache if it is there."""
    entry = cache.load(_KIND, *family.key)
    file = None if entry is None else _unpack_file(entry, family)
    if file is None:
        from callint.reading.definition import read_family  # XML is slow to import

        file = read_family(family, open_parent or open_family)
        if family.size <= _MOST_PACKED:
            content = (file.definition, *file.problems, *file.decimal_addresses, *file.invalid)
            cache.store(lambda: pack(content), _KIND, *family.key)
    return file


def _unpack_file(entry: bytes, family: Family) -> DefinitionFile | None:
    """The file that a cache entry holds, or None if the entry is not the family's."""
    try:
        definition, *rest = unpack(entry)
    except (UnknownFormError, ValueError):
        return None
    problems = tuple(item for item in rest if isinstance(item, Finding))
    addresses = tuple(item for item in rest if isinstance(item, DecimalAddress))
    invalid = tuple(item for item in rest if isinstance(item, InvalidElement))
    if len(problems) + len(addresses) + len(invalid) < len(rest):
        return None
    if definition is not None and not (
        isinstance(definition, Definition) and definition.digest == family.digest
    ):
        return None
    return DefinitionFile(family.path, definition, problems, addresses, invalid)
