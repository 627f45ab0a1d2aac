"""By how much a protection was weakened, against dense sampling and the rules' worked examples."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from callint.comparing.weakening import shift_along_axis, weakening
from callint.decoding.surfaces import Surface, surface
from callint.model.change import Numbers
from callint.model.finding import Cell, Finding, Severity
from callint.model.policy import Policy
from callint.rules import value
from callint.rules.protection import readings, thresholds
from callint.rules.protection import weakened as weakened_rule
from tests.building import decoded, definition_xml, findings, image, table_surface, u16
from tests.example_counts import examples
from tests.rules.example import of_rule, table

OFF = math.nan
#: Guards above, below, or on both sides.
SIDES = [(True, False), (False, True), (True, True)]


def curve(x: list[float], cells: list[float]) -> Surface:
    return table_surface(x, None, cells)


# Where, and from what to what


def test_a_raised_cell_weakens_a_limit_and_strengthens_a_floor() -> None:
    old, new = curve([0, 10, 20], [5, 5, 5]), curve([0, 10, 20], [5, 7, 5])
    result = weakening(old, new, upward=True, downward=False)
    assert result is not None
    assert (result.old, result.new, result.at) == (5, 7, {"speed": 10})
    assert weakening(old, new, upward=False, downward=True) is None


def test_with_guards_on_both_sides_the_larger_step_counts() -> None:
    old, new = curve([0, 10, 20], [5, 5, 5]), curve([0, 10, 20], [6, 5, 3])
    result = weakening(old, new, upward=True, downward=True)
    assert result is not None
    assert (result.old, result.new, result.at) == (5, 3, {"speed": 20})


def test_a_breakpoint_moved_under_a_limit_weakens_it_though_no_cell_changed() -> None:
    # 100 from 0 to 10, down to 0 at 20; the drop now begins at 15. At 15 it was 50.
    old, new = curve([0, 10, 20], [100, 100, 0]), curve([0, 15, 20], [100, 100, 0])
    result = weakening(old, new, upward=True, downward=False)
    assert result is not None
    assert (result.old, result.new, result.at) == (50, 100, {"speed": 15})
    assert weakening(new, old, upward=True, downward=False) is None


def test_a_scalar_is_weakened_by_its_step() -> None:
    old, new = table_surface(None, None, [4200]), table_surface(None, None, [4300])
    result = weakening(old, new, upward=True, downward=False)
    assert result is not None
    assert (result.old, result.new, result.at) == (4200, 4300, {})


def test_a_difference_by_rounding_is_not_a_weakening() -> None:
    # A breakpoint more on a straight line: thirds do not come out even.
    old, new = curve([0, 3], [0, 1]), curve([0, 1, 3], [0, 1 / 3, 1])
    assert weakening(old, new, upward=True, downward=True) is None


@pytest.mark.parametrize(("old", "new"), [([5, OFF, 5], [5, 9, 5]), ([5, 5, 5], [5, OFF, 5])])
def test_a_cell_that_is_off_on_one_side_is_not_measured(old: list[float], new: list[float]) -> None:
    assert weakening(curve([0, 1, 2], old), curve([0, 1, 2], new), True, True) is None


axes = st.lists(st.integers(-12, 12).map(float), min_size=1, max_size=4, unique=True).map(sorted)
directions = st.sampled_from([1, -1])


@st.composite
def tables(draw: st.DrawFn, is_map: bool) -> tuple[list[float], list[float] | None, list[float]]:
    """Axes, rising or falling, and cells."""
    x = draw(axes)[:: draw(directions)]
    y = draw(axes)[:: draw(directions)] if is_map else None
    size = len(x) * len(y or [0])
    return x, y, draw(st.lists(st.integers(-9, 9).map(float), min_size=size, max_size=size))


def sampled(item: tuple[list[float], list[float] | None, list[float]], x: Numbers, y: Numbers) -> Numbers:
    """A table at a grid of points as SciPy has it, held at the ends; shape (y, x)."""
    along, across, cells = item
    values = np.reshape(cells, (len(across or [0]), len(along)))
    points = []
    for axis, places in ((across or [0.0], y), (along, x)):
        points.append(np.clip(places, min(axis), max(axis)))
        if len(axis) == 1:  # SciPy wants two
            values = np.repeat(values, 2, axis=len(points) - 1)
    grid = []
    for number, axis in enumerate((across or [0.0], along)):
        if axis[0] > axis[-1]:
            values = np.flip(values, axis=number)
        grid.append(sorted(axis) if len(axis) > 1 else [axis[0], axis[0] + 1])
    result: Numbers = RegularGridInterpolator(tuple(grid), values)(
        tuple(np.meshgrid(points[0], points[1], indexing="ij"))
    )
    return result


@pytest.mark.parametrize("is_map", [False, True])
@given(data=st.data())
@examples(40)
def test_no_sampled_point_went_further_than_the_one_that_is_named(is_map: bool, data: st.DataObject) -> None:
    old, new = data.draw(tables(is_map)), data.draw(tables(is_map))
    x = np.linspace(-14, 14, 113)  # quarters, so that every breakpoint is among them
    y = x if is_map else np.zeros(1)
    steps = sampled(new, x, y) - sampled(old, x, y)
    before, after = table_surface(*old), table_surface(*new)
    for upward, downward in SIDES:
        furthest = max(steps.max() if upward else 0.0, -steps.min() if downward else 0.0, 0.0)
        result = weakening(before, after, upward, downward)
        if furthest < 1e-9:
            assert result is None
            continue
        assert result is not None
        here = np.array([result.at["speed"]]), np.array([result.at.get("load", 0.0)])
        assert result.old == pytest.approx(sampled(old, *here).item(), abs=1e-9)
        assert result.new == pytest.approx(sampled(new, *here).item(), abs=1e-9)
        step = result.new - result.old
        assert max(step if upward else 0.0, -step if downward else 0.0) == pytest.approx(furthest)


# How much later


def test_a_limit_that_falls_over_its_axis_sets_in_later_up_the_axis() -> None:
    # 100 at 100, 60 at 120; the fall begins at 110 now: it is at 100 - d by 110 + d / 4, not 100 + d / 2.
    old, new = curve([100, 120], [100, 60]), curve([100, 110, 120], [100, 100, 60])
    assert shift_along_axis(old, new, upward=True) == pytest.approx(10)
    assert shift_along_axis(new, old, upward=True) == 0


def test_a_limit_that_rises_over_its_axis_sets_in_later_down_the_axis() -> None:
    # Of low air pressure: full at 900, none at 700. Raised, it comes down to 50 at 750 and not at 800.
    old, new = curve([700, 900], [0, 100]), curve([700, 800], [0, 100])
    assert shift_along_axis(old, new, upward=True) == pytest.approx(-100)


def test_numbers_with_an_infinite_distance_are_not_judged() -> None:
    huge, small = curve([0, 1], [1.7e308, -1.7e308]), curve([0, 1], [1, 0])
    assert shift_along_axis(huge, huge, upward=True) is None
    # Each of these has a distance, and their levels have none.
    assert (
        shift_along_axis(curve([0, 1], [1.7e308, 1e308]), curve([0, 1], [-1e308, -1.7e308]), upward=True)
        is None
    )
    assert shift_along_axis(huge, small, upward=True) is None


@pytest.mark.parametrize(
    ("cells", "distance"),
    [([0, 0, 100], 10), ([100, 0, 0], -10)],
)
def test_a_floor_sets_in_later_towards_its_higher_end(cells: list[float], distance: float) -> None:
    rises = cells[-1] > cells[0]
    old = curve([0, 10, 20], cells)
    new = curve([10, 20, 30] if rises else [-10, 0, 10], cells)
    assert shift_along_axis(old, new, upward=False) == pytest.approx(distance)
    assert shift_along_axis(new, old, upward=False) == 0


def test_a_jump_down_from_a_plateau_sets_in_as_much_later_as_the_plateau_grew() -> None:
    for scale in (1.0, 1e-6, 1e6):
        cells = [9 * scale, 9 * scale, scale, scale]
        old, new = curve([0, 50, 51, 90], cells), curve([0, 70, 71, 90], cells)
        assert shift_along_axis(old, new, upward=True) == pytest.approx(20)


def test_a_falling_axis_gives_the_same_finding() -> None:
    old, new = curve([120, 100], [60, 100]), curve([120, 110, 100], [60, 100, 100])
    assert shift_along_axis(old, new, upward=True) == pytest.approx(10)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ([9, 1, 9], [9, 5, 9]),  # falls and rises
        ([9, 1, 1.5], [9, 5, 5]),  # rises by little
        ([1, 1.5, 1], [1, 1, 5]),  # falls by little
        ([5, 5, 5], [5, 5, 6]),  # nowhere sets in
        ([9, 5, 1], [1, 5, 9]),  # reversed
        ([3, 2, 1], [9, 8, 7]),  # no level in common
        ([9, OFF, 1], [9, 5, 1]),
    ],
)
def test_curves_of_other_shapes_set_in_nowhere_in_particular(old: list[float], new: list[float]) -> None:
    assert shift_along_axis(curve([0, 1, 2], old), curve([0, 1, 2], new), upward=True) is None


def test_maps_and_scalars_have_no_later() -> None:
    for x, y in ((None, None), ([0.0, 1.0], [0.0, 1.0])):
        cells = [1.0] if x is None else [4.0, 3.0, 2.0, 1.0]
        item = table_surface(x, y, cells)
        assert shift_along_axis(item, item, upward=True) is None


@st.composite
def slopes(draw: st.DrawFn, falls: bool) -> tuple[list[float], list[float]]:
    """A curve that only rises or only falls, plateaus included."""
    x = draw(st.lists(st.integers(-12, 12).map(float), min_size=2, max_size=5, unique=True).map(sorted))
    cells = sorted(draw(st.lists(st.integers(0, 12).map(float), min_size=len(x), max_size=len(x))))
    return x, cells[::-1] if falls else cells


def reached_at(item: tuple[list[float], list[float]], level: float) -> float | None:
    """Where a curve passes a level that none of its cells has."""
    for (x, x_next), (y, y_next) in zip(pairwise(item[0]), pairwise(item[1]), strict=True):
        if min(y, y_next) < level < max(y, y_next):
            return x + (x_next - x) * (level - y) / (y_next - y)
    return None


@pytest.mark.parametrize("falls", [True, False])
@given(data=st.data())
@examples(50)
def test_no_sampled_level_is_reached_later_than_reported(falls: bool, data: st.DataObject) -> None:
    old, new = data.draw(slopes(falls)), data.draw(slopes(falls))
    moves = []
    for low in range(12):
        for part in (1e-7, 0.25, 0.5, 0.75, 1 - 1e-7):
            before, after = (reached_at(item, low + part) for item in (old, new))
            if before is not None and after is not None:
                moves.append(after - before)
    before_curve, after_curve = curve(*old), curve(*new)
    turned_before, turned_after = (curve(x[::-1], cells[::-1]) for x, cells in (old, new))
    for upward in (True, False):
        # Where the output comes nearer to the safe end: down a limit, up a floor.
        towards_safety = 1 if falls == upward else -1
        result = shift_along_axis(before_curve, after_curve, upward)
        assert shift_along_axis(turned_before, turned_after, upward) == result
        if not moves:
            assert result is None
        else:
            furthest = max(0.0, *(move * towards_safety for move in moves))
            assert result == pytest.approx(furthest * towards_safety, abs=1e-4)


# The rule


SIGNALS = """
    <signal name="temp" unit="degC" plausible="-40 140" operating="10 60">Coolant temperature</signal>
    <signal name="speed" unit="rpm" plausible="0 6000" operating="700 4200">Engine speed</signal>
    <signal name="volts" unit="V">Sensor</signal>
"""
CONVERSIONS = """
    <linear name="degrees" unit="degC" factor="1" decimals="0"/>
    <linear name="share" unit="%" factor="1" decimals="0"/>
    <linear name="rpm" unit="rpm" factor="1" decimals="0"/>
    <linear name="volts" unit="V" factor="0.1" decimals="1"/>
"""


def derating(guard: str = '<guard above="100"/>', **about: str) -> bytes:
    """A curve of three cells over temperature."""
    axis = '<x><axis signal="temp" at="0" type="uint16" conversion="degrees" count="3"/></x>'
    given = {"purpose": "protection", "conversion": "share", **about}
    return definition_xml(
        table("curve", "torque_derating", f"{axis}{guard}", at=6, **given),
        signals=SIGNALS,
        conversions=CONVERSIONS,
    )


def derated(*cells: int, axis: tuple[int, ...] = (80, 100, 120)) -> bytes:
    return image(at_0=u16(*axis), at_6=u16(*cells))


def weakened(xml: bytes, new: bytes, old: bytes) -> str:
    (finding,) = of_rule(findings(xml, new, old), "protection/weakened")
    return finding.message


def is_silent(xml: bytes, new: bytes, old: bytes) -> bool:
    return not of_rule(findings(xml, new, old), "protection/weakened")


def test_the_worked_example_of_weakened_can_be_redone_by_hand() -> None:
    page = " ".join(weakened_rule.weakened.page.split())
    for piece in ("from 100 % at 100 °C to 60 % at 120 °C", "raised to 76 %", "16 % more", "+26.7 % of 60 %"):
        assert piece in page
    assert "100 + (100 - 76) / 2 = 112 °C, the new one at 120 °C: it sets in up to 8 °C later" in page
    assert 100 + (100 - 76) / 2 == 112
    assert f"{100 * 16 / 60:.1f}" == "26.7"
    (result,) = of_rule(
        findings(derating(), derated(100, 100, 76), derated(100, 100, 60)), "protection/weakened"
    )
    assert result.message == (
        "the table protects later than the base: 60 % became 76 % (+26.7 %), "
        "so that it sets in up to 8 °C later; of the 40 % that the base takes away at 120 °C, 40 % is lost"
    )
    assert (result.cell, dict(result.at)) == (Cell(2, 0), {"temp": 120})
    assert (result.base_physical, result.physical) == (60, 76)


def test_a_breakpoint_moved_under_a_limit_is_a_finding() -> None:
    old, new = derated(100, 100, 60), derated(100, 100, 60, axis=(80, 110, 120))
    # At 110 °C there were 100 - 40 / 2 = 80 %.
    assert weakened(derating(), new, old) == (
        "the table protects later than the base: 80 % became 100 % (+25.0 %), "
        "so that it sets in up to 10 °C later; "
        "of the 20 % that the base takes away at 110 °C, 100 % is lost, above the limit of 50 %"
    )
    assert is_silent(derating(), old, new)


def test_a_finding_names_a_worst_point_between_cells() -> None:
    # The corner at 100 °C is gone: there the old table had 60 %, the new one 100 - 40 * 20 / 30.
    old, new = derated(100, 60, 60), derated(100, 100, 60, axis=(70, 80, 110))
    (finding,) = of_rule(findings(derating(), new, old), "protection/weakened")
    assert finding.message == (
        "the table protects later than the base: 60 % became 73 % (+22.2 %) at 100 °C, "
        "so that it sets in up to 10 °C later; of the 40 % that the base takes away at 100 °C, 33.3 % is lost"
    )
    assert finding.cell is None
    assert dict(finding.at) == {"temp": 100}


def test_a_floor_that_was_lowered_is_weakened() -> None:
    floor = derating('<guard below="0"/>')
    assert "40 % became 20 % (-50.0 %)" in weakened(floor, derated(0, 20, 60), derated(0, 40, 60))
    assert is_silent(floor, derated(0, 40, 60), derated(0, 20, 60))


def test_guards_on_both_sides_say_no_later() -> None:
    both = derating('<guard above="100"/><guard below="1"/>')
    assert weakened(both, derated(100, 100, 76), derated(100, 100, 60)).endswith("became 76 % (+26.7 %)")


def test_the_finding_of_a_rising_ceiling_states_how_far_down_the_old_output_reaches() -> None:
    # 20 % at 80 and 100 % at 120 °C; 60 % is reached at 100 °C, and with 60 % at 90 °C already there.
    old, new = derated(20, 60, 100), derated(20, 60, 100, axis=(80, 90, 120))
    assert weakened(derating(), new, old) == (
        "the table protects later than the base: 40 % became 60 % (+50.0 %), "
        "so that it reaches its old output up to 10 °C further down the axis; "
        "of the 60 % that the base takes away at 90 °C, 33.3 % is lost"
    )


def test_a_guard_without_a_direction_leaves_it_to_somebody_to_say_what_a_change_does() -> None:
    flat = derating('<guard flat="true"/>', conversion="rpm")
    for new, old, message in (
        (derated(100, 100, 76), derated(100, 100, 60), "60 rpm became 76 rpm"),
        (derated(100, 90, 60), derated(100, 100, 70), "100 rpm became 90 rpm, and 1 other cell changed"),
    ):
        assert weakened(flat, new, old) == f"{message}; no guard says which direction protects less"
    assert is_silent(flat, derated(100, 100, 60), derated(100, 100, 60))


def test_a_reaction_that_was_exchanged_for_another_is_reported() -> None:
    states = (
        '<states name="reaction"><state raw="0">none</state><state raw="1">lamp</state>'
        '<state raw="2">stop</state></states>'
    )
    xml = definition_xml(
        table("scalar", "oil_reaction", '<guard state="none"/>', purpose="protection", type="uint8",
              conversion="reaction"),
        conversions=states,
    )  # fmt: skip
    assert weakened(xml, image(at_0=b"\x01"), image(at_0=b"\x02")) == (
        "stop became lamp; no guard says which direction protects less"
    )
    # That it no longer protects at all is another rule's.
    assert is_silent(xml, image(at_0=b"\x00"), image(at_0=b"\x02"))


# The lost share of the effect


def severity(xml: bytes, new: bytes, old: bytes) -> Severity:
    (finding,) = of_rule(findings(xml, new, old), "protection/weakened")
    return finding.severity


def test_more_than_half_of_the_effect_lost_is_an_error_and_half_is_a_warning() -> None:
    page = " ".join(weakened_rule.weakened.page.split())
    assert "takes away 100 - 60 = 40 % at 120 °C, and 16 / 40 = 40 % of that is lost" in page
    assert "with 81 % at 120 °C, 21 / 40 = 52.5 % is lost; 80 % barely remains a warning" in page
    old = derated(100, 100, 60)
    assert severity(derating(), derated(100, 100, 80), old) is Severity.WARNING
    assert severity(derating(), derated(100, 100, 81), old) is Severity.ERROR
    assert weakened(derating(), derated(100, 100, 81), old).endswith(
        "; of the 40 % that the base takes away at 120 °C, 52.5 % is lost, above the limit of 50 %"
    )


@pytest.mark.parametrize("guard", ['<guard above="100"/>', '<guard above="100"/><guard flat="true"/>'])
def test_a_derate_raised_to_just_below_100_percent_is_an_error(guard: str) -> None:
    xml = derating(guard)
    # 99 % is neither flat nor above 100 %, but of the 70 % hardly anything is left.
    assert severity(xml, derated(100, 100, 99), derated(100, 100, 30)) is Severity.ERROR
    assert "of the 70 % that the base takes away at 120 °C, 98.6 % is lost" in weakened(
        xml, derated(100, 100, 99), derated(100, 100, 30)
    )


def test_the_policy_still_settles_the_severity_of_a_large_loss() -> None:
    policy = Policy(path="callint.toml", severities={"protection/weakened": Severity.NOTE})
    reported = findings(derating(), derated(100, 100, 99), derated(100, 100, 30), policy)
    (finding,) = of_rule(reported, "protection/weakened")
    assert finding.severity is Severity.NOTE


def test_a_loss_where_a_protection_hardly_acts_is_not_an_error() -> None:
    # At 100 °C the base takes away 10 % of the 40 % that it takes away at 120 °C: less than half.
    assert severity(derating(), derated(100, 100, 60), derated(100, 90, 60)) is Severity.WARNING
    # 20 % are half of it.
    assert severity(derating(), derated(100, 100, 60), derated(100, 80, 60)) is Severity.ERROR


def test_a_floor_loses_what_it_adds() -> None:
    floor = derating('<guard below="0"/>')
    assert weakened(floor, derated(20, 20, 30), derated(20, 20, 60)).endswith(
        "; of the 40 % that the base adds at 120 °C, 75 % is lost, above the limit of 50 %"
    )
    assert severity(floor, derated(20, 20, 40), derated(20, 20, 60)) is Severity.WARNING


def test_a_loss_of_one_stored_step_is_not_an_error() -> None:
    assert severity(derating(), derated(100, 100, 100), derated(100, 100, 99)) is Severity.WARNING
    assert severity(derating(), derated(100, 100, 100), derated(100, 100, 98)) is Severity.ERROR


def test_a_limit_raised_beyond_all_of_the_base_has_lost_all_there_and_no_more() -> None:
    assert "takes away at 120 °C, 100 % is lost" in weakened(
        derating('<guard above="1000"/>'), derated(100, 100, 300), derated(100, 100, 60)
    )


def test_a_scalar_has_a_margin_to_lose_and_no_effect() -> None:
    xml = definition_xml(
        table("scalar", "cut", '<guard above="5000"/>', purpose="protection", conversion="rpm")
    )
    assert severity(xml, image(at_0=u16(4500)), image(at_0=u16(4000))) is Severity.WARNING
    assert severity(xml, image(at_0=u16(4999)), image(at_0=u16(4000))) is Severity.ERROR


def test_a_switched_off_cell_of_a_protection_is_reported_as_a_total_loss() -> None:
    xml = derating('<off raw="255" allowed="anywhere"/><guard above="100"/>')
    new, old = derated(100, 100, 255), derated(100, 100, 60)
    assert severity(xml, new, old) is Severity.ERROR
    assert weakened(xml, new, old) == (
        "the table no longer protects here: 60 % became off; "
        "of the 40 % that the base takes away at 120 °C, 100 % is lost, above the limit of 50 %"
    )
    assert is_silent(xml, old, new)


# Directions that no guard says


def test_a_derate_with_only_a_flat_guard_is_judged_by_its_operating_range() -> None:
    # The operating range ends at 60 °C, and the base gives 100 % up to 100 °C.
    flat = derating('<guard flat="true"/>')
    assert is_silent(flat, derated(100, 90, 50), derated(100, 100, 60))
    assert severity(flat, derated(100, 100, 99), derated(100, 100, 30)) is Severity.ERROR
    assert weakened(flat, derated(100, 100, 76), derated(100, 100, 60)).endswith(
        "40 % is lost; the base is 100 % in the operating range, and lower beyond it"
    )


@pytest.mark.parametrize(
    ("cells", "name"),
    [((20, 60, 100), "a fan"), ((90, 90, 60), "a limit below 100 %"), ((100, 100, 100), "a level")],
)
def test_a_share_that_need_not_take_away_is_left_to_a_person(cells: tuple[int, ...], name: str) -> None:
    flat = derating('<guard flat="true"/>')
    for step in (-1, 1):
        changed = (*cells[:2], cells[2] + step)
        assert weakened(flat, derated(*changed), derated(*cells)).endswith(
            "no guard says which direction protects less"
        ), name


def test_a_derate_that_acts_in_the_operating_range_is_left_to_a_person() -> None:
    flat = derating('<guard flat="true"/>')
    # At 60 °C the base gives 100 - 40 * 4 / 40 = 96 %, a tenth of the 40 %; then 94 %.
    old = derated(100, 100, 60, axis=(20, 56, 96))
    assert is_silent(flat, derated(100, 100, 50, axis=(20, 56, 96)), old)
    old = derated(100, 100, 60, axis=(20, 54, 94))
    assert not is_silent(flat, derated(100, 100, 50, axis=(20, 54, 94)), old)


def test_a_moved_axis_of_a_table_without_a_direction_is_not_passed_over() -> None:
    flat = derating('<guard flat="true"/>', conversion="rpm")
    old = derated(100, 100, 60)
    assert weakened(flat, derated(100, 100, 60, axis=(80, 110, 120)), old) == (
        "80 rpm became 100 rpm; no guard says which direction protects less"
    )


def test_a_table_without_a_direction_that_was_recalculated_for_new_breakpoints_has_not_changed() -> None:
    flat = derating('<guard flat="true"/>', conversion="rpm")
    # 100, 50 and 0 at 80, 100 and 120 °C are 100 - 2.5 * 11 = 72.5 at 91 °C.
    old = derated(100, 50, 0)
    for cell, silent in ((72, True), (73, True), (74, False), (71, False)):
        assert is_silent(flat, derated(100, cell, 0, axis=(80, 91, 120)), old) is silent


# Recalculated for new breakpoints


def test_a_limit_recalculated_for_new_breakpoints_may_be_off_by_a_stored_step() -> None:
    page = " ".join(weakened_rule.weakened.page.split())
    assert "at a new breakpoint of 109 °C it should have 100 - 2 * 9 = 82 %, and 83 % barely passes" in page
    assert 100 - 2 * 9 == 82
    old = derated(100, 100, 60)
    # The corner at 100 °C stays; the new breakpoint takes the place of the one at 80 °C.
    for cell, silent in ((81, True), (83, True), (84, False)):
        assert is_silent(derating(), derated(100, cell, 60, axis=(100, 109, 120)), old) is silent


def test_a_stronger_derate_on_new_breakpoints_is_not_weakened_by_rounding() -> None:
    # 100 - 40 * 9 / 20 = 82 % at 109 °C; 83 % is rounded up, while 50 % at the end is stronger.
    assert is_silent(derating(), derated(100, 83, 50, axis=(100, 109, 120)), derated(100, 100, 60))


def test_at_breakpoints_that_stayed_every_step_counts() -> None:
    old = derated(100, 100, 60)
    assert not is_silent(derating(), derated(100, 82, 61, axis=(100, 109, 120)), old)
    assert not is_silent(derating(), derated(100, 100, 61), old)


def test_a_step_is_that_of_the_table_at_its_value() -> None:
    # A table that stores the inverse: 1000 / 10 = 100 and 1000 / 11 = 90.9 are neighbours.
    conversions = CONVERSIONS + (
        '<rational name="period" unit="rpm" decimals="1" a="0" b="0" c="1000" d="0" e="1" f="0"/>'
    )
    xml = definition_xml(
        table(
            "curve", "limit",
            '<x><axis signal="temp" at="0" type="uint16" conversion="degrees" count="3"/></x>'
            '<guard above="1000"/>',
            at=6, purpose="protection", conversion="period",
        ),
        signals=SIGNALS,
        conversions=conversions,
    )  # fmt: skip
    # From 100 at 80 °C to 50 at 120 °C, 75 at 100 °C, by way of 62.5 at 110 °C: raw 10, 16 and 20.
    old = image(at_0=u16(80, 110, 120), at_6=u16(10, 16, 20))
    # At 100 °C: 100 - 37.5 * 2 / 3 = 75; the neighbours are 1000 / 13 = 76.9 and 1000 / 14 = 71.4.
    respaced = image(at_0=u16(80, 100, 120), at_6=u16(10, 13, 20))
    assert is_silent(xml, respaced, old)
    assert not is_silent(xml, image(at_0=u16(80, 100, 120), at_6=u16(10, 12, 20)), old)


def test_a_sensor_curve_recalculated_for_new_breakpoints_still_reads_the_same() -> None:
    straight = read_as(100, 85, 50, axis=(10, 16, 30))  # 2.5 °C in 0.1 V; 77.5 °C at 1.9 V
    for degrees, silent in ((77, True), (78, True), (76, False), (79, False)):
        assert (not reading(read_as(100, degrees, 50, axis=(10, 19, 30)), straight)) is silent


# The reading that protections rest on


def coolant(also: str = "", produces: str = "temp") -> bytes:
    """A derating by the temperature that a curve makes of a voltage."""
    return definition_xml(
        table(
            "curve", "temp_curve",
            '<x><axis signal="volts" at="12" type="uint16" conversion="volts" count="3"/></x>',
            at=18, conversion="degrees", produces=produces,
        )
        + table(
            "curve", "torque_derating",
            '<x><axis signal="temp" at="0" type="uint16" conversion="degrees" count="3"/></x>'
            '<guard above="100"/>',
            at=6, purpose="protection", conversion="share",
        )
        + also,
        signals=SIGNALS,
        conversions=CONVERSIONS,
    )  # fmt: skip


def read_as(*degrees: int, axis: tuple[int, ...] = (5, 15, 30)) -> bytes:
    return image(at_0=u16(80, 100, 120), at_6=u16(100, 100, 60), at_12=u16(*axis), at_18=u16(*degrees))


def reading(new: bytes, old: bytes, xml: bytes | None = None) -> list[str]:
    reported = of_rule(findings(xml or coolant(), new, old), "protection/reading-changed")
    return [finding.message for finding in reported]


def test_the_worked_example_of_reading_changed_can_be_redone_by_hand() -> None:
    page = " ".join(readings.reading_changed.page.split())
    assert "reads 110 °C at 0.5 V, and all of its cells are lowered by 4 °C" in page
    assert "100 - 2 * 6 = 88 % there instead of 100 - 2 * 10 = 80 %" in page
    assert reading(read_as(106, 76, 36), read_as(110, 80, 40)) == [
        "temp reads up to 4 °C too low: 110 °C became 106 °C; protections that use it: torque_derating"
    ]
    made = decoded(coolant(), read_as(110, 80, 40))
    derate = surface(made, made.layout.definition.tables["torque_derating"])
    assert derate is not None
    outputs = derate.at({"temp": np.array([106.0, 110.0])})
    assert outputs.tolist() == [100 - 2 * 6, 100 - 2 * 10]


def test_a_reading_may_be_too_high_and_too_low_at_once() -> None:
    assert reading(read_as(110, 90, 36), read_as(110, 80, 40)) == [
        "temp reads up to 10 °C too high: 80 °C became 90 °C, elsewhere up to 4 °C too low; "
        "protections that use it: torque_derating"
    ]


def test_a_moved_axis_changes_a_reading_too() -> None:
    # At 2.0 V there were 80 - 40 * 5 / 15 degrees.
    (message,) = reading(read_as(110, 80, 40, axis=(5, 20, 30)), read_as(110, 80, 40))
    assert message.startswith("temp reads up to 13 °C too high: 67 °C became 80 °C; ")


def test_protections_behind_other_tables_look_at_a_reading_too() -> None:
    between = table(
        "curve", "cooling_need",
        '<x><axis signal="temp" at="24" type="uint16" conversion="degrees" count="2"/></x>',
        at=28, conversion="rpm", produces="speed",
    ) + table("scalar", "fan_cut", purpose="protection", at=32, conversion="rpm", signal="speed")  # fmt: skip
    (message,) = reading(read_as(106, 76, 36), read_as(110, 80, 40), coolant(between))
    assert message.endswith("protections that use it: torque_derating, fan_cut")


def test_a_reading_that_no_protection_looks_at_is_passed_over() -> None:
    assert reading(read_as(106, 76, 36), read_as(110, 80, 40), coolant(produces="speed")) == []
    assert reading(read_as(110, 80, 40), read_as(110, 80, 40)) == []


def test_a_scalar_with_a_signal_sets_in_later_by_its_step() -> None:
    xml = definition_xml(
        table(
            "scalar", "overspeed_cut", '<guard above="5000"/>', purpose="protection",
            conversion="rpm", signal="speed",
        )
    )  # fmt: skip
    assert weakened(xml, image(at_0=u16(4350)), image(at_0=u16(4250))) == (
        "the table protects later than the base: 4250 rpm became 4350 rpm (+2.4 %), "
        "so that it sets in 100 rpm later"
    )
    assert is_silent(xml, image(at_0=u16(4250)), image(at_0=u16(4350)))


def test_a_protection_that_is_off_in_a_cell_is_disabled_and_not_weakened() -> None:
    xml = derating('<off raw="255" allowed="nowhere"/><guard above="100" share="0.3"/>')
    reported = {finding.rule for finding in findings(xml, derated(100, 255, 76), derated(100, 100, 60))}
    assert "protection/disabled" in reported
    assert "protection/weakened" not in reported


# Thresholds out of reach


def cut_at(degrees: int, *sensor: int, inside: str = '<guard above="200"/>') -> list[str]:
    """The findings about a temperature cut, with a sensor's curve of four cells."""
    return [finding.message for finding in unreachable(degrees, sensor, None, inside)]


def unreachable(
    degrees: int,
    sensor: tuple[int, ...],
    base: tuple[int, ...] | None,
    inside: str = '<guard above="200"/>',
) -> list[Finding]:
    """The findings about a temperature cut, with a sensor's curve of four cells in image and base."""
    xml = definition_xml(
        table(
            "scalar", "hot_cut", inside, at=0, type="int16", purpose="protection",
            conversion="degrees", signal="temp",
        )
        + table(
            "curve", "temp_curve",
            '<x><axis signal="volts" at="2" type="uint16" conversion="volts" count="4"/></x>'
            '<off raw="255" allowed="anywhere"/>',
            at=10, conversion="degrees", produces="temp",
        ),
        signals=SIGNALS,
        conversions=CONVERSIONS,
    )  # fmt: skip
    data, old = (
        None if cells is None else image(at_0=u16(degrees), at_2=u16(5, 15, 30, 45), at_10=u16(*cells))
        for cells in (sensor, base)
    )
    return of_rule(findings(xml, data, old), "protection/unreachable-threshold")


def test_the_worked_example_of_unreachable_threshold_can_be_redone_by_hand() -> None:
    page = " ".join(thresholds.unreachable_threshold.page.split())
    assert "a cut at 135 °C, with a plausible range up to 140 °C, but a sensor curve" in page
    assert "highest cell is 130 °C" in page
    assert cut_at(135, 130, 80, 40, 0) == [
        "135 °C is above 130 °C, the highest value of temp from temp_curve: "
        "the signal never reaches this threshold"
    ]
    assert cut_at(130, 130, 80, 40, 0) == []


def test_a_curve_that_reads_further_than_is_plausible_does_not_widen_the_range() -> None:
    (said,) = cut_at(141, 150, 80, 40, 0)
    assert "above 140 °C, the highest value of temp: " in said
    assert cut_at(140, 150, 80, 40, 0) == []


def test_a_cut_that_the_sensor_reached_in_the_base_is_an_error_though_it_is_unchanged() -> None:
    page = " ".join(thresholds.unreachable_threshold.page.split())
    assert "If the curve of the base went up to 140 °C, the finding is an error, although the cut" in page
    for highest, expected in ((140, Severity.ERROR), (135, Severity.ERROR), (134, Severity.NOTE)):
        (finding,) = unreachable(135, (130, 80, 40, 0), (highest, 80, 40, 0))
        assert (finding.severity, finding.inherited) == (expected, expected is Severity.NOTE)


def test_a_cell_of_the_curve_that_is_off_reads_nothing() -> None:
    (said,) = cut_at(135, 255, 130, 40, 0)
    assert "above 130 °C" in said


def test_from_below_the_lowest_reading_counts() -> None:
    below = '<guard below="-100"/>'
    (said,) = cut_at(4, 130, 80, 40, 5, inside=below)
    assert "4 °C is below 5 °C, the lowest value of temp from temp_curve" in said
    assert cut_at(5, 130, 80, 40, 5, inside=below) == []
    assert cut_at(135, 130, 80, 40, 5, inside=below) == []


# Off codes


def test_the_worked_example_of_off_codes_can_be_redone_by_hand() -> None:
    page = " ".join(value.off_in_operating_range.page.split())
    assert "breakpoints 0, 20, 40 and 60 °C, let the cell at 40 °C be off" in page
    assert "the operating range be 10 to 60 °C" in page
    assert "half of 40 K, out of 50 K, which is 40 %" in page
    assert 40 / 2 / 50 == 0.4
    axis = '<x><axis signal="temp" at="0" type="uint16" conversion="degrees" count="4"/></x>'
    xml = definition_xml(
        table(
            "curve", "egr_release", f'{axis}<off raw="15" allowed="outside-operating"/>',
            at=8, type="uint8", conversion="share",
        ),
        signals=SIGNALS,
        conversions=CONVERSIONS,
    )  # fmt: skip
    data = image(at_0=u16(0, 20, 40, 60), at_8=bytes([1, 1, 15, 1]))
    (finding,) = of_rule(findings(xml, data), "value/off-in-operating-range")
    assert finding.message.endswith("inside the operating range; 40 % of that range is off")
    # Beside a base, its own cell and its own share are told apart.
    base = image(at_0=u16(0, 20, 40, 60), at_8=bytes([1, 1, 7, 15]))
    (finding, *_) = of_rule(findings(xml, data, base), "value/off-in-operating-range")
    assert finding.message.endswith(
        "inside the operating range (the base has 7 % here); 40 % of that range is off, 20 % in the base"
    )
    assert finding.base == ""
