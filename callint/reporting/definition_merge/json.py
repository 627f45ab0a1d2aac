"""The conflicts of a merge of definitions as JSON, by ``schemas/conflicts.schema.json``."""

from __future__ import annotations

import json
from typing import Any

from callint.checking.definition_merge_report import DefinitionMergeReport
from callint.comparing.definition_merge.conflicts import DefinitionDecision, ValueVersions, Version
from callint.reporting.definition_merge.wording import value_unit
from callint.reporting.findings.json import brief, causes_json
from callint.reporting.merge.lists import FORMAT

_SIDES = ("base", "ours", "theirs")


def definition_merge_json(report: DefinitionMergeReport) -> str:
    """The whole merge as one JSON document."""
    document: dict[str, Any] = {
        "format": FORMAT,
        "version": 1,
        "base": report.base,
        "ours": report.ours,
        "theirs": report.theirs,
        "definition": report.path,
        "conflicts": [_decision(report, decision) for decision in report.open_decisions],
        "settled": [_decision(report, decision) for decision in report.merge.settled],
        "causes": causes_json(report.broken),
        "broken": [brief(finding) for finding in report.broken.findings],
        "summary": {
            "conflicts": len(report.open_decisions),
            "cells": 0,
            "settled": len(report.merge.settled),
            "broken": len(report.broken.findings),
        },
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _decision(report: DefinitionMergeReport, decision: DefinitionDecision) -> dict[str, Any]:
    conflict = decision.conflict
    place = conflict.place
    lines = zip(_SIDES, conflict.lines, strict=True)
    return {
        "kind": "element",
        "conflict": conflict.kind.value,
        "item": place.kind,
        "names": list(place.names),
        **({"element": place.element} if place.element else {}),
        **({"key": place.key} if place.key else {}),
        **({"removed-by": conflict.removed_by.value} if conflict.removed_by else {}),
        "lines": {side: number for side, number in lines if number is not None},
        "values": [
            _value(value, value_unit(report.definition, conflict, value)) for value in conflict.values
        ],
        "kept": decision.side.value,
    }


def _value(value: ValueVersions, unit: str) -> dict[str, Any]:
    versions = zip(_SIDES, (value.base, value.ours, value.theirs), strict=True)
    return {
        **({"element": value.element} if value.element else {}),
        **({"attribute": value.attribute} if value.attribute else {}),
        **({"position": value.position} if value.position is not None else {}),
        **({"unit": unit} if unit else {}),
        **{side: _version(version) for side, version in versions if version.text is not None},
    }


def _version(version: Version) -> dict[str, Any]:
    return {"text": version.text, **({"line": version.line} if version.line else {})}
