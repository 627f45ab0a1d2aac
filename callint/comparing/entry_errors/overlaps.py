"""Finds the changed cells that moved by what two edits add up to where they meet.

One region is multiplied or shifted, and then another one that overlaps it, lies beside it or crosses it. At
the seam a cell deviates from what the movements around it and the new surface predict. Yet the cell beside it
along the row, the one along the column and the one between these two say to the step what it moved by.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from callint.comparing.entry_errors.neighbours import Indexes, PaddedGrid
from callint.model.change import Flags, Numbers

#: What rounding may bring a cell off by is at most the first share of the floor, else a slip may add up by
#: chance. The second share of the cells around move as they do by what two edits add up to.
_WITHIN, _MOSTLY = 0.5, 0.6


@dataclass(frozen=True, slots=True)
class _Cells:
    """Old and new values of cells and how far rounding may bring the new ones off, shape (..., cells)."""

    old: Numbers
    new: Numbers
    off: Numbers


def is_sum_of_edits(
    window: PaddedGrid, included: Flags, cells: Indexes, grain: Numbers, floor: Numbers
) -> Flags:
    """Which cells changed by exactly the sum of two edits that meet there, as most cells around did.

    ``included``, in the padded grid, flags the changed cells that count. ``grain``, of shape (changed,), is
    the step to which the values around every changed cell are rounded, and ``floor`` the deviation that is
    never suspicious. The result has the shape (cells,).
    """
    if window.is_curve:
        return np.zeros(len(cells), bool)
    met = _met(window, included, grain, floor)
    around = window.around[cells]
    same = (window.scattered(met, False)[around] & included[around]).sum(axis=1)
    result: Flags = met[cells] & (same >= _MOSTLY * included[around].sum(axis=1))
    return result


def _met(window: PaddedGrid, included: Flags, grain: Numbers, floor: Numbers) -> Flags:
    """The changed cells that moved by what two edits add up to, by the cells at one of their corners."""
    new = np.where(window.changed & ~included, np.nan, window.new)
    off = window.scattered(0.5 * window.step + 0.125 * grain, 0.0)
    places = window.places

    def at(shifts: Sequence[int]) -> _Cells:
        beside = places + np.array(shifts, np.intp)[:, None]
        return _Cells(window.old[beside], new[beside], off[beside])

    own = _Cells(window.old[places], window.new[places], off[places])
    met = np.zeros(len(places), bool)
    row, column = (line.step for line in window.straight)
    # At each of the four corners, either of the two cells beside may come first.
    corners = [
        *itertools.product((-row, row), (-column, column)),
        *itertools.product((-column, column), (-row, row)),
    ]
    beside, other = at([first for first, _ in corners]), at([second for _, second in corners])
    for expected, within in _sums(own, beside, other, at([sum(corner) for corner in corners])):
        allowed = within + own.off
        met |= ((np.abs(expected - own.new) <= allowed) & (allowed <= _WITHIN * floor)).any(axis=0)
    return met


def _sums(own: _Cells, beside: _Cells, other: _Cells, between: _Cells) -> Iterator[tuple[Numbers, Numbers]]:
    """The values that two edits make of the cells, and how far rounding may bring these off.

    ``beside`` and ``other`` are cells along and across, and ``between`` is the cell beside both of these.
    """
    shift, stays = beside.new - beside.old, between.new - between.old
    # Two offsets.
    yield own.old + shift + other.new - other.old - stays, beside.off + other.off + between.off
    # The factor of the cell beside it, and the offset that the other one has and the one between has not.
    factor = beside.new / beside.old
    yield (
        own.old * factor + other.new - other.old * between.new / between.old,
        beside.off * np.abs(own.old / beside.old) + other.off + between.off * np.abs(other.old / between.old),
    )
    # The offset of the cell beside it, after the factor that the other one has without the same offset.
    share = own.old / other.old
    yield shift + share * (other.new - stays), beside.off + np.abs(share) * (other.off + between.off)
    # The same offset, but before the factor.
    base = other.old + stays
    factor, share = other.new / base, (own.old + shift) / base
    yield (
        (own.old + shift) * factor,
        beside.off * np.abs(factor) + np.abs(share) * (other.off + between.off * np.abs(factor)),
    )
