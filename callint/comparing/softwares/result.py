"""The differences between images of two software versions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from callint.comparing.softwares.causes import UncomparedCause
from callint.comparing.softwares.pairs import SoftwareTables
from callint.model.change import ChangeSet, TableChange
from callint.model.definition import Definition, Table, Text


@dataclass(frozen=True, slots=True)
class RespacedTable:
    """A compared table with breakpoints that only one side has.

    ``counts`` has, for each axis of the comparison, the number of breakpoints of the old table, of the new
    one and of their union; 0 for a side without the axis.
    """

    pair: SoftwareTables
    counts: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True, slots=True)
class SlightDifference:
    """A table whose outputs differ by little; ``change`` is given as for a changed table.

    If ``is_rounding``, no point differs by more than half of the larger storage step. Otherwise the
    breakpoints of one side bend the table between those of the other, by up to a hundredth of its span, and
    the cells of both sides are equal.
    """

    pair: SoftwareTables
    change: TableChange
    is_rounding: bool


@dataclass(frozen=True, slots=True)
class UncomparedTable:
    """A table of both versions that callint cannot compare."""

    old: Table
    new: Table
    cause: UncomparedCause


@dataclass(frozen=True, slots=True)
class IdentityPair:
    """The content of an identity in both images; None for a side whose definition or image lacks it."""

    name: str
    old: bytes | None
    new: bytes | None


@dataclass(frozen=True)
class SoftwareChange:
    """Everything that differs between images of two software versions.

    ``changes`` has the tables that the engine reads differently, on the union of the breakpoints of both
    sides and in the units of the new software, and the texts; its definition describes these tables, by their
    new names. The most important table comes first. ``pairs`` has the pair of each of them, and ``unknown``
    the number of points of a table, changed or not, at which callint cannot say what one side puts out.
    ``respaced`` has the tables with other breakpoints, changed or not, by their new names. ``renamed`` has
    the tables and texts with another name, and ``equal`` the number of tables that read the same everywhere.
    In a ``partial`` result only some tables were compared. With ``at``, the tables are compared at that
    operating point alone, and nothing else is; ``left_out`` is the number of tables with a signal that the
    point lacks, and of scalars.
    """

    old: Definition
    new: Definition
    changes: ChangeSet
    pairs: Mapping[str, SoftwareTables]
    respaced: Mapping[str, RespacedTable]
    slight: tuple[SlightDifference, ...]
    renamed: tuple[tuple[Table | Text, Table | Text], ...]
    uncompared: tuple[UncomparedTable, ...]
    unknown: Mapping[str, int]
    only_old: tuple[Table | Text, ...]
    only_new: tuple[Table | Text, ...]
    identities: tuple[IdentityPair, ...]
    equal: int
    partial: bool = False
    at: Mapping[str, float] | None = None
    left_out: int = 0

    @property
    def is_silent(self) -> bool:
        """Whether there is nothing to print."""
        return self.is_empty and not self.slight and not self.renamed and not self.respaced

    @property
    def is_empty(self) -> bool:
        """Whether nothing differs; differences within rounding and new names do not count."""
        return not (
            self.changes.tables
            or self.changes.texts
            or any(not slight.is_rounding for slight in self.slight)
            or self.uncompared
            or self.unknown
            or self.only_old
            or self.only_new
            or self.identities
        )
