"""Weighs the signs that a slip explains a changed cell better than intent does.

Each sign gives points, and their sum is how sure a slip is. The points were fitted, not derived.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.comparing.entry_errors.neighbours import Indexes, PaddedGrid
from callint.model.change import Flags, Numbers


@dataclass(frozen=True, slots=True)
class Sign:
    """A sign gives no point up to ``start`` and ``points`` from ``end`` on, and a share of them in between.

    The share grows with the value, or with its logarithm if the sign is a ratio.
    """

    start: float
    end: float
    points: float
    is_ratio: bool = False

    def weigh(self, values: Numbers | float) -> Numbers:
        """The points for some values; NaN gives none."""
        start, end = self.start, self.end
        if self.is_ratio:
            values = np.log2(np.fmax(values, start))
            start, end = float(np.log2(start)), float(np.log2(end))
        # Of NaN and a number, fmax takes the number.
        share = np.fmin(np.fmax((values - start) / (end - start), 0.0), 1.0)
        weighed: Numbers = self.points * share
        return weighed


#: A slip is sure above this number of points. They are natural logarithms of odds, from a logistic regression
#: of almost these signs (of UNEVEN, only the yardstick along a column) on 20,101 cells with a score above
#: 0.25, in 52,397 clean edits and 15,054 edits with a slip, on the synthetic and the tuned engineering tables
#: of the benchmark, seeds 1 to 3. Clean edits counted twice, and those that stand in for other kinds three
#: times. The points of PULLED were chosen by totals of the same seeds, and this limit and the points of
#: CURVE_END, PREDICTED and RESAMPLED by totals of seeds 21 to 25 (of the synthetic tables, 21 to 23). ADDS_UP
#: has as many points as RESAMPLED: they cost no slip at seeds 23 and 24 (of the synthetic tables, 21 and 22).
#: A limit of 8.0 was given up because it found too few slips in the untuned tables.
SURE = 7.8
#: A cell that is off the fitting value by less than this share of the span gets no points.
LEAST = 0.035

#: The score, which is the departure divided by the allowed one.
DEPARTURE = Sign(1 / 3, 1.0, 3.2, is_ratio=True)
FAR_DEPARTURE = Sign(1.15, 50.0, 3.5, is_ratio=True)
#: The distance from what the way says that is least off for the cells around, as a share of the span.
OFF_CENTRE = Sign(0.01, 0.077, 3.2, is_ratio=True)
#: How far the cell stands out of those beside it, in floors.
PEAK = Sign(0.5, 64.0, 4.1, is_ratio=True)
#: How far the movement lies outside of those around, in floors.
BEYOND = Sign(0.0, 2.0, 2.1)
#: The number of changed cells directly beside the cell: where an edit ends, its pattern is not known.
BESIDE = Sign(1.0, 3.0, 4.0)
#: The larger yardstick of the values along row and column, in floors; a curve lacks one of them.
UNEVEN = Sign(0.5, 1.0, -1.4, is_ratio=True)
#: The number of changed cells: in a large edit, fewer cells beside a cell are a sign that it ends there.
CHANGED = Sign(3.0, 5.0, -2.4)
#: The number of cells of the edit with a score above DEPARTS: those at a seam of two edits are seldom alone.
DEPARTING, DEPARTS = Sign(1.0, 3.0, -1.9), 0.5
#: The cell is a corner of a small region, which somebody may have moved by itself.
PULLED = Sign(0.0, 1.0, -4.0)
#: The cell is where an edit of a curve ends: nothing beyond it says whether it belongs to that edit.
CURVE_END = Sign(0.0, 1.0, -1.25)
#: A way predicts the value to the step, even if another one explains the cells around better.
PREDICTED = Sign(0.0, 1.0, -1.0)
#: The cell was read off the base between two cells, as the cells around were: breakpoints were moved.
RESAMPLED = Sign(0.0, 1.0, -3.0)
#: The cell moved by what two edits that meet there add up to, to the step.
ADDS_UP = Sign(0.0, 1.0, -3.0)
#: The decimal logarithm of how many times likelier a slip is than intent, by the number that was typed.
EVIDENCE = Sign(-0.25, 2.25, 2.7)
#: A slip turns a number within the share CLOSELY of the floor of the fitting value into the one that stands.
FITS, CLOSELY = Sign(0.0, 1.0, 1.4), 0.25
#: For the evidence, numbers are off the value that fits by the first share of what is allowed, and at least
#: by the second one of the span.
NOISE, LEAST_NOISE = 0.25, 0.005


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the cells around some cells say about them; arrays have the shape (cells,).

    ``beside`` is the number of changed cells directly beside a cell. ``beyond`` is how far its movement lies
    outside of the movements around it, and ``peak`` how far it stands out of the cells beside it more than it
    did in the base; both are in floors, and NaN where they say nothing.
    """

    beside: Indexes
    beyond: Numbers
    peak: Numbers


def surroundings(window: PaddedGrid, live: Flags, cells: Indexes, floor: Numbers) -> Surroundings:
    """What the cells around say; ``live``, in the padded grid, flags the changed cells that count."""
    places, around = window.places[cells], window.around[cells]
    old, new = window.old[places], window.new[places]
    moved = window.new - window.old
    counts, movements, own = live[around], moved[around], moved[places]
    highest = np.where(counts, movements, -np.inf).max(axis=1)
    lowest = np.where(counts, movements, np.inf).min(axis=1)
    beyond = np.where(counts.any(axis=1), np.maximum(own - highest, lowest - own) / floor, np.nan)
    beside, peak = np.zeros(len(cells), np.intp), np.full(len(cells), np.nan)
    for line in window.straight:
        before, after = line.at[-1][cells], line.at[1][cells]
        beside += live[before].astype(np.intp) + live[after]
        sharper = _out(window.new, new, before, after) - np.fmax(_out(window.old, old, before, after), 0.0)
        peak = np.fmax(peak, sharper / floor)
    return Surroundings(beside, beyond, peak)


def _out(grid: Numbers, own: Numbers, before: Indexes, after: Indexes) -> Numbers:
    """How far cells stand out of the two beside them, on the side on which they lie off the first one."""
    off_before, off_after = own - grid[before], own - grid[after]
    out: Numbers = np.where(
        off_before > 0, np.minimum(off_before, off_after), np.minimum(-off_before, -off_after)
    )
    return out
