"""Found checksums as JSON, by ``schemas/checksum-search.schema.json``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from callint.comparing.checksum_search.search import ChecksumSearch, FoundChecksum
from callint.reporting.definition.xml import checksum_line
from callint.reporting.json_fields import without_none


def checksum_search_document(
    result: ChecksumSearch, images: Sequence[str], described: Mapping[int, str]
) -> dict[str, Any]:
    """The found checksums as a JSON document; ``described`` has the names of those in the definition.

    Its keys are indexes in the found checksums.
    """
    return {
        "format": "callint-checksum-search",
        "version": 1,
        "images": list(images),
        "borders": result.bounds,
        "found": [_found(item, described.get(number)) for number, item in enumerate(result.found)],
        "searches": [
            {
                "bits": search.width,
                "beside": search.beside,
                "tried": search.tried,
                "images_needed": search.images,
                "done": search.is_done,
            }
            for search in result.searches
        ],
    }


def _found(item: FoundChecksum, described: str | None) -> dict[str, Any]:
    checksum = item.checksum
    word = checksum.word.type.name if checksum.algorithm.startswith("sum") else None
    return without_none(
        {
            "algorithm": checksum.algorithm,
            "start": checksum.start,
            "size": checksum.size,
            "stored_at": checksum.stored_at,
            "byte_order": checksum.byte_order.value,
            "complement": checksum.complement,
            "word": word,
            "word_order": checksum.word.byte_order.value if word and checksum.word.type.size > 1 else None,
            "contents": item.contents,
            "tried": item.tried,
            "proven_bits": item.bits,
            "chance": item.chance,
            "alternatives": [{"start": start, "size": size} for start, size in item.alternatives],
            "described": described,
            "line": checksum_line(checksum),
        }
    )
