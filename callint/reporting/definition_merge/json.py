"""The conflicts of a merge of definitions as JSON, by ``schemas/conflicts.schema.json``."""

from __future__ import annotations

from typing import Any

from callint.checking.definition_merge_report import DefinitionMergeReport
from callint.comparing.definition_merge.conflicts import DefinitionDecision, ValueVersions, Version
from callint.reporting.definition_merge.wording import value_unit
from callint.reporting.merge.document import conflicts_document

_SIDES = ("base", "ours", "theirs")


def definition_merge_json(report: DefinitionMergeReport) -> str:
    """The whole merge as one JSON document."""
    return conflicts_document(
        report,
        [_decision(report, decision) for decision in report.open_decisions],
        [_decision(report, decision) for decision in report.merge.settled],
    )


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
