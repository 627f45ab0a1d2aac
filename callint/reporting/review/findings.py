"""The findings of a review as entries of its document; findings of one kind are folded into one entry."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from callint import fmt
from callint.checking.cause_order import CauseFindings
from callint.checking.review_findings import ReviewFinding
from callint.model.finding import Finding
from callint.model.waiver import Waiver
from callint.reporting.findings.cause_wording import cause_title, effect_text
from callint.reporting.json_fields import without_none
from callint.reporting.review.tables import spans

#: The largest number of entries of a rule for a table; it is 1 once the rule has _PER_RULE entries.
_PER_TABLE, _PER_RULE = 20, 200


def finding_entries(
    findings: Sequence[ReviewFinding],
    images: Mapping[str, int],
    columns: Mapping[tuple[str, str], int],
) -> list[dict[str, Any]]:
    """An entry for each finding or group of findings, in the order of the findings.

    ``images`` has the images' ids by path, ``columns`` the number of columns of a table or axis by path and
    name.
    """
    entries: list[dict[str, Any]] = []
    last_entry: dict[tuple[object, ...], dict[str, Any]] = {}
    by_kind: Counter[tuple[object, ...]] = Counter()
    by_rule: Counter[str] = Counter()
    folded: dict[tuple[object, ...], list[Finding]] = {}
    for item in findings:
        finding, kind = item.finding, _kind(item)
        most = 1
        if by_rule[finding.rule] < _PER_RULE:
            kind, most = (*kind, finding.cause), _PER_TABLE  # each mistake has an entry of its own
        if by_kind[kind] >= most and finding.table:
            folded.setdefault(kind, []).append(finding)
            continue
        by_kind[kind] += 1
        by_rule[finding.rule] += 1
        last_entry[kind] = {"id": len(entries), **_entry(item, images)}
        entries.append(last_entry[kind])
    for kind, members in folded.items():
        last_entry[kind]["more"] = len(members)
        if cells := _cells(members, columns.get((members[0].image, members[0].table))):
            last_entry[kind]["cells"] = cells
    return entries


def cause_entries(
    mistakes: Sequence[CauseFindings], entries: Sequence[dict[str, Any]], images: Mapping[str, int]
) -> list[dict[str, Any]]:
    """An entry for each mistake, in their order; the entries of their findings get its id as ``cause``.

    ``entries`` are those of ``finding_entries``. A mistake all of whose findings are folded into entries of
    others has none.
    """
    by_fingerprint = {entry["fingerprint"]: entry for entry in entries}
    causes: list[dict[str, Any]] = []
    for group in mistakes:
        own = [
            by_fingerprint[item.fingerprint] for item in group.active if item.fingerprint in by_fingerprint
        ]
        for entry in own:
            entry["cause"] = len(causes)
        if own:
            causes.append(_cause_entry(len(causes), group, own, images))
    return causes


def _cause_entry(
    number: int, group: CauseFindings, own: Sequence[Mapping[str, Any]], images: Mapping[str, int]
) -> dict[str, Any]:
    finding = group.first
    image = images.get(finding.image)
    return without_none(
        {
            "id": number,
            "cause": group.cause.id if group.cause else None,
            "image": image,
            "source": (finding.definition or finding.policy or None) if image is None else None,
            "title": one_line(cause_title(group)),
            "severity": group.severity.value,
            "danger": group.danger.value or None,
            "effect": effect_text(group) or None,
            "hint": one_line(group.hint) or None,
            "findings": [entry["id"] for entry in own],
        }
    )


def _kind(item: ReviewFinding) -> tuple[object, ...]:
    """What findings have in common that are folded into one entry."""
    finding = item.finding
    source = finding.image, finding.definition, finding.table, finding.rule
    return *source, finding.severity, item.is_known, finding.inherited, finding.waiver


def _cells(findings: Sequence[Finding], columns: int | None) -> list[list[int]]:
    if columns is None:
        return []
    numbers = [finding.cell.y * columns + finding.cell.x for finding in findings if finding.cell]
    return spans(np.bincount(numbers).astype(bool)) if numbers else []


def _entry(item: ReviewFinding, images: Mapping[str, int]) -> dict[str, Any]:
    finding = item.finding
    fields: dict[str, Any] = {
        "image": images.get(finding.image),
        "source": None if finding.image in images else finding.definition or finding.policy or None,
        "rule": finding.rule,
        "severity": finding.severity.value,
        "state": "known" if item.is_known else "new",
        "inherited": True if finding.inherited else None,
        "table": finding.table or None,
        "cell": [finding.cell.x, finding.cell.y] if finding.cell else None,
        "place": finding.place.removeprefix("at ") or None,
        "message": one_line(finding.message),
        "hint": one_line(finding.hint) or None,
        "address": None if finding.address is None else fmt.address(finding.address),
        "line": finding.line,
        "fingerprint": finding.fingerprint,
        "waiver": _waiver(finding.waiver) if finding.waiver else None,
    }
    return without_none(fields)


def _waiver(waiver: Waiver) -> dict[str, str]:
    fields = {"who": one_line(waiver.who), "reason": one_line(waiver.reason)}
    return {**fields, "until": waiver.until.isoformat()} if waiver.until else fields


def one_line(text: str) -> str:
    """A text of several lines as one line."""
    return " ".join(text.split())
