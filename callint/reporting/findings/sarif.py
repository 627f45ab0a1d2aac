"""Findings as SARIF 2.1.0, the published format for what checkers find.

Section numbers in this module are those of the OASIS standard.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from callint import __version__
from callint.checking.report import Report
from callint.fmt import clean
from callint.model.finding import Finding
from callint.model.waiver import Waiver
from callint.reporting.findings.summary import summary
from callint.reporting.findings.wording import told
from callint.reporting.rule_pages import page_paragraphs
from callint.rules.registry import RULES
from callint.rules.rule import Rule

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"

#: What relative paths are relative to; where that is, whoever reads the log knows.
_ROOT = "ROOT"
#: The name and version of the fingerprint: another way to make it has another name.
_FINGERPRINT = "callint/v1"

_RULE_NUMBERS = {rule: number for number, rule in enumerate(RULES)}

_Object = dict[str, Any]


def findings_sarif(reports: Sequence[Report]) -> str:
    """The reports as one log: a run for each, of which there are several where commits are judged one by one.

    Where a report knows what an earlier state had, results have a base state: new, or unchanged for what was
    there before.
    """
    log = {"$schema": SCHEMA, "version": "2.1.0", "runs": [_Run(report).run() for report in reports]}
    return json.dumps(log, indent=1, allow_nan=False) + "\n"


class _Run:
    """One run, and the files that its results name so far."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self._has_waived = any(one.waived for one in (*report.findings, *(report.known or ())))
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
        location = _known(
            {
                "physicalLocation": self._line(finding),
                "logicalLocations": [_cell(finding)] if finding.table else None,
            }
        )
        related = [*self._bytes(finding), *_other(finding)]
        return _known(
            {
                "ruleId": finding.rule,
                "ruleIndex": _RULE_NUMBERS[finding.rule],
                "level": finding.severity.value,
                "message": {"text": _plain(told(finding))},
                "analysisTarget": self._artifact(finding.image) if finding.image else None,
                "locations": [location] if location else None,
                "relatedLocations": [{"id": number, **one} for number, one in enumerate(related)] or None,
                "partialFingerprints": {_FINGERPRINT: finding.fingerprint},
                "suppressions": self._suppressions(finding.waiver),
                "baselineState": state if self._report.known is not None else None,
                "properties": _properties(finding),
            }
        )

    def _line(self, finding: Finding) -> _Object | None:
        """The line in the definition or the policy."""
        source = finding.policy or finding.definition
        if not source:
            return None
        region = {"startLine": finding.line} if finding.line else None
        return _known({"artifactLocation": self._artifact(source), "region": region})

    def _bytes(self, finding: Finding) -> list[_Object]:
        """Where the bytes lie, in the image's file and in the control unit's memory.

        It is a related location: section 3.27.12 keeps ``locations`` for places that must all be changed.
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
            "address": _known(address),
        }
        return [{"physicalLocation": _known(place), "message": {"text": "The bytes in the image."}}]

    def _suppressions(self, waiver: Waiver | None) -> list[_Object] | None:
        """A waiver, which lies outside what was checked: section 3.35.2 calls that external.

        Where anything has suppressions, everything has to (section 3.27.23).
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
            "properties": _known(
                {"who": clean(waiver.who), "until": waiver.until.isoformat() if waiver.until else None}
            ),
        }
        return [_known(suppression)]

    def _artifact(self, path: str) -> _Object:
        return {**_location(path), "index": self._files.setdefault(path, len(self._files))}


def _rule(rule: Rule) -> _Object:
    first, *_ = paragraphs = page_paragraphs(rule)
    return {
        "id": rule.id,
        "name": "".join(word.capitalize() for word in re.split("[/-]", rule.id)),
        "shortDescription": {"text": _plain(rule.title)},
        "fullDescription": {"text": _plain(first)},
        "help": {"text": _plain("\n\n".join(paragraphs)), "markdown": "\n\n".join(paragraphs)},
        "defaultConfiguration": {"level": rule.severity.value},
        "properties": {"tags": [rule.family]},
    }


def _cell(finding: Finding) -> _Object:
    """The table, or a cell of it; no name of a table has a slash."""
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
    """What the standard has no place for, under the names of callint's own JSON."""
    return _known(
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
        }
    )


def _known(fields: _Object) -> _Object:
    return {key: value for key, value in fields.items() if value is not None}


def _plain(text: str) -> str:
    """Text in which nothing is a link (section 3.11.6) or stands for something else (section 3.11.5)."""
    return clean(text).replace("](", r"\](").replace("{", "{{").replace("}", "}}")


def _location(path: str) -> _Object:
    """A path as a URI: relative to the root, unless it is a place of its own."""
    encoded = quote(path.encode("utf-8", "surrogateescape"), safe="/")
    if re.match(r"[A-Za-z]:/", path):
        return {"uri": f"file:///{path[0]}:{encoded[4:]}"}
    return {"uri": f"file://{encoded}"} if path.startswith("/") else {"uri": encoded, "uriBaseId": _ROOT}
