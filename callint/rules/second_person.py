"""Whether a second person must write a waiver, and the protocol of the check that one did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from callint.model import rule_ids
from callint.model.definition import Definition, Purpose
from callint.model.finding import Finding
from callint.model.waiver import Waiver
from callint.rules.context import CheckContext

_GUARDED = {Purpose.PROTECTION, Purpose.EMISSIONS}


@dataclass(frozen=True, slots=True)
class WaiverObjection:
    """The reason why a waiver does not count as a second person's.

    ``text`` is a predicate that follows the name of the waiver; ``hint`` is what to do.
    """

    text: str
    hint: str


NO_AUTHORSHIP = WaiverObjection(
    "does not count: without git, callint cannot tell who made the change",
    "Run the check in the git repository, with git installed.",
)


class AuthorshipCheck(Protocol):
    """Compares the author of a waiver with those of the changes that it covers."""

    def objection(
        self, waiver: Waiver, finding: Finding, context: CheckContext | None
    ) -> WaiverObjection | None:
        """The reason why the waiver does not count as another person's; None if it counts.

        ``context`` is None for a finding about the policy.
        """
        ...


class NoAuthorship:
    """Without git no author is known: no waiver counts as a second person's."""

    def objection(
        self, waiver: Waiver, finding: Finding, context: CheckContext | None
    ) -> WaiverObjection | None:
        return NO_AUTHORSHIP


#: Rules of other families that hide protection: once a finding is accepted, protection is no longer judged.
_HIDING = {
    rule_ids.CHANGE_EMISSIONS,
    rule_ids.BASE_CHANGED,
    rule_ids.IMAGE_WRONG_IDENTITY,
    rule_ids.IMAGE_UNKNOWN_IDENTITY,
    rule_ids.IMAGE_WRONG_SIZE,
    rule_ids.IMAGE_MISSING_BASE,
    rule_ids.IMAGE_UNCOVERED_CHECKSUM,
    rule_ids.IMAGE_OUTSIDE_MEMORY,
}


#: The subject of the finding that a policy no longer demands a second person.
SECOND_PERSON = "second-person"


def needs_second_person(finding: Finding, definition: Definition | None) -> bool:
    """Whether a finding is about protection or emissions.

    This includes findings about an axis of such a table, because moving the axis changes what the table does;
    about a changed base, compared with which no protection differs; and those that keep other rules from
    running.
    """
    if finding.rule in (rule_ids.DEFINITION_LOOSENED, rule_ids.POLICY_LOOSENED):
        return finding.severe  # the table may be gone, or have another purpose now
    if finding.rule.startswith("protection/") or finding.rule in _HIDING:
        return True
    if definition is None:
        return False
    tables = definition.tables.values()
    purposes = {table.purpose for table in tables if finding.table in (table.name, *table.axes)}
    if text := definition.texts.get(finding.table):
        purposes.add(text.purpose)
    return not _GUARDED.isdisjoint(purposes)
