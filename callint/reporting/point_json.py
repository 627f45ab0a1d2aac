"""What tables put out at one operating point, as JSON, by ``schemas/point.schema.json``."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from callint import __version__
from callint.reporting.point_text import Output, Outputs


def point_json(image: str, point: Mapping[str, float], found: Outputs) -> str:
    """The point, the outputs in the order of the definition, and what was left out, as one document."""
    document = {
        "format": "callint-point",
        "version": 1,
        "callint": __version__,
        "image": image,
        "at": dict(point),
        "tables": [_output(output) for output in found.outputs],
        "wanting": dict(found.wanting),
        "unread": list(found.unread),
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _output(output: Output) -> dict[str, Any]:
    return {
        "table": output.table.name,
        "purpose": output.table.purpose.value,
        **_values(output.new, output.old),
        "cells": [{"at": at, "weight": weight, **_values(new, old)} for at, weight, new, old in output.cells],
    }


def _values(new: float, old: float | None) -> dict[str, float | None]:
    """New and old value, null where off; no old one without a base."""
    found = {"new": _number(new)}
    return found if old is None else {**found, "old": _number(old)}


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
