"""Finds the changed cells that break a pattern which the changed cells around them keep to the step.

An edit by a factor or an offset, to one value, by copying or in even steps explains its cells exactly. If
enough cells around a changed cell keep such a pattern and the cell does not, it is no part of that edit. The
value that the pattern gives for it is known to the step, so that few slips lead from there to the number that
stands. The cell may still be meant, so it counts only if one of them does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint.comparing.entry_errors import patterns
from callint.comparing.entry_errors.broken_lines import BrokenLine
from callint.comparing.entry_errors.neighbours import Indexes, PaddedGrid, row_median, shifted
from callint.comparing.entry_errors.typing_errors import find_typing_error
from callint.model.change import Flags, Numbers

#: A cell keeps a pattern if it is at most this number of steps off, and it may have been meant to keep it if
#: it is at most this many times as far off.
_STEPS, _MAYBE = 1.01, 1.5
#: This number of cells around keep a pattern, and this share of those of which it says something.
_LEAST, _MOSTLY = 2, 0.75
#: This share of the cells around keeps a pattern with a cell beside it, or the edit follows none.
_FOLLOWS = 0.5
#: Cells keep a pattern by chance, or a cell breaks it on purpose, up to this number of bits. Each cell that
#: keeps it, but one, adds how many times further the cells moved than they may be off, and the cell that
#: breaks it, how many times the floor it is off. The second number is needed of the cells alone, and the
#: third in all if the cell is a corner of the edit, which somebody may move by itself.
_BITS, _CELL_BITS, _CORNER_BITS = 2.5, 0.5, 4.5


@dataclass(frozen=True, slots=True)
class _Invariant:
    """A quantity that a pattern keeps constant, in the padded grid; NaN where it is unknown.

    A value v of it predicts ``offset + factor * v`` for a changed cell, shape (changed,). ``moved`` is how
    far the edit brought cells from the pattern that they kept before it, in the padded grid.
    """

    value: Numbers
    offset: Numbers
    factor: Numbers
    moved: Numbers
    is_level: bool = False
    is_step: bool = False
    is_copy: bool = False


def find_broken_patterns(
    window: PaddedGrid, included: Flags, equal: Flags, floor: Numbers, grain: Numbers
) -> Iterator[BrokenLine]:
    """The cells that a slip brought off a pattern.

    ``included``, in the padded grid, flags the changed cells that count. ``equal`` flags those that were made
    equal to a neighbour; they, ``floor``, what is never suspicious, and ``grain``, what values are rounded
    to, have the shape (changed,).
    """
    if len(window.places) <= _LEAST:
        return
    within = _STEPS * window.step + 0.5 * grain
    invariants, cells = _outsiders(window, included, equal, within)
    if not len(cells):
        return
    expected, bits = _broken(window, invariants, cells, within[cells], floor[cells])
    new = window.new[window.places[cells]]
    score = np.abs(new - expected) / floor[cells]
    evidence = bits + np.log2(np.fmax(1.0, score))
    needed = np.where(_is_corner(window, cells), _CORNER_BITS, _BITS)
    for number in np.flatnonzero((bits >= _CELL_BITS) & (evidence >= needed)).tolist():
        cell, value = int(cells[number]), float(expected[number])
        step = float(window.step[cell])
        error = find_typing_error(
            float(new[number]), value, float(within[cell]), window.edit.decimals, step=step
        )
        if error is not None:
            yield BrokenLine(cell, value, float(score[number]), float(floor[cell]))


def _invariants(window: PaddedGrid, included: Flags) -> Iterator[_Invariant]:
    old, new = (np.where(included, grid, np.nan) for grid in (window.old, window.new))
    own, moved = window.old[window.places], np.abs(new - old)
    ones, zeros = np.ones_like(own), np.zeros_like(own)
    yield _Invariant(new - old, own, ones, moved)
    yield _Invariant(np.where(old == 0, np.nan, new / old), zeros, np.where(own == 0, np.nan, own), moved)
    yield _Invariant(new, zeros, ones, old, is_level=True)
    for line in window.straight:
        for shift in (-line.step, line.step):
            beside, before = shifted(new, shift), shifted(window.old, shift)
            step = new - beside
            yield _Invariant(step, beside[window.places], ones, np.abs(step - (old - before)), is_step=True)
            yield _Invariant(new - before, before[window.places], ones, moved, is_copy=True)


def _outsiders(
    window: PaddedGrid, included: Flags, equal: Flags, within: Numbers
) -> tuple[list[_Invariant], Indexes]:
    """The invariants, and the included cells that break all of them while most cells around keep them.

    If there is no such cell, some invariants may be absent.
    """
    places = window.places
    invariants: list[_Invariant] = []
    keeps, kept = continues_straight(window, within) | equal | ~included[places], np.zeros(len(places), bool)
    beside = [side * line.step for line in window.lines for side in (-1, 1)]
    beyond = [side * line.step for line in window.straight for side in (-2, 2)]
    at = places[:, None] + np.array([*beside, *beyond], np.intp)
    for invariant in _invariants(window, included):
        if keeps.all():
            return invariants, np.zeros(0, np.intp)
        invariants.append(invariant)
        off = np.abs((invariant.value[at] - invariant.value[places, None]) * invariant.factor[:, None])
        agrees = off <= within[:, None]
        kept |= agrees.any(axis=1)
        # Steps agree by chance with those of two cells beside the same one, and levels with one of eight.
        needed = 3 if invariant.is_step else 2 if invariant.is_level else 1
        keeps |= agrees[:, : len(beside)].sum(axis=1) >= needed
    apart = np.flatnonzero(~keeps)
    around = window.around[apart]
    count = window.scattered(kept, False)[around].sum(axis=1)
    # Cells made equal to a neighbour are not apart, but they say as little of the edit as unchanged ones.
    others = (included & ~window.scattered(equal, False))[around].sum(axis=1)
    return invariants, apart[(count >= _LEAST) & (count >= _FOLLOWS * others)]


def continues_straight(window: PaddedGrid, within: Numbers) -> Flags:
    """The changed cells in which the new surface, or the change, goes on straight.

    Where an edit ends, its change may taper to nothing, and a cell may have the value of the one beside it.
    """
    continues_straight = np.zeros(len(window.places), bool)
    for grid in (window.new, window.new - window.old):
        own = grid[window.places]
        for line in window.straight:
            near = line.values(grid)
            between = near[-1] * line.between[-1] + near[1] * line.between[1]
            onwards = (near[side] + (near[side] - near[2 * side]) * line.onwards[side] for side in (-1, 1))
            for value in (between, *onwards, near[-1], near[1]):
                continues_straight |= np.abs(value - own) <= _MAYBE * within
    return continues_straight


def _broken(
    window: PaddedGrid, invariants: list[_Invariant], cells: Indexes, within: Numbers, floor: Numbers
) -> tuple[Numbers, Numbers]:
    """The values by the surest pattern that each of some cells breaks, and its bits; 0 if it keeps one.

    They are 0 too for a cell that the edit smoothed.
    """
    places, around = window.places[cells], window.around[cells]
    new, old = window.new[places], window.old[places]
    expected, best = np.full(len(cells), np.nan), np.zeros(len(cells))
    keeps = np.zeros(len(cells), bool)
    lines = [line.all_at[cells] for line in window.straight]
    included = np.isfinite(invariants[0].value[around])
    excused = patterns.is_averaged(window, included, cells)
    # A cell that the edit brought beyond all others may have stopped there at a limit that no other reached.
    beside = np.where(included, window.new[around], np.nan)
    is_top = (new > old) & (new >= np.fmax.reduce(beside, axis=1))
    is_bottom = (new < old) & (new <= np.fmin.reduce(beside, axis=1))
    for invariant in invariants:
        for at in (around,) if invariant.is_step else (around, *lines):
            values = invariant.value[at]
            centre = np.zeros(len(cells)) if invariant.is_copy else row_median(values)
            agree = np.abs((values - centre[:, None]) * invariant.factor[cells, None]) <= within[:, None]
            count, seen = agree.sum(axis=1), np.isfinite(values).sum(axis=1)
            moved = np.where(agree, invariant.moved[at], np.nan)
            far = row_median(moved)
            if invariant.is_level:  # cells that were alike before are not a level
                far = np.fmax.reduce(moved, axis=1) - np.fmin.reduce(moved, axis=1)
            bits = (count - 1) * np.log2(np.fmax(1.0, far / (2 * within)))
            is_pattern = (count >= _LEAST) & (count >= _MOSTLY * seen) & (bits > 0)
            value = invariant.offset[cells] + invariant.factor[cells] * centre
            off = np.abs(value - new)
            keeps |= is_pattern & (off <= _MAYBE * within)
            broken = is_pattern & (off > floor) & (bits > best)
            if invariant.is_level:  # a cell that moved towards a level may have stopped short of it
                broken &= (value - new) * (new - old) < 0
            else:
                broken &= ~((is_top & (value > new)) | (is_bottom & (value < new)))
            expected, best = np.where(broken, value, expected), np.where(broken, bits, best)
    return expected, np.where(keeps | excused, 0.0, best)


def _is_corner(window: PaddedGrid, cells: Indexes) -> Flags:
    """Cells with changed cells beside them on one side only, along the row and along the column."""
    corner = np.full(len(cells), not window.is_curve)
    for line in window.straight:
        before, after = (window.changed[line.at[side][cells]] for side in (-1, 1))
        corner &= ~(before & after)
    return corner
