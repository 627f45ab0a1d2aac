"""The value/ rules, each with images that fail it and images that barely pass it."""

from __future__ import annotations

import struct

from callint.model.finding import Cell, Severity
from tests.building import CONVERSIONS, definition_xml, findings, image, u16
from tests.rules.example import AXES, ON_AXES, Example, Expected, all_examples, of_rule, table

BAR = '<linear name="bar" unit="bar" factor="0.1" decimals="1"/>'
PERIOD = '<rational name="period" unit="rpm" a="0" b="0" c="1000000" d="0" e="1" f="0"/>'
BREAKPOINTS = u16(1000, 2000, 3000) + u16(100, 500)

# A map of pressures; the cell at 2000 rpm and 50 mg is its fifth.
PRESSURE = definition_xml(
    table("map", "pressure", f'{ON_AXES}<limits min="100" max="1650"/>', at=10, conversion="bar"),
    axes=AXES,
    conversions=CONVERSIONS + BAR,
)
EXPECTED_RANGE = definition_xml(
    table("map", "fuel", f'{ON_AXES}<limits min="0" max="90"/><expected min="4" max="72"/>', at=10),
    axes=AXES,
)


def over_axes(fifth: int, others: int) -> bytes:
    """An image with a map over the two axes: its fifth cell, and one value for the others."""
    return image(at_0=BREAKPOINTS + u16(*[others] * 4, fifth, others))


OUT_OF_RANGE = (
    Example(
        rule="value/out-of-range",
        name="1650.1 bar over a limit of 1650 bar",
        xml=PRESSURE,
        data=over_axes(16501, 12000),
        base=over_axes(12000, 12000),
        expected=Expected(
            severity=Severity.ERROR,
            words=("1650.1 bar", "above", "limit of 1650 bar"),
            line='name="pressure"',
            table="pressure",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=16501,
            physical=1650.1,
            base_physical=1200.0,
            unit="bar",
        ),
    ),
    Example(
        rule="value/out-of-range",
        name="1650.0 bar at a limit of 1650 bar",
        xml=PRESSURE,
        data=over_axes(16500, 12000),
        base=over_axes(12000, 12000),
    ),
    Example(
        rule="value/out-of-range",
        name="99.9 bar under a limit of 100 bar",
        xml=PRESSURE,
        data=over_axes(999, 12000),
        expected=Expected(
            severity=Severity.ERROR,
            words=("99.9 bar", "below", "limit of 100 bar"),
            line='name="pressure"',
            table="pressure",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=999,
            physical=99.9,
            unit="bar",
        ),
    ),
    Example(
        rule="value/out-of-range",
        name="100.0 bar at a lower limit of 100 bar",
        xml=PRESSURE,
        data=over_axes(1000, 12000),
    ),
)

UNEXPECTED = (
    Example(
        rule="value/unexpected",
        name="72.1 mg where at most 72 mg are expected",
        xml=EXPECTED_RANGE,
        data=over_axes(721, 100),
        base=over_axes(720, 100),
        expected=Expected(
            severity=Severity.WARNING,
            words=("72.1 mg", "above", "expected 72 mg"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=721,
            physical=72.1,
            base_physical=72.0,
            unit="mg",
        ),
    ),
    Example(
        rule="value/unexpected",
        name="72.0 mg where at most 72 mg are expected",
        xml=EXPECTED_RANGE,
        data=over_axes(720, 100),
        base=over_axes(100, 100),
    ),
    Example(
        rule="value/unexpected",
        name="3.9 mg where at least 4 mg are expected",
        xml=EXPECTED_RANGE,
        data=over_axes(39, 100),
        expected=Expected(
            severity=Severity.WARNING,
            words=("3.9 mg", "below", "expected 4 mg"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=39,
            physical=3.9,
            unit="mg",
        ),
    ),
    Example(
        rule="value/unexpected",
        name="0.0 mg, which is within the hard limit to the last",
        xml=EXPECTED_RANGE,
        data=over_axes(0, 100),
        expected=Expected(
            severity=Severity.WARNING,
            words=("0.0 mg", "below", "expected 4 mg"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=0,
            physical=0.0,
            unit="mg",
        ),
    ),
    Example(
        rule="value/unexpected",
        name="4.0 mg where at least 4 mg are expected",
        xml=EXPECTED_RANGE,
        data=over_axes(40, 100),
    ),
    Example(
        rule="value/unexpected",
        name="90.1 mg over the hard limit, which is said louder",
        xml=EXPECTED_RANGE,
        data=over_axes(901, 100),
    ),
)

BYTE_CELL = definition_xml(table("scalar", "gain", type="uint8"))
SIGNED_CELL = definition_xml(table("scalar", "trim", type="int8"))
TOP_HALF_OPEN = definition_xml(table("scalar", "trim", '<limits max="12.7"/>', type="int8"))

AT_END_STOP = (
    Example(
        rule="value/at-end-stop",
        name="255 in a uint8",
        xml=BYTE_CELL,
        data=image(at_0=bytes([255])),
        base=image(at_0=bytes([254])),
        expected=Expected(
            severity=Severity.WARNING,
            words=("25.5 mg", "uint8", "raw 255"),
            line='name="gain"',
            table="gain",
            cell=Cell(),
            address=0,
            raw=255,
            physical=25.5,
            base_physical=25.4,
            unit="mg",
        ),
    ),
    Example(rule="value/at-end-stop", name="254 in a uint8", xml=BYTE_CELL, data=image(at_0=bytes([254]))),
    Example(
        rule="value/at-end-stop",
        name="0 in an unsigned type, which is an honest value",
        xml=BYTE_CELL,
        data=image(at_0=bytes([0])),
    ),
    Example(
        rule="value/at-end-stop",
        name="-128 in an int8",
        xml=SIGNED_CELL,
        data=image(at_0=b"\x80"),
        expected=Expected(
            severity=Severity.WARNING,
            words=("-12.8 mg", "int8", "raw -128"),
            line='name="trim"',
            table="trim",
            cell=Cell(),
            address=0,
            raw=-128,
            physical=-12.8,
            unit="mg",
        ),
    ),
    Example(
        rule="value/at-end-stop",
        name="127 in an int8",
        xml=SIGNED_CELL,
        data=image(at_0=b"\x7f"),
        expected=Expected(
            severity=Severity.WARNING,
            words=("12.7 mg", "int8", "raw 127"),
            line='name="trim"',
            table="trim",
            cell=Cell(),
            address=0,
            raw=127,
            physical=12.7,
            unit="mg",
        ),
    ),
    Example(rule="value/at-end-stop", name="-127 in an int8", xml=SIGNED_CELL, data=image(at_0=b"\x81")),
    Example(
        rule="value/at-end-stop",
        name="127 in an int8 whose upper limit includes it",
        xml=TOP_HALF_OPEN,
        data=image(at_0=b"\x7f"),
    ),
    Example(
        rule="value/at-end-stop",
        name="-128 in an int8 with an upper limit alone",
        xml=TOP_HALF_OPEN,
        data=image(at_0=b"\x80"),
        expected=Expected(
            severity=Severity.WARNING,
            words=("-12.8 mg", "int8", "raw -128"),
            line='name="trim"',
            table="trim",
            cell=Cell(),
            address=0,
            raw=-128,
            physical=-12.8,
            unit="mg",
        ),
    ),
)

FLOAT = definition_xml(table("scalar", "gain", type="float32"))
FROM_PERIOD = definition_xml(
    table("scalar", "speed_of_period", conversion="period"), conversions=CONVERSIONS + PERIOD
)

NOT_A_NUMBER = (
    Example(
        rule="value/not-a-number",
        name="the bytes 7F C0 00 00 in a float32",
        xml=FLOAT,
        data=image(at_0=b"\x7f\xc0\x00\x00"),
        base=image(at_0=struct.pack(">f", 10.0)),
        expected=Expected(
            severity=Severity.ERROR,
            words=("not a number",),
            line='name="gain"',
            table="gain",
            cell=Cell(),
            address=0,
            base_physical=1.0,
            unit="mg",
        ),
    ),
    Example(
        rule="value/not-a-number",
        name="the bytes 7F 80 00 00 in a float32",
        xml=FLOAT,
        data=image(at_0=b"\x7f\x80\x00\x00"),
        expected=Expected(
            severity=Severity.ERROR,
            words=("infinite",),
            line='name="gain"',
            table="gain",
            cell=Cell(),
            address=0,
            unit="mg",
        ),
    ),
    Example(
        rule="value/not-a-number",
        name="the bytes 7F 7F FF FF, the largest float32",
        xml=FLOAT,
        data=image(at_0=b"\x7f\x7f\xff\xff"),
    ),
    Example(
        rule="value/not-a-number",
        name="a period of 0 that a speed is divided from",
        xml=FROM_PERIOD,
        data=image(at_0=u16(0)),
        expected=Expected(
            severity=Severity.ERROR,
            words=("raw 0 has no value",),
            line='name="speed_of_period"',
            table="speed_of_period",
            cell=Cell(),
            address=0,
            raw=0,
            unit="rpm",
        ),
    ),
    Example(rule="value/not-a-number", name="a period of 1", xml=FROM_PERIOD, data=image(at_0=u16(1))),
)

STATE = definition_xml(table("scalar", "monitor", type="uint8", conversion="on_off"))

UNKNOWN_STATE = (
    Example(
        rule="value/unknown-state",
        name="2 where the states are 0 off and 1 on",
        xml=STATE,
        data=image(at_0=b"\x02"),
        base=image(at_0=b"\x01"),
        expected=Expected(
            severity=Severity.ERROR,
            words=("raw 2", "on_off", "0 off", "1 on"),
            line='name="monitor"',
            table="monitor",
            cell=Cell(),
            address=0,
            raw=2,
            physical=2.0,
            base_physical=1.0,
        ),
    ),
    Example(
        rule="value/unknown-state",
        name="1 where the states are 0 off and 1 on",
        xml=STATE,
        data=image(at_0=b"\x01"),
    ),
)


def shaped(demand: str, kind: str = "curve") -> bytes:
    """A curve over three speeds, or a map over three speeds and two loads, that demands a shape."""
    axes = '<x axis="speeds"/>' if kind == "curve" else ON_AXES
    return definition_xml(table(kind, "fuel", f"{axes}{demand}", at=10), axes=AXES)


def curve(*cells: int) -> bytes:
    """A curve at 1000, 2000 and 2200 rpm."""
    return image(at_0=u16(1000, 2000, 2200), at_6=u16(100, 500), at_10=u16(*cells))


STEEP_X = shaped('<gradient along="x" max="0.02"/>')
STEEP_Y = shaped('<gradient along="y" max="0.5"/>', "map")

TOO_STEEP = (
    Example(
        rule="value/too-steep",
        name="4.1 mg more within 200 rpm where 0.02 mg per rpm are accepted",
        xml=STEEP_X,
        data=curve(400, 410, 451),
        base=curve(400, 410, 450),
        expected=Expected(
            severity=Severity.WARNING,
            words=(
                "41.0 mg to 45.1 mg",
                "between 2000 rpm and 2200 rpm",
                "0.0205 mg per rpm",
                "above the limit of 0.02",
            ),
            line='name="fuel"',
            table="fuel",
            cell=Cell(2, 0),
            at={"speed": 2200.0},
            address=14,
            raw=451,
            physical=45.1,
            base_physical=45.0,
            unit="mg",
        ),
    ),
    Example(
        rule="value/too-steep",
        name="4.0 mg more within 200 rpm where 0.02 mg per rpm are accepted",
        xml=STEEP_X,
        data=curve(400, 410, 450),
    ),
    Example(
        rule="value/too-steep",
        name="4.1 mg less within 200 rpm: a fall is as steep as a rise",
        xml=STEEP_X,
        data=curve(400, 410, 369),
        expected=Expected(
            severity=Severity.WARNING,
            words=("41.0 mg to 36.9 mg", "0.0205 mg per rpm", "above the limit of 0.02"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(2, 0),
            at={"speed": 2200.0},
            address=14,
            raw=369,
            physical=36.9,
            unit="mg",
        ),
    ),
    Example(
        rule="value/too-steep",
        name="20.1 mg more within 40 mg along y where 0.5 mg per mg are accepted",
        xml=STEEP_Y,
        data=over_axes(601, 400),
        expected=Expected(
            severity=Severity.WARNING,
            words=(
                "40.0 mg to 60.1 mg",
                "between 10 mg and 50 mg",
                "0.5025 mg per mg",
                "above the limit of 0.5",
            ),
            line='name="fuel"',
            table="fuel",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=601,
            physical=60.1,
            unit="mg",
        ),
    ),
    Example(
        rule="value/too-steep",
        name="20.0 mg more within 40 mg along y where 0.5 mg per mg are accepted",
        xml=STEEP_Y,
        data=over_axes(600, 400),
    ),
)

RISING = shaped('<monotonic along="x" direction="rising"/>')
STRICTLY_RISING = shaped('<monotonic along="x" direction="rising" strict="true"/>')
FALLING = shaped('<monotonic along="x" direction="falling"/>')
FALLING_ALONG_Y = shaped('<monotonic along="y" direction="falling"/>', "map")

NOT_MONOTONIC = (
    Example(
        rule="value/not-monotonic",
        name="42.4 mg behind 42.5 mg where values rise",
        xml=RISING,
        data=curve(400, 425, 424),
        base=curve(400, 425, 430),
        expected=Expected(
            severity=Severity.ERROR,
            words=("42.5 mg to 42.4 mg", "between 2000 rpm and 2200 rpm", "must not fall"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(2, 0),
            at={"speed": 2200.0},
            address=14,
            raw=424,
            physical=42.4,
            base_physical=43.0,
            unit="mg",
        ),
    ),
    Example(
        rule="value/not-monotonic",
        name="42.5 mg behind 42.5 mg where values rise",
        xml=RISING,
        data=curve(400, 425, 425),
    ),
    Example(
        rule="value/not-monotonic",
        name="42.5 mg behind 42.5 mg where values rise strictly",
        xml=STRICTLY_RISING,
        data=curve(400, 425, 425),
        expected=Expected(
            severity=Severity.ERROR,
            words=("42.5 mg to 42.5 mg", "strictly rise"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(2, 0),
            at={"speed": 2200.0},
            address=14,
            raw=425,
            physical=42.5,
            unit="mg",
        ),
    ),
    Example(
        rule="value/not-monotonic",
        name="42.6 mg behind 42.5 mg where values rise strictly",
        xml=STRICTLY_RISING,
        data=curve(400, 425, 426),
    ),
    Example(
        rule="value/not-monotonic",
        name="42.6 mg behind 42.5 mg where values fall",
        xml=FALLING,
        data=curve(430, 425, 426),
        expected=Expected(
            severity=Severity.ERROR,
            words=("42.5 mg to 42.6 mg", "must not rise"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(2, 0),
            at={"speed": 2200.0},
            address=14,
            raw=426,
            physical=42.6,
            unit="mg",
        ),
    ),
    Example(
        rule="value/not-monotonic",
        name="40.1 mg behind 40.0 mg where values fall along y",
        xml=FALLING_ALONG_Y,
        data=over_axes(401, 400),
        expected=Expected(
            severity=Severity.ERROR,
            words=("40.0 mg to 40.1 mg", "between 10 mg and 50 mg", "must not rise"),
            line='name="fuel"',
            table="fuel",
            cell=Cell(1, 1),
            at={"speed": 2000.0, "load": 50.0},
            address=18,
            raw=401,
            physical=40.1,
            unit="mg",
        ),
    ),
    Example(
        rule="value/not-monotonic",
        name="40.0 mg behind 40.0 mg where values fall along y",
        xml=FALLING_ALONG_Y,
        data=over_axes(400, 400),
    ),
)


def with_off_code(allowed: str) -> bytes:
    """A curve of bytes over three speeds; raw 15 switches it off."""
    off = f'<x axis="speeds"/><off raw="15" allowed="{allowed}"/>'
    return definition_xml(table("curve", "release", off, at=10, type="uint8"), axes=AXES)


def released(last_speed: int, last: int = 15) -> bytes:
    """A curve of bytes whose last breakpoint and cell are given."""
    return image(at_0=u16(1000, 2000, last_speed), at_6=u16(100, 500), at_10=bytes([7, 7, last]))


OFF_IN_OPERATING_RANGE = (
    Example(
        rule="value/off-in-operating-range",
        name="an off code at 4200 rpm, where the operating range ends",
        xml=with_off_code("outside-operating"),
        data=released(4200),
        base=released(4200, last=7),
        expected=Expected(
            severity=Severity.ERROR,
            words=("raw 15", "switches the function off", "operating range"),
            line='name="release"',
            table="release",
            cell=Cell(2, 0),
            at={"speed": 4200.0},
            address=12,
            raw=15,
            physical=1.5,
            base_physical=0.7,
            unit="mg",
        ),
    ),
    Example(
        rule="value/off-in-operating-range",
        name="an off code at 4201 rpm, beyond the operating range",
        xml=with_off_code("outside-operating"),
        data=released(4201),
        base=released(4201, last=7),
    ),
    Example(
        rule="value/off-in-operating-range",
        name="an off code beyond the operating range where it may stand nowhere",
        xml=with_off_code("nowhere"),
        data=released(4201),
        expected=Expected(
            severity=Severity.ERROR,
            words=("raw 15", "switches the function off", "allows no off cell"),
            line='name="release"',
            table="release",
            cell=Cell(2, 0),
            at={"speed": 4201.0},
            address=12,
            raw=15,
            physical=1.5,
            unit="mg",
        ),
    ),
    Example(
        rule="value/off-in-operating-range",
        name="a value one raw step below the off code that may stand nowhere",
        xml=with_off_code("nowhere"),
        data=released(4201, last=14),
    ),
    Example(
        rule="value/off-in-operating-range",
        name="an off code that may stand anywhere",
        xml=with_off_code("anywhere"),
        data=released(4200),
    ),
)

EXAMPLES = (
    *OUT_OF_RANGE,
    *UNEXPECTED,
    *AT_END_STOP,
    *NOT_A_NUMBER,
    *UNKNOWN_STATE,
    *TOO_STEEP,
    *NOT_MONOTONIC,
    *OFF_IN_OPERATING_RANGE,
)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


def test_breakpoints_and_states_have_no_end_stop() -> None:
    xml = definition_xml(
        table("curve", "fuel", '<x axis="speeds"/>', at=10)
        + table("scalar", "monitor", at=20, type="uint8", conversion="on_off"),
        axes=AXES,
    )
    reported = findings(xml, image(at_0=u16(1000, 2000, 65535, 100, 500), at_20=b"\xff"))
    assert "value/at-end-stop" not in {finding.rule for finding in reported}


def test_an_axis_that_does_not_rise_has_no_share_of_its_range_that_is_off() -> None:
    xml, rule = with_off_code("outside-operating"), "value/off-in-operating-range"
    (alone,) = of_rule(findings(xml, released(2000)), rule)
    assert alone.message == "raw 15 switches the function off here, inside the operating range"
    (rising,) = of_rule(findings(xml, released(3000), released(2000)), rule)
    # From 700 to 4200 rpm the cell counts by half from 2000 to 3000 and in full from there on: 1700 of 3500.
    assert rising.message == (
        "raw 15 switches the function off here, inside the operating range (the base has off here); "
        "48.6 % of that range is off"
    )


# What the base has in the same way


def test_a_steep_slope_stays_a_note_if_another_breakpoint_moves() -> None:
    # 41.0 to 45.1 mg from 2000 to 2200 rpm is steeper than 0.02 mg per rpm, in the base too.
    base = curve(400, 410, 451)
    for axis, severity in (
        ((1100, 2000, 2200), Severity.NOTE),
        ((1000, 2000, 2190), Severity.WARNING),
        ((1000, 2010, 2200), Severity.WARNING),
    ):
        data = image(at_0=u16(*axis), at_6=u16(100, 500), at_10=u16(400, 410, 451))
        (finding,) = of_rule(findings(STEEP_X, data, base), "value/too-steep")
        assert finding.severity is severity, axis


def test_a_cell_that_is_off_in_the_base_stays_a_note_if_another_breakpoint_moves() -> None:
    xml = shaped('<off raw="65535" allowed="outside-operating"/>')
    base = curve(400, 65535, 451)
    for axis, severity in (((1100, 2000, 2200), Severity.NOTE), ((1000, 2010, 2200), Severity.ERROR)):
        data = image(at_0=u16(*axis), at_6=u16(100, 500), at_10=u16(400, 65535, 451))
        (finding,) = of_rule(findings(xml, data, base), "value/off-in-operating-range")
        assert finding.severity is severity, axis
