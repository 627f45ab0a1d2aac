"""The result of a merge with the errors that it causes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from callint.checking.report import Report
from callint.comparing.merge import Decision, MergeResult
from callint.comparing.merge_sides import conflict_tables
from callint.model.definition import Definition


@dataclass(frozen=True, slots=True)
class MergeReport:
    """A merge, the names of its files, and the errors that neither side has alone.

    ``path`` is the name of the definition's file, ``image`` that of the merged image.
    """

    merge: MergeResult
    definition: Definition
    path: str
    base: str
    ours: str
    theirs: str
    image: str
    broken: Report

    @property
    def open_decisions(self) -> Sequence[Decision]:
        """The decisions that somebody has to make."""
        return [decision for decision in self.merge.decisions if decision.open]

    @property
    def open_cells(self) -> int:
        """The number of cells in open conflicts."""
        conflicts = (decision.conflict for decision in self.open_decisions)
        return sum(versions.count for conflict in conflicts for versions in conflict_tables(conflict))
