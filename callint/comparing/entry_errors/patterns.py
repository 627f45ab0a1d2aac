"""The patterns that edits follow: rounding, a common value, copies, an even movement, and smoothing.

Each function says for changed cells whether the cells around them follow such a pattern, and whether they do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.comparing.entry_errors.neighbours import (
    FEW,
    Indexes,
    PaddedGrid,
    mean_residual,
    row_median,
    row_quantile,
)
from callint.decoding.statistics import median
from callint.model.change import Flags, Numbers

#: This number of cells shows how many digits people typed.
_ENOUGH = 4
#: Smoothing leaves less than this share of the unevenness.
_SMOOTHER = 0.9
#: An edit rounds to more than this number of steps, and to at most the first share of a table's span; what is
#: held at one value, to at most the second.
_LEAST_GRAIN, _COARSEST_GRAIN, _FINE_GRAIN = 3.5, 0.1, 0.05
#: Values rounded by hand may deviate by this share of what they are rounded to.
GRAIN_SHARE = 1.05
#: Values less than this many grains apart become equal by rounding.
_ROUNDED_TOGETHER = 1.1
#: This share of the cells of an edit moves the same way if the edit smooths, or has as few digits if people
#: typed that number of digits.
_MOSTLY = 0.8
#: Smoothing moves a cell by at most this share of its distance to the mean around it.
_SMOOTHING = 1.25
#: A cell was uneven in the base if it lay further than this share of the table's span off its surface.
_UNEVEN = 0.005
#: Most of the cells of a pattern are within what this quantile of them is off.
_QUANTILE = 0.6


@dataclass(frozen=True, slots=True)
class EqualCells:
    """The changed cells that the edit made equal to others in their row or column.

    ``to_any``: to one of the four nearest; ``adjacent``: to a neighbour; ``twice``: to one more too.
    """

    to_any: Flags
    adjacent: Flags
    twice: Flags


def rounding(window: PaddedGrid) -> Numbers:
    """The grain that each new value may be rounded to, 1, 2, 2.5 or 5 times a power of ten; else 0."""
    new, step = window.new[window.places], window.step
    coarse = np.zeros(len(new))
    least, span = median(step), window.edit.span
    if not 1e-300 < least < 1e300 or span > 1e9 * least:
        return coarse
    for power in range(int(np.floor(np.log10(least))), int(np.ceil(np.log10(max(span, least)))) + 1):
        for lead in (1, 2, 2.5, 5):
            grain = lead * 10.0**power
            if _LEAST_GRAIN * least < grain <= _COARSEST_GRAIN * span:
                coarse[is_multiple(new, grain, step)] = grain
    return coarse


def is_multiple(values: Numbers, grain: Numbers | float, step: Numbers) -> Flags:
    """Whether values are multiples of a grain, to half a step."""
    multiple: Flags = np.abs(values - grain * np.rint(values / grain)) <= 0.5 * step
    return multiple


def grain_around(window: PaddedGrid, included: Flags, coarse: Numbers) -> Numbers:
    """The grain that the values around every changed cell are rounded to, if most of them are."""
    if np.count_nonzero(coarse) < 0.3 * len(coarse):
        return np.zeros(len(coarse))
    # Cells held at one value say nothing about rounding.
    held, _, equal = held_at(window, included[window.around], np.arange(len(coarse)), coarse)
    seen = included[window.around] & ~(held[:, None] & equal)
    grains = np.where(seen, window.scattered(coarse)[window.around], np.nan)
    enough = np.isfinite(grains).sum(axis=1) >= 2
    grain = np.where(enough, np.nan_to_num(row_quantile(grains, 0.35)), 0.0)
    # One value alone is round by chance, unless the cell itself is as round.
    differ = (seen & ~equal).sum(axis=1) >= 2
    own = window.new[window.places]
    round_too = is_multiple(own, np.where(grain > 0, grain, 1.0), window.step)
    return np.fmax(np.where(differ | round_too, grain, 0.0), _digit(window, included))


def _digit(window: PaddedGrid, included: Flags) -> Numbers:
    """The last of two significant digits of every changed value, if most around it have no more; else 0."""
    new, step = np.abs(window.new[window.places]), window.step
    digit = 10.0 ** (np.floor(np.log10(new)) - 1)
    typed = (digit > 4 * step) & is_multiple(new, digit, step)
    around = included[window.around] & window.scattered(digit > 4 * step, False)[window.around]
    count = around.sum(axis=1)
    same = (window.scattered(typed, False)[window.around] & around).sum(axis=1)
    return np.where(typed & (count >= _ENOUGH) & (same >= _MOSTLY * count), digit, 0.0)


def made_equal(window: PaddedGrid, included: Flags) -> EqualCells:
    """The changed cells that the edit made equal to included ones."""
    places, step = window.places, window.step
    new, old = window.new[places], window.old[places]
    near = np.zeros((len(window.straight), len(places)), bool)
    times = np.zeros(near.shape, np.intp)
    for side, neighbours in window.straight_lines.at.items():
        alike = included[neighbours] & (np.abs(window.new[neighbours] - new) <= 0.5 * step)
        if abs(side) == 1:
            near |= alike
        times += alike & (np.abs(window.old[neighbours] - old) > 1.5 * step)
    to_any, adjacent, twice = (
        flags.any(axis=0) & included[places] for flags in (times > 0, near & (times > 0), near & (times > 1))
    )
    return EqualCells(to_any, adjacent, twice)


def held_at(
    window: PaddedGrid, around: Flags, cells: Indexes, coarse: Numbers
) -> tuple[Flags, Numbers, Flags]:
    """Where the changed neighbours are held at one value, that value, and which of them have it.

    Changed neighbours so close in the base that rounding to ``coarse`` made them equal are not held.
    """
    values = np.where(around, window.new[window.around[cells]], np.nan)
    level = row_median(values)
    equal: Flags = np.abs(values - level[:, None]) <= 0.5 * window.step[cells, None]
    number = equal.sum(axis=1)
    old = window.old[window.around[cells]]
    apart = np.where(equal, old, -np.inf).max(axis=1) - np.where(equal, old, np.inf).min(axis=1)
    grain = row_median(np.where(equal, window.scattered(coarse)[window.around[cells]], np.nan))
    held = (number >= 2) & (number > 0.6 * around.sum(axis=1))
    return held & (apart > _ROUNDED_TOGETHER * np.fmax(grain, window.step[cells])), level, equal


def is_rounded_from(window: PaddedGrid, level: Numbers, coarse: Numbers, cells: Indexes) -> Flags:
    """Cells at most one grain from a level that is as round as they are."""
    new, step = window.new[window.places[cells]], window.step[cells]
    around = window.around[cells]
    equal = np.abs(window.new[around] - level[:, None]) <= 0.5 * step[:, None]
    of_level = row_median(np.where(equal, window.scattered(coarse)[around], np.nan))
    # 800 is a multiple of 200 and 700 is not, but both are multiples of 100.
    grain = np.fmin(coarse[cells], of_level)
    near = (np.abs(new - level) <= GRAIN_SHARE * grain) & (grain <= _FINE_GRAIN * window.edit.span)
    rounded: Flags = near & is_multiple(level, grain, step) & is_multiple(new, grain, step)
    return rounded


def copies(
    window: PaddedGrid, included: Flags, changed_count: Indexes, cells: Indexes
) -> tuple[Flags, Numbers, Flags]:
    """Cells that hold a neighbour's value as their changed neighbours do.

    Returns which cells are copies, the value that a copy would have, and which cells are not copies although
    all their changed neighbours are.
    """
    count = len(cells)
    copied, copying = np.zeros(count, bool), np.zeros(count, bool)
    value = np.full(count, np.nan)
    places, step = window.places, window.step
    new = window.new[places]
    for source in (window.old, window.new):
        for number, line in enumerate(window.straight):
            # A row is copied to a row: the changed neighbours lie across the direction of the copy.
            mates = window.straight[number - 1].all_at[cells]
            mates_live = included[mates]
            amount = mates_live.sum(axis=1)
            for side in (-2, -1, 1, 2) if source is window.old else (-1, 1):
                neighbours = source[line.at[side]]
                same = np.abs(neighbours - new) <= 0.5 * step
                agreeing = (window.scattered(same, False)[mates] & mates_live).sum(axis=1)
                alone = (amount == 0) & (abs(side) == 1) & (changed_count == 0) | (changed_count == 1)
                together = (agreeing >= 1) & (agreeing >= 0.6 * amount)
                copied |= same[cells] & (alone | together)
                if source is window.old:
                    leads = (agreeing >= 2) & (agreeing == amount) & np.isfinite(neighbours[cells])
                    value = np.where(leads & ~copying, neighbours[cells], value)
                    copying |= leads
    return copied, value, copying & ~copied


def is_even(window: PaddedGrid, around: Flags, cells: Indexes) -> Flags:
    """Whether one offset or factor explains most changed neighbours to the step; that smooths nothing."""
    old, new = (np.where(around, grid[window.around[cells]], np.nan) for grid in (window.old, window.new))
    step = window.step[cells]
    offset = old + row_median(new - old)[:, None]
    factor = old * row_median(new / old)[:, None]
    off = [row_quantile(np.abs(wanted - new), _QUANTILE) for wanted in (offset, factor)]
    even: Flags = (off[0] <= step) | (off[1] <= step)
    return even & (row_median(np.abs(new - old)) > 3 * step)


def is_smoothed(window: PaddedGrid, deviations: Numbers, around: Flags, cells: Indexes) -> Flags:
    """Cells that an edit smoothed, like the cells around them."""
    uneven = mean_residual(deviations)
    own = window.unevenness[window.places]
    rough = own > _UNEVEN * window.edit.span
    ratio = window.scattered(np.where(rough, uneven / own, np.nan))
    ratios = np.where(around, ratio[window.around[cells]], np.nan)
    smoother = (row_quantile(ratios, _QUANTILE) < _SMOOTHER) & (np.isfinite(ratios).sum(axis=1) >= 2)
    smoothed: Flags = smoother & (uneven[cells] <= _SMOOTHER * own[cells])
    return smoothed


def is_averaged(window: PaddedGrid, around: Flags, cells: Indexes) -> Flags:
    """Cells that moved towards a mean of the base around them, as most cells around them did."""
    old, new = window.old[window.places], window.new[window.places]
    averaged = np.zeros(len(cells), bool)
    for mean in window.base_means:
        towards = mean[window.places] - old
        share = np.where(np.abs(towards) > window.step, (new - old) / towards, np.nan)
        went = (share > 0) & (share <= _SMOOTHING)
        given = window.scattered(np.isfinite(share), False)[window.around[cells]] & around
        same = (window.scattered(went, False)[window.around[cells]] & given).sum(axis=1)
        averaged |= went[cells] & (same >= 1) & (same >= _MOSTLY * given.sum(axis=1))
    return averaged


def moved_evenly(
    window: PaddedGrid, around: Flags, cells: Indexes, grain: Numbers
) -> tuple[Flags, Numbers, Numbers]:
    """Where one offset or factor explains all changed neighbours, how far off a cell is, and what fits."""
    old, new = (np.where(around, grid[window.around[cells]], np.nan) for grid in (window.old, window.new))
    own_old, own_new = window.old[window.places[cells]], window.new[window.places[cells]]
    within = window.step[cells] + 0.5 * grain
    enough = around.sum(axis=1) >= FEW
    even = np.zeros(len(cells), bool)
    off, value = np.full(len(cells), np.inf), own_new.copy()
    shift, ratio = row_median(new - old), row_median(new / old)
    for wanted, own in ((old + shift[:, None], own_old + shift), (old * ratio[:, None], own_old * ratio)):
        misfit = np.where(around, np.abs(wanted - new), 0.0).max(axis=1)
        explains = enough & (misfit <= within)
        better = explains & (np.abs(own - own_new) < off)
        off, value = np.where(better, np.abs(own - own_new), off), np.where(better, own, value)
        even |= explains
    return even, off, value
