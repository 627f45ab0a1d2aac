"""Which images of a fleet have the cells of one change: the new values, the old ones, or others."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.checking.fleet.contents import FleetContents
from callint.checking.fleet.groups import TableGroups
from callint.checking.fleet.survey import Survey
from callint.checking.fleet.table_digests import table_form
from callint.decoding.decode import Decoded
from callint.decoding.layout import Integers
from callint.model.change import ChangeSet, Flags, Grid
from callint.model.definition import Definition, Purpose, Table


class Adoption(StrEnum):
    """How much of a change an image has."""

    NEW = "new"
    PARTLY = "partly"
    OLD = "old"
    OTHER = "other"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class CellChange:
    """A table of the change by the definition of the changed image; ``changed`` (rows, columns)."""

    table: Table
    old: Grid
    new: Grid
    changed: Flags


@dataclass(frozen=True, slots=True)
class FleetAdoption:
    """The cells of each image that have the new, the old and another value, shape (images, 3).

    ``unknown`` (images) flags the images that lack a table of the change, or read it in another way.
    ``tables`` are those of the change, ``cells`` the number of changed cells.
    """

    counts: Integers
    unknown: Flags
    tables: tuple[str, ...]
    cells: int

    def of(self, image: int) -> Adoption:
        """How much of the change an image has."""
        new, old, other = self.counts[image].tolist()
        if self.unknown[image] and not new:
            return Adoption.UNKNOWN
        if new:
            return Adoption.NEW if not (old or other or self.unknown[image]) else Adoption.PARTLY
        return Adoption.OLD if not other else Adoption.OTHER


def cell_changes(changes: ChangeSet, old: Decoded, new: Decoded) -> list[CellChange]:
    """The cells that changed between two images, and those at breakpoints that moved.

    The numbers of single units are left out. The most dangerous purpose comes first.
    """
    result = []
    for table in changes.touched_tables:
        if table.unit_own:
            continue
        old_grid, new_grid = old.grid(table), new.grid(table)
        result.append(CellChange(table, old_grid, new_grid, ~same_cells(old_grid, new_grid)))
    purposes = list(Purpose)
    return sorted(result, key=lambda change: purposes.index(change.table.purpose))


def adoption(survey: Survey, definition: Definition, changes: list[CellChange]) -> FleetAdoption:
    """Which cells of a change each image of a fleet has."""
    contents = FleetContents(survey)
    images = len(survey.images)
    counts = np.zeros((images, 3), np.int64)
    unknown = np.array([bool(record.problem) for record in survey.records], bool)
    by_name = {change.table.name: change for change in changes}
    for groups in survey.groups.groups(by_name):
        change = by_name.pop(groups.table.name)
        by_number = np.full((len(groups.counts) + 1, 3), -1, np.int64)  # the last: no table
        for number in range(len(groups.counts)):
            by_number[number] = _counted(contents, groups, number, definition, change)
        of_images = by_number[groups.numbers]
        unknown |= of_images[:, 0] < 0
        counts += np.maximum(of_images, 0)
    if by_name:  # no definition of the fleet has the table
        unknown[:] = True
    cells = sum(int(np.count_nonzero(change.changed)) for change in changes)
    return FleetAdoption(counts, unknown, tuple(change.table.name for change in changes), cells)


def _counted(
    contents: FleetContents, groups: TableGroups, number: int, definition: Definition, change: CellChange
) -> tuple[int, int, int]:
    """The cells with the new, the old and another value in a calibration; -1 if it is read in another way."""
    decoded = contents.decoded(groups, number)
    own = decoded.layout.definition
    table = own.tables[groups.table.name]
    if table_form(own, table) != table_form(definition, change.table):
        return -1, -1, -1
    grid = decoded.grid(table)
    total = int(np.count_nonzero(change.changed))
    is_new, is_old = (same_cells(grid, side) & change.changed for side in (change.new, change.old))
    new = int(np.count_nonzero(is_new))
    old = int(np.count_nonzero(is_old & ~is_new))
    return new, old, total - new - old


def same_cells(first: Grid, second: Grid) -> Flags:
    """Whether cells have the same number at the same breakpoints, shape (rows, columns)."""
    same = _same(first.raw, second.raw)
    for axis, other, shape in ((first.x, second.x, (1, -1)), (first.y, second.y, (-1, 1))):
        if axis is not None and other is not None:
            same = same & _same(axis, other).reshape(shape)
    flags: Flags = same & first.present & second.present
    return flags


def _same(first: NDArray[Any], second: NDArray[Any]) -> Flags:
    """Whether numbers are equal, "not a number" equal to itself."""
    same: Flags = first == second
    if first.dtype.kind == "f" and second.dtype.kind == "f":
        same = same | (np.isnan(first) & np.isnan(second))
    return same
