"""Sentences about causes, for every format."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from callint import fmt
from callint.checking.cause_order import CauseFindings, Danger
from callint.model.cause import CauseKind, Effect
from callint.reporting.findings.wording import origin_text

#: What causes do, by how many there are.
_VERBS = {
    Danger.WRONG_SOFTWARE: ("is an image of other software", "are images of other software"),
    Danger.DISABLED: ("disables a protection", "disable a protection"),
    Danger.WEAKENED: ("weakens a protection", "weaken a protection"),
}


def cause_title(group: CauseFindings) -> str:
    """The places of a cause and its best explanation; the line of a definition or policy first."""
    finding = group.first
    title = group.cause.title if group.cause else finding.message
    if group.cause and group.cause.kind in (CauseKind.DEFINITION, CauseKind.POLICY) and finding.line:
        origin = f", from {origin_text(finding)}" if finding.origin else ""
        return f"line {finding.line}{origin}: {title}"
    return title


def effect_text(group: CauseFindings) -> str:
    """How several places work together, as a sentence; "" if one place is the cause."""
    if group.cause is None or group.cause.effect is None:
        return ""
    count = "two" if len(group.cause.places) == 2 else fmt.count(len(group.cause.places), "place")
    match group.cause.effect:
        case Effect.ONLY_TOGETHER:
            return f"Only the {count} together bring this; restoring one of them is enough."
        case Effect.EACH_ALONE:
            return f"Each of the {count} alone brings this."
        case Effect.UNRESOLVED:
            return f"The {count} bring this together."


def mistakes_text(groups: Sequence[CauseFindings], source: str = "", noun: str = "mistake") -> str:
    """The number of causes and what they do to protections: "8 mistakes, 2 disable a protection"."""
    place = f" in {source}" if source else ""
    return ", ".join([f"{fmt.count(len(groups), noun)}{place}", *danger_counts(groups)])


def danger_counts(groups: Sequence[CauseFindings]) -> list[str]:
    """By danger, the number of causes and what they do to protections: "2 disable a protection"."""
    counts = Counter(group.danger for group in groups)
    return [
        f"{count:,} {single if count == 1 else several}"
        for danger, (single, several) in _VERBS.items()
        if (count := counts[danger])
    ]
