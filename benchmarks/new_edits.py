"""Clean edits for the held-out tables, and edits like them for those that constants are chosen by.

No constant of the slip detector was chosen by NEW_EDITS. Whoever changes a constant looks at no case of
theirs, and at the figures only once, at the end. STAND_INS are there to choose constants by.
"""

from __future__ import annotations

import numpy as np

from benchmarks.edits import Edit, Sample, region
from benchmarks.shapes import Array


def breakpoints_moved(numbers: np.random.Generator, item: Sample) -> Array:
    """Each row as its breakpoints would have it if all of them lay 10 to 60 % of a cell further on."""
    values = item.numbers
    where = region(numbers, values.shape, 4)
    along = np.arange(values.shape[1]) + numbers.uniform(0.1, 0.6) * numbers.choice([-1, 1])
    moved = np.array([np.interp(along, np.arange(values.shape[1]), row) for row in values])
    return np.where(where.cells, moved, values)


def towards_a_plane(numbers: np.random.Generator, item: Sample) -> Array:
    """Each value of a region 30 to 80 % of the way to the plane of least squares through it."""
    where = region(numbers, item.numbers.shape, 6)
    given = where.cells & np.isfinite(item.numbers)
    y, x = np.nonzero(given)
    if len(y) < 4:
        return item.numbers
    terms = np.stack([np.ones(len(x)), x, y], axis=1)
    plane = terms @ np.linalg.lstsq(terms, item.numbers[given], rcond=None)[0]
    values = item.numbers.copy()
    values[given] += numbers.uniform(0.3, 0.8) * (plane - values[given])
    return values


def under_a_slope(numbers: np.random.Generator, item: Sample) -> Array:
    """A region in which no value is above a limit that rises, or falls, along an axis."""
    where = region(numbers, item.numbers.shape, 4)
    inside = item.numbers[where.cells & np.isfinite(item.numbers)]
    if len(inside) < 4:
        return item.numbers
    rows, columns = item.numbers.shape
    start, end = np.quantile(inside, numbers.uniform(0.3, 1.0, 2)).tolist()
    is_turned = bool(rows > 2 and numbers.random() < 0.5)
    limit = np.linspace(start, end, rows)[:, None] if is_turned else np.linspace(start, end, columns)[None, :]
    capped = np.minimum(item.numbers, limit)
    if np.count_nonzero(where.cells & (capped != item.numbers) & np.isfinite(capped)) < 2:
        return item.numbers  # one cell at a limit is a lone cell
    return np.where(where.cells, capped, item.numbers)


def factor_then_offset(numbers: np.random.Generator, item: Sample) -> Array:
    """A region by a factor, and then another one, which may overlap it, by an offset."""
    first, second = (region(numbers, item.numbers.shape, 4) for _ in range(2))
    factor = 1 + numbers.uniform(0.01, 0.15) * numbers.choice([-1, 1])
    offset = numbers.uniform(0.02, 0.15) * item.span * numbers.choice([-1, 1])
    return np.asarray(item.numbers * np.where(first.cells, factor, 1.0) + np.where(second.cells, offset, 0.0))


def by_gain_and_offset(numbers: np.random.Generator, item: Sample) -> Array:
    """A region by a factor and an offset at once, as a recalibrated sensor asks for."""
    where = region(numbers, item.numbers.shape, 4)
    factor = 1 + numbers.uniform(0.02, 0.2) * numbers.choice([-1, 1])
    offset = numbers.uniform(0.02, 0.15) * item.span * numbers.choice([-1, 1])
    return np.where(where.cells, item.numbers * factor + offset, item.numbers)


#: Made in the held-out tables only, which have all other kinds of edits too.
NEW_EDITS: dict[str, Edit] = {
    "breakpoints moved": breakpoints_moved,
    "towards a plane": towards_a_plane,
    "under a slope": under_a_slope,
    "factor, then offset": factor_then_offset,
    "by gain and offset": by_gain_and_offset,
}


def axis_stretched(numbers: np.random.Generator, item: Sample) -> Array:
    """Each row, or column, of a region as if its axis were 3 to 20 % longer or shorter from some place on."""
    values = item.numbers
    where = region(numbers, values.shape, 4)
    is_turned = bool(len(values) > 2 and numbers.random() < 0.5)
    grid = values.T if is_turned else values
    places = np.arange(grid.shape[1])
    fixed = numbers.uniform(0, len(places) - 1)
    along = fixed + (places - fixed) * (1 + numbers.uniform(0.03, 0.2) * numbers.choice([-1, 1]))
    moved = np.array([np.interp(along, places, row) for row in grid])
    return np.where(where.cells, moved.T if is_turned else moved, values)


def _offset(numbers: np.random.Generator, item: Sample) -> float:
    return float(numbers.uniform(0.02, 0.15) * item.span * numbers.choice([-1, 1]))


def two_offsets(numbers: np.random.Generator, item: Sample) -> Array:
    """Two regions that may overlap, each by its own offset."""
    first, second = (region(numbers, item.numbers.shape, 4) for _ in range(2))
    by = np.where(first.cells, _offset(numbers, item), 0.0)
    return np.asarray(item.numbers + by + np.where(second.cells, _offset(numbers, item), 0.0))


def offset_beside_offset(numbers: np.random.Generator, item: Sample) -> Array:
    """A region by one offset up to a row or column in it, and by another one from there on."""
    where = region(numbers, item.numbers.shape, 4)
    ys, xs = np.nonzero(where.cells)
    y, x = (np.arange(size) for size in item.numbers.shape)
    is_turned = bool(len(item.numbers) > 2 and numbers.random() < 0.5)
    at, along = (ys, y[:, None]) if is_turned else (xs, x[None, :])
    is_first = along <= numbers.integers(at.min(), at.max() + 1)
    by = np.where(is_first, _offset(numbers, item), _offset(numbers, item))
    return np.where(where.cells, item.numbers + by, item.numbers)


def offset_then_factor(numbers: np.random.Generator, item: Sample) -> Array:
    """A region by an offset, and then another one, which may overlap it, by a factor."""
    first, second = (region(numbers, item.numbers.shape, 4) for _ in range(2))
    factor = 1 + numbers.uniform(0.01, 0.15) * numbers.choice([-1, 1])
    by = np.where(first.cells, _offset(numbers, item), 0.0)
    return np.asarray((item.numbers + by) * np.where(second.cells, factor, 1.0))


#: Constants are chosen by these on the synthetic and the tuned tables.
STAND_INS: dict[str, Edit] = {
    "axis stretched": axis_stretched,
    "two offsets": two_offsets,
    "offset beside offset": offset_beside_offset,
    "offset, then factor": offset_then_factor,
}
