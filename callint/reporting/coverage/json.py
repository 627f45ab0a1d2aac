"""The coverage of a definition as JSON, by ``schemas/coverage.schema.json``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from callint.decoding.coverage import Coverage, PartCoverage


def coverage_document(
    coverage: Coverage, definition: str, images: Sequence[str], base: str
) -> dict[str, Any]:
    """The coverage of some images of one definition as a JSON document; ``base`` is "" without a base."""
    return {
        "format": "callint-coverage",
        "version": 1,
        "definition": definition,
        "images": list(images),
        **({"base": base} if base else {}),
        "parts": [_part(part, images, bool(base)) for part in coverage.parts],
    }


def _part(part: PartCoverage, images: Sequence[str], has_base: bool) -> dict[str, Any]:
    return {
        **({"region": part.name} if part.name else {}),
        "start": part.start,
        "size": part.size,
        "described": part.described,
        "other": part.other,
        "fill": part.fill,
        "missing": part.missing,
        "undescribed": part.undescribed,
        "stretches": [
            {
                "start": stretch.start,
                "size": stretch.size,
                **(
                    {
                        "differing": {
                            name: count
                            for name, count in zip(images, stretch.differing, strict=True)
                            if count
                        }
                    }
                    if has_base
                    else {}
                ),
            }
            for stretch in part.stretches
        ],
    }
