"""The coverage of a definition as JSON, by ``schemas/coverage.schema.json``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from callint.decoding.coverage import Coverage, PartCoverage

if TYPE_CHECKING:
    from callint.decoding.table_suggestions.suggest import Suggestion, Suggestions


def coverage_document(
    coverage: Coverage,
    definition: str,
    images: Sequence[str],
    base: str,
    suggestions: Suggestions | None = None,
) -> dict[str, Any]:
    """The coverage of some images of one definition as a JSON document; ``base`` is "" without a base."""
    document = {
        "format": "callint-coverage",
        "version": 1,
        "definition": definition,
        "images": list(images),
        **({"base": base} if base else {}),
        "parts": [_part(part, images, bool(base)) for part in coverage.parts],
    }
    if suggestions is not None:
        document["suggestions"] = [_suggestion(suggestions, item, images) for item in suggestions.items]
        document["unread"] = suggestions.unread
    return document


def _suggestion(suggestions: Suggestions, item: Suggestion, images: Sequence[str]) -> dict[str, Any]:
    from callint.model.definition import Table
    from callint.reporting.coverage.suggestions import evidence, kind_of, suggestion_lines

    table = item.item if isinstance(item.item, Table) else None
    changed = {name: count for name, count in zip(images, item.changed, strict=False) if count}
    return {
        "kind": kind_of(item),
        "name": item.item.name,
        "at": item.item.at,
        "type": item.item.storage.type.name,
        "byte_order": item.item.storage.byte_order.value,
        **({"other_type": item.other_type} if item.other_type else {}),
        "rows": item.rows,
        "columns": item.columns,
        "y_first": bool(table and table.y_first),
        "axes": list(table.axes if table else ()),
        "confidence": item.confidence,
        "evidence": list(evidence(item, images)),
        **({"changed": changed} if changed else {}),
        "lines": suggestion_lines(suggestions, item),
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
