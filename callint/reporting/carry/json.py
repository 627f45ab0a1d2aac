"""What was carried to another software version, as JSON, by ``schemas/carry.schema.json``."""

from __future__ import annotations

import json
from typing import Any

from callint.checking.carry_report import CarryReport
from callint.comparing.carry.result import CarriedItem, CarryNote, CarryProblem, CellRef
from callint.reporting.carry.reasons import note_message, omission_text, problem_message
from callint.reporting.findings.json import brief, causes_json


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
        "tables": [_item(item) for item in carried.items],
        "left_out": [
            {"name": omission.name, "what": omission_text(omission.what)} for omission in carried.left_out
        ],
        "notes": [_note(note) for note in carried.notes],
        "problems": [_problem(problem) for problem in carried.problems],
        "checksums": [
            {"name": renewal.checksum.name, "old": renewal.stored, "new": renewal.value}
            for renewal in carried.renewals
        ],
        "causes": causes_json(report.broken),
        "broken": [brief(finding) for finding in report.broken.findings],
        "summary": {
            "tables": len(carried.items),
            "cells": carried.cells,
            "left_out": len(carried.left_out),
            "problems": len(carried.problems),
            "broken": len(report.broken.findings),
        },
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _item(item: CarriedItem) -> dict[str, Any]:
    fields: dict[str, Any] = {"name": item.name, "kind": item.kind}
    if item.unit:
        fields["unit"] = item.unit
    fields |= {"cells": item.cells, "deviation": item.deviation}
    return fields | _cell(item.cell)


def _note(note: CarryNote) -> dict[str, Any]:
    return {"name": note.name, "message": note_message(note.reason)} | _cell(note.cell)


def _problem(problem: CarryProblem) -> dict[str, Any]:
    fields = {
        "name": problem.name,
        "reason": problem.reason.value,
        "message": problem_message(problem.cause),
    }
    version = {"in": "old" if problem.is_old else "new"} if problem.cell else {}
    return fields | _cell(problem.cell) | version


def _cell(cell: CellRef | None) -> dict[str, Any]:
    return {} if cell is None else {"cell": {"x": cell.x, "y": cell.y}, "at": dict(cell.at)}
