"""Reads a table at the breakpoints of several tables, interpolated as the control unit does."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from callint.comparing.softwares.axes import UnionAxis
from callint.decoding.interpolation import lookup
from callint.model.change import Flags, Grid, Numbers


@dataclass(frozen=True, slots=True)
class SoftwareSide:
    """The cells of one table, with rows and columns along the axes of the comparison.

    ``grid.x`` and ``grid.y`` are the breakpoints among the places of the union, None if the table has no such
    axis; ``own`` flags the points of the union that are cells of this table.
    """

    grid: Grid
    x: UnionAxis
    y: UnionAxis
    own: Flags

    def read(self, values: Numbers) -> Numbers:
        """A surface over the cells at all points of the union, shape (rows, columns)."""
        surface = replace(self.grid, physical=values)
        return lookup(surface, self.x.places[None, :], self.y.places[:, None])

    def touches(self, cells: Flags) -> Flags:
        """The points of the union at which any of the flagged cells has weight."""
        if not cells.any():
            return np.zeros(self.own.shape, bool)
        return np.isnan(self.read(np.where(cells, np.nan, 0.0)))

    @property
    def is_aligned(self) -> bool:
        """Whether the cells are the points of the union, in the same order."""
        pairs = ((self.grid.x, self.x), (self.grid.y, self.y))
        return all(
            breakpoints is not None and np.array_equal(breakpoints, union.places)
            for breakpoints, union in pairs
            if breakpoints is not None or len(union.places) > 1
        )


def make_side(grid: Grid, indexes: list[int | None], number: int, x: UnionAxis, y: UnionAxis) -> SoftwareSide:
    """A table as side ``number`` of the unions; ``indexes`` has its axis for each axis of the comparison."""
    # The rows of the cells lie along y; x of the table may be y of the comparison.
    if indexes[1:] == [0]:
        grid = replace(grid, raw=grid.raw.T, physical=grid.physical.T, present=grid.present.T, off=grid.off.T)
    grid = replace(grid, x=x.sides[number], y=y.sides[number])
    return SoftwareSide(grid, x, y, y.is_own(number)[:, None] & x.is_own(number)[None, :])


@dataclass(frozen=True, slots=True)
class Reading:
    """A table at the points of a union; all arrays have the shape (rows, columns).

    ``values`` is NaN where there is no number. ``known`` is False where the image lacks a cell with weight,
    or where an off code lies beside a number: callint does not interpolate through off.
    """

    values: Numbers
    off: Flags
    known: Flags


def read_numbers(side: SoftwareSide) -> Reading:
    """The numbers of a table at all points, in its own unit."""
    grid = side.grid
    values = side.read(grid.physical)
    if grid.present.all() and not grid.off.any():
        return Reading(values, np.zeros(values.shape, bool), np.ones(values.shape, bool))
    touches_off, touches_number = side.touches(grid.off), side.touches(grid.present & ~grid.off)
    known = ~side.touches(~grid.present) & ~(touches_off & touches_number)
    off = touches_off & known
    return Reading(np.where(known & ~off, values, np.nan), off, known)


def read_states(side: SoftwareSide, numbers: NDArray[np.int64]) -> Reading:
    """The states of a table at all points; ``numbers``, in the shape of the grid, identifies the states.

    ``values`` has the numbers of the states. Between cells of different states the state is unknown.
    """
    grid = side.grid
    shape = side.own.shape
    values, touched = np.full(shape, np.nan), np.zeros(shape, np.int64)
    has_state = grid.present & ~grid.off
    for number in sorted(set(numbers[has_state].tolist())):
        here = side.touches(has_state & (numbers == number))
        values[here] = number
        touched += here
    touches_off = side.touches(grid.off)
    known = ~side.touches(~grid.present) & (touched + touches_off == 1)
    off = touches_off & known
    return Reading(np.where(known & ~off, values, np.nan), off, known)
