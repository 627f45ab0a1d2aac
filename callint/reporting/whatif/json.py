"""The effects of a misread signal as JSON, by ``schemas/whatif.schema.json``."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from callint import __version__
from callint.comparing.fault_report import FaultReport
from callint.comparing.sensor_faults import FaultEffect, Threshold
from callint.model.definition import Definition
from callint.reporting.json_fields import finite


def whatif_json(path: str, report: FaultReport) -> str:
    """The readings, every effect in the order of the definition, and the thresholds, as one document.

    ``path`` is the name of the definition's file.
    """
    document: dict[str, Any] = {
        "format": "callint-whatif",
        "version": 1,
        "callint": __version__,
        "image": report.image,
        "definition": path,
        "signal": report.signal.name,
        "unit": report.signal.unit,
        "readings": _readings(report),
        "given": report.given,
        "effects": [_effect(report.definition, effect) for effect in report.effects],
        "thresholds": [_threshold(report.definition, threshold) for threshold in report.thresholds],
        "rivals": {name: [table.name for table in rivals] for name, rivals in report.rivals.items()},
        "unread": list(report.unreadable),
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _effect(definition: Definition, effect: FaultEffect) -> dict[str, Any]:
    return {
        "table": effect.table.name,
        "purpose": effect.table.purpose.value,
        "unit": definition.unit_of(effect.table),
        "true": finite(effect.true),
        "false": finite(effect.false),
        "reading": effect.reading,
        "at": effect.at,
        "share": effect.share,
        "switched": effect.switched,
        "points": effect.points,
        "via": list(effect.via),
    }


def _threshold(definition: Definition, threshold: Threshold) -> dict[str, Any]:
    return {
        "table": threshold.table.name,
        "purpose": threshold.table.purpose.value,
        "unit": definition.unit_of(threshold.table),
        "value": finite(threshold.value),
        "true": [finite(end) for end in threshold.true],
        "false": [finite(end) for end in threshold.false],
        "crossed": threshold.is_crossed,
    }


def _readings(report: FaultReport) -> list[dict[str, Any]]:
    columns = {"true": report.true, "false": report.false}
    if report.wiring_readings is not None:
        measurement = report.wiring_readings.measurement
        columns |= {"ohms": measurement.ohms, "volts": measurement.volts}
        columns |= {"seen_ohms": measurement.seen_ohms, "seen_volts": measurement.seen_volts}
    rows = zip(*(np.asarray(values).tolist() for values in columns.values()), strict=True)
    return [dict(zip(columns, map(finite, row), strict=True)) for row in rows]
