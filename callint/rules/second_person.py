"""Whether a waiver has to be a second person's, and who can tell whether it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from callint.model.definition import Definition, Purpose
from callint.model.finding import Finding
from callint.model.policy import Waiver
from callint.rules.context import CheckContext

_GUARDED = {Purpose.PROTECTION, Purpose.EMISSIONS}


@dataclass(frozen=True, slots=True)
class WaiverObjection:
    """Why a waiver is not taken for a second person's: what is said of it, and what to do."""

    words: str
    hint: str


NO_AUTHORSHIP = WaiverObjection(
    "does not count: without git, callint cannot tell who made the change",
    "Run the check in the git repository, with git installed.",
)


class AuthorshipCheck(Protocol):
    """Who wrote waivers and who made changes, as far as anybody knows."""

    def doubt(self, waiver: Waiver, finding: Finding, case: CheckContext) -> WaiverObjection | None:
        """What speaks against the waiver being another person's than the change that it covers."""
        ...


class NoAuthorship:
    """Where nothing tells who did what, no waiver is known to be a second person's."""

    def doubt(self, waiver: Waiver, finding: Finding, case: CheckContext) -> WaiverObjection | None:
        return NO_AUTHORSHIP


#: Beside rules about protection themselves: those that, once accepted, leave protection unjudged.
_HIDING = {
    "change/emissions",
    "base/changed",
    *(f"image/{name}" for name in ("wrong-identity", "unknown-identity", "wrong-size", "missing-base")),
    *(f"image/{name}" for name in ("uncovered-checksum", "outside-memory")),
}


def needs_second_person(finding: Finding, definition: Definition) -> bool:
    """Whether a finding is about protection or emissions.

    So is one about an axis of such a table: moving the axis changes what the table does. So is one about a
    changed base, beside which no protection differs, and one because of which other rules do not run.
    """
    if finding.rule.startswith("protection/") or finding.rule in _HIDING:
        return True
    tables = definition.tables.values()
    purposes = {table.purpose for table in tables if finding.table in (table.name, *table.axes)}
    if text := definition.texts.get(finding.table):
        purposes.add(text.purpose)
    return not _GUARDED.isdisjoint(purposes)
