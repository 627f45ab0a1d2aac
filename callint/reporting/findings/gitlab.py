"""Findings as a code quality report, which a forge shows in a merge request and beside the changed lines.

The form is the documented one of such reports: a list of objects with description, check_name, fingerprint,
severity, location.path and location.lines.begin (from memory).
"""

from __future__ import annotations

import json
from typing import Any

from callint.checking.report import Report
from callint.fmt import clean
from callint.model.finding import Finding, Severity
from callint.reporting.findings.wording import location, one_line, path_from_top

_SEVERITIES = {Severity.ERROR: "critical", Severity.WARNING: "major", Severity.NOTE: "info"}


def findings_gitlab(report: Report, folder: str = "") -> str:
    """The findings that are not waived as a list; ``folder`` is that of the policy in the repository.

    The forge tells findings apart by their fingerprint alone, so that each fingerprint occurs once.
    """
    entries: dict[str, dict[str, Any]] = {}
    for finding in report.findings:
        if not finding.waived:
            entries.setdefault(finding.fingerprint, _entry(finding, folder))
    return json.dumps(list(entries.values()), indent=1) + "\n"


def _entry(finding: Finding, folder: str) -> dict[str, Any]:
    path, line = location(finding)
    return {
        "description": clean(one_line(finding)),
        "check_name": finding.rule,
        "fingerprint": finding.fingerprint,
        "severity": _SEVERITIES[finding.severity],
        "location": {"path": clean(path_from_top(folder, path) or path), "lines": {"begin": line or 1}},
    }
