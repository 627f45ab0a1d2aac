"""The result of carrying a rework: carried and omitted changes, and the problems that prevent carrying."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from callint.comparing.carry.causes import NoteReason, Omission, ProblemCause, Reason
from callint.decoding.checksum_update import Renewal
from callint.model.image import Image

#: The name by which a user leaves out the changed bytes that no definition covers.
UNEXPLAINED = "unexplained-bytes"


class CarriedQuantity(StrEnum):
    """The quantity of a changed cell that is carried."""

    DELTA = "delta"  # new base + (reworked - old base)
    RATIO = "ratio"  # new base * reworked / old base
    VALUE = "value"  # reworked


@dataclass(frozen=True, slots=True)
class CellRef:
    """A cell: its zero-based indexes, its breakpoints by signal, and the same with units ("2200 rpm")."""

    x: int
    y: int
    at: Mapping[str, float]
    breakpoints: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CarryProblem:
    """Something that cannot be carried.

    ``cell`` belongs to the old table if ``is_old``, otherwise to the new table; None if the problem is not in
    one cell.
    """

    name: str
    cause: ProblemCause
    cell: CellRef | None = None
    is_old: bool = False

    @property
    def reason(self) -> Reason:
        return self.cause.reason


@dataclass(frozen=True, slots=True)
class CarryNote:
    """Something about a carried table that its owner should know; ``cell`` belongs to the old table."""

    name: str
    reason: NoteReason
    cell: CellRef | None = None


@dataclass(frozen=True, slots=True)
class CarriedItem:
    """A table, axis or text that was carried.

    ``cells`` is the number of cells that differ from the new base. ``deviation`` is the largest difference
    between a wanted value and the stored one, in ``unit``, and ``cell`` is its place; None if all are exact.
    """

    name: str
    kind: str
    title: str
    unit: str
    cells: int
    deviation: float = 0.0
    cell: CellRef | None = None


@dataclass(frozen=True, slots=True)
class OmittedChange:
    """A change of the rework that the user did not want carried."""

    name: str
    what: Omission


@dataclass(frozen=True, slots=True)
class CarryResult:
    """What was carried and what was not; ``image`` is None if there are problems."""

    how: CarriedQuantity
    items: tuple[CarriedItem, ...]
    left_out: tuple[OmittedChange, ...]
    notes: tuple[CarryNote, ...]
    problems: tuple[CarryProblem, ...]
    image: Image | None
    renewals: tuple[Renewal, ...]

    @property
    def cells(self) -> int:
        return sum(item.cells for item in self.items)
