"""The result of an import as JSON, by ``schemas/import.schema.json``."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from callint.reading.asap2.nodes import ItemCounts
from callint.reporting.import_.result import ImportResult


def import_json(result: ImportResult) -> str:
    """The whole result as one JSON document."""
    imported = result.imported
    description = imported.description
    document: dict[str, Any] = {
        "format": "callint-import",
        "version": 1,
        "description": result.source,
        "definition": result.target,
        "module": description.module,
        "written": imported.definition is not None,
        "complete": result.is_complete,
        "taken": {kind.replace(" ", "_"): number for kind, number in result.counts.items()},
        "map_orders": dict(zip(("x_first", "y_first"), result.map_orders, strict=True)),
        "lost": [
            {
                "kind": loss.kind,
                "name": loss.name,
                "reason": loss.reason,
                "whole": loss.is_whole,
                "file": loss.place.file,
                "line": loss.place.line,
            }
            for loss in imported.losses
        ],
        "not_covered": _item_counts(description.uncovered),
        "unknown": _item_counts(description.unknown),
        "without_a_place": _item_counts(description.unused),
    }
    if result.image:
        document["image"] = result.image
        document["judged"] = [
            {
                "name": item.name,
                "line": result.lines.get(item.name, 0),
                "doubts": list(item.doubts),
                "support": list(item.support),
            }
            for item in result.evidence
        ]
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def _item_counts(counts: Mapping[tuple[str, str], ItemCounts]) -> list[dict[str, Any]]:
    return [
        {
            "what": what,
            **({"in": inside} if inside else {}),
            "number": count.amount,
            "file": count.first.file,
            "line": count.first.line,
        }
        for (what, inside), count in counts.items()
    ]
