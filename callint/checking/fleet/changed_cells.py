"""Determines which images of a fleet have the new values of a change, the old ones, or others."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.checking.fleet.contents import FleetContents
from callint.checking.fleet.fleet_reader import FleetReader
from callint.checking.fleet.groups import TableGroups
from callint.checking.fleet.table_digests import table_form
from callint.decoding.decode import Decoded
from callint.decoding.layout import Integers
from callint.model.change import ChangeSet, Flags, Grid
from callint.model.definition import Definition, Purpose, Table


class RolloutState(StrEnum):
    """The part of a change that an image has."""

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
class FleetRollout:
    """The cells of each image that have the new, the old and another value, shape (images, 3).

    ``unknown`` (images) flags the images that lack a table of the change, or read it differently.
    ``tables`` are those of the change, ``cells`` the number of changed cells.
    """

    counts: Integers
    unknown: Flags
    tables: tuple[str, ...]
    cells: int

    def of(self, image: int) -> RolloutState:
        """The part of the change that an image has."""
        new, old, other = self.counts[image].tolist()
        if self.unknown[image] and not new:
            return RolloutState.UNKNOWN
        if new:
            return RolloutState.NEW if not (old or other or self.unknown[image]) else RolloutState.PARTLY
        return RolloutState.OLD if not other else RolloutState.OTHER


def cell_changes(changes: ChangeSet, old: Decoded, new: Decoded) -> list[CellChange]:
    """The cells that changed between two images, and the cells at moved breakpoints.

    Unit numbers are left out. The most dangerous purpose comes first.
    """
    result = []
    for table in changes.touched_tables:
        if table.unit_own:
            continue
        old_grid, new_grid = old.grid(table), new.grid(table)
        result.append(CellChange(table, old_grid, new_grid, ~same_cells(old_grid, new_grid)))
    purposes = list(Purpose)
    return sorted(result, key=lambda change: purposes.index(change.table.purpose))


def fleet_rollout(fleet: FleetReader, definition: Definition, changes: list[CellChange]) -> FleetRollout:
    """The cells of a change that each image of a fleet has."""
    contents = FleetContents(fleet)
    images = len(fleet.images)
    counts = np.zeros((images, 3), np.int64)
    unknown = np.array([bool(record.problem) for record in fleet.records], bool)
    by_name = {change.table.name: change for change in changes}
    for groups in fleet.groups.groups(by_name):
        change = by_name.pop(groups.table.name)
        by_number = np.full((len(groups.counts) + 1, 3), -1, np.int64)  # the last row: no table
        for number in range(len(groups.counts)):
            by_number[number] = _counted(contents, groups, number, definition, change)
        of_images = by_number[groups.numbers]
        unknown |= of_images[:, 0] < 0
        counts += np.maximum(of_images, 0)
    if by_name:  # no definition of the fleet has the table
        unknown[:] = True
    cells = sum(int(np.count_nonzero(change.changed)) for change in changes)
    return FleetRollout(counts, unknown, tuple(change.table.name for change in changes), cells)


def _counted(
    contents: FleetContents, groups: TableGroups, number: int, definition: Definition, change: CellChange
) -> tuple[int, int, int]:
    """The cells with the new, the old and another value in a calibration; -1 if it is read differently."""
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
    """Whether numbers are equal; NaN equals NaN."""
    same: Flags = first == second
    if first.dtype.kind == "f" and second.dtype.kind == "f":
        same = same | (np.isnan(first) & np.isnan(second))
    return same
