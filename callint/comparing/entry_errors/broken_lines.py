"""Finds the changed cells that break a line which the changed cells around them keep, if a slip explains it.

An edit that follows a straight line, such as the same offset, a ramp or values drawn between two ends, does
so cell after cell. If the two neighbours on either side of a cell lie on one line, and most cells around lie
between their own neighbours, then a cell beside the line is no part of that edit. It may still be meant, so
it counts only if a slip turns the value on the line into the one that stands.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint.comparing.entry_errors.neighbours import CellShift, Indexes, PaddedGrid, row_quantile
from callint.comparing.entry_errors.typing_errors import find_typing_error
from callint.model.change import Flags, Numbers

#: A line through a cell and two neighbours on either side needs as many changed cells.
_LEAST = 5
#: The four neighbours lie on one line to within the first share of the floor, and the second, the quantile of
#: what the cells around are off, is within the third.
_STRAIGHT, _QUANTILE, _KEPT = 0.5, 0.6, 0.2
#: This number of cells around shows that the edit keeps to lines.
_ENOUGH = 3
#: A cell breaks a line if it is this many times the floor off.
_BROKEN = 1.6
#: The slip leads to within this share of the floor of the line.
_CLOSELY = 0.2


@dataclass(frozen=True, slots=True)
class BrokenLine:
    """A changed cell by its number: the value on the line, the deviation in floors, and the floor."""

    cell: int
    expected: float
    score: float
    floor: float


def find_broken_lines(
    window: PaddedGrid, quantities: tuple[CellShift, ...], floor: Numbers, grain: Numbers
) -> Iterator[BrokenLine]:
    """The cells that a slip brought off a line.

    ``quantities`` are the quantities that may follow a line, NaN in the padded grid where they say nothing.
    ``floor``, of shape (changed,), is what is never suspicious, and ``grain`` what values are rounded to.
    """
    if len(window.places) < _LEAST:
        return
    lines = [
        _line(window, quantity, number, floor)
        for quantity in quantities
        for number in range(len(window.straight))
    ]
    expected, off, uneven = (np.stack(items) for items in zip(*lines, strict=True))
    says = (uneven <= _STRAIGHT) & np.isfinite(off)
    # What the cells around prove costs most, and only cells off some line need it.
    cells = np.flatnonzero((says & (off > _BROKEN)).any(axis=0))
    if not len(cells):
        return
    kept = np.stack([_is_kept(window, item, cells) for item in off])
    off = np.where(says[:, cells] & kept, off[:, cells], np.inf)
    # The line that comes nearest to the cell decides, so that one that the cell keeps excuses it.
    nearest = np.argmin(off, axis=0), np.arange(len(cells))
    expected, off, uneven = expected[:, cells][nearest], off[nearest], uneven[:, cells][nearest]
    broken = np.flatnonzero((off > _BROKEN) & np.isfinite(off))
    actual = window.new[window.places]
    for number in broken.tolist():
        cell, value = int(cells[number]), float(expected[number])
        within = max(min(uneven[number], _CLOSELY) * floor[cell], window.step[cell]) + 0.5 * grain[cell]
        error = find_typing_error(float(actual[cell]), value, float(within), window.edit.decimals)
        if error is not None:
            yield BrokenLine(cell, value, float(off[number]), float(floor[cell]))


def _is_kept(window: PaddedGrid, off: Numbers, cells: Indexes) -> Flags:
    """Whether most cells around some cells keep the lines of which all cells are ``off``, in floors."""
    around = window.scattered(off)[window.around[cells]]
    enough = np.isfinite(around).sum(axis=1) >= _ENOUGH
    kept: Flags = enough & (row_quantile(around, _QUANTILE) <= _KEPT)
    return kept


def _line(
    window: PaddedGrid, quantity: CellShift, number: int, floor: Numbers
) -> tuple[Numbers, Numbers, Numbers]:
    """The values halfway along one line, how far the cells are off them, and how uneven that line is.

    The latter two are in floors; off is NaN, and uneven infinite, where the line says nothing.
    """
    line = window.straight[number]
    values = line.values(quantity.shift)
    centre = values[-1] * line.between[-1] + values[1] * line.between[1]
    outer = np.fmax(*(np.abs(line.through(values, side) - values[side]) for side in (-2, 2)))
    uneven = np.where(np.isnan(values[-2] + values[2]), np.inf, outer * np.abs(quantity.factor)) / floor
    expected = quantity.offset + quantity.factor * centre
    off = np.abs(expected - window.new[window.places]) / floor
    return expected, off, uneven
