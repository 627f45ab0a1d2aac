"""What was carried to another software version, as JSON, by ``schemas/carry.schema.json``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from callint.checking.report import Report
from callint.comparing.carry import Carried, CarryProblem, CellRef, Moved, Note
from callint.reporting.findings.json import brief


@dataclass(frozen=True, slots=True)
class CarryReport:
    """What was carried, and the names of all files; ``image`` is the one that is written.

    ``broken`` are its errors that the new base has not in the same way.
    """

    carried: Carried
    old_base: str
    reworked: str
    new_base: str
    old_definition: str
    new_definition: str
    image: str
    broken: Report


def carry_json(report: CarryReport) -> str:
    """The whole report as one JSON document."""
    carried = report.carried
    document: dict[str, Any] = {
        "format": "callint-carry",
        "version": 1,
        "old_base": report.old_base,
        "reworked": report.reworked,
        "new_base": report.new_base,
        "old_definition": report.old_definition,
        "new_definition": report.new_definition,
        "image": report.image,
        "as": carried.how.value,
        "written": carried.image is not None,
        "tables": [_moved(one) for one in carried.moved],
        "left_out": [{"name": one.name, "what": one.what} for one in carried.left_out],
        "notes": [_note(one) for one in carried.notes],
        "problems": [_problem(one) for one in carried.problems],
        "checksums": [
            {"name": one.checksum.name, "old": one.stored, "new": one.value} for one in carried.renewals
        ],
        "broken": [brief(finding) for finding in report.broken.findings],
        "summary": {
            "tables": len(carried.moved),
            "cells": carried.cells,
            "left_out": len(carried.left_out),
            "problems": len(carried.problems),
            "broken": len(report.broken.findings),
        },
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _moved(one: Moved) -> dict[str, Any]:
    fields: dict[str, Any] = {"name": one.name, "kind": one.kind}
    if one.unit:
        fields["unit"] = one.unit
    fields |= {"cells": one.cells, "deviation": one.deviation}
    return fields | _placed(one.spot)


def _note(one: Note) -> dict[str, Any]:
    return {"name": one.name, "message": one.message} | _placed(one.spot)


def _problem(one: CarryProblem) -> dict[str, Any]:
    fields = {"name": one.name, "reason": one.reason.value, "message": one.message}
    return fields | _placed(one.spot) | ({"in": "old" if one.is_old else "new"} if one.spot else {})


def _placed(spot: CellRef | None) -> dict[str, Any]:
    return {} if spot is None else {"cell": {"x": spot.x, "y": spot.y}, "at": dict(spot.at)}
