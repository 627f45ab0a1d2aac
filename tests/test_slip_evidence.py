"""The evidence for a slip against intent, and edits in one table that are not suspicious together."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.edits import SLIPS as MADE
from callint.comparing.entry_errors.detect import find_entry_errors
from callint.comparing.entry_errors.evidence import log_likelihood_ratio
from callint.comparing.entry_errors.neighbours import PaddedGrid, TableEdit
from callint.comparing.entry_errors.score_card import Indicator, surroundings
from callint.comparing.entry_errors.typing_errors import meant_numbers

Numbers = NDArray[np.float64]


def edit(old: Numbers, new: Numbers, decimals: int = 1) -> TableEdit:
    return TableEdit(old, new, old != new, np.full(old.shape, 10.0**-decimals), decimals=decimals)


def suspects(old: Numbers, new: Numbers) -> list[tuple[int, int, bool]]:
    return [(item.y, item.x, item.is_sure) for item in find_entry_errors(edit(old, new))]


# The evidence


@pytest.mark.parametrize("meant", [517, -427, 86])
def test_a_number_becomes_another_by_a_slip_as_often_as_the_typist_of_the_scoreboard_makes_it(
    meant: int,
) -> None:
    numbers = np.random.default_rng(meant % 97)
    draws = 3000
    made: Counter[float] = Counter()
    for slip in MADE.values():
        for _ in range(draws):
            text = slip(numbers, str(meant))
            if any(letter.isdigit() for letter in text):
                made[float(text)] += 1
    # Without zeros, which may be in front of a number and change nothing there.
    typed = [value for value in made if value.is_integer() and value != meant and "0" not in f"{value:.0f}"]
    assert sum(made[value] for value in typed) > draws
    for value in typed:
        stated = sum(probability for number, probability in meant_numbers(value, 0) if number == meant)
        assert stated == pytest.approx(made[value] / draws / len(MADE), abs=0.01)


def probability(meant: float, typed: float, decimals: int) -> float:
    return sum(share for number, share in meant_numbers(typed, decimals) if number == meant)


def test_nobody_types_a_zero_in_front_of_other_digits() -> None:
    # One of eight kinds of slips: a digit more, on either side of the 7 and one of ten. With 07 for 7,
    # a wrong digit would give 37 too.
    assert probability(7.0, 37.0, 0) == pytest.approx(1 / 8 / 20)
    # Out by ten, in one of two directions, or a digit more. With 05 for 5, swapped digits would give 50 too.
    assert probability(5.0, 50.0, 0) == pytest.approx(1 / 8 / 2 + 1 / 8 / 20)
    # A zero alone in front of the point is no such zero, and what is out by ten may have been typed without.
    assert probability(0.5, 0.7, 1) == pytest.approx(1 / 8 / 18)
    assert probability(5.0, 0.5, 1) >= 1 / 8 / 2
    # A zero inside a number may be missing.
    assert probability(307.0, 37.0, 0) == pytest.approx(1 / 8 / 3)


def test_a_swap_of_the_expected_number_is_likelier_than_intent_and_a_number_near_it_is_not() -> None:
    # 502 was expected to within 2: 520 is 9 times that off, and swapped digits make it of 502.
    assert log_likelihood_ratio(520.0, 502.0, 2.0, 0) > 0.5
    assert log_likelihood_ratio(504.0, 502.0, 2.0, 0) < -1.0


def test_a_slip_is_less_likely_where_the_cells_around_are_noisier() -> None:
    ratios = [log_likelihood_ratio(520.0, 502.0, noise, 0) for noise in (1.0, 4.0, 16.0)]
    assert ratios == sorted(ratios, reverse=True)
    assert ratios[0] > 1
    assert ratios[-1] < 0


@pytest.mark.parametrize(
    ("actual", "expected", "noise"),
    [(7.0, math.nan, 1.0), (7.0, math.inf, 1.0), (7.0, 7.0, 0.0), (7.0, 7.0, math.nan)],
)
def test_without_a_prediction_there_is_no_evidence(actual: float, expected: float, noise: float) -> None:
    assert log_likelihood_ratio(actual, expected, noise, 1) == -math.inf


def test_numbers_of_any_size_can_be_weighed() -> None:
    assert log_likelihood_ratio(1e200, 1.0, 1e-200, None) in (-math.inf, math.inf)
    assert log_likelihood_ratio(500.0, 50.0, 1e-300, 1) == math.inf


# The score card


def test_a_sign_gives_no_point_at_its_start_all_at_its_end_and_half_of_them_halfway() -> None:
    values = np.array([-1.0, 1.0, 2.0, 3.0, 9.0, np.nan, np.inf, -np.inf])
    expected = [0.0, 0.0, 2.0, 4.0, 4.0, 0.0, 4.0, 0.0]
    assert Indicator(1.0, 3.0, 4.0).weigh(values).tolist() == expected


def test_a_ratio_is_halfway_at_the_geometric_mean() -> None:
    values = np.array([0.0, 0.5, 4.0, 32.0, 99.0, np.nan, np.inf])
    expected = [0.0, 0.0, -1.5, -3.0, -3.0, 0.0, -3.0]
    assert Indicator(0.5, 32.0, -3.0, is_ratio=True).weigh(values) == pytest.approx(expected)


def test_the_surroundings_of_a_cell_are_counted_and_measured_in_floors() -> None:
    old = np.full((5, 5), 10.0)
    new = old.copy()
    new[1:4, 1:3] += np.array([[2.0, 3.0], [4.0, 9.0], [2.0, 3.0]])
    window = PaddedGrid(edit(old, new), old != new)
    cells = np.arange(len(window.places))
    said = surroundings(window, window.changed, cells, np.full(len(cells), 2.0))
    assert said.beside.tolist() == [2, 2, 3, 3, 2, 2]
    # The others moved by 2 to 9, or by 2 to 4.
    assert said.beyond.tolist() == [0.0, -0.5, -1.0, 2.5, 0.0, -0.5]
    # 19 is between 14 and 10 in its row, and between 13 and 13 in its column: 5 above, or 6.
    assert said.peak[3] == 3.0
    assert said.peak[1] == 0.5  # 13 is between 12 and 10, and between 10 and 19


def test_a_cell_that_stood_out_in_the_base_stands_out_by_the_rest_only() -> None:
    old = np.array([[10.0, 10.0, 16.0, 10.0, 10.0]])
    new = np.array([[10.0, 11.0, 21.0, 11.0, 10.0]])
    window = PaddedGrid(edit(old, new), old != new)
    said = surroundings(window, window.changed, np.arange(3), np.ones(3))
    assert said.peak[1] == 4.0  # 10 above those beside it, of which 6 are the base's


# Where two edits meet


def hill(seed: int) -> Numbers:
    """A hill on a slope between about 60 and 160."""
    numbers = np.random.default_rng(seed)
    x, y = np.arange(12) / 12, np.arange(10)[:, None] / 10
    height = 60 * np.exp(-((x - numbers.uniform()) ** 2) / 0.2 - (y - numbers.uniform()) ** 2 / 0.3)
    return np.asarray(np.round(90.0 + numbers.uniform(-20, 20) * x + height, 1))


@pytest.mark.parametrize("seed", range(6))
def test_where_a_raised_row_crosses_a_raised_column_both_add_up(seed: int) -> None:
    old = hill(seed)
    new = old.copy()
    new[4, 1:10] += 8.0
    new[1:8, 5] += 11.0
    new = np.round(new, 1)
    assert suspects(old, new) == []
    new[4, 5] = np.round(new[4, 5] + 30.0, 1)
    assert [(y, x) for y, x, _ in suspects(old, new)] == [(4, 5)]


def test_a_cell_that_crossed_zero_as_its_neighbours_fell_did_not_lose_its_sign() -> None:
    # The first two cells fell by 36.2, and the third by 141.7: two edits overlap there. Without its sign it
    # would not lie between its neighbours of today, 11.5 and 1.9.
    old = np.array([[0.0, 47.7, 95.3, 143.6, 191.9, 239.9, 287.2, 333.9, 380.4]])
    new = np.round(old - np.array([[36.2, 36.2, 141.7, 141.7, 141.7, 141.7, 141.7, 36.2, 36.2]]), 1)
    assert suspects(old, new) == []


def test_a_value_one_round_step_above_the_others_was_rounded_as_they_were() -> None:
    # 800 is a multiple of 200 too, but the level of 700 says that people rounded to 100.
    old = np.array(
        [
            [336.0, 421.0, 505.0, 592.0, 678.0, 764.0, 2822.0],
            [338.0, 422.0, 506.0, 592.0, 678.0, 765.0, 2853.0],
            [340.0, 424.0, 508.0, 593.0, 679.0, 766.0, 3200.0],
            [343.0, 427.0, 511.0, 595.0, 681.0, 768.0, 3300.0],
        ]
    )
    new = old.copy()
    new[:, :4] = 700.0
    new[3, 3] = 800.0
    assert find_entry_errors(edit(old, new, 0)) == ()


def test_a_cell_at_the_end_of_an_edit_is_a_note_if_no_slip_explains_it() -> None:
    # Two edits may overlap up to the last cell but one.
    old = np.array([[1013.2, 954.6, 898.7, 845.6, 795.0, 746.8, 701.1, 657.6]])
    new = np.round(old - np.array([[64.9, *[113.6] * 7]]), 1)
    assert suspects(old, new) == [(0, 0, False)]
