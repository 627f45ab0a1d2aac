"""The definition/ rules, each with definitions that fail it and definitions that barely pass it."""

from __future__ import annotations

import pytest

from callint.model.finding import Severity
from tests.building import CONVERSIONS, SIGNALS, definition_xml, findings
from tests.rules.example import Example, Expected, all_examples, axis, of_rule, table

FIXED = '\n<fixed-axis name="gears" signal="speed" values="1 2 3"/>\n'
ON_GEARS = '<x axis="gears"/>'


def fails(
    rule: str,
    name: str,
    xml: bytes,
    line: str,
    *arguments: str,
    severity: Severity = Severity.ERROR,
    of: str = "",
) -> Example:
    """A definition that a rule finds one thing in; ``of`` is the table that the finding is about."""
    expected = Expected(severity=severity, words=arguments, line=line, table=of)
    return Example(rule=rule, name=name, xml=xml, expected=expected)


def passes(rule: str, name: str, xml: bytes) -> Example:
    """A definition in which a rule finds nothing."""
    return Example(rule=rule, name=name, xml=xml)


def scalar(inside: str = "", name: str = "fuel", **attributes: str | int) -> bytes:
    """A definition of one scalar."""
    return definition_xml(table("scalar", name, inside, **attributes))


def single(inside: str) -> bytes:
    """A definition of one number of 32 bits without a conversion."""
    return definition_xml(
        f'\n<scalar name="fuel" title="Fuel" purpose="general" at="0" type="float32">\n{inside}</scalar>\n'
    )


def curve(inside: str, axes: str = FIXED, **attributes: str | int) -> bytes:
    """A definition of one curve."""
    return definition_xml(table("curve", "fuel", inside, **attributes), axes=axes)


def converted(conversion: str, limits: str = "", **attributes: str | int) -> bytes:
    """A definition of one scalar with a conversion called "own"."""
    given = {"conversion": "own", **attributes}
    return definition_xml(
        table("scalar", "fuel", limits, **given), conversions=f"{CONVERSIONS}\n{conversion}\n"
    )


INVALID = (
    fails(
        "definition/invalid",
        "a storage type that does not exist",
        scalar(type="uint12"),
        'name="fuel"',
        "uint12",
        "uint16",
    ),
    passes(
        "definition/invalid",
        "every storage type that exists",
        definition_xml(
            "".join(
                table("scalar", f"fuel_{size}", type=size)
                for size in (
                    *("uint8", "int8", "uint16", "int16", "uint32", "int32", "uint64", "int64"),
                    *("float16", "float32", "float64"),
                )
            )
        ),
    ),
    fails(
        "definition/invalid",
        "a guard with two conditions",
        scalar('\n<guard above="85" below="4"/>\n', purpose="protection"),
        "<guard",
        "exactly one",
        "above",
        "below",
    ),
    passes(
        "definition/invalid",
        "two guards with one condition each",
        scalar('<guard above="85"/><guard below="4"/>', purpose="protection"),
    ),
    fails(
        "definition/invalid",
        "a demand along y in a curve",
        curve(ON_GEARS + '\n<monotonic along="y" direction="rising"/>\n'),
        "<monotonic",
        "curve",
        "no y axis",
    ),
    passes(
        "definition/invalid",
        "a demand along x in a curve",
        curve(ON_GEARS + '<monotonic along="x" direction="rising"/>'),
    ),
    fails(
        "definition/invalid",
        "a stride of 1 for two bytes",
        scalar(stride=1),
        'name="fuel"',
        "stride is 1",
        "2 bytes",
    ),
    passes("definition/invalid", "a stride of 2 for two bytes", scalar(stride=2)),
    fails(
        "definition/invalid", "a mask in a signed type", scalar(type="int16", mask=1), 'name="fuel"', "mask"
    ),
    fails(
        "definition/invalid",
        "a mask of 9 bits in a byte",
        scalar(type="uint8", mask=256),
        'name="fuel"',
        "mask",
    ),
    passes("definition/invalid", "a mask of 8 bits in a byte", scalar(type="uint8", mask=255)),
    fails(
        "definition/invalid",
        "an off code of 256 in a byte",
        scalar('\n<off raw="256"/>\n', type="uint8"),
        "<off",
        "256",
        "uint8",
    ),
    passes("definition/invalid", "an off code of 255 in a byte", scalar('<off raw="255"/>', type="uint8")),
)

DUPLICATE_NAME = (
    fails(
        "definition/duplicate-name",
        "two scalars of one name",
        definition_xml(table("scalar", "fuel") + table("scalar", "fuel", at=2, title="copied")),
        'title="copied"',
        "'fuel'",
        "line",
    ),
    passes(
        "definition/duplicate-name",
        "two names that differ in one capital",
        definition_xml(table("scalar", "fuel") + table("scalar", "Fuel", at=2)),
    ),
    fails(
        "definition/duplicate-name",
        "a text of a scalar's name",
        definition_xml(
            table("scalar", "fuel")
            + '\n<text name="fuel" title="Fuel" purpose="general" at="8" length="4"/>\n'
        ),
        "<text",
        "'fuel'",
    ),
    fails(
        "definition/duplicate-name",
        "two axes of one name",
        curve(ON_GEARS, axes=FIXED + '\n<axis name="gears" signal="speed" at="8" type="uint8" count="3"/>\n'),
        "<axis",
        "axis name 'gears'",
    ),
    passes(
        "definition/duplicate-name",
        "a table of an axis's name",
        curve(ON_GEARS.replace("gears", "fuel"), axes=FIXED.replace("gears", "fuel")),
    ),
)

UNKNOWN_REFERENCE = (
    fails(
        "definition/unknown-reference",
        "an axis whose name lacks a letter",
        curve('<x axis="gear"/>'),
        "<curve",
        "table fuel",
        "axis 'gear'",
        of="fuel",
    ),
    fails(
        "definition/unknown-reference",
        "an unknown conversion of a table",
        scalar(conversion="mgs"),
        'name="fuel"',
        "conversion 'mgs'",
        of="fuel",
    ),
    fails(
        "definition/unknown-reference",
        "an unknown conversion of an axis",
        curve('<x axis="speeds"/>', axes=axis("speeds", at=8, conversion="rps")),
        "<axis name",
        "axis speeds",
        "conversion 'rps'",
    ),
    fails(
        "definition/unknown-reference",
        "an unknown signal of an axis",
        curve('<x axis="speeds"/>', axes=axis("speeds", "sped", at=8)),
        "<axis name",
        "axis speeds",
        "signal 'sped'",
    ),
    fails(
        "definition/unknown-reference",
        "an unknown signal that a table is compared with",
        scalar(signal="sped"),
        'name="fuel"',
        "signal 'sped'",
        of="fuel",
    ),
    fails(
        "definition/unknown-reference",
        "a guard for a state that the conversion lacks",
        scalar('\n<guard state="of"/>\n', purpose="protection", conversion="on_off"),
        "<guard",
        "fuel",
        "state 'of'",
        of="fuel",
    ),
    fails(
        "definition/unknown-reference",
        "a checksum that nobody knows",
        definition_xml(
            table("scalar", "fuel"),
            memory='\n<checksum name="sum" algorithm="CRC-32/NEVER" start="8" size="8" stored-at="20"/>\n',
        ),
        "<checksum",
        "checksum sum",
        "CRC-32/NEVER",
    ),
    fails(
        "definition/unknown-reference",
        "a relation to a table that is not there",
        definition_xml(table("scalar", "fuel"), relations='\n<equal table="fuel" mirror="fuel_b"/>\n'),
        "<equal",
        "table 'fuel_b'",
    ),
    fails(
        "definition/unknown-reference",
        "a sensor whose curve is a scalar",
        definition_xml(
            table("scalar", "fuel"),
            signals=SIGNALS + '\n<sensor signal="speed" curve="fuel" supply="5" pull-up="2490"/>\n',
        ),
        "<sensor",
        "curve 'fuel'",
    ),
    passes(
        "definition/unknown-reference",
        "names that are all there",
        definition_xml(
            table("curve", "fuel", '<x axis="speeds"/>', at=8, signal="speed", produces="load")
            + table("scalar", "monitor", '<guard state="off"/>', at=12, type="uint8", conversion="on_off"),
            axes=axis("speeds"),
            signals=SIGNALS + '<sensor signal="speed" curve="fuel" supply="5" pull-up="2490"/>',
            memory='<checksum name="sum" algorithm="CRC-32/ISO-HDLC" start="8" size="8" stored-at="20"/>',
            relations='<equal table="fuel" mirror="monitor"/>',
        ),
    ),
)

OUTSIDE_IMAGE = (
    fails(
        "definition/outside-image",
        "a scalar whose last byte is one beyond the end",
        scalar(at=63),
        'name="fuel"',
        "table fuel",
        "0x0003F to 0x00040",
        "0x00000 to 0x0003F",
        of="fuel",
    ),
    passes("definition/outside-image", "a scalar that ends with the memory", scalar(at=62)),
    fails(
        "definition/outside-image",
        "an axis whose last breakpoint is one byte too far",
        curve('<x axis="gears"/>', axis("gears", at=61)),
        'name="gears"',
        "axis gears lies at 0x0003D to 0x00040, outside the memory 0x00000 to 0x0003F",
    ),
    fails(
        "definition/outside-image",
        "a scalar one byte before the memory",
        definition_xml(table("scalar", "fuel", at=15), start=16),
        'name="fuel"',
        "0x0000F to 0x00010",
        of="fuel",
    ),
    passes(
        "definition/outside-image",
        "a scalar that begins with the memory",
        definition_xml(table("scalar", "fuel", at=16), start=16),
    ),
    fails(
        "definition/outside-image",
        "a curve whose last strided cell is beyond the end",
        curve(ON_GEARS, at=50, stride=7, type="uint8"),
        'name="fuel"',
        "0x00032 to 0x00040",
        of="fuel",
    ),
    passes(
        "definition/outside-image",
        "a strided curve whose last cell is the last byte",
        curve(ON_GEARS, at=49, stride=7, type="uint8"),
    ),
    fails(
        "definition/outside-image",
        "a text, one byte too long",
        definition_xml('\n<text name="hull" title="Hull" purpose="general" at="60" length="5"/>\n'),
        "<text",
        "text hull",
        of="hull",
    ),
    fails(
        "definition/outside-image",
        "an identity beyond the end",
        definition_xml("", memory='\n<identity name="number" at="60" text="SK-28"/>\n'),
        "<identity",
        "identity number",
    ),
    fails(
        "definition/outside-image",
        "a region beyond the end",
        definition_xml("", memory='\n<region name="calibration" start="60" size="5"/>\n'),
        "<region",
        "region calibration",
    ),
    passes(
        "definition/outside-image",
        "text, identity, region and checksum up to the last byte",
        definition_xml(
            '<text name="hull" title="Hull" purpose="general" at="60" length="4"/>',
            memory='<region name="calibration" start="60" size="4"/>'
            '<identity name="number" at="60" text="SK28"/>'
            '<checksum name="sum" algorithm="sum16" start="0" size="62" stored-at="62"/>',
        ),
    ),
)


def two(first: str, second: str) -> bytes:
    """A definition of two tables on axes of three gears and of two ranges."""
    axes = FIXED + '\n<fixed-axis name="ranges" signal="load" values="1 2"/>\n'
    return definition_xml(first + second, axes=axes)


OVERLAP = (
    fails(
        "definition/overlap",
        "a curve whose last byte is the next scalar's first",
        two(table("curve", "fuel", ON_GEARS, at=9), table("scalar", "idle", at=14)),
        'name="idle"',
        "fuel",
        "idle",
        "0x0000E",
        severity=Severity.WARNING,
        of="idle",
    ),
    fails(
        "definition/overlap",
        "two scalars at the second byte",
        two(table("scalar", "fuel", at=1), table("scalar", "idle", at=1)),
        'name="idle"',
        "both claim 0x00001",
        severity=Severity.WARNING,
        of="idle",
    ),
    passes(
        "definition/overlap",
        "a curve that ends right before the next scalar",
        two(table("curve", "fuel", ON_GEARS, at=8), table("scalar", "idle", at=14)),
    ),
    fails(
        "definition/overlap",
        "two interleaved curves that meet in one byte",
        two(
            table("curve", "fuel", ON_GEARS, at=8, type="uint8", stride=3),
            table("curve", "trim", ON_GEARS, at=10, type="uint16", stride=3),
        ),
        'name="trim"',
        "fuel",
        "trim",
        "0x0000B",
        severity=Severity.WARNING,
        of="trim",
    ),
    passes(
        "definition/overlap",
        "two interleaved curves that just miss each other",
        two(
            table("curve", "fuel", ON_GEARS, at=8, type="uint8", stride=3),
            table("curve", "trim", ON_GEARS, at=9, type="uint16", stride=3),
        ),
    ),
    fails(
        "definition/overlap",
        "two masks with one bit in common",
        two(
            table("scalar", "fuel", at=8, type="uint8", mask="0x0F"),
            table("scalar", "trim", at=8, type="uint8", mask="0x18"),
        ),
        'name="trim"',
        "fuel",
        "trim",
        "0x00008",
        severity=Severity.WARNING,
        of="trim",
    ),
    passes(
        "definition/overlap",
        "two masks in one byte with no bit in common",
        two(
            table("scalar", "fuel", at=8, type="uint8", mask="0x0F"),
            table("scalar", "trim", at=8, type="uint8", mask="0xF0"),
        ),
    ),
    passes(
        "definition/overlap",
        "a mask in the low byte of a little-endian number beside one in its high byte",
        two(
            table("scalar", "fuel", at=8, mask="0x00FF", byte_order="little"),
            table("scalar", "trim", at=9, type="uint8", mask="0xFF"),
        ),
    ),
    fails(
        "definition/overlap",
        "a mask in the low byte of a big-endian number over that byte",
        two(
            table("scalar", "fuel", at=8, mask="0x00FF", byte_order="big"),
            table("scalar", "trim", at=9, type="uint8", mask="0xFF"),
        ),
        'name="trim"',
        "0x00009",
        severity=Severity.WARNING,
        of="trim",
    ),
    fails(
        "definition/overlap",
        "a stored checksum in a text",
        definition_xml(
            '\n<text name="hull" title="Hull" purpose="general" at="40" length="9"/>\n',
            memory='<checksum name="sum" algorithm="sum8" start="0" size="8" stored-at="48"/>',
        ),
        "<text",
        "text hull",
        "stored checksum sum",
        "0x00030",
        severity=Severity.WARNING,
        of="hull",
    ),
    passes(
        "definition/overlap",
        "an identity that is also a text",
        definition_xml(
            '<text name="number" title="Number" purpose="general" at="40" length="4"/>',
            memory='<identity name="number" at="40" text="SK28"/>',
        ),
    ),
)


def sum_over(size: int) -> bytes:
    """A two-byte checksum from 8 on, stored at 20."""
    memory = f'\n<checksum name="sum" algorithm="sum16" start="8" size="{size}" stored-at="20"/>\n'
    return definition_xml(table("scalar", "fuel"), memory=memory)


def sum_stored_at(address: int) -> bytes:
    """A two-byte checksum over 12 bytes from 8 on."""
    memory = f'\n<checksum name="sum" algorithm="sum16" start="8" size="12" stored-at="{address}"/>\n'
    return definition_xml(table("scalar", "fuel"), memory=memory)


CHECKSUM_OVER_ITSELF = (
    fails(
        "definition/checksum-over-itself",
        "a range that ends on the first stored byte",
        sum_over(13),
        "<checksum",
        "checksum sum",
        "0x00008 to 0x00014",
        "0x00014",
    ),
    passes(
        "definition/checksum-over-itself", "a range that ends right before the stored bytes", sum_over(12)
    ),
    fails(
        "definition/checksum-over-itself",
        "stored bytes of which the last is the range's first",
        sum_stored_at(7),
        "<checksum",
        "checksum sum",
        "0x00007",
    ),
    passes("definition/checksum-over-itself", "stored bytes right before the range", sum_stored_at(6)),
)

NOT_INVERTIBLE = (
    fails(
        "definition/not-invertible",
        "a factor of 0",
        converted('<linear name="own" unit="mg" factor="0" offset="5"/>'),
        'name="own"',
        "own",
        "factor is 0",
    ),
    passes(
        "definition/not-invertible",
        "a tiny negative factor",
        converted('<linear name="own" unit="mg" factor="-0.0001"/>'),
    ),
    fails(
        "definition/not-invertible",
        "a state name with two raw values",
        converted('<states name="own"><state raw="0">off</state><state raw="1">off</state></states>'),
        'name="own"',
        "own",
        "off",
        "twice",
    ),
    fails(
        "definition/not-invertible",
        "a raw value with two state names",
        converted('<states name="own"><state raw="1">off</state><state raw="0x1">on</state></states>'),
        'name="own"',
        "1 ",
        "twice",
    ),
    passes(
        "definition/not-invertible",
        "two states that differ in a capital",
        converted('<states name="own"><state raw="0">off</state><state raw="1">Off</state></states>'),
    ),
    fails(
        "definition/not-invertible",
        "points with a plateau",
        converted(
            '<interpolated name="own" unit="mg"><point raw="0" physical="1"/><point raw="5" physical="2"/>'
            '<point raw="9" physical="2"/></interpolated>'
        ),
        'name="own"',
        "own",
        "the points are not monotonic",
    ),
    fails(
        "definition/not-invertible",
        "points that fall to a plateau",
        converted(
            '<interpolated name="own" unit="mg"><point raw="0" physical="3"/><point raw="5" physical="2"/>'
            '<point raw="9" physical="2"/></interpolated>'
        ),
        'name="own"',
        "own",
        "the points are not monotonic",
    ),
    fails(
        "definition/not-invertible",
        "one raw value at two points",
        converted(
            '<interpolated name="own" unit="mg"><point raw="0" physical="1"/><point raw="5" physical="2"/>'
            '<point raw="5" physical="3"/></interpolated>'
        ),
        'name="own"',
        "conversion own is not invertible: one raw value occurs twice",
    ),
    passes(
        "definition/not-invertible",
        "points that barely rise, written in another order",
        converted(
            '<interpolated name="own" unit="mg"><point raw="9" physical="2.001"/>'
            '<point raw="0" physical="1"/><point raw="5" physical="2"/></interpolated>'
        ),
    ),
    fails(
        "definition/not-invertible",
        "a rational denominator of 0",
        converted('<rational name="own" unit="mg" a="0" b="1" c="0" d="0" e="0" f="0"/>'),
        'name="own"',
        "own",
        "denominator is 0",
    ),
    fails(
        "definition/not-invertible",
        "a rational function that is constant",
        converted('<rational name="own" unit="mg" a="0" b="2" c="4" d="0" e="1" f="2"/>'),
        'name="own"',
        "own",
        "does not depend",
    ),
    passes(
        "definition/not-invertible",
        "a period",
        converted(
            '<rational name="own" unit="mg" a="0" b="0" c="1000000" d="0" e="1" f="0"/>',
            '<limits min="0" max="6000"/>',
        ),
    ),
    # Up to a millionth of the limits is rounding: some come back with other last digits of a double.
    passes(
        "definition/not-invertible",
        "a period up to a million",
        converted(
            '<rational name="own" unit="mg" a="0" b="0" c="10000000" d="0" e="1" f="1"/>',
            '<limits min="0" max="1000000"/>',
        ),
    ),
    fails(
        "definition/not-invertible",
        "a parabola that turns round within the limits of its table",
        converted(
            '<rational name="own" unit="mg" a="1" b="0" c="0" d="0" e="0" f="1"/>',
            '<limits min="-1" max="50"/>',
        ),
        'name="fuel"',
        "own",
        "limits of fuel",
        "-1",
        of="fuel",
    ),
    passes(
        "definition/not-invertible",
        "a parabola that turns round at the lower limit of its table",
        converted(
            '<rational name="own" unit="mg" a="1" b="0" c="0" d="0" e="0" f="1"/>',
            '<limits min="0" max="50"/>',
        ),
    ),
)


def ranged(**ranges: str) -> bytes:
    """A definition whose signal "torque" has these ranges."""
    text = " ".join(f'{name}="{value}"' for name, value in ranges.items())
    return definition_xml(
        table("scalar", "fuel", signal="torque"),
        signals=f'{SIGNALS}\n<signal name="torque" unit="Nm" {text}>Torque</signal>\n',
    )


LIMITS_INVERTED = (
    fails(
        "definition/limits-inverted",
        "limits from 90 to 89.9",
        scalar('<limits min="90" max="89.9"/>'),
        'name="fuel"',
        "limits of fuel",
        "90",
        "89.9",
        of="fuel",
    ),
    passes("definition/limits-inverted", "limits from 90 to 90", scalar('<limits min="90" max="90"/>')),
    fails(
        "definition/limits-inverted",
        "an expected range from 72 to 4",
        scalar('<expected min="72" max="4"/>'),
        'name="fuel"',
        "expected of fuel",
        "72",
        "4",
        of="fuel",
    ),
    fails(
        "definition/limits-inverted",
        "a plausible range from 130 to -40",
        ranged(plausible="130 -40"),
        'name="torque"',
        "plausible range of torque",
        "130",
        "-40",
    ),
    fails(
        "definition/limits-inverted",
        "an operating range from 60 to 5",
        ranged(operating="60 5"),
        'name="torque"',
        "operating range of torque",
        "60",
        "5",
    ),
    passes(
        "definition/limits-inverted",
        "signal ranges of one value",
        ranged(plausible="130 130", operating="130 130"),
    ),
    passes("definition/limits-inverted", "a lower limit alone", scalar('<limits min="90"/>')),
)

LIMITS_UNREACHABLE = (
    fails(
        "definition/limits-unreachable",
        "a limit more than one raw step beyond a byte",
        scalar('<limits min="0" max="25.7"/>', type="uint8"),
        'name="fuel"',
        "limit of 25.7 mg",
        "uint8",
        "0 to 25.5 mg",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/limits-unreachable",
        "a limit at the end of a byte",
        scalar('<limits min="0" max="25.5"/>', type="uint8"),
    ),
    passes(
        "definition/limits-unreachable",
        "limits that only the largest value of a byte meets",
        scalar('<limits min="25.5" max="25.5"/>', type="uint8"),
    ),
    passes(
        "definition/limits-unreachable",
        "limits that only the smallest value of a byte meets",
        scalar('<limits min="0" max="0"/>', type="uint8"),
    ),
    passes(
        "definition/limits-unreachable",
        "a limit that was rounded up by half a raw step",
        scalar('<limits min="0" max="25.55"/>', type="uint8"),
    ),
    fails(
        "definition/limits-unreachable",
        "a lower limit below 0 in an unsigned type",
        scalar('<limits min="-40" max="20"/>', type="uint8"),
        'name="fuel"',
        "limit of -40 mg",
        severity=Severity.WARNING,
        of="fuel",
    ),
    fails(
        "definition/limits-unreachable",
        "a limit beyond a mask of four bits",
        scalar('<limits min="0" max="2"/>', type="uint8", mask="0xF0"),
        'name="fuel"',
        "limit of 2 mg",
        "0 to 1.5 mg",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/limits-unreachable",
        "a limit at the end of a mask of four bits",
        scalar('<limits min="0" max="1.5"/>', type="uint8", mask="0xF0"),
    ),
    fails(
        "definition/limits-unreachable",
        "an expected range that reaches beyond the limits",
        scalar('<limits min="0" max="90"/><expected min="4" max="90.1"/>'),
        'name="fuel"',
        "expected range of fuel",
        "90.1",
        "0 to 90",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/limits-unreachable",
        "an expected range that is the limits",
        scalar('<limits min="0" max="90"/><expected min="0" max="90"/>'),
    ),
    fails(
        "definition/limits-unreachable",
        "an operating range that reaches beyond the plausible one",
        ranged(plausible="0 500", operating="-1 500"),
        'name="torque"',
        "operating range of torque",
        "-1",
        "0 to 500",
        severity=Severity.WARNING,
    ),
    # The largest float32 is (2 - 2^-23) * 2^127 = 3.40282346639e38, which ISO C writes as 3.40282347e38.
    passes(
        "definition/limits-unreachable",
        "the ends of a float32 rounded to nine digits",
        single('<limits min="-3.40282347e38" max="3.40282347e38"/>'),
    ),
    fails(
        "definition/limits-unreachable",
        "the end of a float32 rounded to eight digits",
        single('<limits max="3.4028235e38"/>'),
        'name="fuel"',
        "its float32 holds",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/limits-unreachable",
        "an operating range that is the plausible one",
        ranged(plausible="0 500", operating="0 500"),
    ),
)

NO_LIMITS = (
    fails(
        "definition/no-limits",
        "a demand without limits",
        scalar(purpose="demand"),
        'name="fuel"',
        "demand table fuel",
        severity=Severity.NOTE,
        of="fuel",
    ),
    passes("definition/no-limits", "one limit alone", scalar('<limits max="90"/>')),
    passes("definition/no-limits", "named states", scalar(type="uint8", conversion="on_off")),
    passes("definition/no-limits", "must equal the base", scalar('<change max="0"/>')),
    fails(
        "definition/no-limits",
        "a largest change alone",
        scalar('<change max="5"/>'),
        'name="fuel"',
        "general table fuel",
        severity=Severity.NOTE,
        of="fuel",
    ),
)

NO_UNIT = (
    fails(
        "definition/no-unit",
        "a factor without a unit",
        converted('<linear name="own" factor="0.1"/>'),
        'name="own"',
        "own",
        severity=Severity.NOTE,
    ),
    passes("definition/no-unit", "a pure number", converted('<linear name="own" unit="-" factor="0.1"/>')),
    passes("definition/no-unit", "named states", scalar(conversion="on_off")),
)

OTHER_UNIT = (
    fails(
        "definition/unit-differs",
        "an axis in m/s over a signal in rpm",
        definition_xml(
            table("curve", "fuel", '<x axis="knots"/>', at=8),
            axes=axis("knots", conversion="mps"),
            conversions='<linear name="mps" unit="m/s" factor="1"/><linear name="mg" unit="mg" factor="1"/>',
        ),
        'name="knots"',
        "axis knots is in m/s, but its signal speed is in rpm",
        severity=Severity.WARNING,
    ),
    fails(
        "definition/unit-differs",
        "a threshold in mg that is compared with rpm",
        scalar(signal="speed"),
        'name="fuel"',
        "table fuel is in mg, but its signal speed is in rpm",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/unit-differs",
        "one unit in two spellings",
        definition_xml(
            table("scalar", "cut", signal="temp", conversion="kelvins_cousin"),
            signals='<signal name="temp" unit="°C">Temperature</signal>',
            conversions='<linear name="kelvins_cousin" unit="degC" factor="1"/>',
        ),
    ),
    passes("definition/unit-differs", "a signal in the table's unit", scalar(signal="load")),
)

OWN_AXIS = '<fixed-axis signal="speed" count="3" start="0" step="500"/>'
USED = definition_xml(
    table("curve", "fuel", '<x axis="speeds"/>', at=8)
    + table("scalar", "switch", at=16, type="uint8", conversion="on_off")
    + table("scalar", "full_load", at=18, signal="load"),
    axes=axis("speeds"),
)

UNUSED = (
    fails(
        "definition/unused",
        "a signal that feeds nothing",
        USED.replace(b"<signals>", b'<signals>\n<signal name="gear" unit="-">Gear</signal>\n'),
        'name="gear"',
        "signal gear",
        severity=Severity.NOTE,
    ),
    fails(
        "definition/unused",
        "a conversion that converts nothing",
        USED.replace(b"<conversions>", b'<conversions>\n<linear name="bar" unit="bar" factor="0.1"/>\n'),
        'name="bar"',
        "conversion bar",
        severity=Severity.NOTE,
    ),
    fails(
        "definition/unused",
        "an axis under no table",
        USED.replace(b"<axes>", b'<axes>\n<fixed-axis name="gears" signal="speed" values="1 2"/>\n'),
        'name="gears"',
        "axis gears",
        severity=Severity.NOTE,
    ),
    passes("definition/unused", "signals, conversions and an axis that are each used once", USED),
    passes(
        "definition/unused",
        "a signal that a table puts out",
        USED.replace(b'signal="load"', b'produces="load"'),
    ),
    passes(
        "definition/unused",
        "an axis of a table's own",
        definition_xml(
            table("curve", "fuel", f"<x>{OWN_AXIS}</x>", at=8)
            + table("scalar", "switch", at=16, type="uint8", conversion="on_off")
            + table("scalar", "idle_speed", at=18, conversion="rpm", signal="load")
        ),
    ),
)

UNGUARDED = (
    fails(
        "definition/unguarded-protection",
        "a protection without a guard",
        scalar('<limits max="90"/>', purpose="protection"),
        'name="fuel"',
        "protection table fuel",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/unguarded-protection",
        "a protection with a guard",
        scalar('<guard above="85"/>', purpose="protection"),
    ),
    passes("definition/unguarded-protection", "a diagnosis without a guard", scalar(purpose="diagnosis")),
)


UNDIRECTED = (
    fails(
        "definition/undirected-protection",
        "a protection that only must not be flat",
        curve(f'{ON_GEARS}<guard flat="true"/>', purpose="protection"),
        'name="fuel"',
        "protection table fuel has no guard above or below, only flat",
        severity=Severity.WARNING,
        of="fuel",
    ),
    fails(
        "definition/undirected-protection",
        "a protection that only must not have one raw number",
        scalar('<guard raw="65535"/>', purpose="protection"),
        'name="fuel"',
        "only raw 65535",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/undirected-protection",
        "a protection that must not be flat, with a guard below too",
        curve(f'{ON_GEARS}<guard flat="true"/><guard below="5"/>', purpose="protection"),
    ),
    passes(
        "definition/undirected-protection",
        "a protection of named states",
        scalar('<guard state="off"/>', purpose="protection", conversion="on_off"),
    ),
    passes(
        "definition/undirected-protection",
        "a protection without a guard, which is unguarded",
        scalar(purpose="protection"),
    ),
)


def fixed(values: str) -> bytes:
    """A curve over fixed breakpoints."""
    return curve(ON_GEARS, axes=f'\n<fixed-axis name="gears" signal="speed" {values}/>\n')


FIXED_AXIS = (
    fails(
        "definition/fixed-axis-not-rising",
        "3 behind 4",
        fixed('values="1 2 4 3 5 6"'),
        "<fixed-axis",
        "axis gears",
        "3 follows 4",
    ),
    fails(
        "definition/fixed-axis-not-rising",
        "2 behind 2",
        fixed('values="1 2 2"'),
        "<fixed-axis",
        "axis gears",
        "2 follows 2",
    ),
    passes("definition/fixed-axis-not-rising", "2.001 behind 2", fixed('values="1 2 2.001"')),
    passes(
        "definition/fixed-axis-not-rising",
        "a count, a start and a step",
        fixed('count="3" start="-1" step="1"'),
    ),
    passes("definition/fixed-axis-not-rising", "one breakpoint", fixed('values="1"')),
)


def related(kind: str, text: str, other: str, **of: str) -> bytes:
    """Two curves, each over the fixed breakpoints and in the conversion that are given, and a relation."""
    tables = axes = ""
    for name, given in (("one", text), ("other", other)):
        conversion, signal, values = given.split(":")
        axes += f'<fixed-axis name="of_{name}" signal="{signal}" values="{values}"/>'
        inside, at = f'<x axis="of_{name}"/>', 0 if name == "one" else 16
        tables += table("curve", name, inside, at=at, conversion=conversion)
    second = {"at-most": "bound", "inverse": "of"}[kind]
    relation = f'\n<{kind} table="one" {second}="{of.get("second", "other")}"/>\n'
    return definition_xml(tables, axes=axes, relations=relation)


def unusable(name: str, xml: bytes, *arguments: str) -> Example:
    kind = "<inverse" if b"<inverse" in xml else "<at-most"
    return fails(
        "definition/unusable-relation", name, xml, kind, *arguments, severity=Severity.WARNING, of="one"
    )


def usable(name: str, xml: bytes) -> Example:
    return passes("definition/unusable-relation", name, xml)


def crossed(count: int) -> bytes:
    """Two long maps that lie across each other, with as many breakpoints along."""
    short = '<fixed-axis signal="{}" values="1 2"/>'
    long = f'<fixed-axis signal="{{}}" count="{count}" start="0" step="0.01"/>'
    item = f"<x>{long.format('speed')}</x><y>{short.format('load')}</y>"
    other = f"<x>{short.format('speed')}</x><y>{long.format('load')}</y>"
    tables = table("map", "one", item) + table("map", "other", other, at=4 * count)
    return definition_xml(tables, size=8 * count, relations='\n<at-most table="one" bound="other"/>\n')


UNUSABLE = (
    unusable(
        "a table below itself", related("at-most", "mg:speed:1 2", "mg:speed:1 2", second="one"), "itself"
    ),
    unusable(
        "rpm below mg", related("at-most", "rpm:speed:1 2", "mg:speed:1 2"), "values are in rpm and in mg"
    ),
    unusable(
        "fixed axes of one signal that do not meet",
        related("at-most", "mg:speed:1 2", "mg:speed:3 4"),
        "axes over speed have no range in common",
    ),
    usable(
        "fixed axes of one signal that meet in one point", related("at-most", "mg:speed:1 2", "mg:speed:2 4")
    ),
    usable("tables over signals that differ", related("at-most", "mg:speed:1 2", "mg:load:3 4")),
    unusable(
        "an inverse over one signal",
        related("inverse", "mg:speed:1 2", "mg:speed:1 2"),
        "needs one signal that only one has",
    ),
    unusable(
        "an inverse that gives rpm where the other takes mg",
        related("inverse", "rpm:speed:1 2", "rpm:load:1 2"),
        "the output of one and the input of other are in rpm and in mg",
    ),
    unusable(
        "an inverse that takes rpm where the other gives mg",
        related("inverse", "mg:speed:1 2", "mg:load:1 2"),
        "the output of other and the input of one are in mg and in rpm",
    ),
    usable("an inverse that takes what the other gives", related("inverse", "mg:speed:1 2", "rpm:load:1 2")),
    unusable(
        "a map whose axes have one signal",
        definition_xml(
            table("map", "one", '<x axis="a"/><y axis="a"/>') + table("scalar", "other", at=20),
            axes='<fixed-axis name="a" signal="speed" values="1 2"/>',
            relations='\n<at-most table="one" bound="other"/>\n',
        ),
        "both axes of one are over speed",
    ),
    unusable("long maps across each other", crossed(2047), "4,194,304"),
    usable("maps across each other that are shorter by one", crossed(2046)),
)

EXAMPLES = (
    *UNUSABLE,
    *INVALID,
    *DUPLICATE_NAME,
    *UNKNOWN_REFERENCE,
    *OUTSIDE_IMAGE,
    *OVERLAP,
    *CHECKSUM_OVER_ITSELF,
    *NOT_INVERTIBLE,
    *LIMITS_INVERTED,
    *LIMITS_UNREACHABLE,
    *NO_LIMITS,
    *NO_UNIT,
    *OTHER_UNIT,
    *UNUSED,
    *UNGUARDED,
    *UNDIRECTED,
    *FIXED_AXIS,
)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


def test_a_near_miss_of_a_name_is_hinted_at() -> None:
    (finding,) = of_rule(findings(curve('<x axis="gear"/>')), "definition/unknown-reference")
    assert "'gears'" in finding.hint


def test_two_things_of_one_name_are_found_even_on_one_line() -> None:
    tables = (table("scalar", "fuel") + table("scalar", "fuel", at=2)).replace("\n", "")
    assert len(of_rule(findings(definition_xml(tables)), "definition/duplicate-name")) == 1


def test_two_of_three_elements_with_one_name_are_reported() -> None:
    tables = "".join(table("scalar", "fuel", at=at) for at in (0, 2, 4))
    assert len(of_rule(findings(definition_xml(tables)), "definition/duplicate-name")) == 2


@pytest.mark.parametrize("space", ["region", "identity", "checksum", "signal", "conversion", "group"])
def test_every_kind_of_thing_needs_a_name_of_its_own(space: str) -> None:
    elements = {
        "region": '<region name="same" start="0" size="4"/>',
        "identity": '<identity name="same" at="8" text="SK28"/>',
        "checksum": '<checksum name="same" algorithm="sum8" start="0" size="4" stored-at="40"/>',
        "signal": '<signal name="same" unit="V">Voltage</signal>',
        "conversion": '<linear name="same" unit="V" factor="1"/>',
        "group": '<group name="same" title="Same"/>',
    }
    twice = f"\n{elements[space]}\n{elements[space]}\n"
    places = {
        "memory": twice if space in ("region", "identity", "checksum") else "",
        "signals": SIGNALS + (twice if space == "signal" else ""),
        "conversions": CONVERSIONS + (twice if space == "conversion" else ""),
    }
    xml = definition_xml(twice if space == "group" else table("scalar", "fuel"), **places)  # type: ignore[arg-type]
    (finding,) = of_rule(findings(xml), "definition/duplicate-name")
    assert f"{space} name 'same'" in finding.message


def test_of_three_tables_on_one_byte_two_are_wrong() -> None:
    tables = "".join(table("scalar", name, at=8, type="uint8") for name in ("one", "two", "three"))
    pair, many = of_rule(findings(definition_xml(tables)), "definition/overlap")
    assert many.table == "three" and "table three (line 21) overlaps 2 others from 0x00008 on" in many.message
    assert "table one (line 15) and table two (line 18) both claim 0x00008" in pair.message


def test_one_wrong_address_is_one_finding_however_many_tables_it_touches() -> None:
    right = "".join(table("scalar", f"limit_{number}", at=8 + 2 * number) for number in range(6))
    wrong = table("curve", "fuel", ON_GEARS, at=9)  # bytes 9 to 14 touch four scalars of two bytes
    (finding,) = of_rule(findings(two(right, wrong)), "definition/overlap")
    assert finding.table == "fuel"
    assert "overlaps 4 others from 0x00009 on: table limit_0 (line 19), " in finding.message
    assert finding.hint == "Check address, count, type, stride and mask of table fuel first."


def test_two_wrong_addresses_are_two_findings() -> None:
    right = "".join(table("scalar", f"limit_{number}", at=8 + 2 * number) for number in range(12))
    wrong = table("curve", "fuel", ON_GEARS, at=9), table("curve", "trim", ON_GEARS, at=20)
    reported = of_rule(findings(two(right, "".join(wrong))), "definition/overlap")
    assert [finding.table for finding in reported] == ["fuel", "trim"]


def test_only_masks_with_a_common_bit_overlap() -> None:
    masks = {"low": "0x0F", "high": "0xF0", "lowest": "0x01"}
    tables = "".join(table("scalar", name, at=8, type="uint8", mask=mask) for name, mask in masks.items())
    (finding,) = of_rule(findings(definition_xml(tables)), "definition/overlap")
    assert "table low " in finding.message
    assert "table lowest " in finding.message


def test_after_a_thousand_overlapping_pairs_the_rest_is_left_out() -> None:
    tables = "".join(table("scalar", f"fuel_{number}", at=8, type="uint8") for number in range(50))
    reported = of_rule(findings(definition_xml(tables)), "definition/overlap")
    assert len(reported) < 50
    assert any("overlaps at least " in finding.message for finding in reported)


def test_the_bound_on_overlapping_pairs_holds_for_all_places_together() -> None:
    # 780 pairs at each address: the bound is reached at the second, and nothing is reported at the others.
    tables = "".join(
        table("scalar", f"fuel_{address}_{number}", at=address, type="uint8")
        for address in (8, 9, 10, 11)
        for number in range(40)
    )
    reported = of_rule(findings(definition_xml(tables)), "definition/overlap")
    assert {finding.table.split("_")[1] for finding in reported} == {"8", "9"}


def test_limits_between_two_values_are_reported_as_unreachable() -> None:
    result = of_rule(
        findings(scalar('<limits min="30" max="40"/>', type="uint8")), "definition/limits-unreachable"
    )
    assert any("no value that fuel can hold lies within its limits" in finding.message for finding in result)


def test_inverted_limits_are_one_mistake_and_not_also_unreachable_ones() -> None:
    reported = findings(scalar('<limits min="20" max="10"/>', type="uint8"))
    assert of_rule(reported, "definition/limits-inverted")
    assert not of_rule(reported, "definition/limits-unreachable")
