"""Findings as JSON, by ``schemas/findings.schema.json``."""

from __future__ import annotations

import json
from typing import Any

from callint import __version__
from callint.checking.cause_order import CauseFindings, cause_groups
from callint.checking.report import Report
from callint.model.cause import Place
from callint.model.finding import Finding
from callint.reporting.findings.summary import summary
from callint.reporting.json_fields import without_none


def findings_json(report: Report) -> str:
    """The whole report as one JSON document."""
    document = {
        "format": "callint-findings",
        "version": 1,
        "callint": __version__,
        "causes": causes_json(report),
        "findings": [_finding(finding) for finding in report.findings],
        "summary": summary(report),
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def brief(finding: Finding) -> dict[str, Any]:
    """A finding in a report about one image, without the fields that name the image."""
    names = ("rule", "table", "cell", "message", "hint", "fingerprint", "cause")
    return {name: value for name, value in _finding(finding).items() if name in names}


def causes_json(report: Report) -> list[dict[str, Any]]:
    """The causes of a report, in the order of all formats."""
    return [_cause(group) for group in cause_groups(report.findings, report.causes) if group.cause]


def _cause(group: CauseFindings) -> dict[str, Any]:
    """A cause with what it does and the fingerprints of its findings, in their order."""
    cause, first = group.cause, group.first
    assert cause is not None
    fields: dict[str, Any] = {
        "id": cause.id,
        "kind": cause.kind.value,
        "severity": group.severity.value,
        "danger": group.danger.value or None,
        "image": first.image or None,
        "definition": first.definition or None,
        "policy": first.policy or None,
        "commit": first.commit or None,
        "title": cause.title,
        "explanation": cause.explanation or None,
        "effect": cause.effect.value if cause.effect else None,
        "places": [_place(place) for place in cause.places],
        "affected": round(cause.share, 6),
        "hint": group.hint or None,
        "findings": [finding.fingerprint for finding in group.findings],
        "waived": not group.active,
    }
    return without_none(fields)


def _place(place: Place) -> dict[str, Any]:
    ranges = [{"address": address, "size": size} for address, size in place.ranges]
    return without_none(
        {
            "kind": place.kind.value,
            "name": place.name or None,
            "text": place.text,
            "cells": len(place.cells) or None,
            "ranges": ranges or None,
        }
    )


def _finding(finding: Finding) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "rule": finding.rule,
        "severity": finding.severity.value,
        "image": finding.image or None,
        "definition": finding.definition or None,
        "policy": finding.policy or None,
        "line": finding.line,
        "origin": {"definition": finding.origin, "line": finding.origin_line} if finding.origin else None,
        "image_line": finding.image_line,
        "table": finding.table or None,
        "other": finding.other or None,
        "cell": {"x": finding.cell.x, "y": finding.cell.y} if finding.cell else None,
        "at": dict(finding.at) or None,
        "address": finding.address,
        "raw": finding.raw,
        "physical": finding.physical,
        "base_physical": finding.base_physical,
        "unit": finding.unit or None,
        "message": finding.message,
        "hint": finding.hint or None,
        "commit": finding.commit or None,
        "inherited": finding.inherited or None,
        "fingerprint": finding.fingerprint,
        "cause": finding.cause or None,
        "waived": finding.waived,
    }
    return without_none(fields)
