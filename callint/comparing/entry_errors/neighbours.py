"""The changed cells of a table with the cells around them, and the predictions from these.

A prediction is made along the lines through a cell: its row, its column and its diagonals. A padded grid is
the table with a margin of ``radius`` cells, as a flat array, so that a neighbour is one addition away. The
shape (changed,) is one value per changed cell, in the order of ``places``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding.statistics import median
from callint.decoding.surfaces import is_readable
from callint.model.change import Flags, Numbers

Indexes = NDArray[np.intp]

#: Changed cells up to this far away are changed neighbours: in a map, and in a curve, which has fewer.
_MAP_RADIUS, _CURVE_RADIUS = 2, 3
#: With fewer changed neighbours than this, cells further away are used too.
FEW = 6
#: The span of the new values leaves out this share of them at either end.
_OUTERMOST = 0.05
#: The movement of a taper grows from its edge inwards by at least this share of the first step.
_GROWTH = 0.25
_SIDES = (-2, -1, 1, 2)


@dataclass(frozen=True)
class TableEdit:
    """The change of one table; arrays have the shape (rows, columns).

    ``old`` and ``new`` are physical values, NaN where there is none (off, absent). ``resolution`` is the
    physical distance to the next storable value. ``stops`` are values at which edits end: the limits of
    storage and table. ``x`` (columns) and ``y`` (rows) are the breakpoints, or None. ``decimals`` are the
    digits after the point that values are typed with, None where significant digits serve better.
    """

    old: Numbers
    new: Numbers
    changed: Flags
    resolution: Numbers
    stops: tuple[float, ...] = ()
    x: Numbers | None = None
    y: Numbers | None = None
    decimals: int | None = None

    @property
    def key(self) -> tuple[object, ...]:
        """Equal for two edits if all their numbers are, bit by bit."""
        grids = (self.old, self.new, self.changed, self.resolution, self.x, self.y)
        bits = (None if grid is None else grid.tobytes() for grid in grids)
        return self.old.shape, self.stops, self.decimals, *bits

    @cached_property
    def cells(self) -> Flags:
        """The changed cells that held a number and hold one."""
        return self.changed & np.isfinite(self.old) & np.isfinite(self.new)

    @cached_property
    def span(self) -> float:
        """How far apart the values of the base lie, or most of the new ones where the base is flatter."""
        old = self.old[np.isfinite(self.old)]
        new = self.new[np.isfinite(self.new)]
        # Without the outermost, so that a slip does not widen the span that it is judged by.
        outermost = max(1, int(_OUTERMOST * len(new)))
        most = np.sort(new)[outermost:-outermost]
        with np.errstate(over="ignore"):
            return max((float(np.ptp(values)) for values in (old, most) if len(values)), default=0.0)


class GridLines:
    """The neighbours along some directions through the cells at ``places``, with the weights for predictions.

    All arrays have the shape (lines, changed), or (changed,) for one line. ``at`` are the places of the
    neighbours in the padded grid, and ``off`` their coordinates less that of the cell.
    """

    def __init__(self, at: dict[int, Indexes], off: dict[int, Numbers]) -> None:
        self.at = at
        #: Straight between the two neighbours.
        self.between = {-1: off[1] / (off[1] - off[-1]), 1: -off[-1] / (off[1] - off[-1])}
        #: Straight on from the two neighbours of one side: the share of their step that is added.
        self.onwards = {side: off[side] / (off[2 * side] - off[side]) for side in (-1, 1)}
        self._off = off

    def first(self, count: int) -> GridLines:
        """The first ``count`` lines."""
        return GridLines(
            {side: at[:count] for side, at in self.at.items()},
            {side: off[:count] for side, off in self._off.items()},
        )

    def line(self, number: int, step: int) -> GridLine:
        """One of the lines, whose cells are ``step`` places apart."""
        at = {side: at[number] for side, at in self.at.items()}
        return GridLine(at, {side: off[number] for side, off in self._off.items()}, step)

    @cached_property
    def cubic(self) -> dict[int, Numbers]:
        """The weights of Lagrange's polynomial through all four neighbours."""
        weights = {}
        for side in _SIDES:
            weight: Any = 1.0
            for other in _SIDES:
                if other != side:
                    weight = weight * (self._off[other] / (self._off[other] - self._off[side]))
            weights[side] = weight
        return weights

    def through(self, values: dict[int, Numbers], side: int) -> Numbers:
        """What the straight line through the two neighbours gives for the cell at ``side``."""
        off = self._off
        slope = (values[1] - values[-1]) / (off[1] - off[-1])
        there: Numbers = values[-1] + slope * (off[side] - off[-1])
        return there

    def values(self, grid: Numbers) -> dict[int, Numbers]:
        """The values of the four neighbours of every cell."""
        return {side: grid[at] for side, at in self.at.items()}


class GridLine(GridLines):
    """One line; its cells are ``step`` places apart in the padded grid."""

    def __init__(self, at: dict[int, Indexes], off: dict[int, Numbers], step: int) -> None:
        super().__init__(at, off)
        self.step = step

    @cached_property
    def all_at(self) -> Indexes:
        """The places of the four neighbours of every cell, shape (changed, 4)."""
        return np.stack(list(self.at.values()), axis=1)


class PaddedGrid:
    """The changed cells of an edit and the cells around them."""

    def __init__(self, edit: TableEdit, cells: Flags) -> None:
        self.edit = edit
        rows, columns = edit.old.shape
        self.is_curve = rows == 1 or columns == 1
        self.radius = _CURVE_RADIUS if self.is_curve else _MAP_RADIUS
        self.stride = columns + 2 * self.radius
        self.shape = rows, columns
        self.old, self.new = self._padded(edit.old), self._padded(edit.new)
        self.changed: Flags = self._padded(cells, False)
        #: Where the changed cells lie in the padded grid.
        self.places: Indexes = np.flatnonzero(self.changed)
        self.step: Numbers = edit.resolution[cells]
        offsets = range(-self.radius, self.radius + 1)
        down = offsets if rows > 1 else (0,)
        across = offsets if columns > 1 else (0,)
        steps = [dy * self.stride + dx for dy in down for dx in across if dx or dy]
        #: The places around every changed cell, shape (changed, places).
        self.around: Indexes = self.places[:, None] + np.array(steps, np.intp)[None, :]

    def _padded(self, grid: NDArray[Any], fill: Any = np.nan) -> NDArray[Any]:
        rows, columns = self.shape
        padded = np.full((rows + 2 * self.radius, self.stride), fill)
        padded[self.radius : self.radius + rows, self.radius : self.radius + columns] = grid
        return padded.ravel()

    def cell(self, number: int) -> tuple[int, int]:
        """Row and column of a changed cell."""
        row, column = divmod(int(self.places[number]), self.stride)
        return row - self.radius, column - self.radius

    def scattered(self, values: NDArray[Any], fill: Any = np.nan) -> NDArray[Any]:
        """Values of the changed cells at their places in the padded grid."""
        grid = np.full(self.changed.shape, fill)
        grid[self.places] = values
        return grid

    @cached_property
    def all_lines(self) -> GridLines:
        """The lines through every changed cell, the straight ones first."""
        rows, columns = self.shape
        x, y = (_coordinates(axis, count) for axis, count in ((self.edit.x, columns), (self.edit.y, rows)))
        along = []
        if columns > 1:
            along.append(np.broadcast_to(x[None, :], self.shape))
        if rows > 1:
            along.append(np.broadcast_to(y[:, None], self.shape))
        if not self.is_curve:
            diagonal = np.broadcast_to(_coordinates(None, columns)[None, :], self.shape)
            along += [diagonal, -diagonal]
        steps = np.array(self._steps, np.intp)[:, None]
        at = {side: self.places + side * steps for side in _SIDES}
        coordinates = np.stack([self._padded(part) for part in along])
        centre, number = coordinates[:, self.places], np.arange(len(along))[:, None]
        return GridLines(at, {side: coordinates[number, at[side]] - centre for side in _SIDES})

    @property
    def _steps(self) -> list[int]:
        """How many places apart the cells of each line are."""
        rows, columns = self.shape
        steps = [1] * (columns > 1) + [self.stride] * (rows > 1)
        return steps if self.is_curve else [*steps, self.stride + 1, self.stride - 1]

    @cached_property
    def lines(self) -> tuple[GridLine, ...]:
        """As ``all_lines``, one by one."""
        return tuple(self.all_lines.line(number, step) for number, step in enumerate(self._steps))

    @cached_property
    def straight(self) -> tuple[GridLine, ...]:
        """The row and the column through every changed cell."""
        return self.lines[: 1 if self.is_curve else 2]

    @cached_property
    def straight_lines(self) -> GridLines:
        """As ``straight``, as one."""
        return self.all_lines.first(len(self.straight))

    @cached_property
    def roughness(self) -> Numbers:
        """The distance of every cell of the base from the nearer surface through it, in the padded grid."""
        base, off = self._base_residuals
        return base.scattered(finite_or_nan(off.min(axis=0)))

    @cached_property
    def unevenness(self) -> Numbers:
        """The mean distance of every cell of the base from the surfaces through it, in the padded grid."""
        base, off = self._base_residuals
        return base.scattered(mean_residual(off))

    @cached_property
    def base_means(self) -> tuple[Numbers, ...]:
        """The means of the base over every cell and its neighbours, in the padded grid.

        They are along each of the straight lines, and over both. Beyond an edge the base goes on straight.
        """
        along = tuple(_mean_along(self.old, line.step) for line in self.straight)
        both = (_mean_along(along[0], self.straight[1].step),) if len(along) > 1 else ()
        return *along, *both

    @cached_property
    def _base_residuals(self) -> tuple[PaddedGrid, Numbers]:
        edit = self.edit
        whole = TableEdit(edit.old, edit.old, edit.changed, edit.resolution, x=edit.x, y=edit.y)
        base = PaddedGrid(whole, np.isfinite(edit.old))
        return base, surface_residuals(base, base.new)


def _coordinates(axis: Numbers | None, count: int) -> Numbers:
    """The breakpoints of an axis if they rise or fall throughout, otherwise indexes."""
    if axis is not None and len(axis) == count > 1 and is_readable(axis):
        return axis
    return np.arange(float(count))


def _mean_along(grid: Numbers, step: int) -> Numbers:
    before, after = np.roll(grid, step), np.roll(grid, -step)
    start = np.where(np.isnan(before), 2 * grid - after, before)
    end = np.where(np.isnan(after), 2 * grid - before, after)
    mean: Numbers = (start + grid + end) / 3
    return mean


def shifted(grid: Numbers, shift: int) -> Numbers:
    """For each place the value at the place so much further, as np.roll has it, which is slower."""
    return np.concatenate((grid[shift:], grid[:shift]))


# Predictions


@dataclass(frozen=True)
class CellShift:
    """How far cells moved, in the padded grid, as a difference or a ratio to the base.

    ``shift`` is NaN in unchanged cells and in cells whose movement says nothing; ``shift_or_rest`` has the
    value of no movement in unchanged cells, and ``any_shift`` the movement of every changed cell that counts.
    A shift s predicts ``offset + factor * s`` for a cell; offset and factor have the shape (changed,).
    """

    shift: Numbers
    shift_or_rest: Numbers
    any_shift: Numbers
    offset: Numbers
    factor: Numbers


def delta_residuals(window: PaddedGrid, movement: CellShift, few: Flags) -> Numbers:
    """The distance of every changed cell from the nearest prediction by the movement around it.

    Infinite if there is no prediction. ``few`` flags the cells with fewer changed neighbours than FEW, for
    which cells further away are used too.
    """
    new, add, times = window.new[window.places], movement.offset, movement.factor
    off: Numbers = np.full(len(new), np.inf)
    any_few = bool(few.any())

    def offer(prediction: Numbers) -> None:
        misfit = np.abs(add + times * prediction - new)
        np.fmin(off, misfit if misfit.ndim == 1 else np.fmin.reduce(misfit, axis=0), out=off)

    for prediction in _along_lines(window.all_lines, movement, few):
        offer(prediction)
    stay = movement.shift_or_rest[_is_kept(window)][:1].sum()  # all of them have the same
    for crossing in _crossings(window, movement.shift):
        offer(crossing - stay)
    if window.is_curve and any_few:
        for side in (-3, 3):
            offer(np.where(few, movement.shift[window.places + side * window.lines[0].step], np.nan))
    if np.count_nonzero(np.isfinite(movement.shift)) > 2:
        # Among the many changed neighbours of a map, a cell moves as those far off by chance.
        offer(np.where(few | window.is_curve, median(movement.shift[~np.isnan(movement.shift)]), np.nan))
    return off


def _along_lines(lines: GridLines, movement: CellShift, few: Flags) -> Iterator[Numbers]:
    """What the movement along each line predicts for every changed cell, shape (lines, changed).

    It is NaN where a line predicts nothing. The arguments are as in ``delta_residuals``.
    """
    near, all_ = lines.values(movement.shift), lines.values(movement.shift_or_rest)
    back, ahead = np.isfinite(near[-1]), np.isfinite(near[1])
    between = all_[-1] * lines.between[-1] + all_[1] * lines.between[1]
    # Expect half of the movement only at the edge of a movement that grows inwards. A cell that was made
    # equal to another one predicts no movement, but shows that it grows.
    inwards = {side: movement.any_shift[lines.at[side]] for side in (-2, 2)}
    grows = [
        np.abs(inwards[2 * side] - near[side]) >= _GROWTH * np.abs(near[side] - all_[-side])
        for side in (-1, 1)
    ]
    yield np.where((back & ahead) | ((back | ahead) & (few | grows[0] | grows[1])), between, np.nan)
    farther = {side: np.where(few, all_[side], near[side]) for side in (-2, 2)} if few.any() else near
    cubic = lines.cubic
    yield near[-1] * cubic[-1] + near[1] * cubic[1] + farther[-2] * cubic[-2] + farther[2] * cubic[2]
    alone = ~(back & ahead) | few
    # Where the movement changes steadily, a cell moves as the mean of its neighbours, not as one of them.
    across = near[1] - near[-1]
    before, after = near[-1] - near[-2], near[2] - near[1]
    sides = np.where(np.isnan(before), after, before) + np.where(np.isnan(after), before, after)
    steady = np.abs(across - sides) <= 0.5 * np.abs(across)
    for side, is_given in ((-1, back), (1, ahead)):
        yield np.where(steady, np.nan, near[side])
        yield np.where(few | ~is_given, near[2 * side], np.nan)
        onwards = near[side] + (near[side] - farther[2 * side]) * lines.onwards[side]
        yield np.where(alone, onwards, np.nan)


def _crossings(window: PaddedGrid, shift: Numbers) -> Iterator[Numbers]:
    """What two edits that overlap in a cell add up to, by the ``shift`` of the cells at a corner of it.

    Those beside it along the row and the column are in one edit each, and the one between these in none.
    """
    if window.is_curve:
        return
    across, down = (line.values(shift) for line in window.straight)
    rest = _is_kept(window)
    for side in (-1, 1):
        for other in (-1, 1):
            corner = window.places + side * window.straight[0].step + other * window.straight[1].step
            yield np.where(rest[corner], across[side] + down[other], np.nan)


def _is_kept(window: PaddedGrid) -> Flags:
    """The cells that kept their number, in the padded grid."""
    kept: Flags = np.isfinite(window.old) & np.isfinite(window.new) & ~window.changed
    return kept


def predict_from_delta(window: PaddedGrid, movement: CellShift, cells: Indexes) -> Numbers:
    """The values of some changed cells as the movement around them predicts, shape (cells,)."""
    lines = window.all_lines
    before, after = (movement.shift[lines.at[side][:, cells]] for side in (-1, 1))
    predictions = before * lines.between[-1][:, cells] + after * lines.between[1][:, cells]
    centre = row_median(predictions.T)
    centre = np.where(np.isfinite(centre), centre, row_median(movement.shift[window.around[cells]]))
    expected: Numbers = movement.offset[cells] + movement.factor[cells] * centre
    return expected


def surface_residuals(window: PaddedGrid, surface: Numbers) -> Numbers:
    """The distance of every changed cell from the nearest prediction by the values along a line.

    Shape (2, changed): along the row and along the column. Infinite if there is no prediction. Values are
    extrapolated beyond the edge of a table for cells that lie between two others on no line.
    """
    new, lines = window.new[window.places], window.straight_lines
    off: Numbers = np.full((2, len(new)), np.inf)
    nearest = off[: len(window.straight)]
    for prediction in _between(lines, surface, slice(None)):
        np.fmin(nearest, np.abs(prediction - new), out=nearest)
    inside = np.isfinite(nearest).any(axis=0)
    changed = {side: window.changed[at] for side, at in lines.at.items()}
    for side, prediction in zip((-1, 1), _outside(lines, surface, slice(None)), strict=True):
        # Where an edit ends, the line that it drew goes on to its last cell.
        is_last = changed[side] & changed[2 * side] & ~changed[-side]
        misfit = np.where(inside & ~is_last, np.nan, np.abs(prediction - new))
        np.fmin(nearest, misfit, out=nearest)
    return off


def mean_residual(off: Numbers) -> Numbers:
    """The mean of the ``surface_residuals`` of row and column; NaN if there is neither."""
    given = np.isfinite(off)
    mean: Numbers = np.where(given, off, 0.0).sum(axis=0) / given.sum(axis=0)
    return mean


def predict_from_surface(window: PaddedGrid, surface: Numbers, cells: Indexes) -> Numbers:
    """The values of some changed cells as the values along a line predict, shape (2, cells)."""
    predictions: Numbers = np.full((2, len(cells)), np.nan)
    for number, line in enumerate(window.straight):
        between = _between(line, surface, cells)
        centre = np.where(np.isfinite(between[1]), between[1], between[0])
        predictions[number] = np.where(
            np.isfinite(centre), centre, row_median(np.stack(_outside(line, surface, cells), 1))
        )
    return predictions


def _between(line: GridLines, surface: Numbers, cells: Indexes | slice) -> list[Numbers]:
    values = {side: surface[at[cells]] for side, at in line.at.items()}
    straight = values[-1] * line.between[-1][cells] + values[1] * line.between[1][cells]
    cubic = line.cubic
    curved: Numbers = sum((values[side] * cubic[side][cells] for side in _SIDES), np.zeros(1))
    return [straight, curved]


def _outside(line: GridLines, surface: Numbers, cells: Indexes | slice) -> list[Numbers]:
    values = {side: surface[at[cells]] for side, at in line.at.items()}
    return [values[side] + (values[side] - values[2 * side]) * line.onwards[side][cells] for side in (-1, 1)]


# Order statistics of rows with gaps


def finite_or_nan(values: Numbers) -> Numbers:
    """The values, NaN where they are infinite."""
    finite: Numbers = np.where(np.isfinite(values), values, np.nan)
    return finite


def row_quantile(values: Numbers, share: float) -> Numbers:
    """A low quantile of every row without its NaNs; NaN if nothing is left."""
    ordered = np.sort(values, axis=1)
    count = (~np.isnan(ordered)).sum(axis=1)
    # Rounded towards zero: if nothing is left it is the first, which is NaN.
    index = (share * (count - 1)).astype(np.intp)
    quantiles: Numbers = ordered[np.arange(len(ordered)), index]
    return quantiles


def row_median(values: Numbers) -> Numbers:
    """The median of every row without its NaNs and infinities; NaN if nothing is left."""
    given = np.isfinite(values)
    ordered = np.where(given, values, np.nan)
    ordered.sort(axis=1)
    count = given.sum(axis=1)
    rows = np.arange(len(ordered))
    # If nothing is left these are the last and the first, which are NaN.
    medians: Numbers = (ordered[rows, (count - 1) // 2] + ordered[rows, count // 2]) / 2
    return medians
