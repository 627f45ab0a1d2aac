"""The findings of a review: in the order of reading, those that are alike folded into one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from callint import fmt
from callint.checking.report import Report
from callint.model.finding import Finding
from callint.model.waiver import Waiver
from callint.reporting.review.tables import spans

#: Of one rule in one table so many findings are listed, and only one where the rule has so many already.
_PER_TABLE, _PER_RULE = 20, 200


def told_with_state(report: Report) -> list[tuple[Finding, bool]]:
    """All findings, and whether OLD has them too.

    Those that nobody waived come first, then the worst, then those that OLD has not.
    """
    found = [(finding, False) for finding in report.findings]
    found += [(finding, True) for finding in report.known or ()]
    return sorted(found, key=lambda one: (one[0].waived, one[0].severity.rank, one[1]))


def finding_entries(
    findings: Sequence[tuple[Finding, bool]],
    images: Mapping[str, int],
    columns: Mapping[tuple[str, str], int],
) -> list[dict[str, Any]]:
    """The findings in the same order.

    ``images`` are the images' ids by path, ``columns`` how many columns a table or axis of an image has.
    """
    listed: list[dict[str, Any]] = []
    last: dict[tuple[object, ...], dict[str, Any]] = {}
    here: Counter[tuple[object, ...]] = Counter()
    spoken: Counter[str] = Counter()
    folded: dict[tuple[object, ...], list[Finding]] = {}
    for finding, known in findings:
        kind = _kind(finding, known)
        most = _PER_TABLE if spoken[finding.rule] < _PER_RULE else 1
        if here[kind] >= most and finding.table:
            folded.setdefault(kind, []).append(finding)
            continue
        here[kind] += 1
        spoken[finding.rule] += 1
        last[kind] = {"id": len(listed), **_entry(finding, known, images)}
        listed.append(last[kind])
    for kind, more in folded.items():
        last[kind]["more"] = len(more)
        if cells := _cells(more, columns.get((more[0].image, more[0].table))):
            last[kind]["cells"] = cells
    return listed


def _kind(finding: Finding, known: bool) -> tuple[object, ...]:
    """What findings that are folded into one have in common."""
    source = finding.image, finding.definition, finding.table, finding.rule
    return *source, finding.severity, known, finding.inherited, finding.waiver


def _cells(findings: Sequence[Finding], columns: int | None) -> list[list[int]]:
    if columns is None:
        return []
    numbers = [finding.cell.y * columns + finding.cell.x for finding in findings if finding.cell]
    return spans(np.bincount(numbers).astype(bool)) if numbers else []


def _entry(finding: Finding, known: bool, images: Mapping[str, int]) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "image": images.get(finding.image),
        "source": None if finding.image in images else finding.definition or finding.policy or None,
        "rule": finding.rule,
        "severity": finding.severity.value,
        "state": "known" if known else "new",
        "inherited": True if finding.inherited else None,
        "table": finding.table or None,
        "cell": [finding.cell.x, finding.cell.y] if finding.cell else None,
        "place": finding.place.removeprefix("at ") or None,
        "message": in_one_line(finding.message),
        "hint": in_one_line(finding.hint) or None,
        "address": None if finding.address is None else fmt.address(finding.address),
        "line": finding.line,
        "fingerprint": finding.fingerprint,
        "waiver": _waiver(finding.waiver) if finding.waiver else None,
    }
    return {key: value for key, value in fields.items() if value is not None}


def _waiver(waiver: Waiver) -> dict[str, str]:
    fields = {"who": in_one_line(waiver.who), "reason": in_one_line(waiver.reason)}
    return {**fields, "until": waiver.until.isoformat()} if waiver.until else fields


def in_one_line(text: str) -> str:
    """A text that somebody broke into lines, as one."""
    return " ".join(text.split())
