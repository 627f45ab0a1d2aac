"""Whether a change that was carried to another software version is the same change."""

from __future__ import annotations

import math

import numpy as np
import pytest

from callint.comparing.softwares.carried_change import CarriedChange, CarriedTable, compare_carried
from callint.comparing.softwares.causes import UnknownUnits
from callint.reporting.carried_change.wording import difference_texts
from tests.softwares.building import fixed, table

SPEED = fixed("speed", 1000, 2000, 3000)
FINER = fixed("speed", 1000, 1500, 2000, 2500, 3000)
OTHER = fixed("speed", 1000, 2500, 3000)
OFF = '<off raw="255" allowed="anywhere"/>'

Cells = tuple[list[float], list[float]]


def carried(old: Cells, new: Cells, axes: tuple[str, str] = (SPEED, SPEED), **more: str) -> CarriedChange:
    """Curves, or scalars, before and after a rework in both software versions."""
    old_parts = {key.removeprefix("old_"): text for key, text in more.items() if not key.startswith("new_")}
    new_parts = {key.removeprefix("new_"): text for key, text in more.items() if not key.startswith("old_")}
    before, after = (table(cells, axes[0], **old_parts) for cells in old)  # type: ignore[arg-type]
    other, result = (table(cells, axes[1], at=64, **new_parts) for cells in new)  # type: ignore[arg-type]
    return compare_carried((before, after), (other, result))


def only(change: CarriedChange) -> CarriedTable:
    (only_table,) = change.tables
    return only_table


def texts(change: CarriedChange) -> list[str]:
    return list(difference_texts(change.definition, only(change), None))


def test_the_same_difference_on_another_base_is_the_same_change() -> None:
    change = carried(([10, 20, 30], [10, 25, 30]), ([50, 60, 70], [50, 65, 70]))
    assert change.is_same
    assert only(change).differs.size == 3


def test_a_difference_that_is_one_step_off_is_another_change() -> None:
    change = carried(([10, 20, 30], [10, 25, 30]), ([50, 60, 70], [50, 66, 70]))
    assert not change.is_same
    assert texts(change) == ["another change at 1 of 3 points", "at 2000 rpm: +5 mg, carried as +6 mg"]


def test_a_difference_that_rounds_to_the_new_storage_is_the_same() -> None:
    # +0.7 mg in steps of 1 mg is +1 mg, which is off by less than half of the larger step.
    assert carried(([100], [107]), ([50], [51]), ("", ""), old_conversion="tenth").is_same
    assert not carried(([100], [104]), ([50], [51]), ("", ""), old_conversion="tenth").is_same


def test_further_breakpoints_carry_the_change_between_the_old_ones() -> None:
    old: Cells = ([10, 20, 30], [10, 30, 30])
    assert carried(old, ([10, 15, 20, 25, 30], [10, 20, 30, 30, 30]), (SPEED, FINER)).is_same
    change = carried(old, ([10, 15, 20, 25, 30], [10, 15, 30, 25, 30]), (SPEED, FINER))
    assert texts(change) == [
        "another change at 2 of 5 points",
        "at 1500 rpm: +5 mg, not carried",
        "at 2500 rpm: +5 mg, not carried",
    ]


def test_a_breakpoint_that_the_new_table_lacks_flattens_the_change() -> None:
    change = carried(([10, 20, 30], [10, 30, 30]), ([10, 25, 30], [10, 30, 30]), (SPEED, OTHER))
    assert texts(change) == [
        "another change at 1 of 4 points, between the cells of the carried table",
        "at 2000 rpm: +10 mg, carried as +3.333 mg",
    ]


def test_a_change_that_was_not_carried_and_one_of_the_carried_image_only() -> None:
    assert texts(carried(([10], [20]), ([10], [10]), ("", ""))) == ["another change", "+10 mg, not carried"]
    change = carried(([10], [10]), ([10], [7]), ("", ""))
    assert texts(change) == ["another change", "-3 mg in the carried image only"]


def test_units_are_converted() -> None:
    old: Cells = ([1000], [1100])
    assert carried(old, ([2000], [2100]), ("", ""), old_conversion="hPa", new_conversion="bar").is_same
    change = carried(old, ([2000], [2150]), ("", ""), old_conversion="hPa", new_conversion="bar")
    assert texts(change)[1] == "+0.1 bar, carried as +0.15 bar"


def test_switching_off_is_carried_by_switching_off() -> None:
    old: Cells = ([10, 20, 30], [10, 255, 30])
    assert carried(old, ([11, 21, 31], [11, 255, 31]), inside=OFF).is_same
    change = carried(old, ([11, 21, 31], [11, 254, 31]), inside=OFF)
    assert texts(change)[1] == "at 2000 rpm: switched off, carried as +233 mg"


def test_switching_on_is_carried_by_the_same_value() -> None:
    old: Cells = ([10, 255, 30], [10, 20, 30])
    assert carried(old, ([11, 255, 31], [11, 20, 31]), inside=OFF).is_same
    change = carried(old, ([11, 255, 31], [11, 21, 31]), inside=OFF)
    assert texts(change)[1] == "at 2000 rpm: switched on at 20 mg, carried as switched on at 21 mg"


def test_what_is_off_in_both_and_stays_off_changes_nothing() -> None:
    old: Cells = ([255, 20, 30], [255, 25, 30])
    assert carried(old, ([255, 60, 70], [255, 65, 70]), inside=OFF).is_same


def test_beside_a_cell_that_was_switched_off_nothing_is_known() -> None:
    old: Cells = ([10, 20, 30], [10, 255, 30])
    change = carried(old, ([10, 15, 20, 25, 30], [10, 15, 255, 25, 30]), (SPEED, FINER), inside=OFF)
    assert not change.is_same
    assert not only(change).differs.any()
    assert np.count_nonzero(only(change).unknown) == 2


def test_an_unchanged_cell_beside_an_off_cell_is_not_a_change() -> None:
    old: Cells = ([10, 255, 30], [10, 255, 30])
    change = carried(old, ([10, 15, 20, 25, 30], [10, 20, 20, 25, 30]), (SPEED, FINER), inside=OFF)
    assert texts(change) == [
        "another change at 1 of 5 points",
        "at 1500 rpm: +5 mg in the carried image only",
    ]


def test_states_are_carried_by_name() -> None:
    kinds = {"old_conversion": "on_off", "new_conversion": "modes"}
    assert carried(([0], [1]), ([8], [3]), ("", ""), **kinds).is_same
    assert carried(([0], [1]), ([9], [3]), ("", ""), **kinds).is_same
    change = carried(([0], [1]), ([8], [9]), ("", ""), **kinds)
    assert texts(change)[1] == "off became on, carried as off became limp"


def test_a_table_without_a_known_conversion_is_not_judged() -> None:
    change = carried(([0], [1]), ([0], [1]), ("", ""), old_conversion="share", new_conversion="steps")
    assert [item.cause for item in change.unjudged] == [UnknownUnits("%", "notches")]
    assert not change.is_same


@pytest.mark.parametrize("in_old", [True, False])
def test_a_changed_table_without_a_partner_is_not_judged(in_old: bool) -> None:
    old = (
        table([1, 2, 3], SPEED, name="first", title="First"),
        table([1, 2, 4], SPEED, name="first", title="First"),
    )
    new = table([1, 2], FINER[:0] + fixed("load", 1, 2), name="second", title="Second", at=90)
    pairs = (old, (new, new)) if in_old else ((new, new), old)
    change = compare_carried(*pairs)
    assert [(item.name, item.in_old, item.cause) for item in change.unjudged] == [("first", in_old, None)]
    assert not change.is_same


def test_breakpoints_that_changed_are_part_of_the_change() -> None:
    def stored(*points: int) -> tuple[list[float], str]:
        axis = '<axis signal="speed" at="100" type="uint16" conversion="rpm" count="3"/>'
        return [10, 20, 40, *[0] * 47, *points], axis

    before, axis = stored(1000, 2000, 3000)
    after, _ = stored(1000, 2400, 3000)
    old = table(before, axis), table(after, axis)
    assert compare_carried(old, old).is_same
    change = compare_carried(old, (old[0], old[0]))
    assert not change.is_same
    assert texts(change)[1] == "at 2400 rpm: -8 mg, not carried"


def test_nothing_changed_is_the_same() -> None:
    change = carried(([10], [10]), ([20], [20]), ("", ""))
    assert change.is_same and not change.tables


def test_infinite_values_are_compared() -> None:
    inf = math.inf
    assert carried(([1], [inf]), ([2], [inf]), ("", ""), type_="float32").is_same
    change = carried(([1], [inf]), ([2], [3]), ("", ""), type_="float32")
    assert texts(change)[1] == "became infinite mg, carried as +1 mg"
