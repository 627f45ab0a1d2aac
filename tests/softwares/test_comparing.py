"""What differs between two software versions, table by table."""

from __future__ import annotations

import math

import pytest

from callint.comparing.softwares.causes import Obstacle, UnknownUnits, UnlikeAxes
from callint.comparing.softwares.result import SoftwareChange
from callint.decoding.decode import Decoded
from tests.building import decoded, definition_xml, u16
from tests.softwares.building import CONVERSIONS, SIGNALS, compared, fixed, points, table

SPEED = fixed("speed", 1000, 2000, 3000)
FINER = fixed("speed", 1000, 1500, 2000, 2500, 3000)
OFF = '<off raw="255" allowed="anywhere"/>'


def only_cause(change: SoftwareChange) -> object:
    (uncompared,) = change.uncompared
    assert not change.is_empty
    return uncompared.cause


# Breakpoints


def test_a_table_at_another_address_reads_the_same() -> None:
    change = compared(table([10, 20, 30], SPEED), table([10, 20, 30], SPEED, at=100))
    assert change.is_empty and change.is_silent
    assert change.equal == 1


def test_breakpoints_that_lie_on_the_old_line_change_no_output() -> None:
    change = compared(table([10, 20, 30], SPEED), table([10, 15, 20, 25, 30], FINER))
    assert change.is_empty
    assert change.respaced["fuel"].counts == ((3, 5, 5),)


def test_a_table_is_compared_at_the_breakpoints_of_both_sides() -> None:
    old = table([10, 20, 40], fixed("speed", 1000, 2000, 4000))
    new = table([10, 50, 40], fixed("speed", 1000, 3000, 4000))
    assert points(compared(old, new)) == {(2000.0,): (20.0, 30.0), (3000.0,): (30.0, 50.0)}


def test_a_breakpoint_beyond_the_other_table_is_compared_with_its_end() -> None:
    old, new = table([10, 20], fixed("speed", 1000, 2000)), table([10, 20, 90], SPEED)
    assert points(compared(old, new)) == {(3000.0,): (20.0, 90.0)}


def test_a_rounded_value_between_the_old_breakpoints_is_not_a_change() -> None:
    # Half-way between 10 and 21 mg is 15.5 mg, which the storage cannot hold.
    change = compared(table([10, 21, 30], SPEED), table([10, 15, 21, 25, 30], FINER))
    assert change.is_empty
    (slight,) = change.slight
    assert slight.is_rounding
    assert not change.is_silent


def test_one_step_at_a_common_breakpoint_is_a_change() -> None:
    change = compared(table([10, 20, 30], SPEED), table([10, 16, 21, 25, 30], FINER))
    assert points(change) == {(1500.0,): (15.0, 16.0), (2000.0,): (20.0, 21.0)}


def test_a_stored_float_is_compared_in_all_its_digits_and_not_in_those_that_are_shown() -> None:
    old = table([10, 20], fixed("speed", 1000, 2000), conversion="shown", type_="float64")
    new = table([10, 20.01], fixed("speed", 1000, 2000), conversion="shown", type_="float64")
    assert points(compared(old, new)) == {(2000.0,): (20.0, 20.01)}
    # In another storage the shown digits are the step.
    single = table([10, 20.01], fixed("speed", 1000, 2000), conversion="shown", type_="float32")
    assert compared(old, single).is_empty


def test_half_of_the_coarser_step_is_rounding_and_more_is_a_change() -> None:
    coarse = table([10, 20], fixed("speed", 1000, 2000))
    for raw, is_change in ((105, False), (106, True), (95, False), (94, True)):
        fine = table([raw, 200], fixed("speed", 1000, 2000), conversion="tenth")
        for change in (compared(coarse, fine), compared(fine, coarse)):
            assert bool(change.changes.tables) is is_change
            assert bool(change.slight) is not is_change


def test_a_bend_that_other_breakpoints_cut_off_is_slight_up_to_a_hundredth_of_the_span() -> None:
    old = table([0, 990, 1000, 0], fixed("speed", 1000, 1990, 2000, 3000))
    for cut, is_slight in ((1005, True), (990, False)):
        # At 2000 rpm the new line passes through 5 or more below the old corner, which it has no cell for.
        new = table([0, 990, 1000 - (1005 - cut), 0], fixed("speed", 1000, 1990, 2001, 3000))
        change = compared(old, new)
        assert bool(change.slight) is is_slight
        assert not change.is_empty


def test_falling_breakpoints_read_as_rising_ones() -> None:
    falling = table([30, 20, 10], fixed("speed", 3000, 2000, 1000))
    assert compared(table([10, 20, 30], SPEED), falling).is_empty
    assert points(compared(table([10, 20, 31], SPEED), falling)) == {(3000.0,): (31.0, 30.0)}


def test_equal_breakpoints_that_do_not_rise_are_compared_cell_by_cell() -> None:
    wild = fixed("speed", 1000, 3000, 2000)
    assert compared(table([10, 20, 30], wild), table([10, 20, 30], wild, at=8)).is_empty
    change = compared(table([10, 20, 30], wild), table([10, 20, 33], wild, at=8))
    assert points(change) == {(2000.0,): (30.0, 33.0)}
    assert (
        only_cause(compared(table([10, 20, 30], wild), table([10, 20, 30], SPEED)))
        is Obstacle.AXES_NOT_MONOTONIC
    )


# Axes


def test_a_map_whose_axes_changed_places_reads_the_same() -> None:
    load = fixed("load", 10, 20)
    old = table([1, 2, 3, 4, 5, 6], SPEED, load)
    assert compared(old, table([1, 4, 2, 5, 3, 6], load, SPEED)).is_empty
    assert points(compared(old, table([1, 4, 2, 5, 3, 9], load, SPEED))) == {(20.0, 3000.0): (6.0, 9.0)}


def test_a_curve_that_became_a_map_is_the_same_along_the_new_axis() -> None:
    curve, load = table([1, 2, 3], SPEED), fixed("load", 10, 20)
    grown = table([1, 2, 3, 1, 2, 7], SPEED, load)
    assert points(compared(curve, grown)) == {(3000.0, 20.0): (3.0, 7.0)}
    assert points(compared(grown, curve)) == {(3000.0, 20.0): (7.0, 3.0)}
    along_y = table([1, 1, 2, 2, 3, 7], load, SPEED)
    assert points(compared(curve, along_y)) == {(20.0, 3000.0): (3.0, 7.0)}
    assert points(compared(along_y, curve)) == {(20.0, 3000.0): (7.0, 3.0)}


def test_a_scalar_that_became_a_curve_is_the_same_everywhere() -> None:
    assert points(compared(table([2]), table([2, 2, 5], SPEED))) == {(3000.0,): (2.0, 5.0)}


def test_tables_over_other_signals_are_not_compared() -> None:
    change = compared(table([1, 2, 3], SPEED), table([1, 2], fixed("load", 10, 20)))
    assert only_cause(change) == UnlikeAxes((("speed", "rpm"),), (("load", "mg"),))


# Units


def test_values_are_converted_to_the_new_unit() -> None:
    old = table([1000, 2000, 250], SPEED, conversion="hPa")
    assert compared(old, table([1000, 2000, 250], SPEED, conversion="bar")).is_empty
    change = compared(old, table([1000, 2000, 251], SPEED, conversion="bar"))
    assert points(change) == {(3000.0,): (0.25, 0.251)}
    assert change.pairs["fuel"].units == ("hPa", "bar")


def test_an_axis_is_converted_too() -> None:
    kelvins = '<axis signal="coolant" at="200" type="uint16" conversion="kelvin" count="2"/>'
    old = table([10, 20], fixed("coolant", 20.5, 80.5))
    new = table([10, 20, *[0] * 98, 29365, 35365], kelvins)
    change = compared(old, new)
    assert change.is_empty and change.equal == 1


def test_breakpoints_that_differ_by_the_rounding_of_a_conversion_are_one() -> None:
    def stored(conversion: str) -> Decoded:
        axis = f'<axis signal="speed" at="200" type="uint16" conversion="{conversion}" count="3"/>'
        return table([10, 255, 30, *[0] * 97, 21, 42, 63], axis, inside=OFF)

    # 2.1 hPa are 0.0021000000000000003 bar in doubles, which is not 0.0021.
    change = compared(stored("fine_hPa"), stored("fine_bar"))
    assert change.is_empty
    assert not change.respaced
    assert not change.unknown


def test_breakpoints_of_one_table_stay_apart_however_close_they_are() -> None:
    close = 1.0000000000000004
    old, new = (
        table([10, 20], fixed("speed", 1.0, close)),
        table([10, 20, 25], fixed("speed", 1.0, close, 2.0)),
    )
    change = compared(old, new)
    assert change.respaced["fuel"].counts == ((2, 3, 3),)
    assert points(change) == {(2.0,): (20.0, 25.0)}


def test_units_without_a_known_conversion_are_not_compared() -> None:
    change = compared(table([1], conversion="share"), table([1], conversion="steps"))
    assert only_cause(change) == UnknownUnits("%", "notches")


# Off codes, states, and what is not a number


def test_an_off_code_is_compared_with_off_and_not_as_a_number() -> None:
    off = table([10, 255, 30], SPEED, inside=OFF)
    other = table([10, 254, 30], SPEED, inside='<off raw="254" allowed="anywhere"/>')
    assert compared(off, other).is_empty
    change = compared(off, table([10, 255, 30], SPEED))
    ((old, new),) = points(change).values()
    assert math.isnan(old) and new == 255


def test_nothing_is_interpolated_through_off() -> None:
    old = table([10, 255, 30], SPEED, inside=OFF)
    change = compared(old, table([10, 15, 255, 25, 30], FINER, inside=OFF))
    assert not change.changes.tables
    assert change.unknown == {"fuel": 2}
    assert not change.is_empty


def test_states_are_compared_by_name() -> None:
    old = table([0, 1, 1], SPEED, conversion="on_off")
    assert compared(old, table([8, 3, 3], SPEED, conversion="modes")).is_empty
    change = compared(old, table([8, 3, 9], SPEED, conversion="modes"))
    names = change.changes.definition.conversion_of(change.changes.tables[0].table).names  # type: ignore[union-attr]
    ((before, after),) = points(change).values()
    assert (names[int(before)], names[int(after)]) == ("on", "limp")


def test_states_without_a_name_are_distinguished_by_their_numbers() -> None:
    def stored(raw: int, type_: str) -> Decoded:
        return table([raw], conversion="on_off", type_=type_)

    assert compared(stored(1048576, "uint32"), stored(1048577, "uint32")).changes.cells == 1
    assert compared(stored(2**60, "uint64"), stored(2**60 + 1, "uint64")).changes.cells == 1
    assert compared(stored(7, "uint32"), stored(7, "float32")).is_empty


def test_between_two_states_nothing_is_known() -> None:
    old = table([0, 1, 1], SPEED, conversion="on_off")
    change = compared(old, table([8, 3, 3, 3, 3], FINER, conversion="modes"))
    assert (change.changes.tables, change.unknown) == ((), {"fuel": 1})


def test_states_are_not_compared_with_numbers() -> None:
    change = compared(table([1], conversion="on_off"), table([1]))
    assert only_cause(change) is Obstacle.STATES_AND_NUMBERS


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan])
def test_a_value_that_became_infinite_or_no_number_is_a_change(value: float) -> None:
    old = table([10, 20, 30], SPEED, type_="float32")
    broken = table([10, value, 30], SPEED, type_="float32")
    assert [change.count for change in compared(old, broken).changes.tables] == [1]
    assert compared(broken, table([10, value, 30], SPEED, type_="float64")).is_empty


def test_large_whole_numbers_are_distinguished_although_doubles_are_not() -> None:
    old, new = table([2**60], type_="uint64"), table([2**60 + 1], type_="uint64", at=8)
    assert compared(old, new).changes.cells == 1


# Tables


def test_a_table_with_another_name_at_the_same_place_is_renamed() -> None:
    change = compared(table([10, 20, 30], SPEED), table([10, 20, 31], SPEED, name="fuel_map"))
    assert points(change, "fuel_map") == {(3000.0,): (30.0, 31.0)}
    assert [(old.name, new.name) for old, new in change.renamed] == [("fuel", "fuel_map")]


def test_a_table_that_only_one_side_has_is_listed() -> None:
    old = table([1, 2, 3], SPEED, title="Fuel")
    new = table([1, 2], fixed("load", 1, 2), name="other", title="Other", at=40)
    change = compared(old, new)
    assert [item.name for item in (*change.only_old, *change.only_new)] == ["fuel", "other"]
    assert not change.is_empty


def test_the_purpose_of_a_compared_table_is_the_more_important_one() -> None:
    old = table([1], purpose="protection")
    (change,) = compared(old, table([2], purpose="general")).changes.tables
    assert change.table.purpose == "protection"


def test_too_many_points_are_not_computed() -> None:
    count = 2100
    first = fixed("speed", *range(count)), fixed("load", *range(count))
    second = fixed("speed", *(n + 0.5 for n in range(count))), fixed("load", *(n + 0.5 for n in range(count)))
    old, new = (table([0] * count**2, *axes, type_="uint8", size=count**2) for axes in (first, second))
    assert only_cause(compared(old, new)) is Obstacle.TOO_MANY_POINTS


# The order


def test_protection_comes_first_and_then_what_changes_most_where_the_engine_runs() -> None:
    names = ("idle", "rated", "guarded")

    def image(*cells: int) -> Decoded:
        tables = "".join(
            f'<curve name="{name}" title="T" purpose="{purpose}" at="{8 * number}" type="uint16" '
            f'conversion="mg"><x>{fixed("speed", 100, 1000, 2000)}</x></curve>'
            for number, (name, purpose) in enumerate(
                zip(names, ("demand", "demand", "protection"), strict=True)
            )
        )
        xml = definition_xml(tables, signals=SIGNALS, conversions=CONVERSIONS)
        content = b"".join(u16(*cells[3 * n : 3 * n + 3], 0) for n in range(3))
        return decoded(xml, content.ljust(64, b"\0"))

    old = image(100, 200, 300, 100, 200, 300, 100, 200, 300)
    # The engine runs from 700 rpm on.
    new = image(190, 200, 300, 100, 210, 300, 100, 201, 300)
    assert [change.table.name for change in compared(old, new).changes.tables] == ["guarded", "rated", "idle"]
