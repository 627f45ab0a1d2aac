"""The protection/ rules, each with images that fail it and images that barely pass it."""

from __future__ import annotations

import pytest

from callint.model.finding import Cell, Severity
from tests.building import definition_xml, findings, image, u16
from tests.rules.example import (
    AXES,
    ON_AXES,
    Example,
    Expected,
    all_examples,
    axis,
    of_rule,
    table,
    text_examples,
)


def cut_off(demands: str, purpose: str = "protection") -> bytes:
    """A speed of which a protection is made."""
    return definition_xml(
        table("scalar", "overspeed_cut", demands, purpose=purpose, conversion="rpm", signal="speed")
    )


def limiter(demands: str) -> bytes:
    """A protection map of six cells."""
    return definition_xml(
        table("map", "smoke_limit", ON_AXES + demands, at=10, purpose="protection"), axes=AXES
    )


def limits(*cells: int) -> bytes:
    """An image with the map's six cells."""
    return image(at_0=u16(1000, 2000, 3000, 100, 500), at_10=u16(*cells))


MONITOR = definition_xml(
    table(
        "scalar",
        "overboost_monitor",
        '<guard state="off"/>',
        purpose="protection",
        type="uint8",
        mask="0x04",
        conversion="on_off",
    )
)
RAW_GUARD = cut_off('<guard raw="65535"/>')
ABOVE = cut_off('<guard above="5000"/>')
BELOW = cut_off('<guard below="3000"/>')
HALF_ABOVE = limiter('<guard above="85" share="0.5"/>')
ALL_BELOW = limiter('<guard below="4"/>')

DISABLED = (
    Example(
        rule="protection/disabled",
        name="a cut-off of 5001 rpm under a guard above 5000 rpm",
        xml=ABOVE,
        data=image(at_0=u16(5001)),
        base=image(at_0=u16(4500)),
        expected=Expected(
            severity=Severity.ERROR,
            words=("Overspeed cut", "5001 rpm", "above 5000 rpm"),
            line='name="overspeed_cut"',
            table="overspeed_cut",
            cell=Cell(),
            address=0,
            raw=5001,
            physical=5001.0,
            base_physical=4500.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="protection/disabled",
        name="a cut-off of 5000 rpm under a guard above 5000 rpm",
        xml=ABOVE,
        data=image(at_0=u16(5000)),
    ),
    Example(
        rule="protection/disabled",
        name="a cut-off of 2999 rpm under a guard below 3000 rpm",
        xml=BELOW,
        data=image(at_0=u16(2999)),
        expected=Expected(
            severity=Severity.ERROR,
            words=("Overspeed cut", "2999 rpm", "below 3000 rpm"),
            line='name="overspeed_cut"',
            table="overspeed_cut",
            cell=Cell(),
            address=0,
            raw=2999,
            physical=2999.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="protection/disabled",
        name="a cut-off of 3000 rpm under a guard below 3000 rpm",
        xml=BELOW,
        data=image(at_0=u16(3000)),
    ),
    Example(
        rule="protection/disabled",
        name="a monitor whose masked bit says off",
        xml=MONITOR,
        data=image(at_0=b"\xfb"),
        base=image(at_0=b"\x04"),
        expected=Expected(
            severity=Severity.ERROR,
            words=("Overboost monitor", "off"),
            line='name="overboost_monitor"',
            table="overboost_monitor",
            cell=Cell(),
            address=0,
            raw=0,
            physical=0.0,
            base_physical=1.0,
        ),
    ),
    Example(
        rule="protection/disabled",
        name="a monitor whose masked bit alone says on",
        xml=MONITOR,
        data=image(at_0=b"\x04"),
    ),
    Example(
        rule="protection/disabled",
        name="the raw value that the guard names",
        xml=RAW_GUARD,
        data=image(at_0=u16(65535)),
        expected=Expected(
            severity=Severity.ERROR,
            words=("Overspeed cut", "raw 65535"),
            line='name="overspeed_cut"',
            table="overspeed_cut",
            cell=Cell(),
            address=0,
            raw=65535,
            physical=65535.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="protection/disabled",
        name="one raw step below the value that the guard names",
        xml=RAW_GUARD,
        data=image(at_0=u16(65534)),
    ),
    Example(
        rule="protection/disabled",
        name="three of six cells above 85 mg where half are enough",
        xml=HALF_ABOVE,
        data=limits(100, 200, 300, 851, 851, 851),
        base=limits(100, 200, 300, 400, 500, 600),
        expected=Expected(
            severity=Severity.ERROR,
            words=("Smoke limit", "3 of 6 cells", "above 85 mg"),
            line='name="smoke_limit"',
            table="smoke_limit",
            address=10,
            unit="mg",
        ),
    ),
    Example(
        rule="protection/disabled",
        name="two of six cells above 85 mg where half are needed",
        xml=HALF_ABOVE,
        data=limits(100, 200, 300, 850, 851, 851),
    ),
    Example(
        rule="protection/disabled",
        name="all cells below 4 mg where no share is named",
        xml=ALL_BELOW,
        data=limits(39, 39, 39, 39, 39, 38),
        expected=Expected(
            severity=Severity.ERROR,
            words=("Smoke limit", "all 6 cells", "below 4 mg"),
            line='name="smoke_limit"',
            table="smoke_limit",
            address=10,
            unit="mg",
        ),
    ),
    Example(
        rule="protection/disabled",
        name="five of six cells below 4 mg where no share is named",
        xml=ALL_BELOW,
        data=limits(39, 39, 39, 39, 39, 40),
    ),
)

WEAKENED = (
    Example(
        rule="protection/weakened",
        name="a cell one raw step nearer to a guard above it",
        xml=HALF_ABOVE,
        data=limits(100, 200, 300, 400, 501, 600),
        base=limits(100, 200, 300, 400, 500, 600),
        expected=Expected(
            severity=Severity.WARNING,
            words=("50.0 mg became 50.1 mg", "+0.2 %"),
            line='name="smoke_limit"',
            table="smoke_limit",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=501,
            physical=50.1,
            base_physical=50.0,
            unit="mg",
        ),
    ),
    Example(
        rule="protection/weakened",
        name="a cell one raw step away from a guard above it",
        xml=HALF_ABOVE,
        data=limits(100, 200, 300, 400, 499, 600),
        base=limits(100, 200, 300, 400, 500, 600),
    ),
    Example(
        rule="protection/weakened",
        name="a threshold nearer to a guard below it",
        xml=BELOW,
        data=image(at_0=u16(3999)),
        base=image(at_0=u16(4000)),
        expected=Expected(
            severity=Severity.WARNING,
            words=("4000 rpm became 3999 rpm",),
            line='name="overspeed_cut"',
            table="overspeed_cut",
            cell=Cell(),
            address=0,
            raw=3999,
            physical=3999.0,
            base_physical=4000.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="protection/weakened",
        name="a threshold away from a guard below it",
        xml=BELOW,
        data=image(at_0=u16(4001)),
        base=image(at_0=u16(4000)),
    ),
    *text_examples("protection/weakened", "protection"),
    Example(
        rule="protection/weakened",
        name="a threshold beyond its guard, which is worse than weakened",
        xml=ABOVE,
        data=image(at_0=u16(5001)),
        base=image(at_0=u16(4000)),
    ),
)

UNREACHABLE = (
    Example(
        rule="protection/unreachable-threshold",
        name="a cut-off of 6001 rpm where the sensor reads up to 6000 rpm",
        xml=ABOVE,
        data=image(at_0=u16(6001)),
        base=image(at_0=u16(4500)),
        expected=Expected(
            severity=Severity.ERROR,
            words=("6001 rpm", "above 6000 rpm", "speed"),
            line='name="overspeed_cut"',
            table="overspeed_cut",
            cell=Cell(),
            address=0,
            raw=6001,
            physical=6001.0,
            base_physical=4500.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="protection/unreachable-threshold",
        name="a cut-off of 6000 rpm where the sensor reads up to 6000 rpm",
        xml=ABOVE,
        data=image(at_0=u16(6000)),
    ),
    Example(
        rule="protection/unreachable-threshold",
        name="a diagnosis threshold of 6001 rpm",
        xml=cut_off("", purpose="diagnosis"),
        data=image(at_0=u16(6001)),
        expected=Expected(
            severity=Severity.ERROR,
            words=("6001 rpm", "above 6000 rpm", "speed"),
            line='name="overspeed_cut"',
            table="overspeed_cut",
            cell=Cell(),
            address=0,
            raw=6001,
            physical=6001.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="protection/unreachable-threshold",
        name="a demand of 6001 rpm, which is no threshold",
        xml=cut_off("", purpose="demand"),
        data=image(at_0=u16(6001)),
    ),
    Example(
        rule="protection/unreachable-threshold",
        name="a threshold above the sensor's range that is approached from above",
        xml=BELOW,
        data=image(at_0=u16(6001)),
    ),
)

FLAT_GUARD = limiter('<guard flat="true"/>')

FLAT = (
    Example(
        rule="protection/flat",
        name="six equal cells under a guard that forbids it",
        xml=FLAT_GUARD,
        data=limits(*[400] * 6),
        expected=Expected(
            severity=Severity.ERROR,
            words=("all 6 cells of smoke_limit are 40.0 mg", "Smoke limit"),
            line='name="smoke_limit"',
            table="smoke_limit",
            address=10,
            unit="mg",
        ),
    ),
    Example(
        rule="protection/flat",
        name="one cell of six a raw step lower",
        xml=FLAT_GUARD,
        data=limits(400, 400, 400, 399, 400, 400),
    ),
    Example(
        rule="protection/flat",
        name="six equal cells where the base had a shape",
        xml=HALF_ABOVE,
        data=limits(*[400] * 6),
        base=limits(400, 400, 400, 399, 400, 400),
        expected=Expected(
            severity=Severity.ERROR,
            words=("all 6 cells of smoke_limit are 40.0 mg", "Smoke limit"),
            line='name="smoke_limit"',
            table="smoke_limit",
            address=10,
            unit="mg",
        ),
    ),
    Example(
        rule="protection/flat",
        name="six equal cells where the base was flat and no guard forbids it",
        xml=HALF_ABOVE,
        data=limits(*[400] * 6),
        base=limits(*[399] * 6),
    ),
)

SENSOR = definition_xml(
    table("curve", "fuel_curve", '<x axis="speeds"/>', at=10, produces="load")
    + table("scalar", "fuel_cut", purpose="protection", at=20, signal="load"),
    axes=AXES,
)
READING = (
    Example(
        rule="protection/reading-changed",
        name="a curve behind a protection that reads 0.1 too low",
        xml=SENSOR,
        data=limits(100, 199, 300),
        base=limits(100, 200, 300),
        expected=Expected(
            severity=Severity.WARNING,
            words=("load reads up to 0.1 mg too low: 20.0 mg became 19.9 mg", "fuel_cut"),
            line='name="fuel_curve"',
            table="fuel_curve",
            cell=Cell(1, 0),
            at={"speed": 2000},
            address=12,
            raw=199,
            physical=19.9,
            base_physical=20.0,
            unit="mg",
        ),
    ),
    Example(
        rule="protection/reading-changed",
        name="a curve behind a protection that is as it was",
        xml=SENSOR,
        data=limits(100, 200, 300),
        base=limits(100, 200, 300),
    ),
)
#: A derating from 100 % to 30 % in steps of 0.1 %, which only must not be flat.
DERATING = definition_xml(
    table("curve", "derate", '<x axis="speeds"/><guard flat="true"/>', at=10, purpose="protection",
          conversion="share"),
    axes=AXES,
    conversions='<linear name="share" unit="%" factor="0.1"/><linear name="rpm" unit="rpm" factor="1"/>'
    '<linear name="mg" unit="mg" factor="0.1"/>',
)  # fmt: skip
NEARLY_FLAT = (
    Example(
        rule="protection/flat",
        name="a span of 7 points where the base had a shape of 70",
        xml=DERATING,
        data=limits(1000, 1000, 930),
        base=limits(1000, 600, 300),
        expected=Expected(
            severity=Severity.ERROR,
            words=("the cells of derate span only 7 points, 93.0 % to 100.0 %, of 70 points in the base",),
            line='name="derate"',
            table="derate",
            address=10,
            unit="%",
        ),
    ),
    Example(
        rule="protection/flat",
        name="a span of 7.1 points where the base has 70",
        xml=DERATING,
        data=limits(1000, 1000, 929),
        base=limits(1000, 600, 300),
    ),
    Example(
        rule="protection/flat",
        name="a span of 1 point where the base has 1 point",
        xml=DERATING,
        data=limits(1000, 1000, 990),
        base=limits(1000, 990, 990),
    ),
    Example(
        rule="protection/flat",
        name="a small span of a table with a guard above, of which weakened says how much is lost",
        xml=DERATING.replace(b'<guard flat="true"/>', b'<guard flat="true"/><guard above="100"/>'),
        data=limits(1000, 1000, 995),
        base=limits(1000, 600, 300),
    ),
)
EXAMPLES = (*READING, *NEARLY_FLAT, *DISABLED, *WEAKENED, *UNREACHABLE, *FLAT)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


@pytest.mark.parametrize("purpose", ["general", "demand", "emissions", "correction", "diagnosis"])
def test_a_guard_speaks_for_protection_tables_only(purpose: str) -> None:
    reported = findings(
        cut_off('<guard above="5000"/>', purpose), image(at_0=u16(5001)), image(at_0=u16(4000))
    )
    assert not {"protection/disabled", "protection/weakened"} & {finding.rule for finding in reported}


@pytest.mark.parametrize(
    ("guard", "before", "after", "is_error"),
    [
        ('<guard above="5000"/>', 4000, 4500, False),
        ('<guard above="5000"/>', 4000, 4501, True),
        ('<guard below="1000"/>', 2000, 1500, False),
        ('<guard below="1000"/>', 2000, 1499, True),
        ('<guard above="5000" share="0.5"/><guard raw="0"/>', 4000, 4501, True),
        ('<guard above="3000"/>', 4000, 4900, None),
    ],
)
def test_a_scalar_that_loses_more_than_half_of_its_margin_is_an_error(
    guard: str, before: int, after: int, is_error: bool | None
) -> None:
    weakened = of_rule(
        findings(cut_off(guard), image(at_0=u16(after)), image(at_0=u16(before))), "protection/weakened"
    )
    assert [finding.severity is Severity.ERROR for finding in weakened] == (
        [] if is_error is None else [is_error]
    )
    assert all(("above the limit of 50 %" in finding.message) is is_error for finding in weakened)


def test_one_of_several_guards_is_enough() -> None:
    xml = cut_off('<guard above="5000"/><guard raw="0"/>')
    (finding,) = of_rule(findings(xml, image(at_0=u16(0))), "protection/disabled")
    assert "raw 0" in finding.message


def test_a_weakened_map_is_reported_once_at_the_cell_that_moved_furthest() -> None:
    before, after = limits(100, 200, 300, 400, 500, 600), limits(101, 200, 320, 395, 500, 600)
    (finding,) = of_rule(findings(HALF_ABOVE, after, before), "protection/weakened")
    assert finding.cell == Cell(2, 0)
    assert "30.0 mg became 32.0 mg" in finding.message
    assert "2 cells" in finding.message


def test_a_single_weakened_cell_is_not_compared_with_others() -> None:
    before, after = limits(100, 200, 300, 400, 500, 600), limits(100, 200, 300, 400, 501, 600)
    (finding,) = of_rule(findings(HALF_ABOVE, after, before), "protection/weakened")
    assert finding.message.endswith("50.0 mg became 50.1 mg (+0.2 %)")


def test_two_equal_cells_are_flat_and_one_alone_is_not() -> None:
    for count, expected in ((2, 1), (1, 0)):
        gears = f'<fixed-axis name="gears" signal="speed" count="{count}" start="1" step="1"/>'
        inside = '<x axis="gears"/><guard flat="true"/>'
        xml = definition_xml(table("curve", "fuel", inside, purpose="protection"), axes=gears)
        assert len(of_rule(findings(xml, image()), "protection/flat")) == expected


def test_a_protection_that_the_image_does_not_hold_whole_is_not_called_flat() -> None:
    assert not of_rule(findings(FLAT_GUARD, limits(*[0] * 6)[:20]), "protection/flat")


def test_a_protection_that_grew_stronger_in_one_cell_and_weaker_in_another_is_weakened() -> None:
    before, after = limits(100, 200, 300, 400, 500, 600), limits(100, 200, 300, 300, 500, 601)
    (finding,) = of_rule(findings(HALF_ABOVE, after, before), "protection/weakened")
    assert finding.cell == Cell(2, 1)


def test_without_a_guard_both_ends_of_the_sensors_range_bound_a_threshold() -> None:
    xml = definition_xml(
        table("scalar", "low_idle", purpose="diagnosis", type="int16", conversion="rpm", signal="speed")
    )
    rule = "protection/unreachable-threshold"
    (finding,) = of_rule(findings(xml, image(at_0=b"\xff\xff")), rule)
    assert "-1 rpm is below 0 rpm" in finding.message
    assert not of_rule(findings(xml, image(at_0=u16(0))), rule)


def test_a_flat_protection_behind_one_with_a_shape_and_a_number_is_found() -> None:
    xml = definition_xml(
        table("scalar", "cut", at=30, purpose="protection")
        + table("curve", "shaped", '<x axis="speeds"/><guard flat="true"/>', at=10, purpose="protection")
        + table("curve", "level", '<x axis="speeds"/><guard flat="true"/>', at=20, purpose="protection"),
        axes=AXES,
    )
    data = image(at_0=u16(1000, 2000, 3000, 100, 500), at_10=u16(1, 2, 3), at_20=u16(4, 4, 4))
    assert [finding.table for finding in of_rule(findings(xml, data), "protection/flat")] == ["level"]


def test_a_guard_for_a_state_of_numbers_finds_nothing_and_stops_no_other_check() -> None:
    xml = definition_xml(
        table("scalar", "cap", '<limits max="50"/><guard state="off"/>', purpose="protection")
        + table("scalar", "spare", '<guard above="5"/>', at=2, purpose="protection")
    )
    # 60.0 mg is not a state; 5.1 mg is above 5 mg.
    result = [
        (finding.rule, finding.table) for finding in findings(xml, image(at_0=u16(600, 51))) if finding.table
    ]
    assert ("definition/unknown-reference", "cap") in result
    assert ("value/out-of-range", "cap") in result
    assert [name for rule, name in result if rule == "protection/disabled"] == ["spare"]


def test_tables_that_feed_each_other_in_a_cycle_do_not_crash_a_check() -> None:
    xml = definition_xml(
        table("curve", "one", '<x axis="loads"/>', at=8, conversion="rpm", produces="speed")
        + table("curve", "two", '<x axis="speeds"/>', at=12, produces="load")
        + table("scalar", "cut", '<guard above="5000"/>', at=16, purpose="protection", signal="speed"),
        axes=axis("loads", "load", at=0, conversion="mg") + axis("speeds", at=4),
    )
    base = image(at_0=u16(100, 200, 1000, 2000, 1000, 2000, 100, 200, 4000))
    data = image(at_0=u16(100, 200, 1000, 2000, 1000, 1900, 100, 200, 4000))
    assert not [
        finding for finding in findings(xml, data, base) if finding.rule == "protection/reading-changed"
    ]


@pytest.mark.parametrize(
    ("guard", "cells", "count"),
    [
        ('<guard below="1"/>', (400, 505, 480, 500, 500, 500), 2),
        ('<guard above="95"/>', (600, 495, 520, 500, 500, 500), 2),
        ('<guard above="95"/>', (600, 495, 480, 500, 500, 500), 1),
        ('<guard below="1"/><guard above="95"/>', (600, 505, 480, 500, 500, 500), 3),
    ],
)
def test_only_cells_that_moved_towards_a_guard_are_counted(
    guard: str, cells: tuple[int, ...], count: int
) -> None:
    data, base = limits(*cells), limits(*[500] * 6)
    (finding,) = of_rule(findings(limiter(guard), data, base), "protection/weakened")
    said = finding.message.partition(";")[2]
    assert said == (f" {count} cells changed in this direction, this one the most" if count > 1 else "")
