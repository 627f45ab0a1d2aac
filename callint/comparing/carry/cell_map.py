"""Which cells of an old table each cell of a new table is read from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.carry.axis_map import AxisMap
from callint.decoding.interpolation import lookup
from callint.decoding.surfaces import is_readable
from callint.model.change import Flags, Grid, Numbers


@dataclass(frozen=True, slots=True)
class CellMap:
    """The relation of old and new cells; old arrays have the shape (old rows, old columns)."""

    x: AxisMap
    y: AxisMap

    @property
    def _corners(self) -> list[tuple[Any, ...]]:
        """The four old cells that each new cell is read between."""
        return [np.ix_(y, x) for y in (self.y.low, self.y.high) for x in (self.x.low, self.x.high)]

    def reached_from(self, old: Flags) -> Flags:
        """The new cells in which any of the flagged old cells has weight."""
        reached: Flags = np.logical_or.reduce([old[corner] for corner in self._corners])
        return reached

    def sources_of(self, new: Flags) -> Flags:
        """The old cells that have weight in any of the flagged new cells."""
        old = np.zeros((len(self.y.source), len(self.x.source)), bool)
        for corner in self._corners:
            np.logical_or.at(old, corner, new)
        return old

    @property
    def same(self) -> Flags:
        """The new cells that lie exactly at an old cell."""
        return (self.y.same >= 0)[:, None] & (self.x.same >= 0)[None, :]

    @property
    def outside(self) -> Flags:
        """The new cells outside the range of the old table."""
        return self.y.outside[:, None] | self.x.outside[None, :]

    def at_same(self, values: NDArray[Any]) -> NDArray[Any]:
        """The old value at every new cell; meaningless where no old cell lies exactly there."""
        return values[np.ix_(self.y.same, self.x.same)]

    def flags_at_same(self, flags: Flags) -> Flags:
        """The old flag at every new cell; False where no old cell lies exactly there."""
        at_new: Flags = self.at_same(flags) & self.same
        return at_new

    def read(self, grid: Grid, values: Numbers) -> Numbers:
        """A surface over the old cells, at the new cells."""
        surface = replace(grid, physical=values, x=self.x.source, y=self.y.source)
        return lookup(surface, self.x.target[None, :], self.y.target[:, None])

    def read_back(self, grid: Grid, values: Numbers) -> Numbers | None:
        """A surface over the new cells, at the old cells; None if the new axes neither rise nor fall."""
        if not (is_readable(self.x.target) and is_readable(self.y.target)):
            return None
        surface = replace(grid, physical=values, x=self.x.target, y=self.y.target)
        return lookup(surface, self.x.source[None, :], self.y.source[:, None])
