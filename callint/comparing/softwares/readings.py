"""Reads a table at the breakpoints of two tables, as the control unit does between its own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.softwares.axes import NO_AXIS, UnionAxis
from callint.comparing.softwares.pairs import TablePair
from callint.decoding.interpolation import lookup
from callint.model.change import Flags, Grid, Numbers


@dataclass(frozen=True, slots=True)
class Side:
    """The cells of one side, with rows and columns along the axes of the comparison.

    ``x`` and ``y`` are the breakpoints among the places of the union, None if the side has no such axis;
    ``own`` flags the points of the union that are cells of this side.
    """

    grid: Grid
    x: Numbers | None
    y: Numbers | None
    union_x: UnionAxis
    union_y: UnionAxis
    own: Flags

    def aligned(self, values: NDArray[Any]) -> NDArray[Any]:
        """Values at the union, if the side has a cell at each point or is the same along a missing axis."""
        return np.broadcast_to(values, self.own.shape)

    def read(self, values: Numbers) -> Numbers:
        """A surface over the cells at all points of the union, shape (rows, columns)."""
        surface = replace(self.grid, physical=values, x=self.x, y=self.y)
        x, y = self.union_x.places, self.union_y.places
        return lookup(surface, x[None, :], y[:, None])

    def touches(self, cells: Flags) -> Flags:
        """The points of the union at which any of the flagged cells has weight."""
        if not cells.any():
            return np.zeros(self.own.shape, bool)
        return np.isnan(self.read(np.where(cells, np.nan, 0.0)))


@dataclass(frozen=True, slots=True)
class Reading:
    """A table at the points of a union; all arrays have the shape (rows, columns).

    ``values`` is NaN where there is no number. ``known`` is False where the image lacks a cell with weight,
    or where an off code lies beside a number: nothing is interpolated through off.
    """

    values: Numbers
    off: Flags
    known: Flags


def sides(pair: TablePair, old: Grid, new: Grid, x: UnionAxis, y: UnionAxis) -> tuple[Side, Side]:
    """Both sides on the union of their breakpoints."""
    return (
        _side(old, [axis.old for axis in pair.axes], (x.old, y.old), x, y),
        _side(new, [axis.new for axis in pair.axes], (x.new, y.new), x, y),
    )


def _side(
    grid: Grid,
    indexes: list[int | None],
    breakpoints: tuple[Numbers | None, Numbers | None],
    x: UnionAxis,
    y: UnionAxis,
) -> Side:
    along_x, along_y = (*indexes, None, None)[:2]
    # Cells have their rows along y; in a curve along the y of the other table they are turned.
    if along_x == 1 or along_y == 0:
        grid = replace(grid, raw=grid.raw.T, physical=grid.physical.T, present=grid.present.T, off=grid.off.T)
    own = y.is_own(breakpoints[1])[:, None] & x.is_own(breakpoints[0])[None, :]
    return Side(grid, *breakpoints, x, y, own)


def read_numbers(side: Side) -> Reading:
    """The numbers of a table at all points, in its own unit."""
    grid = side.grid
    values = side.read(grid.physical)
    if grid.present.all() and not grid.off.any():
        return Reading(values, np.zeros(values.shape, bool), np.ones(values.shape, bool))
    touches_off, touches_number = side.touches(grid.off), side.touches(grid.present & ~grid.off)
    known = ~side.touches(~grid.present) & ~(touches_off & touches_number)
    off = touches_off & known
    return Reading(np.where(known & ~off, values, np.nan), off, known)


def read_states(side: Side, numbers: NDArray[np.int64]) -> Reading:
    """The states of a table at all points; ``numbers``, in the shape of the grid, tells states apart.

    ``values`` has the numbers of the states. Between cells of different states nothing is known.
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


def union_shape(x: UnionAxis | None, y: UnionAxis | None) -> tuple[int, int]:
    """Rows and columns of a comparison."""
    return len((y or NO_AXIS).places), len((x or NO_AXIS).places)
