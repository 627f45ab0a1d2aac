"""Cells that break a pattern which the others keep to the step, and corners that somebody pulled; by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from callint.comparing.entry_errors.detect import find_entry_errors
from callint.comparing.entry_errors.neighbours import TableEdit
from callint.comparing.entry_errors.typing_errors import find_typing_error

Numbers = NDArray[np.float64]


def suspects(old: Numbers, new: Numbers, step: float = 0.1) -> list[tuple[int, int, bool]]:
    """Row, column and sureness of the suspicious cells of a table with one digit after the point."""
    item = TableEdit(old, new, old != new, np.full(old.shape, step), decimals=1)
    return [(suspect.y, suspect.x, suspect.is_sure) for suspect in find_entry_errors(item)]


def bowl(across: float, down: float) -> Numbers:
    """Whole numbers from 100 on that rise by the square of the column and evenly by the row."""
    return np.asarray(np.round(100 + across * np.arange(8)[None, :] ** 2 + down * np.arange(7)[:, None]))


@pytest.mark.parametrize(
    ("value", "is_found"),
    [
        (69.4, False),  # 64.0 + 5.4, as its neighbours
        (63.4, True),  # a wrong digit
        (64.9, True),  # 4.5 off; 69.4 without its 9 and another behind it, or 64.9 with swapped digits
        (68.4, False),  # 1.0 off; the floor is 2 % of the span of 75
    ],
)
def test_a_cell_that_went_back_between_two_that_rose_alike_is_found_if_a_slip_explains_it(
    value: float, is_found: bool
) -> None:
    old = np.array([[15.0, 28.2, 41.7, 55.9, 63.7, 64.0, 66.5, 71.2, 80.4, 90.0]])
    new = old.copy()
    new[0, 4:7] = np.round(old[0, 4:7] + 5.4, 1)
    new[0, 5] = value
    assert ((0, 5, True) in suspects(old, new)) is is_found


@pytest.mark.parametrize(("typed", "is_found"), [(150.0, False), (156.0, True), (153.7, False)])
def test_a_cell_that_does_not_go_on_in_the_steps_of_its_column_is_found_if_a_slip_explains_it(
    typed: float, is_found: bool
) -> None:
    old = bowl(1.4, 10.4)
    new = old.copy()
    for row in range(2, 6):  # each value 2.5 more than the one above it
        new[row, 2:7] = new[row - 1, 2:7] + 2.5
    assert new[3, 5] == 150.0
    new[3, 5] = typed
    assert suspects(old, new) == ([(3, 5, True)] if is_found else [])


@pytest.mark.parametrize(("typed", "is_found"), [(171.0, False), (181.0, True), (184.3, False)])
def test_a_cell_in_a_copied_row_that_is_not_a_copy_is_found_if_a_slip_explains_it(
    typed: float, is_found: bool
) -> None:
    old = bowl(2.8, 13.0)
    new = old.copy()
    new[3, 2:7] = old[2, 2:7]
    assert new[3, 4] == 171.0
    new[3, 4] = typed
    assert suspects(old, new) == ([(3, 4, True)] if is_found else [])


@pytest.mark.parametrize(("typed", "is_found"), [(98.9, False), (94.9, True)])
def test_a_cell_that_has_not_reached_the_level_of_the_others_may_be_meant(
    typed: float, is_found: bool
) -> None:
    # The others fell to 97.9. Both numbers are 97.9 with another digit, but 98.9 lies on the way there.
    old = np.array([[70.0, 82.5, 97.2, 99.4, 99.9, 99.1, 99.6, 100.0, 100.0]])
    new = old.copy()
    new[0, 3:7] = 97.9
    new[0, 5] = typed
    assert ((0, 5, True) in suspects(old, new)) is is_found


# Corners


def block(first: float) -> list[tuple[int, int, bool]]:
    """The suspects in a block of two by two in a map from 0 to 200, whose first cell moved by a distance."""
    old = np.asarray(np.arange(10) * 10.0 + np.arange(12)[:, None] * 10.0)
    new = old.copy()
    new[4:6, 4:6] += np.array([[first, 6.3], [4.7, 2.9]])
    return suspects(old, new)


@pytest.mark.parametrize(("moved", "is_sure"), [(40.3, False), (40.9, True)])
def test_each_corner_of_a_small_block_may_be_moved_as_far_as_a_lone_cell(moved: float, is_sure: bool) -> None:
    # 20.25 % of the span of 200 is 40.5: 4.5 times the 4.5 % that a lone cell may move.
    assert [sure for y, x, sure in block(moved) if (y, x) == (4, 4)] == [is_sure]


# Numbers with more digits than the storage


@pytest.mark.parametrize(
    ("actual", "meant", "step", "name"),
    [
        (0.0228, 0.0276, 0.0001, "doubled digit"),  # typed 0.02276
        (0.0028, 0.0276, 0.0001, "out by ten"),  # typed 0.00276
        (42.5, 24.7, 0.5, "swapped digits"),  # typed 42.7
        (42.5, 24.9, 0.5, None),  # 42.9 is stored as 43.0
    ],
)
def test_a_slip_is_known_by_what_the_storage_makes_of_the_typed_number(
    actual: float, meant: float, step: float, name: str | None
) -> None:
    decimals = 1 if step > 0.1 else 4
    assert find_typing_error(actual, meant, 0.0, decimals, is_distinctive=True) is None
    result = find_typing_error(actual, meant, 1e-9, decimals, is_distinctive=True, step=step)
    assert (result.name if result else None) == name
