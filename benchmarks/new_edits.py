"""Clean edits that no constant of the slip detector was chosen by, on tables that none was chosen by either.

Whoever changes a constant looks at no case of theirs, and at the figures only once, at the end.
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
