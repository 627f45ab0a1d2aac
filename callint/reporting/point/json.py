"""The outputs of tables at one operating point as JSON, by ``schemas/point.schema.json``."""

from __future__ import annotations

import json
from typing import Any

from callint import __version__
from callint.comparing.point_outputs import PointOutputs, TableOutput
from callint.model.definition import Definition
from callint.reporting.json_fields import finite


def point_json(path: str, definition: Definition, image: str, base: str, result: PointOutputs) -> str:
    """The point, the outputs in the order of the definition, and what is left out, as one document.

    ``path``, ``image`` and ``base`` are the names of the definition's and of the images' files; ``base`` is
    "" without a base.
    """
    document: dict[str, Any] = {
        "format": "callint-point",
        "version": 1,
        "callint": __version__,
        "image": image,
        "definition": path,
        "at": dict(result.point),
        "made": {
            name: {"table": signal.table.name, **_values(signal.new, signal.old)}
            for name, signal in result.derived.items()
        },
        "tables": [_output(definition, output) for output in result.outputs],
        "wanting": dict(result.missing_signals),
        "unread": list(result.unreadable),
    }
    if base:
        document["base"] = base
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _output(definition: Definition, output: TableOutput) -> dict[str, Any]:
    return {
        "table": output.table.name,
        "purpose": output.table.purpose.value,
        "unit": definition.unit_of(output.table),
        **_values(output.new, output.old),
        "beyond": list(output.held_signals),
        "via": list(output.derived_signals),
        "cells": [
            {"x": cell.x, "y": cell.y, "at": cell.at, "weight": cell.weight, **_values(cell.new, cell.old)}
            for cell in output.cells
        ],
    }


def _values(new: float, old: float | None) -> dict[str, float | None]:
    """The new and the old value, null if the table is off; without a base there is no old value."""
    fields = {"new": finite(new)}
    return fields if old is None else {**fields, "old": finite(old)}
