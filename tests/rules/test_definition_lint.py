"""The definition/ rules about demands, axes and spellings that are valid but cannot be meant."""

from __future__ import annotations

from callint.model.finding import Severity
from tests.building import CONVERSIONS, definition_xml, findings
from tests.rules.example import Example, all_examples, axis, of_rule, table
from tests.rules.test_definition import FIXED, ON_GEARS, converted, curve, fails, passes, scalar

PROTECTION: dict[str, str | int] = {"purpose": "protection", "type": "uint8"}


def guarded(guard: str, inside: str = "", **attributes: str | int) -> bytes:
    """A protection of 8 bits in tenths of a mg, 0 to 25.5 mg, with a guard on a line of its own."""
    return definition_xml(table("scalar", "fuel", f"{inside}\n{guard}\n", **{**PROTECTION, **attributes}))


def unusable_guard(name: str, xml: bytes, *words: str, line: str = "<guard") -> Example:
    return fails("definition/unusable-guard", name, xml, line, *words, severity=Severity.WARNING, of="fuel")


UNUSABLE_GUARD = (
    unusable_guard(
        "a guard at the end of a byte",
        guarded('<guard above="25.5"/>'),
        "no value of fuel can match its guard above 25.5 mg: its uint8 holds 0 to 25.5 mg",
    ),
    passes("definition/unusable-guard", "a guard below the end of a byte", guarded('<guard above="25.4"/>')),
    unusable_guard(
        "a guard below the lowest value", guarded('<guard below="0"/>'), "can match its guard below 0 mg"
    ),
    passes("definition/unusable-guard", "a guard above the lowest value", guarded('<guard below="0.1"/>')),
    unusable_guard(
        "a guard in the wrong direction",
        guarded('<guard below="20.1"/>', '<limits min="5" max="20"/>'),
        "every value within the limits of fuel (5 to 20 mg) matches its guard below 20.1 mg",
    ),
    passes(
        "definition/unusable-guard",
        "a guard that the highest accepted value barely misses",
        guarded('<guard below="20"/>', '<limits min="5" max="20"/>'),
    ),
    unusable_guard(
        "a guard that the whole expected range matches",
        guarded('<guard above="9"/>', '<limits min="5" max="20"/><expected min="9.1" max="15"/>'),
        "every value within the expected range of fuel (9.1 to 15 mg)",
    ),
    passes(
        "definition/unusable-guard",
        "a guard that one end of the expected range misses",
        guarded('<guard above="9.1"/>', '<limits min="5" max="20"/><expected min="9.1" max="15"/>'),
    ),
    unusable_guard(
        "a guard beyond twice the upper limit",
        guarded('<guard above="20.1"/>', '<limits min="5" max="10"/>'),
        "the guard above 20.1 mg of fuel lies far beyond its limits of 5 to 10 mg",
    ),
    passes(
        "definition/unusable-guard",
        "a guard at twice the upper limit",
        guarded('<guard above="20"/>', '<limits min="5" max="10"/>'),
    ),
    unusable_guard(
        "a guard far below the limits",
        guarded('<guard below="-0.1"/>', '<limits min="10" max="15"/>', type="int16"),
        "the guard below -0.1 mg of fuel lies far beyond its limits",
    ),
    unusable_guard(
        "a flat scalar",
        guarded('<guard flat="true"/>', '<guard above="9"/>'),
        "the table has one value",
        line="<guard flat",
    ),
    passes(
        "definition/unusable-guard", "a flat scalar, which is undirected", guarded('<guard flat="true"/>')
    ),
    unusable_guard(
        "a guard of a demand",
        guarded('<guard above="20"/>', purpose="demand"),
        "it is a demand table",
    ),
    passes(
        "definition/unusable-guard",
        "a limit beyond the byte too, which is one mistake",
        guarded('<guard above="300"/>', '<limits min="0" max="280"/>'),
    ),
)

UNLIMITED_EMISSIONS = (
    fails(
        "definition/unlimited-emissions",
        "an emissions curve with limits alone",
        curve(f'{ON_GEARS}<limits max="90"/>', purpose="emissions"),
        'name="fuel"',
        "emissions curve fuel has no change limit",
        severity=Severity.NOTE,
        of="fuel",
    ),
    passes(
        "definition/unlimited-emissions",
        "an emissions curve with a change limit",
        curve(f'{ON_GEARS}<limits max="90"/><change max="5"/>', purpose="emissions"),
    ),
    passes(
        "definition/unlimited-emissions",
        "an emissions scalar",
        scalar('<limits max="90"/>', purpose="emissions"),
    ),
    passes(
        "definition/unlimited-emissions",
        "an emissions curve with an off code",
        curve(f'{ON_GEARS}<limits max="90"/><off raw="0"/>', purpose="emissions"),
    ),
    passes(
        "definition/unlimited-emissions",
        "a correction curve",
        curve(f'{ON_GEARS}<limits max="90"/>', purpose="correction"),
    ),
)

UNCHECKED = (
    fails(
        "definition/unguarded-protection",
        "a protection of which nothing is demanded",
        scalar(purpose="protection"),
        'name="fuel"',
        "has neither a guard nor limits",
        severity=Severity.ERROR,
        of="fuel",
    ),
    fails(
        "definition/unguarded-protection",
        "a protection with an off code alone",
        scalar('<off raw="0"/>', purpose="protection"),
        'name="fuel"',
        "it may hold any value",
        severity=Severity.ERROR,
        of="fuel",
    ),
    fails(
        "definition/unguarded-protection",
        "a protection that only a mirror checks",
        definition_xml(
            table("scalar", "fuel", purpose="protection") + table("scalar", "copy", at=2),
            relations='<equal table="copy" mirror="fuel"/>',
        ),
        'name="fuel"',
        "has no guard",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/no-limits",
        "a protection of which nothing at all is demanded",
        scalar(purpose="protection"),
    ),
    fails(
        "definition/no-limits",
        "a protection with a guard alone",
        scalar('<guard above="85"/>', purpose="protection"),
        'name="fuel"',
        "protection table fuel has no limits",
        severity=Severity.NOTE,
        of="fuel",
    ),
)


def bounding(guard: str) -> bytes:
    """A protection with a guard that bounds a demand."""
    return definition_xml(
        table("scalar", "demand", at=2)
        + table("scalar", "fuel", f'<limits min="20" max="90"/>{guard}', purpose="protection"),
        relations='<at-most table="demand" bound="fuel"/>',
    )


UNDIRECTED = (
    fails(
        "definition/undirected-protection",
        "a bound that is guarded only below",
        bounding('<guard below="10"/>'),
        'name="fuel"',
        "fuel bounds demand from above and protects less if it rises, but it has no guard above",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/undirected-protection",
        "a bound that is guarded above too",
        bounding('<guard below="10"/><guard above="95"/>'),
    ),
)

LIMITS_UNREACHABLE = (
    fails(
        "definition/limits-unreachable",
        "a change limit as wide as the limits",
        scalar('<limits min="5" max="90"/><change max="85"/>'),
        'name="fuel"',
        "no change of fuel can exceed its change limit of 85 mg: its values lie between 5 and 90 mg",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/limits-unreachable",
        "a change limit that is barely narrower than the limits",
        scalar('<limits min="5" max="90"/><change max="84.9"/>'),
    ),
    fails(
        "definition/limits-unreachable",
        "a change limit beyond a byte without limits",
        scalar('<change max="25.5"/>', type="uint8"),
        'name="fuel"',
        "between 0 and 25.5 mg",
        severity=Severity.WARNING,
        of="fuel",
    ),
    fails(
        "definition/limits-unreachable",
        "limits of which a byte holds no value",
        scalar('<limits min="100" max="200"/>', type="uint8"),
        'name="fuel"',
        "no value that fuel can hold lies within its limits of 100 to 200 mg",
        severity=Severity.WARNING,
        of="fuel",
    ),
    # raw = 1000000 / p: 15 mg is raw 66666.7, and a uint16 ends at 65535.
    fails(
        "definition/limits-unreachable",
        "a period that does not fit",
        converted(
            '<rational name="own" unit="mg" a="0" b="0" c="1000000" d="0" e="1" f="0"/>',
            '<limits min="15" max="900"/>',
        ),
        'name="fuel"',
        "no value of fuel can reach the limit of 15 mg: that is raw 66666.6",
        severity=Severity.WARNING,
        of="fuel",
    ),
    # 1000000 / 15.2588 is 65535.96, less than one step beyond the end.
    passes(
        "definition/limits-unreachable",
        "a period that was rounded by less than a step",
        converted(
            '<rational name="own" unit="mg" a="0" b="0" c="1000000" d="0" e="1" f="0"/>',
            '<limits min="15.2588" max="900"/>',
        ),
    ),
    fails(
        "definition/limits-unreachable",
        "an expected range beyond a byte without limits",
        scalar('<expected min="0" max="25.6"/>', type="uint8"),
        'name="fuel"',
        "no value of fuel can reach the expected range of 25.6 mg: its uint8 holds 0 to 25.5 mg",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/limits-unreachable",
        "an expected range to the end of a byte",
        scalar('<expected min="0" max="25.5"/>', type="uint8"),
    ),
    fails(
        "definition/limits-unreachable",
        "a gradient that the closest fixed breakpoints cannot exceed",
        curve(f'{ON_GEARS}\n<limits min="0" max="90"/>\n<gradient along="x" max="90"/>\n'),
        "<gradient",
        "no slope of fuel along x can exceed 90 mg per rpm",
        "its breakpoints are at least 1 rpm apart",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/limits-unreachable",
        "a gradient that a jump between fixed breakpoints barely exceeds",
        curve(f'{ON_GEARS}\n<limits min="0" max="90"/>\n<gradient along="x" max="89.9"/>\n'),
    ),
    # A uint16 of 1 rpm a step: its breakpoints may be 1 rpm apart.
    fails(
        "definition/limits-unreachable",
        "a gradient beyond what one step of a stored axis allows",
        curve(
            '<x axis="speeds"/>\n<gradient along="x" max="25.5"/>\n', axes=axis("speeds"), type="uint8", at=32
        ),
        "<gradient",
        "between 0 and 25.5 mg",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/limits-unreachable",
        "a gradient that one step of a stored axis allows",
        curve(
            '<x axis="speeds"/>\n<gradient along="x" max="25.4"/>\n', axes=axis("speeds"), type="uint8", at=32
        ),
    ),
)

MAP = '<x axis="gears"/><y axis="gears"/>'
TWICE = '<gradient along="x" max="2"/>\n<gradient along="x" max="45"/>\n'
REPEATED = (
    fails(
        "definition/repeated-demand",
        "two gradients along x",
        definition_xml(table("map", "fuel", MAP + TWICE), axes=FIXED),
        'max="45"',
        "fuel has two <gradient> along x",
        severity=Severity.WARNING,
        of="fuel",
    ),
    passes(
        "definition/repeated-demand",
        "a gradient along each axis",
        definition_xml(table("map", "fuel", MAP + TWICE.replace("x", "y", 1)), axes=FIXED),
    ),
    fails(
        "definition/repeated-demand",
        "two orders along y",
        definition_xml(
            table(
                "map",
                "fuel",
                MAP
                + '<monotonic along="y" direction="rising"/>\n<monotonic along="y" direction="falling"/>\n',
            ),
            axes=FIXED,
        ),
        "falling",
        "fuel has two <monotonic> along y",
        severity=Severity.WARNING,
        of="fuel",
    ),
)


def operated(axes: str, operating: str = "700 3700") -> bytes:
    """A definition whose axes are those of a speed with an operating range."""
    signals = f'\n<signal name="speed" unit="rpm" operating="{operating}">Speed</signal>\n'
    names = [part.partition('"')[0] for part in axes.split('name="')[1:]]
    tables = "".join(
        table("curve", f"fuel_{number}", f'<x axis="{name}"/>', at=32 + 8 * number)
        for number, name in enumerate(names)
    )
    half = '<linear name="half" unit="rpm" factor="0.5"/>'
    return definition_xml(tables, axes=axes, signals=signals, conversions=CONVERSIONS + half)


UNCOVERED = (
    # 5 % of 700 to 3700 rpm are 150 rpm.
    fails(
        "definition/uncovered-operating-range",
        "two fixed axes that both end 150 rpm short",
        operated(
            '<fixed-axis name="slow" signal="speed" values="600 2000"/>'
            '<fixed-axis name="fast" signal="speed" values="600 3550"/>'
        ),
        'name="speed"',
        "all 2 axes of speed end below 3700 rpm, an end of its operating range; "
        "the nearest one is at 3550 rpm: slow, fast",
        severity=Severity.NOTE,
    ),
    fails(
        "definition/uncovered-operating-range",
        "an axis whose byte ends far below",
        operated(axis("speeds", type="uint8")),
        'name="speeds"',
        "the uint8 of axis speeds holds 0 to 255 rpm, but its signal speed operates at 700 to 3700 rpm",
        severity=Severity.WARNING,
    ),
    passes("definition/uncovered-operating-range", "an axis of two bytes", operated(axis("speeds"))),
    # 0.5 rpm a step: a uint8 ends at 127.5 rpm; 100 to 155 rpm has its middle there.
    fails(
        "definition/uncovered-operating-range",
        "an axis whose byte ends just below the middle",
        operated(axis("speeds", type="uint8", conversion="half"), "100 155.1"),
        'name="speeds"',
        "holds 0 to 127.5 rpm",
        severity=Severity.WARNING,
    ),
    passes(
        "definition/uncovered-operating-range",
        "an axis whose byte ends in the middle",
        operated(axis("speeds", type="uint8", conversion="half"), "100 155"),
    ),
    fails(
        "definition/uncovered-operating-range",
        "a fixed axis just below the operating range",
        operated('\n<fixed-axis name="speeds" signal="speed" values="1 699"/>\n'),
        'name="speeds"',
        "axis speeds reaches from 1 to 699 rpm",
        severity=Severity.WARNING,
    ),
    passes(
        "definition/uncovered-operating-range",
        "a fixed axis that reaches the operating range",
        operated('<fixed-axis name="speeds" signal="speed" values="1 700"/>'),
    ),
    passes(
        "definition/uncovered-operating-range",
        "a fixed axis below the operating range beside one that reaches it",
        operated(
            '<fixed-axis name="idle" signal="speed" values="600 699"/>'
            '<fixed-axis name="high" signal="speed" values="2000 3600"/>'
        ),
    ),
    passes(
        "definition/uncovered-operating-range",
        "a fixed axis beside a stored one, whose breakpoints only the image knows",
        operated('<fixed-axis name="idle" signal="speed" values="600 699"/>' + axis("speeds")),
    ),
    passes(
        "definition/uncovered-operating-range",
        "two fixed axes of which one ends less than 150 rpm short",
        operated(
            '<fixed-axis name="slow" signal="speed" values="600 2000"/>'
            '<fixed-axis name="fast" signal="speed" values="600 3551"/>'
        ),
    ),
    passes(
        "definition/uncovered-operating-range",
        "a single derating that begins late",
        operated('<fixed-axis name="derating" signal="speed" values="3000 3700"/>'),
    ),
)


def reused(sensor: str = "speed", rest: str = "0x3F") -> bytes:
    """A definition with a sensor of a signal, and with a region behind another one of the memory."""
    xml = definition_xml(
        table("curve", "fuel", ON_GEARS, signal="load") + table("curve", "circuit", ON_GEARS, at=16),
        axes=FIXED,
        memory=f'<region name="all" start="0" size="0x3F"/>\n<region name="rest" start="{rest}" size="1"/>\n',
        conversions='<linear name="mg" unit="mg" factor="0.1" decimals="1"/>',
    )
    signals = f'<signal name="oil" unit="mg">Oil</signal>\n<sensor signal="{sensor}" curve="circuit"'
    return xml.replace(b"</signals>", f'{signals} supply="5" pull-up="1000"/>\n</signals>'.encode())


def test_a_wrong_conversion_of_three_axes_is_one_finding() -> None:
    rule = "definition/uncovered-operating-range"
    axes = [axis(name, type="uint8") for name in ("a", "b", "c")]
    (finding,) = of_rule(findings(operated("".join(axes))), rule)
    assert finding.subject == "conversion rpm" and finding.message.endswith("signal: a, b, c")
    assert len(of_rule(findings(operated("".join(axes[:2]))), rule)) == 2
    found = of_rule(findings(operated("".join(axes) + axis("wide"))), rule)
    assert [finding.subject for finding in found] == ["axis a", "axis b", "axis c"]


def test_swapped_limits_are_one_finding() -> None:
    xml = scalar('<limits min="90" max="5"/><expected min="6" max="80"/>')
    found = [finding.rule for finding in findings(xml) if finding.table == "fuel"]
    assert found == ["definition/limits-inverted"]


def bounded(relation: str, one: str, other: str) -> bytes:
    """Two scalars with these limits, and a relation on a line of its own."""
    return definition_xml(
        table("scalar", "one", f"<limits {one}/>") + table("scalar", "other", f"<limits {other}/>", at=2),
        relations=f"\n{relation}\n",
    )


AT_MOST = '<at-most table="one" bound="other" margin="5"/>'
EQUAL = '<equal table="one" mirror="other" tolerance="5"/>'
GAP = '<gap upper="one" lower="other" min="5"/>'
LOW, HIGH = 'min="0" max="10"', 'min="15" max="20"'


def redundant(name: str, xml: bytes, *words: str, line: str) -> Example:
    return fails("definition/redundant-relation", name, xml, line, *words, severity=Severity.NOTE, of="one")


REDUNDANT = (
    redundant(
        "a bound that the limits keep",
        bounded(AT_MOST, LOW, HIGH),
        "at-most of one and other: their limits allow 0 to 10 mg and 15 to 20 mg, so no accepted values",
        line="<at-most",
    ),
    passes(
        "definition/redundant-relation",
        "a bound that the limits barely do not keep",
        bounded(AT_MOST, 'min="0" max="10.1"', HIGH),
    ),
    redundant("a gap that the limits keep", bounded(GAP, HIGH, LOW), "no accepted values", line="<gap"),
    passes(
        "definition/redundant-relation",
        "a gap that the limits barely do not keep",
        bounded(GAP, 'min="14.9" max="20"', LOW),
    ),
    redundant(
        "a mirror within a tolerance as wide as the limits",
        bounded(EQUAL, HIGH, HIGH),
        "no accepted values",
        line="<equal",
    ),
    passes(
        "definition/redundant-relation",
        "a mirror within a tolerance that is barely narrower",
        bounded(EQUAL, HIGH, 'min="15" max="20.1"'),
    ),
    redundant(
        "a mirror that is given twice",
        bounded('<equal table="other" mirror="one"/>' + "\n" + EQUAL, LOW, LOW),
        "relates the same tables in the same way",
        line="tolerance",
    ),
    passes(
        "definition/redundant-relation",
        "one bound in the operating range, and another one everywhere",
        bounded(AT_MOST.replace("/>", ' within="operating"/>') + AT_MOST, LOW, LOW),
    ),
)


def never_kept(name: str, xml: bytes, line: str) -> Example:
    return fails(
        "definition/unusable-relation",
        name,
        xml,
        line,
        "so no accepted values keep it",
        severity=Severity.WARNING,
        of="one",
    )


NEVER_KEPT = (
    fails(
        "definition/unusable-relation",
        "a switch below a number",
        definition_xml(
            table("scalar", "one", conversion="on_off") + table("scalar", "other", at=2),
            relations='\n<at-most table="one" bound="other"/>\n',
        ),
        "<at-most",
        "one has named states, but the other table has numbers",
        severity=Severity.WARNING,
        of="one",
    ),
    passes(
        "definition/unusable-relation",
        "two switches that must be equal",
        definition_xml(
            table("scalar", "one", conversion="on_off") + table("scalar", "other", at=2, conversion="on_off"),
            relations='<equal table="one" mirror="other"/>',
        ),
    ),
    never_kept("a bound below everything", bounded(AT_MOST, 'min="5.1" max="20"', LOW), "<at-most"),
    passes(
        "definition/unusable-relation",
        "a bound that the lowest value barely keeps",
        bounded(AT_MOST, 'min="5" max="20"', LOW),
    ),
    never_kept("a gap of swapped tables", bounded(GAP, LOW, HIGH), "<gap"),
    passes(
        "definition/unusable-relation",
        "a gap that one pair of values keeps",
        bounded(GAP, 'min="0" max="20"', HIGH),
    ),
    never_kept("a mirror whose limits are apart", bounded(EQUAL, LOW, 'min="15.1" max="20"'), "<equal"),
    passes("definition/unusable-relation", "a mirror whose limits barely meet", bounded(EQUAL, LOW, HIGH)),
)


def addressed(*addresses: str) -> bytes:
    """A definition of scalars at these addresses, as they are written, each on a line of its own."""
    tables = "".join(
        f'\n<scalar name="table_{n}" title="T" purpose="general" at="{at}" type="uint8"/>\n'
        for n, at in enumerate(addresses)
    )
    return definition_xml(tables).replace(b'start="0" size="64"', b'start="0" size="256"')


DECIMAL = (
    fails(
        "definition/decimal-address",
        "10 among three hexadecimal addresses",
        addressed("0x11", "0x12", "0x13", "10"),
        'name="table_3"',
        "at of table_3 is the decimal number 10, which is 0x0000A, but the other addresses are hexadecimal",
        severity=Severity.WARNING,
    ),
    passes(
        "definition/decimal-address",
        "10 among two hexadecimal addresses",
        addressed("0x11", "0x12", "10"),
    ),
    passes(
        "definition/decimal-address",
        "9, which is the same in both",
        addressed("0x11", "0x12", "0x13", "9"),
    ),
    passes(
        "definition/decimal-address",
        "an address that lies in the memory without 0x only",
        addressed("0x11", "0x12", "0x13", "200"),
    ),
    passes("definition/decimal-address", "decimal addresses alone", addressed("10", "11", "12", "13")),
)


def two_conversions(first: str, second: str) -> bytes:
    """Two scalars with a conversion each, the second on a line of its own."""
    return definition_xml(
        table("scalar", "fuel", conversion="a") + table("scalar", "idle", conversion="b", at=2),
        conversions=f"{CONVERSIONS}{first}\n{second}\n",
    )


def linear(name: str, factor: str, offset: str = "0", unit: str = "-") -> str:
    return f'<linear name="{name}" unit="{unit}" factor="{factor}" offset="{offset}"/>'


def similar(name: str, first: str, second: str, *words: str) -> Example:
    return fails(
        "definition/similar-conversion",
        name,
        two_conversions(first, second),
        'name="b"',
        "conversion b is almost a",
        *words,
        severity=Severity.WARNING,
    )


POINTS = (
    '<interpolated name="{}" unit="-"><point raw="0" physical="1"/><point raw="9" physical="{}"/>'
    "</interpolated>"
)

SIMILAR = (
    similar("1/128 and its rounded copy", linear("a", "0.0078125"), linear("b", "0.0078"), "factor 0.0078"),
    similar("a factor 1 % larger", linear("a", "0.1"), linear("b", "0.101")),
    passes(
        "definition/similar-conversion",
        "a factor 2 % larger",
        two_conversions(linear("a", "0.1"), linear("b", "0.102")),
    ),
    passes(
        "definition/similar-conversion",
        "two equal conversions",
        two_conversions(linear("a", "0.1"), linear("b", "0.10")),
    ),
    passes(
        "definition/similar-conversion",
        "two units",
        two_conversions(linear("a", "0.1"), linear("b", "0.101", unit="V")),
    ),
    passes(
        "definition/similar-conversion",
        "another offset",
        two_conversions(linear("a", "0.1"), linear("b", "0.101", "-40")),
    ),
    passes(
        "definition/similar-conversion",
        "a factor and an offset that are each 1 % larger",
        two_conversions(linear("a", "0.1", "-40"), linear("b", "0.101", "-40.4")),
    ),
    similar(
        "an offset of 273.15 and of 273", linear("a", "1", "-273.15"), linear("b", "1", "-273"), "offset -273"
    ),
    similar(
        "two points of which one is off", POINTS.format("a", "200"), POINTS.format("b", "201"), "a point"
    ),
    similar(
        "two periods",
        '<rational name="a" unit="-" a="0" b="0" c="30000000" d="0" e="1" f="0"/>',
        '<rational name="b" unit="-" a="0" b="0" c="30000900" d="0" e="1" f="0"/>',
        "c 30000900 instead of 30000000",
    ),
)

UNUSED = (
    fails(
        "definition/unused",
        "a group without tables",
        definition_xml(
            '\n<group name="empty" title="Empty"></group>\n'
            + table("curve", "fuel", ON_GEARS, signal="load")
            + table("scalar", "switch", at=8, type="uint8", conversion="on_off"),
            axes=FIXED,
        ).replace(b'<linear name="rpm" unit="rpm" factor="1" decimals="0"/>', b""),
        "<group",
        "group empty is never used",
        severity=Severity.NOTE,
    ),
    fails(
        "definition/unused",
        "a sensor whose signal feeds nothing",
        reused(sensor="oil"),
        "<sensor",
        "the sensor of oil is never used: no table depends on that signal",
        severity=Severity.NOTE,
    ),
    fails(
        "definition/unused",
        "a region within another one",
        reused(rest="0x3E").replace(b'<signal name="oil" unit="mg">Oil</signal>', b""),
        'name="rest"',
        "region rest is never used: the regions above it hold all of its bytes",
        severity=Severity.NOTE,
    ),
    passes(
        "definition/unused",
        "a sensor of an axis, and a region with a byte of its own",
        reused().replace(b'<signal name="oil" unit="mg">Oil</signal>', b""),
    ),
)

EXAMPLES = (
    *UNUSABLE_GUARD,
    *UNLIMITED_EMISSIONS,
    *UNCHECKED,
    *UNDIRECTED,
    *LIMITS_UNREACHABLE,
    *REPEATED,
    *UNCOVERED,
    *REDUNDANT,
    *NEVER_KEPT,
    *DECIMAL,
    *SIMILAR,
    *UNUSED,
)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


def test_one_wrong_type_is_one_finding_about_limits() -> None:
    """Neither limit fits, and no guard does: only one sentence says so."""
    xml = scalar('<limits min="100" max="200"/><guard above="190"/>', purpose="protection", type="uint8")
    assert [finding.rule for finding in findings(xml) if finding.table == "fuel"] == [
        "definition/limits-unreachable"
    ]


def test_a_decimal_address_is_hinted_at_with_the_one_that_may_be_meant() -> None:
    (finding,) = of_rule(findings(addressed("0x11", "0x12", "0x13", "20")), "definition/decimal-address")
    assert finding.hint == "Write 0x20 if the digits are hexadecimal, otherwise 0x00014."


def test_a_decimal_address_outside_the_memory_is_one_error_with_the_address_that_may_be_meant() -> None:
    xml = addressed("0x11", "0x12", "0x13", "30").replace(b'start="0" size="256"', b'start="0x10" size="40"')
    assert of_rule(findings(xml), "definition/decimal-address")
    xml = xml.replace(b'start="0x10" size="40"', b'start="0x20" size="40"')
    assert not of_rule(findings(xml), "definition/decimal-address")
    hints = [finding.hint for finding in of_rule(findings(xml), "definition/outside-image")]
    assert hints[-1] == "Did you mean 0x30?"
