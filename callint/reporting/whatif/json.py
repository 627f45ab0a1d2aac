"""What a false reading does, as JSON, by ``schemas/whatif.schema.json``."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from callint import __version__
from callint.reporting.whatif.text import FaultReport


def whatif_json(definition: str, outlook: FaultReport) -> str:
    """The readings, every effect in the order of the definition, and the thresholds, as one document.

    ``definition`` is the file's name.
    """
    document: dict[str, Any] = {
        "format": "callint-whatif",
        "version": 1,
        "callint": __version__,
        "image": outlook.image,
        "definition": definition,
        "signal": outlook.signal.name,
        "unit": outlook.signal.unit,
        "readings": _readings(outlook),
        "given": outlook.given,
        "effects": [
            {
                "table": one.table.name,
                "purpose": one.table.purpose.value,
                "unit": outlook.definition.unit_of(one.table),
                "true": _number(one.true),
                "false": _number(one.false),
                "reading": one.reading,
                "at": one.at,
                "share": one.share,
                "switched": one.switched,
                "points": one.points,
                "via": list(one.via),
            }
            for one in outlook.effects
        ],
        "thresholds": [
            {
                "table": one.table.name,
                "purpose": one.table.purpose.value,
                "unit": outlook.definition.unit_of(one.table),
                "value": _number(one.value),
                "true": [_number(end) for end in one.true],
                "false": [_number(end) for end in one.false],
                "crossed": one.is_crossed,
            }
            for one in outlook.thresholds
        ],
        "rivals": {name: [table.name for table in others] for name, others in (outlook.rivals or {}).items()},
        "unread": list(outlook.obstacles),
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _number(value: float) -> float | None:
    """A value, or None (null) where the table is off or there is no end to it."""
    return float(value) if math.isfinite(value) else None


def _readings(outlook: FaultReport) -> list[dict[str, Any]]:
    columns = {"true": outlook.true, "false": outlook.false}
    circuit, wiring = outlook.circuit, outlook.wiring
    if circuit is not None and wiring is not None:
        measured = circuit.measured(outlook.true, wiring)
        columns |= {"ohms": measured.ohms, "volts": measured.volts}
        columns |= {"seen_ohms": measured.seen_ohms, "seen_volts": measured.seen_volts}
    rows = zip(*(np.asarray(values).tolist() for values in columns.values()), strict=True)
    return [dict(zip(columns, map(_number, row), strict=True)) for row in rows]
