"""Compares one table of two software versions at the union of its breakpoints."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.comparing.carry.rounding import step_at
from callint.comparing.decimal_compare import exceeds
from callint.comparing.softwares.axes import UnionAxis, no_axis, union_axis
from callint.comparing.softwares.causes import Obstacle
from callint.comparing.softwares.pairs import SoftwareTables
from callint.comparing.softwares.readings import Reading, SoftwareSide, make_side, read_numbers, read_states
from callint.decoding.decode import Decoded
from callint.decoding.surfaces import rounding
from callint.model.change import Flags, Grid, Numbers
from callint.model.definition import Definition, States, Table

#: The largest number of points of a union: each takes some 200 bytes while two tables are compared.
MOST_POINTS = 4_000_000


@dataclass(frozen=True, slots=True)
class TableComparison:
    """Both sides of a table at the points of the union; arrays have the shape (rows, columns).

    Values are in the unit of the comparison; ``states`` names them if they are states. ``changed`` flags the
    points that differ by more than the storage steps explain, and ``within`` those that differ by less.
    ``unknown`` flags the points at which the output of a side is unknown, and ``is_cell`` those at which both
    sides have a cell.
    """

    pair: SoftwareTables
    unions: tuple[UnionAxis, ...]
    old: Reading
    new: Reading
    changed: Flags
    within: Flags
    is_cell: Flags
    states: Mapping[int, str] | None

    @property
    def unknown(self) -> Flags:
        return ~(self.old.known & self.new.known)

    @property
    def has_same_breakpoints(self) -> bool:
        """Whether both tables have the same axes with the same breakpoints."""
        return all(len({*counts}) == 1 for counts in self.breakpoint_counts)

    @property
    def breakpoint_counts(self) -> tuple[tuple[int, int, int], ...]:
        """For each axis, the number of breakpoints of the old table, of the new one and of their union."""
        return tuple((union.count(0), union.count(1), len(union.places)) for union in self.unions)

    @property
    def is_slight(self) -> bool:
        """Whether the outputs differ only at points without cells of both sides, by up to 1 % of the span."""
        if (self.changed & (self.is_cell | (self.old.off != self.new.off))).any() or self.states:
            return False
        values = self.old.values[np.isfinite(self.old.values)]
        span = float(values.max() - values.min()) if values.size else 0.0
        return float(np.max(self.distances)) <= span / 100

    @property
    def distances(self) -> Numbers:
        """The distance between both values where they differ, 0 elsewhere; infinite without a number."""
        distances = np.nan_to_num(np.abs(self.new.values - self.old.values), nan=np.inf)
        return np.where(self.changed | self.within, distances, 0.0)

    def grids(self, table: Table) -> tuple[Grid, Grid]:
        """Both sides as cells of the compared table; their raw numbers equal their values."""
        x, y = ([union.points for union in self.unions] + [None, None])[:2]
        old, new = (
            Grid(table, side.values, side.values, side.known, side.off, x, y) for side in (self.old, self.new)
        )
        return old, new


def sides_of(
    pair: SoftwareTables, old: Sequence[Grid], new: Sequence[Grid], at: Mapping[str, float] | None = None
) -> tuple[tuple[UnionAxis, ...], list[SoftwareSide]] | Obstacle:
    """The unions of the breakpoints of all tables, by axis of the comparison, and the tables on them.

    ``old`` and ``new`` are the table in images of the old and of the new software. With ``at``, which has all
    signals of the table, the union is that operating point alone.
    """
    unions = []
    for axis in pair.axes:
        before = [None if axis.old is None else (grid.x, grid.y)[axis.old] for grid in old]
        after = [None if axis.new is None else (grid.x, grid.y)[axis.new] for grid in new]
        converted = (None if points is None else axis.conversion.values(points) for points in before)
        union = union_axis(*converted, *after)
        if union is not None and at is not None:
            union = union.only_at(at[axis.signal])
        if union is None:
            return Obstacle.AXES_NOT_MONOTONIC
        unions.append(union)
    if np.prod([len(union.places) for union in unions], dtype=np.float64) > MOST_POINTS:
        return Obstacle.TOO_MANY_POINTS
    nothing = no_axis(len(old) + len(new))
    x, y = (*unions, nothing, nothing)[:2]
    old_indexes, new_indexes = [axis.old for axis in pair.axes], [axis.new for axis in pair.axes]
    sides = [make_side(grid, old_indexes, number, x, y) for number, grid in enumerate(old)]
    sides += [make_side(grid, new_indexes, number, x, y) for number, grid in enumerate(new, len(old))]
    return tuple(unions), sides


def are_alike(old: Decoded, new: Decoded, pair: SoftwareTables) -> bool:
    """Whether both images hold the same raw numbers of one meaning at the same breakpoints.

    Such tables need no interpolation. Most tables of two versions are alike.
    """
    if not pair.has_same_raw_meaning or _off_code(pair.old) != _off_code(pair.new):
        return False
    before, after = old.grid(pair.old), new.grid(pair.new)
    return (
        before.physical.shape == after.physical.shape
        and all(axis.old == axis.new and axis.conversion.is_identity for axis in pair.axes)
        and _are_same_points(before.x, after.x)
        and _are_same_points(before.y, after.y)
        and bool(before.present.all() and after.present.all())
        and before.raw.tobytes() == after.raw.tobytes()
    )


def _off_code(table: Table) -> int | None:
    return None if table.demands.off is None else table.demands.off.raw


def _are_same_points(old: Numbers | None, new: Numbers | None) -> bool:
    if old is None or new is None:
        return old is new
    return np.array_equal(old, new, equal_nan=True)


def compare_tables(
    old: Decoded, new: Decoded, pair: SoftwareTables, at: Mapping[str, float] | None = None
) -> TableComparison | Obstacle:
    """A table in both images; with ``at``, at one operating point, which has all signals of the table."""
    grids = old.grid(pair.old), new.grid(pair.new)
    if not (grids[0].present.any() and grids[1].present.any()):
        return Obstacle.NOT_IN_BOTH
    sides = sides_of(pair, grids[:1], grids[1:], at)
    if isinstance(sides, Obstacle):
        return sides
    unions, both = sides
    definitions = old.layout.definition, new.layout.definition
    if isinstance(definitions[1].conversion_of(pair.new), States):
        return _compared_states(definitions, pair, unions, both)
    return _compared_numbers(definitions, pair, unions, both)


def _compared_numbers(
    definitions: tuple[Definition, Definition],
    pair: SoftwareTables,
    unions: tuple[UnionAxis, ...],
    both: list[SoftwareSide],
) -> TableComparison:
    before, new = (read_numbers(side) for side in both)
    is_cell = both[0].own & both[1].own
    tolerance = step_tolerance(definitions, pair, before.values, new.values, is_cell)
    old = Reading(pair.conversion.values(before.values), before.off, before.known)
    known = old.known & new.known
    are_numbers = known & ~old.off & ~new.off
    differs = are_numbers & ~equal_numbers(old.values, new.values)
    changed = differs & ~within(old.values, new.values, tolerance)
    if pair.has_same_raw_meaning:
        # At a cell of both sides one step is a change, although rounding on each side may explain half of it.
        changed |= differs & is_cell
        differing_bits = are_numbers & is_cell & _differing_raw(both)
        changed, differs = changed | differing_bits, differs | differing_bits
    switched = known & (old.off != new.off)
    return TableComparison(pair, unions, old, new, changed | switched, differs & ~changed, is_cell, None)


def _differing_raw(both: list[SoftwareSide]) -> Flags | bool:
    """The points at which whole raw numbers of one meaning differ; as doubles they may be equal.

    False if the sides do not have all of their cells at the same points in the same order.
    """
    first, second = both
    if first.grid.raw.dtype.kind not in "iu" or first.grid.raw.shape != second.grid.raw.shape:
        return False
    if not (first.is_aligned and second.is_aligned):
        return False
    differing: Flags = first.grid.raw != second.grid.raw
    return differing


def step_tolerance(
    definitions: tuple[Definition, Definition],
    pair: SoftwareTables,
    old: Numbers,
    new: Numbers,
    is_cell: Flags,
) -> Numbers:
    """Half of the larger storage step at each point, and the rounding of interpolation; in the new unit.

    ``old`` are values in the unit of the old table, and ``is_cell`` flags the points that are not
    interpolated. A value that was rounded to the storage of either table is within the tolerance.
    """
    with np.errstate(all="ignore"):
        old_step = step_at(definitions[0].conversion_of(pair.old), pair.old.storage, old)
        new_step = step_at(definitions[1].conversion_of(pair.new), pair.new.storage, new)
        steps = np.maximum(np.abs(pair.conversion.differences(old_step)), new_step)
        converted = pair.conversion.values(old)
        # Between cells, rounding is that of the largest cell.
        slack = rounding(magnitude(converted), magnitude(new))
        own_slack = 8 * np.spacing(np.maximum(np.abs(converted), np.abs(new)))
    return np.asarray(steps / 2 + np.where(is_cell, own_slack, slack))


def magnitude(values: Numbers) -> float:
    """The largest finite absolute value; 0 if there is none."""
    finite = np.abs(values[np.isfinite(values)])
    return float(finite.max()) if finite.size else 0.0


def equal_numbers(old: Numbers, new: Numbers) -> Flags:
    """Which values are equal; NaN equals NaN."""
    equal: Flags = (old == new) | (np.isnan(old) & np.isnan(new))
    return equal


def within(old: Numbers, new: Numbers, tolerance: Numbers) -> Flags:
    """Which values differ by no more than the tolerance; values that are not finite never do."""
    return np.isfinite(old) & np.isfinite(new) & ~exceeds(old, new, tolerance)


def _compared_states(
    definitions: tuple[Definition, Definition],
    pair: SoftwareTables,
    unions: tuple[UnionAxis, ...],
    both: list[SoftwareSide],
) -> TableComparison:
    names: dict[str, int] = {}
    readings = []
    for side, definition, table in zip(both, definitions, (pair.old, pair.new), strict=True):
        conversion = definition.conversion_of(table)
        assert isinstance(conversion, States)
        readings.append(read_states(side, state_numbers(side.grid, conversion, names)))
    old, new = readings
    known = old.known & new.known
    changed = known & ((old.off != new.off) | ~equal_numbers(old.values, new.values))
    nothing = np.zeros(changed.shape, bool)
    states = {number: name for name, number in names.items()}
    return TableComparison(pair, unions, old, new, changed, nothing, both[0].own & both[1].own, states)


def state_numbers(grid: Grid, conversion: States, names: dict[str, int]) -> NDArray[np.int64]:
    """The number of each cell's state by its name, shape of the grid; new names are added to ``names``."""
    values, index = np.unique(grid.raw, return_inverse=True)
    numbers = []
    for value in values.tolist():
        # A whole float has the name of the integer.
        raw = int(value) if math.isfinite(value) and value == int(value) else value
        numbers.append(names.setdefault(conversion.names.get(raw) or f"raw {raw}", len(names)))
    return np.array(numbers, np.int64)[index].reshape(grid.raw.shape)
