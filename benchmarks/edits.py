"""Edits as people make them, and slips of the fingers, for ``python -m benchmarks slips``.

Everything is drawn from a generator that the caller seeds. Values are in the table's unit and rounded to
what its storage holds.

How large an edit is: 1 to 25 % of the value (or of the span, by offset) where it covers more than two
cells. One or two cells alone are moved by up to 4 % of the table's span, onto the surface, or to a
neighbour's value: a lone cell that leaves its surface further is what the rule is there to say aloud.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from benchmarks.shapes import Array, Shape
from callint.decoding.conversions import physical_limits
from callint.model.change import Flags, Grid, TableChange
from callint.model.definition import (
    ByteOrder,
    Constraints,
    Kind,
    Linear,
    NumberType,
    Purpose,
    Range,
    Storage,
    Table,
)


@dataclass(frozen=True)
class Sample:
    """A shape as it is stored: its table, its conversion and its base."""

    shape: Shape
    table: Table
    conversion: Linear
    base: Grid
    low: float
    high: float

    @property
    def span(self) -> float:
        return float(np.nanmax(self.numbers) - np.nanmin(self.numbers))

    @property
    def numbers(self) -> Array:
        """The base, NaN where it is off."""
        return np.where(self.base.off, np.nan, self.base.physical)

    @property
    def step(self) -> float:
        """The distance between two values that people can tell apart in it."""
        return 10.0**-self.shape.decimals if self.is_float else self.shape.factor

    @property
    def is_float(self) -> bool:
        return self.shape.type.startswith("float")

    def grid(self, values: Array) -> Grid:
        """Physical values (NaN is off) as stored: rounded, and stopped at the ends of the storage."""
        shape = self.shape
        native = self.table.storage.dtype.newbyteorder("=")
        raw = (values - shape.offset) / shape.factor
        off = np.isnan(values)
        if not self.is_float:
            ends = np.iinfo(native)
            raw = np.clip(np.rint(np.where(off, 0, raw)), ends.min, ends.max)
        stored = np.where(off, shape.off or 0, raw).astype(native)
        physical = stored.astype(np.float64) * shape.factor + shape.offset
        present = np.ones(values.shape, bool)
        return Grid(self.table, stored, np.round(physical, 10), present, off, shape.x, shape.y)

    def change(self, values: Array) -> TableChange:
        """The change from the base to these values."""
        new = self.grid(values)
        return TableChange(self.table, self.base, new, self.base.raw != new.raw)


def sample(shape: Shape) -> Sample:
    """A shape made ready."""
    type_ = NumberType[shape.type]
    storage = Storage(type_, ByteOrder.BIG, type_.size)
    limits = Range(*shape.limits) if shape.limits else None
    table = Table(
        name=shape.name, title=shape.name, kind=Kind.CURVE if shape.y is None else Kind.MAP,
        purpose=Purpose.GENERAL, group="", at=0, storage=storage, conversion="unit", x="x",
        y=None if shape.y is None else "y", y_first=False, signal=None, produces=None,
        demands=Constraints(limits=limits), notes=(), line=1,
    )  # fmt: skip
    conversion = Linear("unit", "-", shape.decimals, shape.factor, shape.offset, 1)
    low, high = physical_limits(conversion, storage)
    if shape.limits:
        low, high = max(low, shape.limits[0]), min(high, shape.limits[1])
    draft = Sample(shape, table, conversion, None, low, high)  # type: ignore[arg-type]
    return Sample(shape, table, conversion, draft.grid(shape.values), low, high)


# Edits


#: What somebody does to a table.
Edit = Callable[[np.random.Generator, Sample], Array]


@dataclass(frozen=True)
class Region:
    """Where an edit takes place, and how much weight it has there; shape (rows, columns)."""

    cells: Flags
    weight: Array

    @property
    def size(self) -> int:
        return int(self.cells.sum())


def region(numbers: np.random.Generator, shape: tuple[int, ...], least: int = 1) -> Region:
    """A region of at least so many cells, from one to the whole table."""
    rows, columns = shape
    cells = np.zeros((rows, columns), bool)
    while cells.sum() < least:
        cells[:] = False
        height, width = _extent(numbers, rows, columns)
        y, x = numbers.integers(0, rows - height + 1), numbers.integers(0, columns - width + 1)
        cells[y : y + height, x : x + width] = True
    return Region(cells, cells.astype(np.float64))


def _extent(numbers: np.random.Generator, rows: int, columns: int) -> tuple[int, int]:
    match numbers.integers(0, 6):
        case 0:
            return 1, 1
        case 1:  # a few cells
            return int(numbers.integers(1, min(rows, 2) + 1)), int(numbers.integers(1, 4))
        case 2 | 3:
            return int(numbers.integers(min(rows, 2), rows + 1)), int(numbers.integers(2, columns + 1))
        case 4:  # whole rows or columns
            if rows > 1 and numbers.random() < 0.5:
                return rows, int(numbers.integers(1, columns // 2 + 1))
            return int(numbers.integers(1, rows // 2 + 2)) if rows > 1 else 1, columns
        case _:
            return rows, columns


def tapered(numbers: np.random.Generator, whole: Region) -> Region:
    """The region with a weight that rises along an axis, or falls off from its middle without a step."""
    rows, columns = whole.cells.shape
    ys, xs = np.nonzero(whole.cells)
    y, x = np.arange(rows)[:, None], np.arange(columns)[None, :]
    height, width = ys.max() - ys.min() + 1, xs.max() - xs.min() + 1
    if numbers.random() < 0.5:
        along, first, count = (x, xs.min(), width) if width >= height else (y, ys.min(), height)
        weight = (along - first + 1) / count + 0 * (x + y)
    else:
        across = np.clip(np.abs(x - (xs.min() + xs.max()) / 2) / (width / 2 + 0.5), 0, 1)
        down = np.clip(np.abs(y - (ys.min() + ys.max()) / 2) / (height / 2 + 0.5), 0, 1)
        weight = np.cos(np.pi / 2 * across) ** 2 * np.cos(np.pi / 2 * down) ** 2
    return Region(whole.cells, np.where(whole.cells, weight, 0.0))


def _size(numbers: np.random.Generator, item: Sample, where: Region) -> float:
    """A signed size of an edit as a share of the value."""
    share = float(np.exp(numbers.uniform(np.log(0.01), np.log(0.25))))
    if where.size <= 2:
        level = float(np.max(np.abs(np.nan_to_num(item.numbers[where.cells])))) or item.span
        share = min(share, 0.04 * item.span / level)
    return share * (1 if numbers.random() < 0.6 else -1)


def by_factor(numbers: np.random.Generator, item: Sample) -> Array:
    where = region(numbers, item.numbers.shape)
    return item.numbers * (1 + _size(numbers, item, where) * where.weight)


def by_offset(numbers: np.random.Generator, item: Sample) -> Array:
    where = region(numbers, item.numbers.shape)
    share = _size(numbers, item, where)
    most = 0.04 if where.size <= 2 else 0.25
    return np.asarray(item.numbers + np.clip(share, -most, most) * item.span * where.weight)


def by_taper(numbers: np.random.Generator, item: Sample) -> Array:
    where = tapered(numbers, region(numbers, item.numbers.shape, 5))
    if numbers.random() < 0.5:
        return item.numbers * (1 + _size(numbers, item, where) * where.weight)
    return item.numbers + _size(numbers, item, where) * item.span * where.weight


def by_hand(numbers: np.random.Generator, item: Sample) -> Array:
    """By factor or taper, each value typed with rounding to 1, 0.5, 2, 5 ... or to two digits."""
    where = region(numbers, item.numbers.shape)
    if where.size > 5 and numbers.random() < 0.5:
        where = tapered(numbers, where)
    wanted = item.numbers * (1 + _size(numbers, item, where) * where.weight)
    if numbers.random() < 0.3 and item.span > 0.5 * np.nanmax(np.abs(item.numbers)) and where.size > 2:
        typed = _significant(wanted, 2)
    else:
        ladder = np.array([m * 10.0**e for e in range(-4, 4) for m in (1, 2, 5)])
        fair = ladder[(ladder >= item.step) & (ladder <= 0.04 * item.span)]
        step = numbers.choice(fair) if len(fair) else item.step
        typed = np.rint(wanted / step) * step
    return np.where(where.cells, typed, item.numbers)


def _significant(values: Array, digits: int) -> Array:
    with np.errstate(all="ignore"):
        scale = 10.0 ** (np.floor(np.log10(np.abs(values))) - digits + 1)
        return np.where(values == 0, 0.0, np.rint(values / scale) * scale)


def to_limit(numbers: np.random.Generator, item: Sample) -> Array:
    """A region held at one value: capped there, or set to it."""
    where = region(numbers, item.numbers.shape, 3)
    inside = item.numbers[where.cells & np.isfinite(item.numbers)]
    if len(inside) < 3:
        return item.numbers
    limit = float(np.quantile(inside, numbers.uniform(0.2, 0.8)))
    if numbers.random() < 0.5:
        capped = (
            np.minimum(item.numbers, limit) if numbers.random() < 0.7 else np.maximum(item.numbers, limit)
        )
        if np.count_nonzero(where.cells & (capped != item.numbers) & np.isfinite(capped)) < 2:
            return item.numbers  # one cell at a limit is a lone cell
        return np.where(where.cells, capped, item.numbers)
    if numbers.random() < 0.3 and item.shape.limits:
        limit = item.high
    return np.where(where.cells & np.isfinite(item.numbers), limit, item.numbers)


def limit_beside_factor(numbers: np.random.Generator, item: Sample) -> Array:
    """A region by factor, and a part of it set to a limit."""
    where = region(numbers, item.numbers.shape, 6)
    raised = item.numbers * (1 + _size(numbers, item, where) * where.weight)
    _, xs = np.nonzero(where.cells)
    inside = raised[where.cells & np.isfinite(raised)]
    if not len(inside):
        return item.numbers
    columns = np.arange(item.numbers.shape[1])[None, :] >= numbers.integers(xs.min() + 1, xs.max() + 2)
    if min((where.cells & columns).sum(), (where.cells & ~columns).sum()) < 2:  # one cell is no region
        return raised
    limit = float(np.max(inside)) + numbers.uniform(0.01, 0.1) * item.span
    return np.where(where.cells & columns & np.isfinite(raised), limit, raised)


def into_a_stop(numbers: np.random.Generator, item: Sample) -> Array:
    """By a factor that drives a part of the region into the end of the storage or a limit."""
    where = region(numbers, item.numbers.shape, 3)
    inside = item.numbers[where.cells & np.isfinite(item.numbers)]
    if not len(inside):
        return item.numbers
    share = abs(_size(numbers, item, where))
    ceiling = float(np.quantile(inside, 0.8)) * (1 + share)
    ceiling = min(ceiling, item.high) if item.shape.limits is None else item.high
    raised = item.numbers * (1 + share)
    return np.where(where.cells, np.minimum(raised, ceiling), item.numbers)


def switched_off(numbers: np.random.Generator, item: Sample) -> Array:
    """A region by factor, and a part of it switched off."""
    if item.shape.off is None:
        return by_factor(numbers, item)
    where = region(numbers, item.numbers.shape, 3)
    raised = item.numbers * (1 + _size(numbers, item, where) * where.weight)
    ys, _ = np.nonzero(where.cells)
    rows = np.arange(item.numbers.shape[0])[:, None] >= numbers.integers(ys.min() + 1, ys.max() + 2)
    return np.where(where.cells & rows, np.nan, raised)


def by_smoothing(numbers: np.random.Generator, item: Sample) -> Array:
    """Each value towards the mean of its neighbours, once or twice."""
    where = region(numbers, item.numbers.shape)
    share = numbers.uniform(0.5, 1.0)
    values = item.numbers
    for _ in range(numbers.integers(1, 3)):
        values = values + share * (_mean_around(values) - values)
    return np.where(where.cells, values, item.numbers)


def _mean_around(values: Array) -> Array:
    rows, columns = values.shape
    # Beyond the edge the surface goes on straight.
    padded = np.pad(values, ((1, 1) if rows > 1 else (0, 0), (1, 1)), mode="reflect", reflect_type="odd")
    down = range(3) if rows > 1 else (0,)
    shifted = [padded[dy : dy + rows, dx : dx + columns] for dy in down for dx in range(3)]
    stacked = np.stack(shifted)
    known = np.isfinite(stacked)
    return np.asarray(np.where(known, stacked, 0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)) + 0 * values


def by_copying(numbers: np.random.Generator, item: Sample) -> Array:
    """A cell, a row or a column, or a part of it, copied to the next one or the next two."""
    values = item.numbers.copy()
    rows = len(values)
    turned = bool(rows > 1 and numbers.random() < 0.5)
    grid = values.T if turned else values
    height, width = grid.shape
    length = int(numbers.choice([1, max(2, height // 2), height])) if height > 1 else 1
    y = int(numbers.integers(0, height - length + 1))
    x = int(numbers.integers(0, width - 1))
    amount = int(numbers.integers(1, 3)) if length > 1 or width > 6 else 1
    backwards = bool(numbers.random() < 0.5)
    source = x + 1 if backwards else x
    for number in range(amount):
        target = source - 1 - number if backwards else source + 1 + number
        if 0 <= target < width:
            grid[y : y + length, target] = grid[y : y + length, source]
    return values


EDITS: dict[str, Edit] = {
    "by factor": by_factor,
    "by offset": by_offset,
    "with a taper": by_taper,
    "by hand, rounded": by_hand,
    "to a limit": to_limit,
    "limit and factor": limit_beside_factor,
    "into a stop": into_a_stop,
    "partly off": switched_off,
    "by smoothing": by_smoothing,
    "by copying": by_copying,
}


def alone_on_purpose(numbers: np.random.Generator, item: Sample) -> Array:
    """One cell moved by 3 to 8 % of the span, typed with the table's digits or as a round number."""
    values = item.numbers.copy()
    places = np.argwhere(np.isfinite(values))
    y, x = places[numbers.integers(len(places))]
    by = numbers.uniform(0.03, 0.08) * item.span * numbers.choice([-1, 1])
    ladder = np.array([m * 10.0**e for e in range(-4, 4) for m in (1, 2, 5)])
    fair = ladder[(ladder >= item.step) & (ladder <= 0.02 * item.span)]
    step = float(numbers.choice(fair)) if len(fair) and numbers.random() < 0.5 else item.step
    values[y, x] = np.rint((values[y, x] + by) / step) * step
    return values


#: Edits of one cell that somebody wants; no slip is made in them.
LONE: dict[str, Edit] = {"one cell on purpose": alone_on_purpose}


# The same work, done in other ways


def by_eye(numbers: np.random.Generator, item: Sample) -> Array:
    """A bump of 2 to 20 % of the span, each value drawn with an error and typed as a round number."""
    where = region(numbers, item.numbers.shape, 3)
    rows, columns = (np.arange(size) for size in item.numbers.shape)
    ys, xs = np.nonzero(where.cells)
    y, x = numbers.choice(ys), numbers.choice(xs)
    wide = 1 + numbers.uniform(0.5, 1) * max(np.ptp(ys), np.ptp(xs))
    bump = np.exp(-((rows[:, None] - y) ** 2 + (columns[None, :] - x) ** 2) / wide**2)
    size = np.exp(numbers.uniform(np.log(0.02), np.log(0.2))) * numbers.choice([-1, 1])
    drawn = item.numbers + item.span * (size * bump + 0.004 * numbers.standard_normal(bump.shape))
    return np.where(where.cells, _to_round_numbers(numbers, item, drawn), item.numbers)


def rounded_only(numbers: np.random.Generator, item: Sample) -> Array:
    """Each value of a region made a round number, and nothing else."""
    where = region(numbers, item.numbers.shape, 3)
    return np.where(where.cells, _to_round_numbers(numbers, item, item.numbers), item.numbers)


def _to_round_numbers(numbers: np.random.Generator, item: Sample, values: Array) -> Array:
    """Multiples of 1, 2, 2.5 or 5 times a power of ten, between 0.5 and 4 % of the span."""
    ladder = np.array([m * 10.0**e for e in range(-5, 5) for m in (1, 2, 2.5, 5)])
    fair = ladder[(ladder >= max(item.step, 0.005 * item.span)) & (ladder <= 0.04 * item.span)]
    step = float(numbers.choice(fair)) if len(fair) else item.step
    return np.asarray(np.rint(values / step) * step)


def smoothed_along(numbers: np.random.Generator, item: Sample) -> Array:
    """Each value of a region half its own and a quarter each of its two neighbours, along one axis."""
    where = region(numbers, item.numbers.shape, 3)
    values = item.numbers
    turned = bool(len(values) > 2 and numbers.random() < 0.5)
    grid = values.T if turned else values
    padded = np.pad(grid, ((0, 0), (1, 1)), mode="reflect", reflect_type="odd")
    smooth = (padded[:, :-2] + 2 * grid + padded[:, 2:]) / 4
    smooth = smooth.T if turned else smooth
    return np.where(where.cells & np.isfinite(smooth), smooth, values)


def straightened(numbers: np.random.Generator, item: Sample) -> Array:
    """A region drawn straight between its first and its last column, or row."""
    values = item.numbers.copy()
    turned = bool(len(values) > 3 and numbers.random() < 0.5)
    grid, axis = (values.T, item.shape.y) if turned else (values, item.shape.x)
    height, width = grid.shape
    rows = int(numbers.integers(1, height + 1))
    columns = int(numbers.integers(4, max(5, min(width, 9) + 1)))
    y = int(numbers.integers(0, height - rows + 1))
    x = int(numbers.integers(0, max(1, width - columns + 1)))
    at = np.asarray(axis)[x : x + columns]
    share = (at - at[0]) / (at[-1] - at[0])
    part = grid[y : y + rows, x : x + columns]
    part[:] = part[:, :1] + share * (part[:, -1:] - part[:, :1])
    return values


def rows_copied(numbers: np.random.Generator, item: Sample) -> Array:
    """A row or a column, or three cells of it and more, copied over the next one to four."""
    values = item.numbers.copy()
    turned = bool(len(values) > 2 and numbers.random() < 0.5)
    grid = values if turned else values.T
    height, width = grid.shape
    length = int(numbers.integers(min(3, width), width + 1))
    x = int(numbers.integers(0, width - length + 1))
    times = int(numbers.integers(1, min(4, height - 1) + 1))
    y = int(numbers.integers(0, height - times))
    part = grid[y : y + times + 1, x : x + length]
    part[:] = part[:1] if numbers.random() < 0.5 else part[-1:]
    return values


def copied_and_raised(numbers: np.random.Generator, item: Sample) -> Array:
    """As ``rows_copied``, and by 2 to 15 % of itself."""
    copied = rows_copied(numbers, item)
    share = numbers.uniform(0.02, 0.15) * numbers.choice([-1, 1])
    return np.where(copied != item.numbers, copied * (1 + share), item.numbers)


def row_by_row(numbers: np.random.Generator, item: Sample) -> Array:
    """Each row (or column) of a region by its own whole number of percent, up to 10 either way."""
    where = region(numbers, item.numbers.shape, 4)
    rows, columns = item.numbers.shape
    is_turned = rows > 1 and numbers.random() < 0.5
    percent = numbers.integers(-10, 11, (1, columns) if is_turned else (rows, 1))
    return np.where(where.cells, item.numbers * (1 + percent / 100), item.numbers)


def in_notches(numbers: np.random.Generator, item: Sample) -> Array:
    """A hill of one to four notches, each 0.5 to 2 % of the span, added to a region."""
    where = tapered(numbers, region(numbers, item.numbers.shape, 4))
    notch = max(item.step, np.rint(numbers.uniform(0.005, 0.02) * item.span / item.step) * item.step)
    height = numbers.integers(1, 5) * numbers.choice([-1, 1])
    return np.asarray(item.numbers + notch * np.rint(height * where.weight))


def corners_pulled(numbers: np.random.Generator, item: Sample) -> Array:
    """A region moved by up to 15 % of the span at each corner, and by the values between inside."""
    where = region(numbers, item.numbers.shape, 4)
    ys, xs = np.nonzero(where.cells)
    y, x = (np.arange(size) for size in item.numbers.shape)
    down = np.clip((y - ys.min()) / max(1, np.ptp(ys)), 0, 1)[:, None]
    across = np.clip((x - xs.min()) / max(1, np.ptp(xs)), 0, 1)[None, :]
    corners = numbers.uniform(-0.15, 0.15, 4) * item.span
    top, bottom = (left + (right - left) * across for left, right in (corners[:2], corners[2:]))
    return np.where(where.cells, item.numbers + top + (bottom - top) * down, item.numbers)


def between_neighbours(numbers: np.random.Generator, item: Sample) -> Array:
    """One row or column, or up to three beside it, set to what lies straight between its neighbours."""
    values = item.numbers.copy()
    is_turned = bool(len(values) > 4 and numbers.random() < 0.5)
    grid = values.T if is_turned else values
    width = int(numbers.integers(1, min(3, grid.shape[1] - 2) + 1))
    x = int(numbers.integers(0, grid.shape[1] - width - 1))
    share = np.arange(width + 2) / (width + 1)
    grid[:, x : x + width + 2] = grid[:, [x]] + share * (grid[:, [x + width + 1]] - grid[:, [x]])
    return values


def made_rising(numbers: np.random.Generator, item: Sample) -> Array:
    """A region in which each value is at least the one before, or at most, by 0 to 3 % of the span."""
    where = region(numbers, item.numbers.shape, 4)
    values = item.numbers.copy()
    is_turned = bool(len(values) > 2 and numbers.random() < 0.5)
    grid, cells = (values.T, where.cells.T) if is_turned else (values, where.cells)
    more = numbers.uniform(0, 0.03) * item.span * numbers.choice([-1, 1])
    for x in range(1, grid.shape[1]):
        least = grid[:, x - 1] + more
        kept = np.maximum(grid[:, x], least) if more > 0 else np.minimum(grid[:, x], least)
        grid[:, x] = np.where(cells[:, x] & np.isfinite(least), kept, grid[:, x])
    return values


#: Constants are chosen by these on the tuned tables only.
OTHER: dict[str, Edit] = {
    "by eye": by_eye,
    "to round numbers": rounded_only,
    "smoothed along": smoothed_along,
    "straightened": straightened,
    "rows copied": rows_copied,
    "copied and raised": copied_and_raised,
    "row by row": row_by_row,
    "in notches": in_notches,
    "corners pulled": corners_pulled,
    "between neighbours": between_neighbours,
    "made rising": made_rising,
}


# Edits that constants are never chosen by


def _turned(numbers: np.random.Generator, values: Array) -> bool:
    """Whether an edit goes down the columns; it needs more than two rows there."""
    return bool(len(values) > 2 and numbers.random() < 0.5)


def by_parabola(numbers: np.random.Generator, item: Sample) -> Array:
    """A region raised or lowered by 2 to 20 % of the span at one end, and by the square of the way to it."""
    where = region(numbers, item.numbers.shape, 4)
    ys, xs = np.nonzero(where.cells)
    y, x = (np.arange(size) for size in item.numbers.shape)
    is_turned = _turned(numbers, item.numbers)
    at, along = (ys, y[:, None]) if is_turned else (xs, x[None, :])
    share = (along - at.min() + 1) / (np.ptp(at) + 1)
    size = numbers.uniform(0.02, 0.2) * numbers.choice([-1, 1])
    return np.where(where.cells, item.numbers + size * item.span * share**2, item.numbers)


def by_two_factors(numbers: np.random.Generator, item: Sample) -> Array:
    """A region by one factor up to a row or column in it, and by another one from there on."""
    where = region(numbers, item.numbers.shape, 4)
    ys, xs = np.nonzero(where.cells)
    y, x = (np.arange(size) for size in item.numbers.shape)
    is_turned = _turned(numbers, item.numbers)
    at, along = (ys, y[:, None]) if is_turned else (xs, x[None, :])
    first, second = 1 + numbers.uniform(0.01, 0.15, 2) * numbers.choice([-1, 1], 2)
    factor = np.where(along <= numbers.integers(at.min(), at.max() + 1), first, second)
    return np.where(where.cells, item.numbers * factor, item.numbers)


def flattened(numbers: np.random.Generator, item: Sample) -> Array:
    """Each value of a region 20 to 60 % of the way to the mean of its row, or column, in that region."""
    where = region(numbers, item.numbers.shape, 4)
    is_turned = _turned(numbers, item.numbers)
    inside = np.where(where.cells, np.nan_to_num(item.numbers), 0.0)
    given = where.cells & np.isfinite(item.numbers)
    axis = 0 if is_turned else 1
    mean = inside.sum(axis=axis, keepdims=True) / np.maximum(given.sum(axis=axis, keepdims=True), 1)
    share = numbers.uniform(0.2, 0.6)
    return np.where(given, item.numbers + share * (mean - item.numbers), item.numbers)


def no_steeper(numbers: np.random.Generator, item: Sample) -> Array:
    """A region in which no step along an axis is larger than 50 to 90 % of the largest."""
    where = region(numbers, item.numbers.shape, 4)
    values = item.numbers.copy()
    is_turned = _turned(numbers, values)
    grid, cells = (values.T, where.cells.T) if is_turned else (values, where.cells)
    steps = np.abs(np.diff(grid, axis=1))[cells[:, 1:] & cells[:, :-1]]
    steps = steps[np.isfinite(steps)]
    most = numbers.uniform(0.5, 0.9) * float(steps.max(initial=0.0))
    for x in range(1, grid.shape[1]):
        kept = np.clip(grid[:, x], grid[:, x - 1] - most, grid[:, x - 1] + most)
        grid[:, x] = np.where(cells[:, x] & cells[:, x - 1] & np.isfinite(kept), kept, grid[:, x])
    return values


def by_measured_correction(numbers: np.random.Generator, item: Sample) -> Array:
    """Each column of a region by the correction that a measurement gave there: a wave of up to 12 %."""
    where = region(numbers, item.numbers.shape, 4)
    is_turned = _turned(numbers, item.numbers)
    along = np.linspace(0, 1, item.numbers.shape[0 if is_turned else 1])
    waves = numbers.uniform(0.3, 1.2) * along + numbers.random()
    percent = np.round(100 * numbers.uniform(0.02, 0.12) * np.sin(2 * np.pi * waves), 1)
    factor = 1 + (percent[:, None] if is_turned else percent[None, :]) / 100
    return np.where(where.cells, item.numbers * factor, item.numbers)


#: The edits that constants are never chosen by, on any table.
BLIND: dict[str, Edit] = {
    "by a parabola": by_parabola,
    "by two factors": by_two_factors,
    "flattened": flattened,
    "no steeper": no_steeper,
    "measured correction": by_measured_correction,
}


# Slips: after Wiseman, Cairns and Cox, "A taxonomy of number entry error" (BCS HCI 2011), and Thimbleby and
# Cairns, "Reducing number entry errors" (J. R. Soc. Interface 2010)


def _extra_digit(numbers: np.random.Generator, text: str) -> str:
    places = [n for n in range(len(text) + 1) if n or not text.startswith("-")]
    place = int(numbers.choice(places))
    return text[:place] + str(numbers.integers(0, 10)) + text[place:]


def _digits(text: str) -> list[int]:
    return [n for n, item in enumerate(text) if item.isdigit()]


def _missing_digit(numbers: np.random.Generator, text: str) -> str:
    place = int(numbers.choice(_digits(text)))
    return text[:place] + text[place + 1 :]


def _out_by_ten(numbers: np.random.Generator, text: str) -> str:
    return repr(float(text) * 10 if numbers.random() < 0.5 else float(text) / 10)


def _swapped_digits(numbers: np.random.Generator, text: str) -> str:
    digits = _digits(text)
    pairs = [(a, b) for a, b in pairwise(digits) if text[a] != text[b]]
    if not pairs:
        return text
    a, b = pairs[int(numbers.integers(0, len(pairs)))]
    letters = list(text)
    letters[a], letters[b] = letters[b], letters[a]
    return "".join(letters)


def _wrong_digit(numbers: np.random.Generator, text: str) -> str:
    place = int(numbers.choice(_digits(text)))
    other = (int(text[place]) + int(numbers.integers(1, 10))) % 10
    return text[:place] + str(other) + text[place + 1 :]


def _doubled_digit(numbers: np.random.Generator, text: str) -> str:
    place = int(numbers.choice(_digits(text)))
    return text[: place + 1] + text[place:]


def _lost_sign(numbers: np.random.Generator, text: str) -> str:
    return text.removeprefix("-")


def _lost_point(numbers: np.random.Generator, text: str) -> str:
    return text.replace(".", "")


SLIPS: dict[str, Callable[[np.random.Generator, str], str]] = {
    "extra digit": _extra_digit,
    "missing digit": _missing_digit,
    "out by ten": _out_by_ten,
    "swapped digits": _swapped_digits,
    "wrong digit": _wrong_digit,
    "doubled digit": _doubled_digit,
    "lost sign": _lost_sign,
    "lost decimal point": _lost_point,
}


def typed(numbers: np.random.Generator, item: Sample, value: float) -> str:
    """A value as people type it: with the table's decimals, or without zeros at the end."""
    text = f"{value:.{item.shape.decimals}f}"
    if "." in text and numbers.random() < 0.5:
        text = text.rstrip("0").rstrip(".")
    return text


@dataclass(frozen=True)
class Slipped:
    """An edit with one slip in it."""

    change: TableChange
    y: int
    x: int
    intended: float


def slipped(
    numbers: np.random.Generator, item: Sample, wanted: Array, slip: Callable[[np.random.Generator, str], str]
) -> Slipped | None:
    """The edit with one of its cells mistyped; None where the slip moves it too little to matter.

    It matters when it moves the cell by more than 5 % of the span and more than 3 steps.
    """
    clean = item.change(wanted)
    places = np.argwhere(clean.changed & ~clean.new.off & ~clean.old.off)
    if not len(places):
        return None
    y, x = (int(n) for n in places[numbers.integers(0, len(places))])
    intended = float(clean.new.physical[y, x])
    text = slip(numbers, typed(numbers, item, intended))
    if not any(letter.isdigit() for letter in text):
        return None
    mistyped = np.where(clean.new.off, np.nan, clean.new.physical)
    mistyped[y, x] = float(text)
    change = item.change(mistyped)
    moved = abs(float(change.new.physical[y, x]) - intended)
    if moved <= 0.05 * item.span or moved <= 3 * item.step * (1 + 1e-9):
        return None
    if not change.changed[y, x] or change.new.off[y, x]:
        return None
    return Slipped(change, y, x, intended)


# Pasted wrongly


def pasted_one_off(numbers: np.random.Generator, item: Sample) -> tuple[Array, Array] | None:
    """A block of the base pasted one place off along an axis; a row of at least five, or rows of three.

    What was meant, and what was pasted.
    """
    values = item.numbers
    turned = bool(values.shape[0] > 5 and numbers.random() < 0.5)
    grid = (values.T if turned else values).copy()
    height = int(numbers.integers(1, len(grid) + 1))
    width = int(numbers.integers(5 if height == 1 else 3, grid.shape[1]))
    y, x = numbers.integers(0, len(grid) - height + 1), numbers.integers(0, grid.shape[1] - width)
    block = grid[y : y + height, x : x + width].copy()
    grid[y : y + height, x + 1 : x + 1 + width] = block
    return values, grid.T if turned else grid


def pasted_twice(numbers: np.random.Generator, item: Sample) -> tuple[Array, Array] | None:
    """Rows or columns by a factor, one of them pasted over the next one too; what was meant comes first."""
    values = item.numbers
    turned = bool(numbers.random() < 0.5)
    grid = (values.T if turned else values).copy()
    if min(grid.shape) < 5:
        return None
    height, width = int(numbers.integers(4, len(grid) + 1)), int(numbers.integers(4, grid.shape[1] + 1))
    y, x = numbers.integers(0, len(grid) - height + 1), numbers.integers(0, grid.shape[1] - width + 1)
    grid[y : y + height, x : x + width] *= 1 + numbers.choice([-1, 1]) * numbers.uniform(0.02, 0.25)
    meant = grid.copy()
    row = y + int(numbers.integers(1, height - 2))
    grid[row + 1, x : x + width] = grid[row, x : x + width]
    return (meant.T, grid.T) if turned else (meant, grid)


def edited_one_off(numbers: np.random.Generator, item: Sample) -> tuple[Array, Array] | None:
    """A block of at least three rows and columns by a factor or an offset, pasted one place off."""
    values = item.numbers
    if min(values.shape) < 5:
        return None
    turned = bool(numbers.random() < 0.5)
    grid = (values.T if turned else values).copy()
    height = int(numbers.integers(3, len(grid) + 1))
    width = int(numbers.integers(3, grid.shape[1]))
    y, x = numbers.integers(0, len(grid) - height + 1), numbers.integers(0, grid.shape[1] - width)
    share = numbers.uniform(0.02, 0.25) * numbers.choice([-1, 1])
    block = grid[y : y + height, x : x + width]
    edited = block * (1 + share) if numbers.random() < 0.5 else block + share * item.span
    meant = grid.copy()
    meant[y : y + height, x : x + width] = edited
    grid[y : y + height, x + 1 : x + 1 + width] = edited
    return (meant.T, grid.T) if turned else (meant, grid)


PASTED: dict[str, Callable[[np.random.Generator, Sample], tuple[Array, Array] | None]] = {
    "one place off": pasted_one_off,
    "row twice": pasted_twice,
    "edited, one place off": edited_one_off,
}


def matters(item: Sample, intended: Array, change: TableChange) -> bool:
    """Whether three cells lie more than 5 % of the span and more than 3 steps from what was meant."""
    moved = np.abs(change.new.physical - item.grid(intended).physical)[~change.new.off]
    far = (moved > 0.05 * item.span) & (moved > 3 * item.step * (1 + 1e-9))
    return int(np.count_nonzero(far)) >= 3
