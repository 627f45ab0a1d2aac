"""The rule about a definition that demands less than its earlier state."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from callint import fmt
from callint.decoding import digest
from callint.fmt.definition_changes import change_predicate, change_subject, reading_text
from callint.model import rule_ids
from callint.model.definition import Guard
from callint.model.definition_change import ChangeKind, DefinitionChange, DefinitionDiff, ElementKind
from callint.model.finding import Finding, Severity
from callint.rules.rule import Scope, rule

#: The most cells of an image that a message names.
_MOST_USES = 2

_READING_HINT = "Restore the old reading, or waive the finding and name the source of the new one."
_HINT = "Restore the demand, or waive the finding and name the source of the new one."


@dataclass(frozen=True, slots=True)
class SlackUse:
    """A value of an image that the old demand refuses and the new one accepts.

    ``text`` names the place and its change: "boats/heron.bin: fuel at 2000 rpm: 41.0 → 47.5 mg".
    """

    image: str
    table: str
    text: str
    message: str


@dataclass(frozen=True, slots=True)
class DefinitionComparison:
    """A definition beside its earlier state.

    ``replaced`` is the path of the earlier file, "" if it is the same. ``uses`` are the values of images that
    the old demands refuse, by table. ``readings`` say what a change of how values are read does to those of
    images, by ``demand_key``; a change that is not among them leaves the values as they were.
    """

    diff: DefinitionDiff
    replaced: str = ""
    uses: Mapping[str, tuple[SlackUse, ...]] = field(default_factory=dict)
    readings: Mapping[str, str] = field(default_factory=dict)

    def uses_of(self, change: DefinitionChange) -> tuple[SlackUse, ...]:
        """The values that use what a change no longer demands."""
        names = dict.fromkeys((change.name, *change.tables))
        return tuple(use for name in names for use in self.uses.get(name, ()))


@rule(
    rule_ids.DEFINITION_LOOSENED,
    Severity.WARNING,
    Scope.DEFINITION_CHANGE,
    if_severe=Severity.ERROR,
)
def loosened(comparison: DefinitionComparison) -> Iterator[Finding]:
    """A definition demands less than its previous version in the repository.

    Why it matters: every verdict rests on the definition. If a limit goes up in the same commit as the cell,
    all checks pass, and nobody learns that the limit was ever lower.

    How it is judged: the hook compares the index with its parent commit, and `check --since` and `--range`
    compare the two given states. callint compares what the definitions demand in effect, not their text. A
    limit beyond what the storage holds demands nothing.

    A table demands less if a limit, expected range, gradient or change became wider or is gone; if an
    order is gone, reversed or no longer strict; if an off code is newly allowed, another one, or gone; if a
    guard matches fewer tables in its direction (a higher `above`, a lower `below`, a larger `share`); if the
    purpose is no longer protection or emissions; if a number is no longer the unit's own; and if the table is
    gone.

    Other elements demand less if a relation, sensor, checksum or identity is gone; if a checksum covers
    fewer bytes or an identity is shorter; if a relation has less margin, or holds only within the operating
    range; if the plausible range of a signal became wider, or its operating range narrower while rules judge
    inside it.

    A protection or emissions table also counts if another address, type, conversion or axis gives its bytes
    other values: its limits then judge other numbers. Such a change does not count if the images of the same
    commits moved with it, so that they read as before within half of a storage step.

    A new name hides nothing: callint recognises a table by its place, shape and title. It is an error for
    protection and emissions, and a warning for everything else. If an image of the same commits uses the
    slack, the finding names the value too. A check of a single state cannot detect this.

    Example: the limit of a rail pressure table goes from 1650 bar to 1700 bar. From 1650 bar to 1600 bar, it
    would demand more.

    Fix: restore the demand. If the maker or a measurement allows the new one, waive the finding and name the
    source. The waiver accepts this demand and stays as a record.
    """
    for change in comparison.diff.changes:
        if change.kind is ChangeKind.LOOSENED:
            yield _finding(comparison, change)
        elif change.kind is ChangeKind.READS_DIFFERENTLY and demand_key(change) in comparison.readings:
            yield _reading_finding(comparison, change)


def _reading_finding(comparison: DefinitionComparison, change: DefinitionChange) -> Finding:
    message = f"{change_subject(change)} reads differently: {change_predicate(change, 'became')}"
    if change.reading is not None and (effect := reading_text(change, change.reading, "became")):
        message += f"; {effect}"
    if effect := comparison.readings[demand_key(change)]:
        message += f"; {effect}"
    if comparison.replaced:
        message += f" (in {comparison.replaced} before)"
    return _about(change, message, _READING_HINT)


def _finding(comparison: DefinitionComparison, change: DefinitionChange) -> Finding:
    subject, predicate = change_subject(change), change_predicate(change, "became")
    if predicate:
        message = f"{subject} demands less: {predicate}"
    else:
        message = f"{subject} is gone, and nothing is demanded of it any more"
    if comparison.replaced:
        message += f" (in {comparison.replaced} before)"
    uses = comparison.uses_of(change)
    if uses:
        listed = "; ".join(f"{use.image} has {use.message}" for use in uses[:_MOST_USES])
        more = len(uses) - _MOST_USES
        message += f"; in use: {listed}" + (f", and {fmt.count(more, 'more value')}" if more > 0 else "")
    return _about(change, message, _HINT)


def _about(change: DefinitionChange, message: str, hint: str) -> Finding:
    has_table = change.element in (
        ElementKind.TABLE,
        ElementKind.TEXT,
        ElementKind.AXIS,
        ElementKind.RELATION,
    )
    return Finding(
        rule=rule_ids.DEFINITION_LOOSENED,
        message=message,
        hint=hint,
        line=change.new_line,
        table=change.name if has_table else "",
        other=change.other if change.element is ElementKind.RELATION else "",
        subject=demand_key(change),
        severe=change.is_guarded,
        content=demand_digest(change),
    )


def demand_key(change: DefinitionChange) -> str:
    """What a change is about, without values: it tells the findings about one table apart."""
    parts = [change.element.value, change.name, change.other, change.attribute]
    return " ".join(part for part in parts if part)


def demand_digest(change: DefinitionChange) -> str:
    """The SHA-256 of a demand as it is now; the line, the purpose and what was before do not count."""
    value = change.new
    if isinstance(value, Guard):
        value = (value.above, value.below, value.state, value.raw, value.flat, value.share, value.text)
    parts = [change.element.value, change.name, change.other, change.attribute, repr(value)]
    return digest.sha256(json.dumps([*parts, change.new_unit]).encode())
