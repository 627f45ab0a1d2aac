"""Sorts findings and causes for all formats: the greatest danger to the engine comes first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from callint.model import rule_ids
from callint.model.cause import Cause, CauseKind
from callint.model.finding import Finding, Severity


class Danger(StrEnum):
    """The effect of a cause on the protection of the engine, the worst first."""

    WRONG_SOFTWARE = "wrong software"
    DISABLED = "disabled protection"
    WEAKENED = "weakened protection"
    NONE = ""


#: The rules about the protection of the engine.
DANGERS = {
    rule_ids.IMAGE_WRONG_IDENTITY: Danger.WRONG_SOFTWARE,
    rule_ids.PROTECTION_DISABLED: Danger.DISABLED,
    rule_ids.PROTECTION_FLAT: Danger.DISABLED,
    rule_ids.PROTECTION_UNREACHABLE_THRESHOLD: Danger.DISABLED,
    rule_ids.PROTECTION_WEAKENED: Danger.WEAKENED,
    rule_ids.PROTECTION_READING_CHANGED: Danger.WEAKENED,
}
_RANKS = {danger: rank for rank, danger in enumerate(Danger)}


def danger_of(findings: Iterable[Finding]) -> Danger:
    """The worst effect of findings on protections; waived and inherited findings do not count."""
    dangers = (
        DANGERS.get(finding.rule, Danger.NONE)
        for finding in findings
        if not finding.waived and not finding.inherited
    )
    return min(dangers, key=_RANKS.__getitem__, default=Danger.NONE)


@dataclass(frozen=True, slots=True)
class CauseFindings:
    """A cause with its findings in order. Findings without a cause have a cause of None."""

    cause: Cause | None
    findings: tuple[Finding, ...]

    @property
    def first(self) -> Finding:
        return self.findings[0]

    @property
    def active(self) -> tuple[Finding, ...]:
        """The findings that are not waived."""
        return tuple(finding for finding in self.findings if not finding.waived)

    @property
    def severity(self) -> Severity:
        """The worst severity of the findings that are not waived, or of all findings if all are waived."""
        return min((f.severity for f in self.active or self.findings), key=lambda severity: severity.rank)

    @property
    def danger(self) -> Danger:
        return danger_of(self.findings)

    @property
    def is_inherited(self) -> bool:
        """Whether the base has all of its findings in the same way."""
        return self.cause is not None and self.cause.kind is CauseKind.INHERITED

    @property
    def hint(self) -> str:
        """The first thing to do: look up a mistyped number, otherwise the hint of the worst finding."""
        findings = self.active or self.findings
        explained = (finding.hint for finding in findings if finding.explanation and finding.hint)
        return next(explained, next((finding.hint for finding in findings if finding.hint), ""))

    @property
    def hints(self) -> tuple[str, ...]:
        """What to do: of a definition, what each of its first different findings says; else ``hint``."""
        if self.cause is None or self.cause.kind is not CauseKind.DEFINITION or self.first.image:
            return (self.hint,) if self.hint else ()
        hints = dict.fromkeys(finding.hint for finding in self.active or self.findings if finding.hint)
        return tuple(hints)[:_MOST_HINTS]


#: The most remedies of one cause that are printed.
_MOST_HINTS = 3


def cause_groups(findings: Iterable[Finding], causes: Mapping[str, Cause]) -> list[CauseFindings]:
    """The findings by cause, sorted: wrong software, disabled protections, weakened ones, then by severity.

    Among causes of one severity, the one that affects the larger share of the operating range comes first. A
    cause whose findings are all waived comes last.
    """
    groups: dict[tuple[str, str], list[Finding]] = {}
    alone: list[list[Finding]] = []
    for finding in findings:
        if finding.cause:
            groups.setdefault((finding.cause, finding.commit), []).append(finding)
        else:
            alone.append([finding])
    made = [
        CauseFindings(causes.get(members[0].cause), tuple(sorted(members, key=_finding_key)))
        for members in (*groups.values(), *alone)
    ]
    return sorted(made, key=_group_key)


def sort_findings(findings: Iterable[Finding], causes: Mapping[str, Cause] | None = None) -> list[Finding]:
    """Findings in the order of their causes, and within a cause by danger, severity, table and cell."""
    return [finding for group in cause_groups(findings, causes or {}) for finding in group.findings]


def _group_key(group: CauseFindings) -> tuple[object, ...]:
    share = group.cause.share if group.cause else 0.0
    is_invalid = any(finding.rule == rule_ids.DEFINITION_INVALID for finding in group.active)
    return (
        not group.active,
        not is_invalid,  # whatever else is found may be different when the definition is read
        _RANKS[group.danger],
        group.severity.rank,
        -round(share, 9),
        *_place_key(group.first),
    )


def _finding_key(finding: Finding) -> tuple[object, ...]:
    return (
        finding.waived,
        _RANKS[danger_of([finding])],
        finding.severity.rank,
        not finding.explanation,
        *_place_key(finding),
    )


def _place_key(finding: Finding) -> tuple[object, ...]:
    cell = (finding.cell.y, finding.cell.x) if finding.cell else (-1, -1)
    return (
        finding.image,
        finding.definition,
        finding.line or 0,
        finding.image_line or 0,
        finding.table,
        cell,
        finding.address or 0,
        finding.rule,
        finding.message,
    )
