"""What a rule found."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from callint.model.waiver import Waiver


class Severity(StrEnum):
    """How much a finding matters, the worst first."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"

    @property
    def rank(self) -> int:
        """0 for the worst."""
        return list(Severity).index(self)

    def reaches(self, level: Severity) -> bool:
        """Whether this is at or above ``level``."""
        return self.rank <= level.rank


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a table, counted from zero."""

    x: int = 0
    y: int = 0


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a finding was judged on, where that is less or more than its table and its message.

    ``cells`` are numbers in the flat vectors of the definition's layout; each stands for its stored bytes,
    its breakpoints and all that the definition says of it. ``tables`` are judged whole. ``ranges`` are the
    first address and the size of bytes.
    """

    cells: tuple[int, ...] = ()
    tables: tuple[str, ...] = ()
    ranges: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that a rule found; a field that does not apply is None or empty.

    A rule fills in what it knows; image, definition, severity and the ``waiver`` that accepts it are settled
    by ``rules.judging``. ``line`` is that of the definition, or of the policy, ``image_line`` that of an
    image which is a text. What lies at ``address`` has ``size`` bytes; ``offset`` is where they begin in the
    image's file, if that is raw and holds them. ``subject`` names what the finding is about where that is no
    table: a checksum, a run of bytes, a signal. ``other`` is the second table of a relation. ``inherited``
    says that the base has the same. ``place`` and ``base`` are the breakpoints and the base's value in words,
    for people. ``commit`` is the commit that brought it, where commits are judged one by one. ``protective``
    says that its table is there for protection. ``evidence`` is what it was judged on, if that is not its
    table and ``other``, or the whole image where it has no table. ``content`` is the digest of all of that,
    where two states are compared; without one nobody can tell whether another state has the same finding.
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
    commit: str = ""
    protective: bool = False
    inherited: bool = False
    evidence: Evidence | None = None
    content: str = ""
    waiver: Waiver | None = None

    @property
    def waived(self) -> bool:
        """Whether somebody accepted it in writing."""
        return self.waiver is not None

    @property
    def fingerprint(self) -> str:
        """Sixteen hexadecimal digits that name the finding's own substance.

        Made of rule, image path, table or subject, cell and value: it survives reordering and
        unrelated edits, and differs as soon as one of these does.
        """
        cell = [self.cell.x, self.cell.y] if self.cell else None
        value = self.raw if self.raw is not None else self.physical
        place = self.image or self.definition or self.policy
        substance = [self.rule, place, self.table, self.subject or self.other, cell, repr(value)]
        return hashlib.sha256(json.dumps(substance).encode()).hexdigest()[:16]
