"""What the scoreboard's oracle finds in cells that changed alone, worked out by hand."""

from __future__ import annotations

from benchmarks.slip_oracle import LoneCell, bound


def moved(new: float, meant: float | None = None, on_purpose: bool = False) -> LoneCell:
    """A cell of 50.0 in a table whose values span 100.0; half of its span in bins is 0.5."""
    return LoneCell(50.0, new, new if meant is None else meant, 100.0, 1, on_purpose)


#: Half of the correct edits move a cell by 1, the others by 6.
CLEAN = [moved(51.2) for _ in range(10)] + [moved(56.2, on_purpose=True) for _ in range(10)]


def test_a_wrong_number_that_people_mean_as_often_as_the_right_one_is_plausible() -> None:
    result = bound(CLEAN, [moved(56.2, meant=51.2), moved(86.2, meant=56.2)], reported=0.05)
    assert result.plausible == 0.5


def test_a_slip_to_a_likely_decision_is_not_found_but_a_slip_to_another_value_is() -> None:
    assert bound(CLEAN, [moved(56.2, meant=51.2)], reported=0.05).found == 0.0
    assert bound(CLEAN, [moved(86.2, meant=56.2)], reported=0.05).found == 1.0
