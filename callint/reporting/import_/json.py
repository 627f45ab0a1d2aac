"""What an import took and left, as JSON, by ``schemas/import.schema.json``."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from callint.model.definition import Kind
from callint.reading.asap2.build import Imported
from callint.reading.asap2.nodes import ItemCounts


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What became of a description, and the names of both files."""

    imported: Imported
    source: str
    target: str


def taken(imported: Imported) -> dict[str, int]:
    """How many of each kind of thing the definition has, in the order in which people ask for them."""
    made = imported.definition
    if made is None:
        return {}
    kinds = [table.kind for table in made.tables.values()]
    return {
        **{kind.value: kinds.count(kind) for kind in (Kind.SCALAR, Kind.CURVE, Kind.MAP)},
        "text": len(made.texts),
        "shared axis": sum("/" not in name for name in made.axes),
        "conversion": len(made.conversions),
        "signal": len(made.signals),
        "region": len(made.memory.regions),
        "identity": len(made.memory.identities),
    }


def import_json(report: ImportReport) -> str:
    """The whole report as one JSON document."""
    imported = report.imported
    description = imported.description
    document: dict[str, Any] = {
        "format": "callint-import",
        "version": 1,
        "description": report.source,
        "definition": report.target,
        "module": description.module,
        "written": imported.definition is not None,
        "complete": imported.is_complete,
        "taken": {kind.replace(" ", "_"): amount for kind, amount in taken(imported).items()},
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
        "not_covered": _tallies(description.uncovered),
        "unknown": _tallies(description.unknown),
        "without_a_place": _tallies(description.unused),
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def _tallies(tallies: Mapping[tuple[str, str], ItemCounts]) -> list[dict[str, Any]]:
    return [
        {
            "what": what,
            **({"in": inside} if inside else {}),
            "number": tally.amount,
            "file": tally.first.file,
            "line": tally.first.line,
        }
        for (what, inside), tally in tallies.items()
    ]
