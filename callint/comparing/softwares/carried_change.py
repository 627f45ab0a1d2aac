"""Checks whether an image of the new software version has the same change as a rework of the old one.

A change is measured as the engine reads it: the output of the reworked table minus that of its base, at the
breakpoints of all four tables. So the way in which it was carried does not matter.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np

from callint.comparing.compare import compare
from callint.comparing.definitions.renames import match_items
from callint.comparing.softwares.causes import Obstacle, UncomparedCause
from callint.comparing.softwares.comparison_definition import ComparisonDefinition
from callint.comparing.softwares.pairs import SoftwareTables, table_pair
from callint.comparing.softwares.readings import Reading, SoftwareSide, read_numbers, read_states
from callint.comparing.softwares.tables import (
    equal_numbers,
    sides_of,
    state_numbers,
    step_tolerance,
    within,
)
from callint.decoding.decode import Decoded
from callint.model.change import ChangeSet, Flags, Grid, Numbers
from callint.model.definition import Definition, Purpose, States, Table


@dataclass(frozen=True, slots=True)
class PointChange:
    """The effect of a rework on a table at all points, shape (rows, columns) each.

    ``before`` and ``after`` are the outputs in the unit of the comparison, NaN where there is no number.
    ``was_off`` and ``is_off`` flag the points at which the table is off, ``changed`` those that changed, and
    ``known`` those at which callint can determine the output.
    """

    before: Numbers
    after: Numbers
    was_off: Flags
    is_off: Flags
    changed: Flags
    known: Flags

    @property
    def difference(self) -> Numbers:
        """The change of the output; 0 at points that did not change or that are off before and after."""
        is_none = ~self.changed | (self.was_off & self.is_off)
        # Infinity minus itself is not a number, although it did not change.
        with np.errstate(all="ignore"):  # values may be infinite or not numbers, before or after
            return np.subtract(self.after, self.before, out=np.zeros(self.after.shape), where=~is_none)


@dataclass(frozen=True, slots=True)
class CarriedTable:
    """The change of a table in both software versions.

    ``table`` describes the points of the comparison at ``x`` and ``y``. ``differs`` flags the points at which
    the changes are not the same within ``tolerance``, in the unit of the comparison, and ``unknown`` the
    changed points at which callint cannot tell. ``is_cell`` flags the points that are cells of the carried
    table.
    """

    pair: SoftwareTables
    table: Table
    x: Numbers | None
    y: Numbers | None
    old: PointChange
    new: PointChange
    differs: Flags
    unknown: Flags
    is_cell: Flags
    tolerance: Numbers

    @property
    def is_same(self) -> bool:
        return not (self.differs.any() or self.unknown.any())

    @property
    def grid(self) -> Grid:
        """The carried table at all points."""
        values = self.new.after
        return Grid(self.table, values, values, self.new.known, self.new.is_off, self.x, self.y)

    @property
    def distances(self) -> Numbers:
        """The distance between the changes; infinite if either is not a difference of numbers."""
        distances = np.abs(self.new.difference - self.old.difference)
        return np.nan_to_num(np.where(self.old.known & self.new.known, distances, 0.0), nan=np.inf)

    @property
    def largest(self) -> tuple[int, int]:
        """Row and column of the largest difference between the changes."""
        sizes = np.where(self.differs, self.distances, -1.0)
        y, x = np.unravel_index(int(np.argmax(sizes)), sizes.shape)
        return int(y), int(x)


@dataclass(frozen=True, slots=True)
class CarriedText:
    """A text that changed in a software version: the new text in each, None if it did not change."""

    name: str
    old: str | None
    new: str | None

    @property
    def is_same(self) -> bool:
        return self.old == self.new


@dataclass(frozen=True, slots=True)
class UnjudgedChange:
    """A changed table or text whose changes callint cannot compare.

    ``cause`` is None if only one software version has the item; ``in_old`` is True if it changed in the old
    software.
    """

    name: str
    in_old: bool
    cause: UncomparedCause | None


@dataclass(frozen=True)
class CarriedChange:
    """The changes of both software versions side by side, in terms of the definition of the comparison.

    ``bytes`` are the numbers of changed bytes that the old and the new definition do not describe.
    """

    definition: Definition
    tables: tuple[CarriedTable, ...]
    texts: tuple[CarriedText, ...]
    unjudged: tuple[UnjudgedChange, ...]
    bytes: tuple[int, int]

    @property
    def is_same(self) -> bool:
        """Whether all changes are the same in both software versions."""
        return (
            all(table.is_same for table in self.tables)
            and all(text.is_same for text in self.texts)
            and not self.unjudged
            and not any(self.bytes)
        )


def compare_carried(
    old: tuple[Decoded, Decoded], new: tuple[Decoded, Decoded], names: Collection[str] | None = None
) -> CarriedChange:
    """Compare the change from base to rework in the old software with that in the new software.

    ``old`` and ``new`` are each a base and a rework of it, decoded with one layout. ``names`` selects tables
    and texts by their old or new names; bytes without a definition are then ignored.
    """
    # Values from strangers' images may be infinite or not numbers.
    with np.errstate(all="ignore"):
        return _CarriedComparison(old, new, names).result()


class _CarriedComparison:
    """One comparison of two changes."""

    def __init__(
        self,
        old: tuple[Decoded, Decoded],
        new: tuple[Decoded, Decoded],
        names: Collection[str] | None,
    ) -> None:
        self._old, self._new, self._names = old, new, names
        self._definitions = old[0].layout.definition, new[0].layout.definition
        self._changes = compare(*old), compare(*new)
        self._compared = ComparisonDefinition(*self._definitions)
        self._tables: list[CarriedTable] = []
        self._unjudged: list[UnjudgedChange] = []

    def result(self) -> CarriedChange:
        """Compare everything that changed."""
        before, after = self._definitions
        matched = match_items(before, after)
        origins = {new: old for old, new in matched.items()}
        touched, new_touched = (
            {table.name for table in changes.touched_tables} | self._on_changed_axes(changes)
            for changes in self._changes
        )
        for name in before.tables:
            new_name = matched.get(name)
            if new_name is not None and new_name in after.tables:
                if (name in touched or new_name in new_touched) and self._is_selected(name, new_name):
                    self._add(before.tables[name], after.tables[new_name], name in touched)
            elif name in touched and self._is_selected(name):
                self._unjudged.append(UnjudgedChange(name, True, None))
        for name in after.tables:
            is_matched = name in origins and origins[name] in before.tables
            if name in new_touched and not is_matched and self._is_selected(name):
                self._unjudged.append(UnjudgedChange(name, False, None))
        purposes = list(Purpose)
        texts = tuple(self._texts(origins))
        unexplained = [sum(run.changed for run in changes.unexplained) for changes in self._changes]
        return CarriedChange(
            self._compared.build(),
            tuple(sorted(self._tables, key=lambda table: purposes.index(table.table.purpose))),
            texts,
            tuple(self._unjudged),
            (0, 0) if self._names is not None else (unexplained[0], unexplained[1]),
        )

    def _is_selected(self, *names: str) -> bool:
        return self._names is None or any(name in self._names for name in names)

    @staticmethod
    def _on_changed_axes(changes: ChangeSet) -> set[str]:
        """The tables on changed axes, even if their output moved by little."""
        return {
            table.name
            for axis in changes.axes
            for table in changes.definition.tables_on(axis.axis.name)
            if changes.definition.is_resolved(table)
        }

    def _add(self, old: Table, new: Table, is_old: bool) -> None:
        result = self._judged(old, new)
        if isinstance(result, CarriedTable):
            self._tables.append(result)
        else:
            self._unjudged.append(UnjudgedChange((old if is_old else new).name, is_old, result))

    def _judged(self, old: Table, new: Table) -> CarriedTable | UncomparedCause:
        pair = table_pair(self._definitions[0], old, self._definitions[1], new)
        if not isinstance(pair, SoftwareTables):
            return pair
        old_grids = [decoded.grid(old) for decoded in self._old]
        new_grids = [decoded.grid(new) for decoded in self._new]
        sides = sides_of(pair, old_grids, new_grids)
        if isinstance(sides, Obstacle):
            return sides
        unions, tables = sides
        states: dict[str, int] | None = None
        if isinstance(self._definitions[0].conversion_of(old), States):
            states = {}
            readings = [
                read_states(side, state_numbers(side.grid, self._states(side), states)) for side in tables
            ]
            tolerance = np.zeros(tables[0].own.shape)
        else:
            readings = [read_numbers(side) for side in tables]
            # The bases are exact; only the values of the reworks were rounded.
            after = readings[1].values, readings[3].values
            is_cell = np.logical_and.reduce([side.own for side in tables])
            tolerance = step_tolerance(self._definitions, pair, *after, is_cell)
            readings[:2] = [
                Reading(pair.conversion.values(reading.values), reading.off, reading.known)
                for reading in readings[:2]
            ]
        changes = _point_change(tables[:2], readings[:2]), _point_change(tables[2:], readings[2:])
        unknown = ~(changes[0].known & changes[1].known) & (changes[0].changed | changes[1].changed)
        differs = ~unknown & ~_same(*changes, tolerance, states is not None)
        names = None if states is None else {number: name for name, number in states.items()}
        table = self._compared.add(pair, unions, names)
        x, y = ([union.points for union in unions] + [None, None])[:2]
        return CarriedTable(pair, table, x, y, *changes, differs, unknown, tables[3].own, tolerance)

    def _states(self, side: SoftwareSide) -> States:
        is_old = side.grid.table is self._definitions[0].tables.get(side.grid.table.name)
        conversion = self._definitions[0 if is_old else 1].conversion_of(side.grid.table)
        assert isinstance(conversion, States)
        return conversion

    def _texts(self, origins: dict[str, str]) -> Iterator[CarriedText]:
        """The changed texts, by their old names."""
        old, new = ({change.text.name: change.new for change in changes.texts} for changes in self._changes)
        partners = {name: new_name for new_name, name in origins.items()}
        for name, text in old.items():
            new_name = partners.get(name, "")
            if self._is_selected(name, new_name):
                yield CarriedText(name, text, new.get(new_name))
        for name, text in new.items():
            if origins.get(name) not in old and self._is_selected(name):
                yield CarriedText(name, None, text)


def _point_change(sides: list[SoftwareSide], readings: list[Reading]) -> PointChange:
    """The effect of a rework; the first of both sides is the base."""
    before, after = readings
    changed = _changed_points(sides)
    known = (before.known & after.known) | ~changed
    return PointChange(before.values, after.values, before.off, after.off, changed, known)


def _changed_points(sides: list[SoftwareSide]) -> Flags:
    """The points on which a changed cell has influence; all points if the breakpoints changed."""
    base, rework = sides
    for old, new in ((base.grid.x, rework.grid.x), (base.grid.y, rework.grid.y)):
        if old is not None and new is not None and not np.array_equal(old, new):
            return np.ones(base.own.shape, bool)
    bits = f"u{base.grid.raw.dtype.itemsize}"
    old_bits, new_bits = (np.ascontiguousarray(side.grid.raw).view(bits) for side in sides)
    return base.touches((old_bits != new_bits) | (base.grid.present != rework.grid.present))


def _same(old: PointChange, new: PointChange, tolerance: Numbers, are_states: bool) -> Flags:
    """The points at which both changes are the same.

    Numbers have the same change if their differences are equal. Points that were switched off on both sides
    are the same; points that were switched on, and states, are the same if their new values are equal.
    """
    neither = ~old.changed & ~new.changed
    both_off = (old.was_off == new.was_off) & old.is_off & new.is_off
    switched_on = (old.was_off & ~old.is_off) & (new.was_off & ~new.is_off)
    is_number = (old.was_off == old.is_off) & (new.was_off == new.is_off)
    same_value = equal_numbers(old.after, new.after) | within(old.after, new.after, tolerance)
    differences = old.difference, new.difference
    if are_states:
        moves = [change.changed & ~equal_numbers(change.before, change.after) for change in (old, new)]
        same_difference = (moves[0] == moves[1]) & (~moves[0] | equal_numbers(old.after, new.after))
    else:
        same_difference = equal_numbers(*differences) | within(*differences, tolerance)
    same: Flags = neither | both_off | (switched_on & same_value) | (is_number & same_difference)
    return same
