"""Findings: what rules report."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from callint.model import rule_ids
from callint.model.waiver import Waiver


class Severity(StrEnum):
    """The severity of a finding, the worst first."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"

    @property
    def rank(self) -> int:
        """0 for the worst."""
        return _RANKS[self]

    def reaches(self, level: Severity) -> bool:
        """Whether this is at or above ``level``."""
        return self.rank <= level.rank


_RANKS = {severity: rank for rank, severity in enumerate(Severity)}


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a table, counted from zero."""

    x: int = 0
    y: int = 0


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a finding was judged on, if that is not the whole table that the finding names.

    ``cells`` are numbers in the flat vectors of the definition's layout; each stands for its stored bytes,
    its breakpoints and all that the definition says of it. ``tables`` are whole tables. ``ranges`` have the
    first address and the number of bytes.
    """

    cells: tuple[int, ...] = ()
    tables: tuple[str, ...] = ()
    ranges: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that a rule reports; a field that does not apply is None or empty.

    A rule fills in what it knows. ``checking.apply_policy`` sets image, definition, severity and waiver.

    - ``line``: the line in the definition or policy; ``image_line``: that in an image file of records.
    - ``origin`` and ``origin_line``: the file and the line of what the definition takes from another file;
      ``line`` is then that of a change to it, or of the reference to the file.
    - ``table``: the name of the table, axis or text; ``other``: the second table of a relation.
    - ``subject``: what the finding is about if it is not a table, such as a checksum or a range of bytes. It
      is part of the fingerprint and tells findings of one rule apart.
    - ``at``: the operating point by signal; ``place``: the same as text.
    - ``address`` and ``size``: the first address and the number of bytes; ``offset``: their place in the
      image's file, if the file is raw and holds them.
    - ``base``: the base's value as text.
    - ``base_bytes``: what restores the base in place of the ``size`` bytes at ``offset``; empty if the base
      has the same or lacks them, if there is no offset, and for findings that another content would fix.
    - ``protective``: whether the table is a protection.
    - ``severe``: whether it is worse than most of its rule, which may then have another severity.
    - ``inherited``: whether the base has the same.
    - ``unsure``: whether it may as well be intended, which makes it a note.
    - ``evidence``: what the finding was judged on (default: ``table`` and ``other``, or the whole image).
    - ``content``: the digest of that, if two states are compared; without it, nobody can tell whether another
      state has the same finding.
    - ``commit``: the id of the commit that caused it, if commits are judged one by one.
    - ``explanation``: how the value may have come about: "swapped digits? 1200 fits".
    - ``cause``: the id of the cause, if causes were looked for.
    - ``waiver``: the waiver that accepts it.
    """

    rule: str
    message: str
    severity: Severity = Severity.ERROR
    hint: str = ""
    image: str = ""
    definition: str = ""
    policy: str = ""
    line: int | None = None
    image_line: int | None = None
    origin: str = ""
    origin_line: int | None = None
    table: str = ""
    other: str = ""
    subject: str = ""
    cell: Cell | None = None
    at: Mapping[str, float] = field(default_factory=dict)
    address: int | None = None
    size: int | None = None
    offset: int | None = None
    raw: int | float | None = None
    physical: float | None = None
    base_physical: float | None = None
    unit: str = ""
    place: str = ""
    base: str = ""
    base_bytes: bytes = b""
    commit: str = ""
    protective: bool = False
    severe: bool = False
    inherited: bool = False
    unsure: bool = False
    evidence: Evidence | None = None
    content: str = ""
    explanation: str = ""
    cause: str = ""
    waiver: Waiver | None = None

    @property
    def waived(self) -> bool:
        """Whether a waiver accepts it."""
        return self.waiver is not None

    @property
    def fingerprint(self) -> str:
        """Sixteen hexadecimal digits that identify the finding.

        They depend on rule, path, table or subject, cell and value, and on nothing else: neither on the order
        of findings nor on unrelated edits.
        """
        cell = [self.cell.x, self.cell.y] if self.cell else None
        value = self.raw if self.raw is not None else self.physical
        place = self.image or self.definition or self.policy
        parts = [self.rule, place, self.table, self.subject or self.other, cell, repr(value)]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:16]


def can_be_waived(finding: Finding) -> bool:
    """Whether a waiver can accept a finding; what is wrong with a waiver must be corrected."""
    return not finding.policy or finding.rule == rule_ids.POLICY_LOOSENED
