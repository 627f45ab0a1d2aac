"""Findings as JSON, by ``schemas/findings.schema.json``."""

from __future__ import annotations

import json
from typing import Any

from callint import __version__
from callint.checking.report import Report
from callint.model.finding import Finding
from callint.reporting.findings.summary import summary


def findings_json(report: Report) -> str:
    """The whole report as one JSON document."""
    document = {
        "format": "callint-findings",
        "version": 1,
        "callint": __version__,
        "findings": [_finding(finding) for finding in report.findings],
        "summary": summary(report),
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def brief(finding: Finding) -> dict[str, Any]:
    """A finding about the image that a report is about anyway."""
    names = ("rule", "table", "cell", "message", "hint")
    return {name: value for name, value in _finding(finding).items() if name in names}


def _finding(finding: Finding) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "rule": finding.rule,
        "severity": finding.severity.value,
        "image": finding.image or None,
        "definition": finding.definition or None,
        "policy": finding.policy or None,
        "line": finding.line,
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
        "waived": finding.waived,
    }
    return {key: value for key, value in fields.items() if value is not None}
