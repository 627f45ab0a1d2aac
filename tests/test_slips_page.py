"""The numbers of docs/slips.md are what the code works out."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.typing import NDArray

from callint.comparing.entry_errors import score_card
from callint.comparing.entry_errors.detect import Suspect, find_entry_errors
from callint.comparing.entry_errors.neighbours import (
    CellShift,
    PaddedGrid,
    TableEdit,
    delta_residuals,
    row_quantile,
)
from callint.comparing.entry_errors.paste_errors import PasteError, find_paste_errors
from callint.comparing.entry_errors.typing_errors import SLIPS, find_typing_error
from tests.running import REPOSITORY

PAGE = (REPOSITORY / "docs" / "slips.md").read_text("utf-8")
TEXT = " ".join(PAGE.split())

Numbers = NDArray[np.float64]


def section(title: str) -> str:
    """A section of the page, up to the next one."""
    (result,) = re.findall(rf"^## {title}\n(.*?)(?=^## )", PAGE, re.MULTILINE | re.DOTALL)
    return str(result)


def table(title: str) -> list[list[str]]:
    """The rows of a section's table, its head first."""
    rows = [line for line in section(title).splitlines() if line.startswith("|")]
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]
    return [cells[0], *cells[2:]]


def row(title: str, head: str) -> Numbers:
    (result,) = (item[1:] for item in table(title) if item[0] == head)
    return np.array([result], float)


def judged(old: Numbers, new: Numbers, step: float, decimals: int) -> list[Suspect]:
    return list(
        find_entry_errors(TableEdit(old, new, old != new, np.full(old.shape, step), decimals=decimals))
    )


# The example by hand


@pytest.fixture(scope="module")
def by_hand() -> tuple[Numbers, Numbers]:
    _, *rows = table("An example by hand")
    old, new = (np.array([[float(row[place]) for row in rows]]) for place in (1, 2))
    for item, before, after in zip(rows, old[0], new[0], strict=True):
        assert item[3:] == [f"{after - before:+.1f}", f"{round(after / before, 6):g}"]
    return old, new


def test_the_third_cell_is_found_and_expected_as_the_page_works_it_out(
    by_hand: tuple[Numbers, Numbers],
) -> None:
    old, new = by_hand
    (result,) = judged(old, new, 0.1, 1)
    assert result.x == 2
    assert f"1.1 × 83.0 = {result.expected:.1f} mg" in TEXT
    assert f"1.6 + 4 × 0 = {result.allowed:.1f} mg is allowed" in TEXT
    assert f"913.0 - 91.3 = {913.0 - result.expected:.1f} mg, which is {result.score:.0f} times" in TEXT
    assert result.score == pytest.approx((913.0 - result.expected) / result.allowed)


def deviations(old: Numbers, new: Numbers, by_ratio: bool) -> Numbers:
    """The deviation of every cell of a fully changed curve from its prediction by the other cells."""
    window = PaddedGrid(TableEdit(old, new, old != new, np.full(old.shape, 0.1)), old != new)
    moved = window.new / window.old if by_ratio else window.new - window.old
    ones, zeros = np.ones(old.size), np.zeros(old.size)
    add, times = (zeros, old[0]) if by_ratio else (old[0], ones)
    return delta_residuals(window, CellShift(moved, moved, moved, add, times), np.ones(old.size, bool))


def test_the_two_ways_explain_the_changed_neighbours_as_the_page_says(
    by_hand: tuple[Numbers, Numbers],
) -> None:
    old, new = by_hand
    changed_neighbours = [0, 1, 3, 4]
    assert deviations(old, new, by_ratio=True)[changed_neighbours] == pytest.approx(np.zeros(4), abs=1e-9)
    off = deviations(old, new, by_ratio=False)[changed_neighbours]
    median = float(np.median(new - old))
    assert f"The median of all five differences is {median:+.1f} mg" in TEXT
    assert f"Cell 1 is off by {off[0]:.1f} mg and cell 5 by {off[3]:.1f} mg" in TEXT
    assert off[[0, 3]] == pytest.approx(np.abs((new - old)[0, [0, 4]] - median))
    assert f"cells 2 and 4 are nearest to each other, {off[1]:.1f} mg apart" in TEXT
    assert off[1] == pytest.approx(off[2]) and off[1] == pytest.approx(2.7 - 1.3)
    (typical_error,) = row_quantile(off[None, :], 0.6)
    assert f"stay within {typical_error:.1f} mg, which is the typical error" in TEXT


def test_the_third_cell_barely_passes_where_the_page_says(by_hand: tuple[Numbers, Numbers]) -> None:
    old, new = by_hand
    assert "A third cell of 92.9 mg barely passes, and one of 93.0 mg does not" in TEXT
    actual = {}
    for value in (92.9, 93.0):
        new = new.copy()
        new[0, 2] = value
        actual[value] = [item.x for item in judged(old, new, 0.1, 1)]
    assert actual == {92.9: [], 93.0: [2]}


# The example with noise


def test_the_noisy_edit_is_judged_as_the_page_says() -> None:
    title = "An example with noise"
    old, meant, typed = (row(title, f"{head}, mg") for head in ("base", "meant", "typed"))
    assert judged(old, meant, 1.0, 0) == []
    (result,) = judged(old, typed, 1.0, 0)
    assert result.x == 4
    assert (
        f"expects about {result.expected:.0f} mg there, and 550 mg deviates by {result.score:.1f} times"
        in TEXT
    )
    span = float(np.ptp(old))
    assert f"{0.02 * span:.1f} mg, 2 % of 650 - 180 = {span:.0f} mg" in TEXT


def test_the_noisy_edit_lets_pass_what_the_page_says() -> None:
    title = "An example with noise"
    old, meant = (row(title, f"{head}, mg") for head in ("base", "meant"))
    passing = set()
    for value in range(470, 560):
        new = meant.copy()
        new[0, 4] = value
        if value != old[0, 4] and not judged(old, new, 1.0, 0):
            passing.add(value)
    assert "Anything from 485 to 524 mg would have passed" in TEXT
    assert "callint reports 520 mg in cell 5, because it is 502 with two digits swapped" in TEXT
    assert passing == set(range(485, 525)) - {520}


# The kinds of slips


def test_every_kind_of_slip_is_on_the_page_in_the_order_of_the_code() -> None:
    _, *rows = table("Kinds of slips")
    assert [row[0] for row in rows] == list(SLIPS)
    for name, meant, typed in rows:
        decimals = len(meant.partition(".")[2])
        result = find_typing_error(float(typed), float(meant), 0.0, decimals)
        assert result is not None and (result.name, result.meant) == (name, float(meant))


# The block


def test_the_block_on_the_page_is_found() -> None:
    old, new = (row("Pasted in the wrong place", f"{head}, mg") for head in ("base", "new"))
    result = find_paste_errors(TableEdit(old, new, old != new, np.full(old.shape, 0.1), decimals=1))
    assert result == (PasteError(0, 1, 0, 4, 1, 0),)
    assert list(new[0, 1:]) == list(old[0, :-1])


def test_the_score_card_on_the_page_is_that_of_the_code() -> None:
    head, *rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in section("How sure callint is").splitlines()
        if line.startswith("|")
    ]
    assert head == ["indicator", "from", "to", "points"]
    indicators = [item for item in vars(score_card).values() if isinstance(item, score_card.Indicator)]
    on_page = sorted(tuple(map(float, row[1:])) for row in rows[1:])
    assert on_page == sorted(
        (round(indicator.start, 2), indicator.end, indicator.points) for indicator in indicators
    )
    ratios = [row for row in rows[1:] if "times" in row[0]]
    assert len(ratios) == sum(indicator.is_ratio for indicator in indicators)
    assert f"more than {score_card.SURE}," in TEXT
