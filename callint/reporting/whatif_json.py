"""What a false reading does, as JSON, by ``schemas/whatif.schema.json``."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from callint import __version__
from callint.reporting.whatif_text import Outlook, thresholds


def whatif_json(image: str, outlook: Outlook) -> str:
    """The readings, every effect in the order of the definition, and the thresholds, as one document."""
    document: dict[str, Any] = {
        "format": "callint-whatif",
        "version": 1,
        "callint": __version__,
        "image": image,
        "signal": outlook.signal.name,
        "unit": outlook.signal.unit,
        "readings": [_reading(outlook, case) for case in range(len(outlook.true))],
        "given": outlook.given,
        "effects": [
            {
                "table": one.table.name,
                "purpose": one.table.purpose.value,
                "unit": outlook.definition.unit_of(one.table),
                "true": _number(one.true),
                "false": _number(one.false),
                "reading": one.case,
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
                "value": _number(one.value),
                "true": list(one.true),
                "false": list(one.false),
                "crossed": one.is_crossed,
            }
            for one in thresholds(outlook)
        ],
        "unread": list(outlook.unread),
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _number(value: float) -> float | None:
    """A value, or None (null) where the table is off."""
    return value if math.isfinite(value) else None


def _reading(outlook: Outlook, case: int) -> dict[str, Any]:
    found: dict[str, Any] = {"true": float(outlook.true[case]), "false": float(outlook.false[case])}
    circuit, wiring = outlook.circuit, outlook.wiring
    if circuit is not None and wiring is not None:
        before = circuit.voltage_of(np.array([outlook.true[case]]))
        resistance = circuit.resistance_at(before)
        seen = wiring.seen(resistance)
        found |= {"ohms": float(resistance[0]), "volts": float(before[0])}
        found |= {"seen_ohms": _number(float(seen[0])), "seen_volts": float(circuit.voltage_at(seen)[0])}
    return found
