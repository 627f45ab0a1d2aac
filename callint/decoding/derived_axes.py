"""The breakpoints of axes that follow from a curve; the formulas work on all breakpoints at once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.model.change import Numbers


def rescaled(virtual: Numbers, values: NDArray[Any], count: int) -> Numbers:
    """``count`` values of a curve at even distances along its axis ``virtual``; shapes (pairs,) to (count,).

    From memory of ASAM MCD-2 MC: with the first and the last virtual value v0 and vn, the distance is
    (vn - v0 + 1) / (count - 1), so that breakpoint k lies at v0 + k * distance, and the last one at vn. The
    standard wants a count that is a power of two plus one, because the distance is then a whole number for
    virtual values from 0 to 255; any other count has a distance with a fraction, and breakpoints between
    virtual values. With fewer virtual values than breakpoints, the last breakpoints repeat the end of the
    curve. A single breakpoint is the last value. NaN if the virtual values do not rise.
    """
    if not (np.isfinite(virtual).all() and (np.diff(virtual) > 0).all()):
        return np.full(count, np.nan)
    if count == 1:
        return values[-1:].astype(np.float64)
    with np.errstate(over="ignore", invalid="ignore"):
        distance = (virtual[-1] - virtual[0] + 1) / (count - 1)
        places = np.minimum(virtual[0] + np.arange(count) * distance, virtual[-1])
        points: Numbers = np.interp(places, virtual, values.astype(np.float64))
    return points


def inverted(points: Numbers, numbers: Numbers, count: int) -> Numbers:
    """Where a curve gives the numbers 0 to ``count - 1`` of cells; shapes (points,) to (count,).

    ``points`` are the breakpoints of the curve, and ``numbers`` its values. Beyond the first and the last
    cell the curve may stay at their numbers: the breakpoint nearest to the other cells counts. NaN if the
    curve gives a number at several places, or does not reach all cells.
    """
    nothing = np.full(count, np.nan)
    if not (np.isfinite(points).all() and np.isfinite(numbers).all() and (np.diff(points) > 0).all()):
        return nothing
    if numbers[0] > numbers[-1]:
        points, numbers = points[::-1], numbers[::-1]
    first, reached = np.flatnonzero(numbers <= 0), np.flatnonzero(numbers >= count - 1)
    if not first.size or not reached.size:
        return nothing
    part = slice(int(first[-1]), int(reached[0]) + 1)
    if (np.diff(numbers[part]) <= 0).any() or (np.diff(np.clip(numbers, 0, count - 1)) < 0).any():
        return nothing
    values: Numbers = np.interp(np.arange(count), numbers[part], points[part])
    return values
