"""Findings as SARIF 2.1.0, the published format for the results of static analysis.

Section numbers in this module are those of the OASIS standard.
"""

from __future__ import annotations

import json
import re
from base64 import b64encode
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from callint import __version__
from callint.checking.report import Report
from callint.fmt import clean
from callint.model.finding import Finding
from callint.model.waiver import Waiver
from callint.reporting.findings.summary import summary
from callint.reporting.findings.wording import location, one_line
from callint.reporting.json_fields import without_none
from callint.reporting.rules.pages import page_paragraphs
from callint.rules.registry import RULES
from callint.rules.rule import Rule

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"

#: The name of the folder that paths are relative to; a reader of the log supplies the folder itself.
_ROOT = "ROOT"
#: The name and version of the fingerprint; another algorithm gets another name.
_FINGERPRINT = "callint/v1"

_RULE_NUMBERS = {rule: number for number, rule in enumerate(RULES)}

_Object = dict[str, Any]


def findings_sarif(reports: Sequence[Report]) -> str:
    """The reports as one log with a run for each report; several reports come from several commits.

    If a report has known findings, its results have a baseline state: new, or unchanged for known ones.
    """
    log = {"$schema": SCHEMA, "version": "2.1.0", "runs": [_Run(report).run() for report in reports]}
    return json.dumps(log, indent=1, allow_nan=False) + "\n"


class _Run:
    """A run, and the files that its results name so far."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self._has_waived = any(finding.waived for finding in (*report.findings, *(report.known or ())))
        self._files: dict[str, int] = {}

    def run(self) -> _Object:
        report = self._report
        for path in report.files:
            self._artifact(path)
        states = [(finding, "new") for finding in report.findings]
        states += [(finding, "unchanged") for finding in report.known or ()]
        results = [self._result(finding, state) for finding, state in states]
        rules = [_rule(rule) for rule in RULES.values()]
        run: _Object = {
            "tool": {"driver": {"name": "callint", "version": __version__, "rules": rules}},
            "invocations": [{"executionSuccessful": True}],
            "originalUriBaseIds": {
                _ROOT: {"description": {"text": "The folder of the policy callint.toml."}}
            },
            "artifacts": [{"location": _location(path)} for path in self._files],
            "columnKind": "unicodeCodePoints",
            "results": results,
            "properties": summary(report),
        }
        if report.commit:
            run["automationDetails"] = {"id": f"callint/{report.commit}"}
        return run

    def _result(self, finding: Finding, state: str) -> _Object:
        logical = [_cell(finding)] if finding.table else None
        place = without_none({"physicalLocation": self._line(finding), "logicalLocations": logical})
        related = [*self._bytes(finding), *_other(finding), *self._origin(finding)]
        return without_none(
            {
                "ruleId": finding.rule,
                "ruleIndex": _RULE_NUMBERS[finding.rule],
                "level": finding.severity.value,
                "message": {"text": _plain(one_line(finding))},
                "analysisTarget": self._artifact(finding.image) if finding.image else None,
                "locations": [place],
                "relatedLocations": [{"id": number, **other} for number, other in enumerate(related)] or None,
                "fixes": self._fixes(finding),
                "partialFingerprints": {_FINGERPRINT: finding.fingerprint},
                "suppressions": self._suppressions(finding.waiver),
                "baselineState": state if self._report.known is not None else None,
                "properties": _properties(finding),
            }
        )

    def _line(self, finding: Finding) -> _Object:
        """The line in the definition, the policy or an image file of records."""
        path, line = location(finding)
        region = {"startLine": line} if line else None
        return without_none({"artifactLocation": self._artifact(path), "region": region})

    def _bytes(self, finding: Finding) -> list[_Object]:
        """The bytes in the image's file and in the control unit's memory.

        They are a related location: section 3.27.12 keeps ``locations`` for places that must all change.
        """
        if finding.address is None or not finding.image:
            return []
        region = None
        if finding.offset is not None:
            region = {"byteOffset": finding.offset, "byteLength": finding.size}
        address = {"absoluteAddress": finding.address, "length": finding.size, "kind": "data"}
        place = {
            "artifactLocation": self._artifact(finding.image),
            "region": region,
            "address": without_none(address),
        }
        return [{"physicalLocation": without_none(place), "message": {"text": "The bytes in the image."}}]

    def _origin(self, finding: Finding) -> list[_Object]:
        """The line of another file that the definition takes the subject of the finding from."""
        if not finding.origin:
            return []
        region = {"startLine": finding.origin_line}
        place = {"artifactLocation": self._artifact(finding.origin), "region": region}
        return [{"physicalLocation": place, "message": {"text": "The line in the other definition."}}]

    def _fixes(self, finding: Finding) -> list[_Object] | None:
        """The proposal to restore the bytes of the base; an accepted finding needs no fix."""
        if not finding.base_bytes or finding.offset is None or finding.waived:
            return None
        value = f" ({clean(finding.base)})" if finding.base else ""
        replacement = {
            "deletedRegion": {"byteOffset": finding.offset, "byteLength": finding.size},
            "insertedContent": {"binary": b64encode(finding.base_bytes).decode("ascii")},
        }
        change = {"artifactLocation": self._artifact(finding.image), "replacements": [replacement]}
        text = _plain(f"Restore the bytes of the base{value}, then run callint seal.")
        return [{"description": {"text": text}, "artifactChanges": [change]}]

    def _suppressions(self, waiver: Waiver | None) -> list[_Object] | None:
        """The suppression for a waiver, which is outside the checked files: "external" in section 3.35.2.

        If one result has suppressions, every result needs them (section 3.27.23).
        """
        if waiver is None:
            return [] if self._has_waived else None
        policy = self._report.policy
        suppression = {
            "kind": "external",
            "status": "accepted",
            "justification": clean(waiver.reason),
            "location": {
                "physicalLocation": {
                    "artifactLocation": self._artifact(policy),
                    "region": {"startLine": waiver.line},
                }
            }
            if policy and waiver.line
            else None,
            "properties": without_none(
                {"who": clean(waiver.who), "until": waiver.until.isoformat() if waiver.until else None}
            ),
        }
        return [without_none(suppression)]

    def _artifact(self, path: str) -> _Object:
        return {**_location(path), "index": self._files.setdefault(path, len(self._files))}


def _rule(rule: Rule) -> _Object:
    first, *_ = paragraphs = page_paragraphs(rule)
    return {
        "id": rule.id,
        "name": "".join(word.capitalize() for word in re.split("[/-]", rule.id)),
        "shortDescription": {"text": _plain(rule.title)},
        "fullDescription": {"text": _plain(first)},
        "help": {"text": "\n\n".join(map(_plain, paragraphs)), "markdown": "\n\n".join(paragraphs)},
        "defaultConfiguration": {"level": rule.severity.value},
        "properties": {"tags": [rule.family]},
    }


def _cell(finding: Finding) -> _Object:
    """The table or a cell of it; the name of a table never contains a slash."""
    if finding.cell is None:
        return {"name": finding.table, "fullyQualifiedName": finding.table, "kind": "table"}
    name = f"{finding.cell.x},{finding.cell.y}"
    return {"name": name, "fullyQualifiedName": f"{finding.table}/{name}", "kind": "cell"}


def _other(finding: Finding) -> list[_Object]:
    if not finding.other:
        return []
    place = {"name": finding.other, "fullyQualifiedName": finding.other, "kind": "table"}
    return [{"logicalLocations": [place], "message": {"text": "The other table."}}]


def _properties(finding: Finding) -> _Object:
    """Fields that the standard lacks, under the names of callint's own JSON."""
    return without_none(
        {
            "message": clean(finding.message),
            "hint": clean(finding.hint) or None,
            "table": finding.table or None,
            "cell": {"x": finding.cell.x, "y": finding.cell.y} if finding.cell else None,
            "at": dict(finding.at) or None,
            "raw": finding.raw,
            "physical": finding.physical,
            "base_physical": finding.base_physical,
            "unit": clean(finding.unit) or None,
            "commit": finding.commit or None,
            "inherited": finding.inherited or None,
            "cause": finding.cause or None,
        }
    )


def _plain(text: str) -> str:
    """A text without links (section 3.11.6) and placeholders (section 3.11.5)."""
    return clean(text).replace("](", r"\](").replace("{", "{{").replace("}", "}}")


def _location(path: str) -> _Object:
    """A path as a URI; a relative path is relative to the root."""
    encoded = quote(path.encode("utf-8", "surrogateescape"), safe="/")
    if re.match(r"[A-Za-z]:/", path):
        return {"uri": f"file:///{path[0]}:{encoded[4:]}"}
    return {"uri": f"file://{encoded}"} if path.startswith("/") else {"uri": encoded, "uriBaseId": _ROOT}
