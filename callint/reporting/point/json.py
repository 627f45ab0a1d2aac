"""What tables put out at one operating point, as JSON, by ``schemas/point.schema.json``."""

from __future__ import annotations

import json
import math
from typing import Any

from callint import __version__
from callint.model.definition import Definition
from callint.reporting.point.text import Output, Outputs


def point_json(path: str, definition: Definition, found: Outputs) -> str:
    """The point, the outputs in the order of the definition, and what was left out, as one document.

    ``path`` is that of the definition.
    """
    document: dict[str, Any] = {
        "format": "callint-point",
        "version": 1,
        "callint": __version__,
        "image": found.image,
        "definition": path,
        "at": dict(found.point),
        "made": {
            signal: {"table": one.maker.name, **_values(one.new, one.old)}
            for signal, one in found.made.items()
        },
        "tables": [_output(definition, output) for output in found.outputs],
        "wanting": dict(found.wanting),
        "unread": list(found.obstacles),
    }
    if found.base:
        document["base"] = found.base
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _output(definition: Definition, output: Output) -> dict[str, Any]:
    return {
        "table": output.table.name,
        "purpose": output.table.purpose.value,
        "unit": definition.unit_of(output.table),
        **_values(output.new, output.old),
        "beyond": list(output.beyond),
        "via": list(output.via),
        "cells": [
            {"x": cell.x, "y": cell.y, "at": cell.at, "weight": cell.weight, **_values(cell.new, cell.old)}
            for cell in output.cells
        ],
    }


def _values(new: float, old: float | None) -> dict[str, float | None]:
    """New and old value, null where off; no old one without a base."""
    found = {"new": _number(new)}
    return found if old is None else {**found, "old": _number(old)}


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
