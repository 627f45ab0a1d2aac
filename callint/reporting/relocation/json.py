"""Where items lie in another software, as JSON, by ``schemas/relocation.schema.json``."""

from __future__ import annotations

import json
from typing import Any

from callint import __version__
from callint.checking.relocation_report import RelocationReport
from callint.comparing.relocation.moved_definition import MovedDefinition
from callint.comparing.relocation.result import Placement
from callint.reporting.relocation.wording import reason


def relocation_json(report: RelocationReport) -> str:
    """The whole report as one JSON document."""
    moved = report.moved
    left = len(moved.left)
    document: dict[str, Any] = {
        "format": "callint-relocation",
        "version": 1,
        "callint": __version__,
        "old": report.old,
        "new": report.new,
        "old_definition": report.definition,
        **({"new_definition": report.target} if report.target else {}),
        **({"extends": report.parent} if report.parent else {}),
        "written": bool(report.target),
        "complete": not left,
        "items": [_item(item, moved) for item in moved.placements],
        "regions_moved": list(moved.moved_regions),
        "summary": {"items": len(moved.placements), "placed": len(moved.placements) - left, "left_out": left},
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _item(item: Placement, moved: MovedDefinition) -> dict[str, Any]:
    fields: dict[str, Any] = {"kind": item.kind.value, "name": item.name, "old_at": item.old}
    if item.new is not None:
        fields["new_at"] = item.new
    if item.checksum is not None and item.new is not None:
        fields |= {"start": item.checksum.start, "size": item.checksum.size}
    if item.count is not None and item.new is not None:
        fields["count"] = item.count
    return fields | {
        "evidence": item.evidence.name.lower().replace("_", "-"),
        "reason": reason(item, moved),
        "probability": round(item.probability, 6),
        "candidates": [{"at": one.at, "probability": round(one.probability, 6)} for one in item.candidates],
    }
