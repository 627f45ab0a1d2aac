"""Cells read off the base elsewhere, seams of two edits and a limit that one cell reached; by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from callint.comparing.entry_errors.detect import find_entry_errors
from callint.comparing.entry_errors.neighbours import PaddedGrid, TableEdit
from callint.comparing.entry_errors.overlaps import is_sum_of_edits
from callint.comparing.entry_errors.resampling import is_resampled

Numbers = NDArray[np.float64]

#: Enthalpy of water, which boils at a higher temperature (columns) the higher the pressure (rows).
BOILING = np.array(
    [
        [419.0, 504.0, 589.0, 2767.0, 2812.0, 2856.0, 2898.0, 2940.0],
        [420.0, 504.0, 590.0, 676.0, 2777.0, 2828.0, 2876.0, 2921.0],
        [421.0, 505.0, 590.0, 676.0, 764.0, 853.0, 2822.0, 2877.0],
        [422.0, 506.0, 592.0, 678.0, 765.0, 853.0, 944.0, 1038.0],
        [424.0, 508.0, 593.0, 679.0, 766.0, 854.0, 945.0, 1038.0],
        [426.0, 510.0, 595.0, 681.0, 768.0, 856.0, 946.0, 1038.0],
    ]
)

Region = tuple[tuple[int, int], tuple[int, int]]


def within(region: Region) -> tuple[slice, slice]:
    (top, bottom), (left, right) = region
    return slice(top, bottom), slice(left, right)


def edit(old: Numbers, new: Numbers, decimals: int = 0, step: float | None = None) -> TableEdit:
    steps = np.full(old.shape, step or 10.0**-decimals)
    return TableEdit(old, new, old != new, steps, decimals=decimals)


def sure(old: Numbers, new: Numbers, decimals: int = 0, step: float | None = None) -> list[tuple[int, int]]:
    """Row and column of the cells that are surely slips."""
    found = find_entry_errors(edit(old, new, decimals, step))
    return [(suspect.y, suspect.x) for suspect in found if suspect.is_sure]


def read_further_on(share: float) -> Numbers:
    """The base as its columns would have it if they lay this share of a cell further on, but the last."""
    new = BOILING.copy()
    new[:, :-1] = np.round(BOILING[:, :-1] + share * np.diff(BOILING, axis=1))
    return new


@pytest.mark.parametrize("share", [0.1, 0.15, 0.2, 0.3, 0.45, 0.6])
@pytest.mark.parametrize("is_turned", [False, True])
def test_no_cell_at_a_cliff_is_surely_a_slip_if_the_breakpoints_moved(share: float, is_turned: bool) -> None:
    old, new = BOILING, read_further_on(share)
    assert sure(old.T, new.T) == [] if is_turned else sure(old, new) == []


def test_a_cell_that_was_not_read_off_the_base_as_the_others_were_is_found() -> None:
    new = read_further_on(0.15)
    assert new[3, 2] == 605.0
    new[3, 2] = 6005.0
    assert sure(BOILING, new) == [(3, 2)]


@pytest.mark.parametrize(("off", "is_read"), [(0.0, True), (40.0, True), (60.0, False)])
def test_a_cell_is_read_off_the_base_to_within_the_floor(off: float, is_read: bool) -> None:
    new = read_further_on(0.3)
    new[3, 2] += off
    window = PaddedGrid(edit(BOILING, new), new != BOILING)
    cell = next(number for number in range(len(window.places)) if window.cell(number) == (3, 2))
    floor = np.full(len(window.places), 50.0)
    assert is_resampled(window, window.changed, np.array([cell]), floor).tolist() == [is_read]


def test_cells_that_moved_on_their_own_ways_are_not_read_off_the_base() -> None:
    new = BOILING + np.array([300.0, -200.0])[np.indices(BOILING.shape).sum(axis=0) % 2]
    window = PaddedGrid(edit(BOILING, new), new != BOILING)
    everywhere = np.arange(len(window.places))
    assert not is_resampled(window, window.changed, everywhere, np.full(len(everywhere), 50.0)).any()


# Seams of two edits


def test_the_first_cell_of_an_edit_of_a_curve_may_be_in_a_second_edit() -> None:
    # By 10.2, and by 22.1 more where another edit ends.
    first = [0.0, 35.0, 46.0, 56.1, 64.8, 74.0, 83.8, 94.2, 105.4, 117.4, 130.2]
    old = np.array([[*first, 144.2, 159.3, 175.7, 193.5, 212.9, 234.1, 257.3, 282.9]])
    new = old.copy()
    new[0, 6:15] = np.round(old[0, 6:15] + 10.2, 1)
    new[0, 6] = 116.1
    assert sure(old, new, 1) == []
    new[0, 6] = 940.0  # 94.0 out by ten
    assert sure(old, new, 1) == [(0, 6)]


def test_a_cell_that_an_offset_brought_below_zero_did_not_lose_its_sign() -> None:
    # 42.1 would lie between 47.7 and 6.2, but this cell fell by 137.4 as the next four did.
    old = np.array([[0.0, 47.7, 95.3, 143.6, 191.9, 239.9, 287.2, 333.9, 380.4, 426.4]])
    new = old.copy()
    new[0, 2:7] = np.round(old[0, 2:7] - 137.4, 1)
    new[0, 7:] = np.round(old[0, 7:] - 20.0, 1)
    assert sure(old, new, 1) == []
    new[0, 2] = 42.1
    new[0, 5] = -102.5
    assert (0, 5) in sure(old, new, 1)


#: Two regions of the enthalpies, each with the rows and columns from the first up to the second number.
@pytest.mark.parametrize(
    ("factor", "by_factor", "offset", "by_offset", "is_factor_first"),
    [
        (0.95, ((1, 4), (4, 5)), 240.0, ((1, 5), (2, 7)), True),  # the one lies in the other
        (1.1, ((2, 6), (2, 4)), 100.0, ((4, 5), (1, 8)), True),  # they cross
        (0.93, ((1, 3), (3, 7)), 320.0, ((1, 3), (5, 7)), True),
        (1.04, ((1, 4), (3, 6)), -200.0, ((1, 5), (2, 5)), True),  # they overlap
        (1.13, ((2, 3), (0, 6)), 310.0, ((0, 5), (1, 5)), False),
        (1.07, ((3, 4), (0, 7)), 380.0, ((1, 5), (5, 6)), False),
        (0.92, ((0, 3), (0, 5)), -340.0, ((0, 2), (1, 4)), False),
    ],
)
def test_no_cell_where_a_factor_and_an_offset_meet_is_surely_a_slip(
    factor: float, by_factor: Region, offset: float, by_offset: Region, is_factor_first: bool
) -> None:
    new = BOILING.copy()
    for is_factor in (is_factor_first, not is_factor_first):
        if is_factor:
            new[within(by_factor)] *= factor
        else:
            new[within(by_offset)] += offset
    assert sure(BOILING, np.round(new)) == []


def test_a_cell_that_is_off_what_a_factor_and_an_offset_add_up_to_is_found() -> None:
    new = BOILING.copy()
    new[2:6, 2:4] *= 1.1
    new[4:5, 1:8] += 100.0
    new = np.round(new)
    assert new[4, 2] == 752.0
    new[4, 2] = 2752.0
    assert (4, 2) in sure(BOILING, new)


@pytest.mark.parametrize(("off", "step", "adds"), [(2.0, 1.0, True), (4.0, 1.0, False), (0.0, 20.0, False)])
def test_two_edits_add_up_to_the_step_unless_a_step_is_near_the_floor(
    off: float, step: float, adds: bool
) -> None:
    old = 100.0 + 10.0 * np.arange(7)[None, :] + 3.0 * np.arange(6)[:, None]
    new = old.copy()
    new[1:, :4] += 40.0
    new[:4, 3:] += 60.0
    new[2, 3] += off
    window = PaddedGrid(edit(old, new, step=step), new != old)
    cell = next(number for number in range(len(window.places)) if window.cell(number) == (2, 3))
    grain, floor = np.zeros(len(window.places)), np.full(len(window.places), 20.0)
    assert is_sum_of_edits(window, window.changed, np.array([cell]), grain, floor).tolist() == [adds]


def test_a_cell_adds_up_only_among_others_that_do() -> None:
    # The movements have no pattern but at one corner of one cell, where they add up by chance.
    moved = np.array(
        [
            [131.0, 17.0, 263.0, 71.0, 197.0],
            [47.0, 40.0, 60.0, 311.0, 13.0],
            [223.0, 90.0, 110.0, 29.0, 157.0],
            [89.0, 281.0, 7.0, 191.0, 53.0],
        ]
    )
    old = np.full(moved.shape, 1000.0)
    window = PaddedGrid(edit(old, old + moved), moved != 0)
    everywhere = np.arange(moved.size)
    zeros, floor = np.zeros(moved.size), np.full(moved.size, 40.0)
    assert not is_sum_of_edits(window, window.changed, everywhere, zeros, floor).any()


# Limits


@pytest.mark.parametrize(("stopped", "is_sure"), [(1.604, False), (1.344, True)])
def test_a_cell_that_stopped_short_beyond_all_others_may_have_met_a_limit(
    stopped: float, is_sure: bool
) -> None:
    # By a factor of 1.2475, which would bring the third cell to 1.643; a wrong digit makes either of that.
    old = np.round(1.0 + 0.08 * np.arange(7)[None, :] + 0.064 * np.arange(6)[:, None], 3)
    old = np.round(old + np.array([0.013, 0.012, 0.012, 0.014, 0.016, 0.02, 0.024]), 3)
    new = old.copy()
    new[1, 1:4] = np.round(1.2475 * old[1, 1:4], 3)
    assert new[1, 3] == 1.644
    new[1, 3] = stopped
    assert sure(old, new, 3) == ([(1, 3)] if is_sure else [])


# What one way says to the step


def test_a_cell_at_the_value_that_one_way_predicts_to_the_step_is_a_note() -> None:
    # Each column by its own whole number of percent, stored to 0.02.
    old = np.array(
        [
            [1.58, 1.72, 1.82, 1.84, 1.74, 1.60, 1.48],
            [1.80, 1.94, 2.06, 2.06, 1.98, 1.82, 1.70],
            [2.04, 2.18, 2.28, 2.30, 2.20, 2.06, 1.94],
            [2.12, 2.28, 2.38, 2.38, 2.30, 2.16, 2.02],
            [2.02, 2.16, 2.26, 2.28, 2.18, 2.04, 1.92],
            [1.78, 1.92, 2.02, 2.04, 1.94, 1.80, 1.66],
            [1.54, 1.68, 1.80, 1.80, 1.72, 1.56, 1.44],
        ]
    )
    factors = np.array([0.94, 0.95, 0.98, 1.09, 0.99, 0.96, 0.95])
    new = np.round(np.rint(old * factors / 0.02) * 0.02, 2)
    assert new[3, 3] == 2.6
    assert sure(old, new, 2, 0.02) == []
    new[3, 3] = 6.2
    assert sure(old, new, 2, 0.02) == [(3, 3)]


def test_a_cell_that_moved_as_the_one_beside_it_breaks_no_line() -> None:
    # The last column fell by 5.5, and its lower half by 1.5 more, with all columns: two edits overlap there.
    old = np.array(
        [
            [71.0, 67.0, 64.5, 62.0],
            [72.0, 70.5, 65.5, 62.5],
            [72.0, 69.5, 65.5, 64.5],
            [72.5, 70.5, 67.0, 64.0],
            [74.0, 70.5, 67.5, 64.5],
            [75.5, 70.5, 68.0, 65.0],
        ]
    )
    new = old.copy()
    new[:3, 3] -= 5.5
    new[3:, :] -= 1.5
    new[3:, 3] -= 5.5
    assert sure(old, new, 1, 0.5) == []
