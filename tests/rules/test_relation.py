"""The relation/ rules, each with images that fail it and images that barely pass it."""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest

from callint.decoding.digest import canonical, relation_statement, sha256
from callint.model.definition import Relation
from callint.model.finding import Finding, Severity
from callint.model.policy import Policy
from callint.rules.registry import RULES
from tests.building import definition_xml, findings, image, inspect, u16
from tests.rules.example import IMAGE, Example, Expected, all_examples, of_rule, table, waiver

SIGNALS = """
    <signal name="speed" unit="rpm">Engine speed</signal>
    <signal name="load" unit="mg">Fuel quantity</signal>
    <signal name="torque" unit="Nm">Torque</signal>
"""
CONVERSIONS = "".join(
    f'<linear name="{name}" unit="{unit}" factor="1" decimals="0"/>'
    for name, unit in (("mbar", "mbar"), ("rpm", "rpm"), ("mg", "mg"), ("torque", "Nm"), ("temp", "degC"))
)


def related(tables: str, relation: str) -> bytes:
    """A definition of tables and one relation between them, on a line of its own."""
    return definition_xml(tables, signals=SIGNALS, conversions=CONVERSIONS, relations=f"\n{relation}\n")


def scalars(upper: str, lower: str, conversion: str, relation: str) -> bytes:
    """Two numbers of 16 bits: the first at 0, the second at 2."""
    tables = table("scalar", upper, conversion=conversion) + table(
        "scalar", lower, '<off raw="65535" allowed="anywhere"/>', at=2, conversion=conversion
    )
    return related(tables, relation)


def stored(signal: str, at: int, count: int, conversion: str = "rpm", type: str = "uint16") -> str:
    """A stored axis of a table's own."""
    return f'<axis signal="{signal}" at="{at}" type="{type}" conversion="{conversion}" count="{count}"/>'


def boost(relation: str) -> bytes:
    """A demand over two speeds (axis 0, cells 4) and a ceiling over three (axis 8, cells 14)."""
    return related(
        table("curve", "boost", f"<x>{stored('speed', 0, 2)}</x>", at=4, conversion="mbar")
        + table("curve", "ceiling", f"<x>{stored('speed', 8, 3)}</x>", at=14, conversion="mbar"),
        relation,
    )


def boosts(*demand: int, ceiling: tuple[int, ...] = (1300, 1200, 1300)) -> bytes:
    """The worked example's image."""
    return image(at_0=u16(2000, 3000), at_4=u16(*demand), at_8=u16(2000, 2500, 3000), at_14=u16(*ceiling))


def round_trip(tolerance: float) -> bytes:
    """Torque to fuel (axis 0, cell 2) and fuel to torque (axis 4, cells 8)."""
    return related(
        table("curve", "fuel", f"<x>{stored('torque', 0, 1, 'torque')}</x>", at=2, conversion="mg")
        + table("curve", "back", f"<x>{stored('load', 4, 2, 'mg')}</x>", at=8, conversion="torque"),
        f'<inverse table="fuel" of="back" tolerance="{tolerance}"/>',
    )


AT_MOST = boost('<at-most table="boost" bound="ceiling"/>')
WITH_MARGIN = boost('<at-most table="boost" bound="ceiling" margin="50"/>')
COPIES = '<equal table="cut" mirror="copy" tolerance="{}"/>'
EXACT, WITHIN_300 = (scalars("cut", "copy", "rpm", COPIES.format(accepted)) for accepted in (0, 300))
WITHIN_299 = scalars("cut", "copy", "rpm", COPIES.format(299))
FAN = scalars("fan_on", "fan_off", "temp", '<gap upper="fan_on" lower="fan_off" min="3"/>')
TRIP = image(at_0=u16(100, 25, 20, 30, 80, 128))


def error(*arguments: str, line: str, **about: object) -> Expected:
    return Expected(severity=Severity.ERROR, words=arguments, line=line, **about)  # type: ignore[arg-type]


EXAMPLES = (
    Example(
        rule="relation/exceeds-bound",
        name="a demand that is above its ceiling between its own breakpoints",
        xml=AT_MOST,
        data=boosts(1180, 1240),
        base=boosts(1160, 1240),
        expected=error(
            "1210 mbar at 2500 rpm is above ceiling, which is 1200 mbar there",
            line="<at-most",
            table="boost",
            at={"speed": 2500.0},
            address=4,
            physical=1210.0,
            base_physical=1200.0,
            unit="mbar",
        ),
    ),
    Example(
        rule="relation/exceeds-bound",
        name="a demand that touches its ceiling",
        xml=AT_MOST,
        data=boosts(1160, 1240),
    ),
    Example(
        rule="relation/exceeds-bound",
        name="a demand 1 mbar too close to its ceiling",
        xml=WITH_MARGIN,
        data=boosts(1151, 1151),
        expected=error(
            "1151 mbar at 2500 rpm is only 49 mbar below ceiling, which is 1200 mbar there",
            "must be at least 50 mbar below",
            line="<at-most",
            table="boost",
            at={"speed": 2500.0},
            address=4,
            physical=1151.0,
            unit="mbar",
        ),
    ),
    Example(
        rule="relation/exceeds-bound",
        name="a demand at the margin below its ceiling",
        xml=WITH_MARGIN,
        data=boosts(1150, 1150),
    ),
    Example(
        rule="relation/mirror-differs",
        name="a copy that was not changed with its original",
        xml=WITHIN_299,
        data=image(at_0=u16(4550, 4250)),
        base=image(at_0=u16(4250, 4250)),
        expected=error(
            "4550 rpm differs from its mirror copy, which is 4250 rpm; the tolerance is 299 rpm",
            line="<equal",
            table="cut",
            address=0,
            physical=4550.0,
            base_physical=4250.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="relation/mirror-differs",
        name="a copy at its tolerance",
        xml=WITHIN_300,
        data=image(at_0=u16(4550, 4250)),
    ),
    Example(
        rule="relation/mirror-differs", name="two equal copies", xml=EXACT, data=image(at_0=u16(4250, 4250))
    ),
    Example(
        rule="relation/not-inverse",
        name="100 Nm that comes back as 104 Nm where 3.9 Nm is accepted",
        xml=round_trip(3.9),
        data=TRIP,
        base=image(at_0=u16(100, 25, 20, 30, 80, 120)),
        expected=error(
            "100 Nm becomes 25 mg, but back turns that back into 104 Nm; the tolerance is 3.9 Nm",
            line="<inverse",
            table="fuel",
            at={"torque": 100.0},
            address=2,
            physical=104.0,
            base_physical=100.0,
            unit="Nm",
        ),
    ),
    Example(
        rule="relation/not-inverse",
        name="100 Nm that comes back as 104 Nm where 4 Nm is accepted",
        xml=round_trip(4),
        data=TRIP,
    ),
    Example(
        rule="relation/gap-closed",
        name="a fan that goes off 2 degrees below where it goes on",
        xml=FAN,
        data=image(at_0=u16(92, 90)),
        base=image(at_0=u16(92, 88)),
        expected=error(
            "92 °C is only 2 °C above fan_off, which is 90 °C; the gap must be at least 3 °C",
            line="<gap",
            table="fan_on",
            address=0,
            physical=92.0,
            base_physical=92.0,
            unit="degC",
        ),
    ),
    Example(
        rule="relation/gap-closed",
        name="a fan that goes off 3 degrees below where it goes on",
        xml=FAN,
        data=image(at_0=u16(92, 89)),
    ),
    Example(
        rule="relation/gap-closed",
        name="a lower threshold that is switched off",
        xml=FAN,
        data=image(at_0=u16(92, 65535)),
    ),
)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


# The pages' worked examples


def only(findings: list[Finding], rule: str) -> Finding:
    (finding,) = of_rule(findings, rule)
    return finding


@pytest.mark.parametrize(
    ("rule", "numbers", "xml", "data"),
    [
        ("relation/exceeds-bound", ("1210 mbar", "2500 rpm", "1200"), AT_MOST, boosts(1180, 1240)),
        (
            "relation/mirror-differs",
            ("4550 rpm", "4250 rpm", "299 rpm"),
            WITHIN_299,
            image(at_0=u16(4550, 4250)),
        ),
        ("relation/not-inverse", ("100 Nm", "25 mg", "104 Nm", "2.5 Nm"), round_trip(2.5), TRIP),
        ("relation/gap-closed", ("92 °C", "90 °C", "3 °C", "2 °C"), FAN, image(at_0=u16(92, 90))),
    ],
)
def test_the_numbers_of_a_pages_example_are_those_that_the_rule_says(
    rule: str, numbers: tuple[str, ...], xml: bytes, data: bytes
) -> None:
    page = " ".join(RULES[rule].page.split())
    message = only(findings(xml, data), rule).message
    for number in numbers:
        assert number in page
        assert number in message


# What was broken before


def test_a_relation_that_the_base_breaks_in_the_same_way_is_a_note() -> None:
    finding = only(findings(AT_MOST, boosts(1180, 1240), boosts(1180, 1240)), "relation/exceeds-bound")
    assert (finding.severity, finding.inherited) == (Severity.NOTE, True)


def test_a_relation_that_the_base_breaks_worse_is_a_note() -> None:
    finding = only(findings(AT_MOST, boosts(1180, 1240), boosts(1200, 1240)), "relation/exceeds-bound")
    assert finding.severity is Severity.NOTE


def test_a_relation_that_the_rework_breaks_worse_is_an_error_and_shows_the_bases_value() -> None:
    finding = only(findings(AT_MOST, boosts(1200, 1240), boosts(1180, 1240)), "relation/exceeds-bound")
    assert (finding.severity, finding.inherited) == (Severity.ERROR, False)
    assert finding.base == "1210 mbar against 1200 mbar at 2500 rpm"
    assert (finding.physical, finding.base_physical) == (1220.0, 1210.0)


def test_a_relation_that_is_broken_where_the_base_kept_it_is_an_error() -> None:
    before, after = boosts(1400, 1000), boosts(1000, 1390)
    finding = only(findings(AT_MOST, after, before), "relation/exceeds-bound")
    assert finding.severity is Severity.ERROR
    assert finding.base == "1400 mbar against 1300 mbar at 2000 rpm"


def test_a_round_trip_that_grew_worse_shows_its_former_value() -> None:
    before = image(at_0=u16(100, 25, 20, 30, 80, 128))
    after = image(at_0=u16(100, 25, 20, 30, 80, 140))
    finding = only(findings(round_trip(2.5), after, before), "relation/not-inverse")
    assert finding.severity is Severity.ERROR
    assert finding.base == "100 Nm came back as 104 Nm"


# Waivers


@pytest.mark.parametrize(
    ("change", "is_waived"), [((1180, 1240, 1300, 1200, 1300), True), ((1180, 1240, 1300, 1199, 1300), False)]
)
def test_a_waiver_of_a_relation_dies_when_the_other_table_changes(
    change: tuple[int, ...], is_waived: bool
) -> None:
    rule, zero = "relation/exceeds-bound", f"sha256:{'0' * 40}"
    unwritten = waiver(rule, zero, image=IMAGE, table="boost")
    report = inspect(AT_MOST, boosts(1180, 1240), policy=Policy(path="callint.toml", waivers=(unwritten,)))
    digest = only(list(report.findings), "waiver/outdated").message.rpartition(" ")[2]
    written = Policy(path="callint.toml", waivers=(replace(unwritten, digest=digest),))
    report = inspect(AT_MOST, boosts(*change[:2], ceiling=change[2:]), policy=written)
    assert only(list(report.findings), rule).waived is is_waived
    assert bool(of_rule(report.findings, "waiver/outdated")) is not is_waived


# What cannot be compared, and what is at the edge


def relations_found(xml: bytes, data: bytes, base: bytes | None = None) -> list[Finding]:
    return [finding for finding in findings(xml, data, base) if finding.rule.startswith("relation/")]


BROKEN = boosts(1400, 1400)


@pytest.mark.parametrize(
    "axis", [(2000, 2000, 3000), (2000, 3000, 2500), (4000, 5000, 6000), (0, 0, 0)],
    ids=["repeated", "up and down", "no common range", "all equal"],
)  # fmt: skip
def test_a_relation_without_comparable_points_is_not_broken(axis: tuple[int, ...]) -> None:
    assert relations_found(AT_MOST, BROKEN)
    assert not relations_found(AT_MOST, BROKEN[:8] + u16(*axis) + BROKEN[14:])


def test_tables_that_the_image_does_not_hold_break_no_relation() -> None:
    assert not relations_found(AT_MOST, BROKEN[:14])
    assert not relations_found(AT_MOST, BROKEN[:4])


def test_the_present_part_of_an_incomplete_table_is_compared() -> None:
    (result,) = relations_found(AT_MOST, BROKEN[:16])
    assert result.at == {"speed": 2000.0}


def test_over_a_falling_axis_the_same_is_found() -> None:
    falling = image(
        at_0=u16(3000, 2000), at_4=u16(1240, 1180), at_8=u16(3000, 2500, 2000), at_14=u16(1300, 1200, 1300)
    )
    (item,), (other,) = relations_found(AT_MOST, falling), relations_found(AT_MOST, boosts(1180, 1240))
    assert (item.message, item.at) == (other.message, other.at)


def test_axes_that_meet_in_one_point_are_compared_there() -> None:
    data = boosts(1000, 1400)[:8] + u16(3000, 4000, 5000) + u16(1300, 1300, 1300)
    (result,) = relations_found(AT_MOST, image(at_0=data))
    assert result.at == {"speed": 3000.0}


def limiter(over: str = "load") -> bytes:
    """A map of two by two over speed and load below a scalar, with cells that may be off."""
    inside = f"<x>{stored('speed', 0, 2)}</x><y>{stored(over, 4, 2, 'mg')}</y>"
    off = '<off raw="65535" allowed="anywhere"/>'
    return related(
        table("map", "cap", inside + off, at=8, conversion="mg")
        + table("scalar", "most", at=16, conversion="mg"),
        '<at-most table="cap" bound="most"/>',
    )


def test_a_map_below_a_scalar_is_compared_in_all_its_cells_but_those_that_are_off() -> None:
    axes = u16(1000, 2000, 10, 20)
    (result,) = relations_found(limiter(), image(at_0=axes + u16(60, 65535, 65535, 65535, 50)))
    assert result.at == {"speed": 1000.0, "load": 10.0}
    assert not relations_found(limiter(), image(at_0=axes + u16(*[65535] * 4, 50)))
    (result,) = relations_found(limiter(), image(at_0=axes + u16(65535, 65535, 50, 60, 50)))
    assert result.at == {"speed": 2000.0, "load": 20.0}


def test_a_map_with_one_signal_on_both_axes_is_a_finding_about_the_definition() -> None:
    reported = findings(limiter("speed"), image(at_0=u16(1000, 2000, 10, 20, 60, 60, 60, 60, 50)))
    assert of_rule(reported, "definition/unusable-relation")
    assert not of_rule(reported, "relation/exceeds-bound")


def floats(relation: str) -> bytes:
    tables = "".join(
        f'\n<curve name="{name}" title="T" purpose="general" at="{at + 16}" type="float64">'
        f'<x><axis signal="speed" at="{at}" type="float64" count="2"/></x></curve>\n'
        for name, at in (("one", 0), ("other", 32))
    )
    return related(tables, relation)


@pytest.mark.parametrize("odd", [float("nan"), float("inf"), float("-inf"), 1e308, -1e308, 5e-324])
@pytest.mark.parametrize("place", range(8))
@pytest.mark.parametrize("relation", ['at-most table="one" bound="other"', 'equal table="one" mirror="other"',
                                      'gap upper="one" lower="other" min="1"'])  # fmt: skip
def test_numbers_that_are_none_or_hardly_any_crash_no_relation(odd: float, place: int, relation: str) -> None:
    numbers = [0.0, 10.0, 5.0, 5.0, 0.0, 10.0, 4.0, 4.0]
    numbers[place] = odd
    for item in relations_found(floats(f"<{relation}/>"), struct.pack(">8d", *numbers)):
        assert item.physical is not None and abs(item.physical) != float("inf")


def test_rounding_by_interpolation_does_not_break_a_relation() -> None:
    # 0.1 * 3 lies between the breakpoints of the one and on one of the other.
    numbers = [0.0, 3.0, -1000.1, 1000.2, 0.0, 1.0, -1000.1, -1000.1 + 2000.3 / 3]
    assert not relations_found(floats('<equal table="one" mirror="other"/>'), struct.pack(">8d", *numbers))


@pytest.mark.parametrize(
    ("rule", "xml", "data", "said"),
    [
        (
            "relation/mirror-differs",
            EXACT,
            image(at_0=u16(4550, 4250)),
            "4550 rpm differs from its mirror copy, which is 4250 rpm",
        ),
        (
            "relation/not-inverse",
            round_trip(0),
            TRIP,
            "100 Nm becomes 25 mg, but back turns that back into 104 Nm",
        ),
        (
            "relation/exceeds-bound",
            AT_MOST,
            boosts(1180, 1240),
            "1210 mbar at 2500 rpm is above ceiling, which is 1200 mbar there",
        ),
        (
            "relation/exceeds-bound",
            WITH_MARGIN,
            boosts(1180, 1240),
            "1210 mbar at 2500 rpm is above ceiling, which is 1200 mbar there; "
            "it must be at least 50 mbar below",
        ),
        (
            "relation/gap-closed",
            FAN,
            image(at_0=u16(92, 92)),
            "92 °C is the same as fan_off, which is 92 °C; it must be at least 3 °C above",
        ),
        (
            "relation/gap-closed",
            FAN,
            image(at_0=u16(90, 92)),
            "90 °C is below fan_off, which is 92 °C; it must be at least 3 °C above",
        ),
    ],
)
def test_the_finding_about_a_broken_relation_is_complete(
    rule: str, xml: bytes, data: bytes, said: str
) -> None:
    assert [finding.message for finding in of_rule(findings(xml, data), rule)] == [said]


# Point by point against the base


def test_what_the_base_breaks_at_one_point_hides_no_new_breach_at_another() -> None:
    # At 2000 rpm both are 10 mbar above the ceiling. At 2500 rpm the base gives (1310 + 1050) / 2 = 1180
    # mbar, and the image (1310 + 1100) / 2 = 1205 mbar, 5 mbar above the ceiling of 1200 mbar.
    kept, new = sorted(
        of_rule(findings(AT_MOST, boosts(1310, 1100), boosts(1310, 1050)), "relation/exceeds-bound"),
        key=lambda finding: finding.at["speed"],
    )
    assert (kept.severity, dict(kept.at), kept.physical) == (Severity.NOTE, {"speed": 2000.0}, 1310.0)
    assert (new.severity, dict(new.at), new.physical) == (Severity.ERROR, {"speed": 2500.0}, 1205.0)
    assert new.base_physical == 1180.0
    assert new.message == (
        "1205 mbar at 2500 rpm is above ceiling, which is 1200 mbar there; the base keeps the relation there"
    )
    assert kept.fingerprint != new.fingerprint


def test_a_breach_that_stays_the_same_at_every_point_is_one_note() -> None:
    only(findings(AT_MOST, boosts(1310, 1050), boosts(1310, 1050)), "relation/exceeds-bound")
    # At 2500 rpm it is within a slack that the base does not need.
    only(findings(AT_MOST, boosts(1310, 1090), boosts(1310, 1050)), "relation/exceeds-bound")


def test_a_breach_that_grew_a_little_hides_no_new_one_elsewhere() -> None:
    # 10 mbar became 11 mbar at 2000 rpm; at 3000 rpm, 1000 mbar became 1308 mbar, 8 mbar too much.
    lower = (1300, 1400, 1300)
    after, before = (boosts(*demand, ceiling=lower) for demand in ((1311, 1308), (1310, 1000)))
    reported = of_rule(findings(AT_MOST, after, before), "relation/exceeds-bound")
    assert {(item.severity, item.at["speed"]) for item in reported} == {
        (Severity.ERROR, 2000.0),
        (Severity.ERROR, 3000.0),
    }


def two_mirrors() -> bytes:
    """Two curves over the same three speeds (0, and cells 6 and 12) that must be equal within 2."""
    return related(
        table("curve", "fuel", f"<x>{stored('speed', 0, 3)}</x>", at=6, conversion="mg")
        + table("curve", "copy", f"<x>{stored('speed', 0, 3)}</x>", at=12, conversion="mg"),
        '<equal table="fuel" mirror="copy" tolerance="2"/>',
    )


def test_mirrors_that_differ_in_the_base_may_not_differ_elsewhere_too() -> None:
    speeds = u16(1000, 2000, 3000)
    before = image(at_0=speeds + u16(50, 50, 50) + u16(59, 50, 50))
    after = image(at_0=speeds + u16(50, 50, 50) + u16(59, 50, 45))
    reported = of_rule(findings(two_mirrors(), after, before), "relation/mirror-differs")
    assert {(item.severity, item.at["speed"]) for item in reported} == {
        (Severity.NOTE, 1000.0),
        (Severity.ERROR, 3000.0),
    }


def test_thresholds_that_are_too_close_in_the_base_may_not_close_up_elsewhere_too() -> None:
    xml = related(
        table("curve", "on", f"<x>{stored('speed', 0, 2)}</x>", at=4, conversion="temp")
        + table("curve", "off", f"<x>{stored('speed', 0, 2)}</x>", at=8, conversion="temp"),
        '<gap upper="on" lower="off" min="3"/>',
    )
    speeds = u16(1000, 2000)
    before, after = (image(at_0=speeds + u16(90, 90) + u16(89, last)) for last in (85, 88))
    reported = of_rule(findings(xml, after, before), "relation/gap-closed")
    assert {(item.severity, item.at["speed"]) for item in reported} == {
        (Severity.NOTE, 1000.0),
        (Severity.ERROR, 2000.0),
    }
    (new,) = (item for item in reported if item.severity is Severity.ERROR)
    assert new.message == (
        "90 °C at 2000 rpm is only 2 °C above off, which is 88 °C there; the gap must be at least 3 °C; "
        "the base keeps the relation there"
    )


def test_a_round_trip_that_is_off_in_the_base_may_not_be_off_elsewhere_too() -> None:
    xml = related(
        table("curve", "fuel", f"<x>{stored('torque', 0, 3, 'torque')}</x>", at=6, conversion="mg")
        + table("curve", "back", f"<x>{stored('load', 12, 3, 'mg')}</x>", at=18, conversion="torque"),
        '<inverse table="fuel" of="back" tolerance="2"/>',
    )
    # 300 Nm comes back as 310 Nm in both; 100 Nm comes back as 106 Nm in the image alone.
    there = u16(100, 200, 300) + u16(10, 20, 30) + u16(10, 20, 30)
    before, after = (image(at_0=there + u16(first, 200, 310)) for first in (100, 106))
    reported = of_rule(findings(xml, after, before), "relation/not-inverse")
    assert {(item.severity, item.at["torque"]) for item in reported} == {
        (Severity.NOTE, 300.0),
        (Severity.ERROR, 100.0),
    }


def test_a_point_at_the_same_speed_but_another_load_is_another_point() -> None:
    xml = related(
        table("map", "cap", f"<x>{stored('speed', 0, 2)}</x><y>{stored('load', 4, 2, 'mg')}</y>", at=8,
              conversion="mg")
        + table("curve", "most", f"<x>{stored('speed', 0, 2)}</x>", at=16, conversion="mg"),
        '<at-most table="cap" bound="most"/>',
    )  # fmt: skip
    axes = u16(1000, 2000, 10, 20)
    before, after = (image(at_0=axes + u16(60, 40, low, 40) + u16(50, 50)) for low in (40, 55))
    reported = of_rule(findings(xml, after, before), "relation/exceeds-bound")
    assert {(item.severity, item.at["load"]) for item in reported} == {
        (Severity.NOTE, 10.0),
        (Severity.ERROR, 20.0),
    }


# Limited to the operating range


def limited(relation: str, low: int, high: int) -> bytes:
    """The demand and ceiling of the worked example, with an operating range of the speed."""
    xml = boost(relation)
    return xml.replace(
        b'<signal name="speed" unit="rpm">',
        f'<signal name="speed" unit="rpm" operating="{low} {high}">'.encode(),
    )


WITHIN = '<at-most table="boost" bound="ceiling" within="operating"/>'


def test_a_relation_within_the_operating_range_is_judged_up_to_its_ends() -> None:
    # At 2200 rpm the demand is 1310 - 100 / 5 = 1290 mbar, the ceiling 1300 - 100 * 200 / 500 = 1260 mbar.
    finding = only(findings(limited(WITHIN, 700, 2200), boosts(1310, 1210)), "relation/exceeds-bound")
    assert finding.message == "1290 mbar at 2200 rpm is above ceiling, which is 1260 mbar there"
    everywhere = only(
        findings(limited(WITHIN.replace(' within="operating"', ""), 700, 2200), boosts(1310, 1210)),
        "relation/exceeds-bound",
    )
    assert everywhere.message == "1260 mbar at 2500 rpm is above ceiling, which is 1200 mbar there"


def test_a_relation_within_the_operating_range_may_be_broken_beyond_it() -> None:
    # The ceiling falls from 1300 mbar at 2000 rpm by 20 mbar in 100 rpm: 1250 mbar at 2250 rpm.
    for high, is_broken in ((2251, True), (2250, False)):
        assert bool(relations_found(limited(WITHIN, 700, high), boosts(1250, 1250))) is is_broken
    # The operating range begins beyond both axes.
    assert not relations_found(limited(WITHIN, 3500, 4000), boosts(1400, 1400))


def test_a_round_trip_within_the_operating_range_leaves_out_inputs_and_results_beyond_it() -> None:
    xml = round_trip(2.5).replace(b'of="back" tolerance', b'of="back" within="operating" tolerance')
    for signal, operating, count in (
        ("Nm", "0 90", 0),
        ("Nm", "0 100", 1),
        ("mg", "26 90", 0),
        ("mg", "25 90", 1),
    ):
        given = xml.replace(
            f'unit="{signal}">'.encode(), f'unit="{signal}" operating="{operating}">'.encode()
        )
        assert len(of_rule(findings(given, TRIP), "relation/not-inverse")) == count, (signal, operating)


def test_a_limit_to_operating_ranges_that_nothing_has_is_reported() -> None:
    (finding,) = of_rule(findings(boost(WITHIN)), "definition/unusable-relation")
    assert finding.message == (
        'at-most of boost and ceiling: within="operating" has no effect, because no axis has a signal '
        "with an operating range"
    )
    assert not of_rule(findings(limited(WITHIN, 700, 2200)), "definition/unusable-relation")


def test_the_worked_examples_of_exceeds_bound_can_be_redone_by_hand() -> None:
    page = " ".join(RULES["relation/exceeds-bound"].page.split())
    assert "gives (1310 + 1050) / 2 = 1180 mbar" in page
    assert "but 1100 mbar at 3000 rpm, gives 1205 mbar at 2500 rpm" in page
    assert "the ceiling ends at 1300 - 100 * 200 / 500 = 1260 mbar there" in page
    assert "gives 1290 mbar, 30 mbar too much" in page
    assert (1310 + 1050) / 2 == 1180
    assert (1310 + 1100) / 2 == 1205
    assert 1300 - 100 * 200 / 500 == 1290 - 30


def test_a_waiver_lives_on_without_a_limit_and_dies_when_one_is_added() -> None:
    everywhere = Relation("at-most", "boost", "ceiling", 50.0, 3)
    statement = relation_statement([everywhere])
    # What waivers hold that were written before relations could be limited.
    assert statement == sha256(canonical([("at-most", "boost", "ceiling", 50.0)]))
    assert relation_statement([replace(everywhere, within="operating")]) != statement
