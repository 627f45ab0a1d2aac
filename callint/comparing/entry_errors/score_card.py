"""A score card: indicators that a slip explains a changed cell better than intent does.

Each indicator gives points; their sum measures the certainty of a slip. The points were fitted, not derived.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.comparing.entry_errors.neighbours import Indexes, PaddedGrid
from callint.model.change import Flags, Numbers


@dataclass(frozen=True, slots=True)
class Indicator:
    """An indicator gives no points up to ``start``, and ``points`` from ``end`` on.

    In between, the points rise linearly, or with the logarithm of the value if the indicator is a ratio.
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
#: of almost these signs (of SURFACE_ERROR, only the typical error along a column) on 20,101 cells with a
#: score above 0.25, in 52,397 clean edits and 15,054 edits with a slip, on the synthetic and the tuned
#: engineering tables of the benchmark, seeds 1 to 3. Clean edits counted twice, and those that stand in for
#: other kinds three times. The points of SMALL_BLOCK_CORNER were chosen by totals of the same seeds, and this
#: limit and the points of CURVE_END, PREDICTED and RESAMPLED by totals of seeds 21 to 25 (of the synthetic
#: tables, 21 to 23). SUM_OF_EDITS has as many points as RESAMPLED: they cost no slip at seeds 23 and 24 (of
#: the synthetic tables, 21 and 22). A limit of 8.0 was given up because it found too few slips in the untuned
#: tables.
SURE = 7.8
#: A cell that is off the fitting value by less than this share of the span gets no points.
LEAST = 0.035

#: The score, which is the deviation divided by the allowed one.
DEVIATION = Indicator(1 / 3, 1.0, 3.2, is_ratio=True)
FAR_DEVIATION = Indicator(1.15, 50.0, 3.5, is_ratio=True)
#: The deviation from the prediction that fits the cells around best, as a share of the span.
OFF_CENTRE = Indicator(0.01, 0.077, 3.2, is_ratio=True)
#: How far the cell protrudes from those beside it, in floors.
PROTRUSION = Indicator(0.5, 64.0, 4.1, is_ratio=True)
#: How far the change of the cell lies outside the range of the changes around, in floors.
OUTLYING_CHANGE = Indicator(0.0, 2.0, 2.1)
#: The number of changed cells directly beside the cell: where an edit ends, its pattern is not known.
CHANGED_BESIDE = Indicator(1.0, 3.0, 4.0)
#: The larger typical error of the values along row and column, in floors; a curve lacks one of them.
SURFACE_ERROR = Indicator(0.5, 1.0, -1.4, is_ratio=True)
#: The number of changed cells: in a large edit, fewer cells beside a cell are a sign that it ends there.
CHANGED_CELLS = Indicator(3.0, 5.0, -2.4)
#: The number of cells of the edit with a score above DEVIATING_SCORE: those at a seam of two edits are seldom
#: alone.
DEVIATING_CELLS, DEVIATING_SCORE = Indicator(1.0, 3.0, -1.9), 0.5
#: The cell is a corner of a small region, which somebody may have moved by itself.
SMALL_BLOCK_CORNER = Indicator(0.0, 1.0, -4.0)
#: The cell is where an edit of a curve ends: nothing beyond it says whether it belongs to that edit.
CURVE_END = Indicator(0.0, 1.0, -1.25)
#: A predictor gives exactly this value, even if another one explains the cells around better.
PREDICTED = Indicator(0.0, 1.0, -1.0)
#: The cell was interpolated between two cells of the base, as the cells around were: breakpoints were moved.
RESAMPLED = Indicator(0.0, 1.0, -3.0)
#: The cell changed by exactly the sum of two edits that meet there.
SUM_OF_EDITS = Indicator(0.0, 1.0, -3.0)
#: The decimal logarithm of the likelihood ratio of a slip and intent, by the number that was typed.
LIKELIHOOD_RATIO = Indicator(-0.25, 2.25, 2.7)
#: A slip turns a number within the share NEAR of the floor around the expected value into the stored one.
NEAR_EXPECTED, NEAR = Indicator(0.0, 1.0, 1.4), 0.25
#: For the evidence, numbers are off the value that fits by the first share of what is allowed, and at least
#: by the second one of the span.
NOISE, LEAST_NOISE = 0.25, 0.005


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Measures of some cells against the cells around them; arrays have the shape (cells,).

    ``beside`` is the number of changed cells directly beside a cell. ``beyond`` is how far its change lies
    outside the range of the changes around it, and ``peak`` how much further it protrudes from the cells
    beside it than in the base; both are in floors, and NaN where they are unknown.
    """

    beside: Indexes
    beyond: Numbers
    peak: Numbers


def surroundings(window: PaddedGrid, included: Flags, cells: Indexes, floor: Numbers) -> Surroundings:
    """The measures of some cells; ``included``, in the padded grid, flags the changed cells that count."""
    places, around = window.places[cells], window.around[cells]
    old, new = window.old[places], window.new[places]
    moved = window.new - window.old
    counts, movements, own = included[around], moved[around], moved[places]
    highest = np.where(counts, movements, -np.inf).max(axis=1)
    lowest = np.where(counts, movements, np.inf).min(axis=1)
    beyond = np.where(counts.any(axis=1), np.maximum(own - highest, lowest - own) / floor, np.nan)
    beside, peak = np.zeros(len(cells), np.intp), np.full(len(cells), np.nan)
    for line in window.straight:
        before, after = line.at[-1][cells], line.at[1][cells]
        beside += included[before].astype(np.intp) + included[after]
        sharper = _protrusion(window.new, new, before, after) - np.fmax(
            _protrusion(window.old, old, before, after), 0.0
        )
        peak = np.fmax(peak, sharper / floor)
    return Surroundings(beside, beyond, peak)


def _protrusion(grid: Numbers, own: Numbers, before: Indexes, after: Indexes) -> Numbers:
    """How far cells stand out of the two beside them, on the side on which they lie off the first one."""
    off_before, off_after = own - grid[before], own - grid[after]
    out: Numbers = np.where(
        off_before > 0, np.minimum(off_before, off_after), np.minimum(-off_before, -off_after)
    )
    return out
