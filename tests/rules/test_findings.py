"""What holds for the findings of all rules: what the base has too, off codes, masks, limits, order, names."""

from __future__ import annotations

import math
import os
import shutil
import struct
from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import Path

import pytest

from callint.checking.assignments import Assignment
from callint.checking.cause_order import sort_findings
from callint.checking.checker import Checker
from callint.checking.definition_findings import definition_findings
from callint.checking.report import Report
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.finding import Cell, Finding, Severity
from callint.model.policy import Policy
from callint.reading import cache
from callint.reading.definition import read_definition
from callint.reading.serialize import pack
from tests.building import (
    CONVERSIONS,
    SIGNALS,
    TODAY,
    Files,
    definition_xml,
    findings,
    hex_file,
    image,
    inspect,
    u16,
)
from tests.rules import (
    test_axis,
    test_change,
    test_definition,
    test_image,
    test_protection,
    test_value,
)
from tests.rules.example import AXES, ON_AXES, Example, axis, of_rule, table

NUMBER, OTHER_NUMBER = b"SK28-0412", b"SK28-0398"
IDENTITY = '<identity name="software number" at="48" text="SK28-0412"/>'


def rules(findings: Sequence[Finding]) -> set[str]:
    """The rules that found something in an image; what they say of its definition is left out."""
    return {finding.rule for finding in findings if finding.image}


# Good files

GOOD = definition_xml(
    table(
        "map",
        "smoke_limit",
        f'{ON_AXES}<limits min="0" max="90"/><expected min="4" max="72"/><off raw="900" allowed="nowhere"/>'
        '<monotonic along="y" direction="rising"/><gradient along="x" max="0.02"/><change max="6"/>'
        '<guard above="85" share="0.5"/><guard flat="true"/>',
        at=10,
        purpose="protection",
    )
    + table(
        "scalar",
        "monitor",
        '<guard state="off"/>',
        at=22,
        type="uint8",
        conversion="on_off",
        purpose="protection",
    )
    + table(
        "scalar",
        "cut",
        '<limits max="4800"/><guard above="5000"/>',
        at=24,
        conversion="rpm",
        purpose="protection",
        signal="speed",
    )
    + table("scalar", "release", '<limits max="25"/>', at=26, type="uint8", purpose="emissions"),
    axes=AXES,
    memory=IDENTITY + '<checksum name="sum" algorithm="sum16" start="0" size="40" stored-at="40"/>',
)


def summed(data: bytes) -> bytes:
    """The image with its checksum set right."""
    return data[:40] + u16(sum(data[:40])) + data[42:]


GOOD_IMAGE = summed(
    image(
        at_0=u16(1000, 2000, 3000, 100, 500, 300, 310, 320, 400, 410, 420),
        at_22=b"\x01",
        at_24=u16(4500),
        at_26=b"\x50",
        at_48=NUMBER,
    )
)


def test_nothing_is_found_in_good_files() -> None:
    assert findings(GOOD, GOOD_IMAGE, GOOD_IMAGE) == []


def test_a_report_counts_what_was_looked_at() -> None:
    report = inspect(GOOD, GOOD_IMAGE, GOOD_IMAGE)
    assert (report.images, report.tables, report.cells) == (1, 4, 9)


# What the base has too

INHERITABLE = [
    example
    for example in (
        *test_axis.EXAMPLES,
        *test_image.EXAMPLES,
        *test_value.EXAMPLES,
        *test_protection.EXAMPLES,
    )
    # A stale checksum keeps the engine from starting, whoever left it; the others need a base that differs.
    if example.expected
    and example.data
    # The base of such a number is filling, and an image that equals its base is no copy.
    and example.rule not in ("image/unit-number", "image/copied")
    and example.is_assigned  # an image without an entry has no base
    and example.rule not in ("image/stale-checksum", "image/wrong-identity", "image/missing-base")
    # The first is about the base, and a base of the second cannot be read.
    and example.rule not in ("image/doubtful-table", "image/damaged-record")
    and example.rule not in ("axis/changed", "axis/shared-axis-changed")
    and example.rule not in ("protection/weakened", "protection/reading-changed")
    and "where the base had a shape" not in example.name
]


@pytest.mark.parametrize("example", INHERITABLE, ids=str)
def test_a_fault_that_the_base_shares_is_a_note(example: Example) -> None:
    (finding,) = of_rule(replace(example, base=example.data).report().findings, example.rule)
    assert finding.inherited
    assert finding.severity is Severity.NOTE


@pytest.mark.parametrize("example", INHERITABLE, ids=str)
def test_a_fault_that_the_base_lacks_keeps_its_severity(example: Example) -> None:
    assert example.expected is not None
    (finding,) = of_rule(example.report().findings, example.rule)
    assert not finding.inherited
    assert finding.severity is example.expected.severity


def test_a_stale_checksum_stays_an_error_although_the_base_has_it() -> None:
    data = GOOD_IMAGE[:40] + b"\x00\x00" + GOOD_IMAGE[42:]
    (finding,) = of_rule(findings(GOOD, data, data), "image/stale-checksum")
    assert finding.severity is Severity.ERROR


def test_a_fault_that_the_base_shares_stays_off_if_the_policy_says_off() -> None:
    xml = definition_xml(table("scalar", "fuel", '<limits max="1"/>'))
    policy = Policy(severities={"value/out-of-range": None})
    assert not of_rule(findings(xml, image(at_0=u16(11)), image(at_0=u16(11)), policy), "value/out-of-range")


def test_a_fault_that_the_base_shares_is_a_note_even_under_a_stricter_policy() -> None:
    xml = definition_xml(table("scalar", "fuel", '<limits max="1"/>'))
    policy = Policy(severities={"value": Severity.ERROR})
    (finding,) = of_rule(
        findings(xml, image(at_0=u16(11)), image(at_0=u16(11)), policy), "value/out-of-range"
    )
    assert finding.severity is Severity.NOTE


@pytest.mark.parametrize(
    "demand", ['<monotonic along="x" direction="rising"/>', '<gradient along="x" max="0.001"/>']
)
def test_a_broken_step_is_new_when_either_of_its_two_cells_is(demand: str) -> None:
    xml = test_value.shaped(demand)
    rule = "value/not-monotonic" if "monotonic" in demand else "value/too-steep"
    base = test_value.curve(400, 400, 390)
    (kept,) = of_rule(findings(xml, base, base), rule)
    (first,) = of_rule(findings(xml, test_value.curve(400, 401, 390), base), rule)
    (second,) = of_rule(findings(xml, test_value.curve(400, 400, 380), base), rule)
    assert [kept.inherited, first.inherited, second.inherited] == [True, False, False]


@pytest.mark.parametrize(
    ("rule", "now", "without_first", "without_second"),
    [
        ("axis/not-increasing", (1500, 1400), (1501, 1400), (1500, 1401)),
        ("axis/repeated-breakpoint", (1500, 1500), (1400, 1500), (1500, 1600)),
    ],
)
def test_a_breakpoint_out_of_order_is_new_when_it_or_the_one_before_is(
    rule: str, now: tuple[int, int], without_first: tuple[int, int], without_second: tuple[int, int]
) -> None:
    def inherited(before: tuple[int, int]) -> bool:
        data, base = (test_axis.speeds(1000, *two, 2000) for two in (now, before))
        (finding,) = of_rule(findings(test_axis.ONE_CURVE, data, base), rule)
        return finding.inherited

    assert [inherited(base) for base in (now, without_first, without_second)] == [True, False, False]


def test_a_steep_step_is_new_when_its_breakpoints_moved_under_it() -> None:
    xml = test_value.STEEP_X
    base, data = (image(at_0=u16(1000, 2000, last), at_10=u16(400, 400, 500)) for last in (2300, 2200))
    assert [finding.inherited for finding in of_rule(findings(xml, data, base), "value/too-steep")] == [False]


def test_an_off_code_is_new_when_its_breakpoint_moved_into_the_operating_range() -> None:
    xml = test_value.with_off_code("outside-operating")
    reported = findings(xml, test_value.released(4200), test_value.released(4201))
    assert [item.inherited for item in of_rule(reported, "value/off-in-operating-range")] == [False]


# Off codes

OFF = '<off raw="999" allowed="anywhere"/>'


def off_curve(demands: str, purpose: str = "general") -> bytes:
    """A curve over three speeds in which raw 999 (99.9 mg) is an off code."""
    limits, _, rest = demands.partition("|")
    return definition_xml(
        table("curve", "fuel", f'<x axis="speeds"/>{limits}{OFF}{rest}', at=10, purpose=purpose), axes=AXES
    )


@pytest.mark.parametrize(
    ("rule", "demands"),
    [
        ("value/out-of-range", '<limits max="90"/>|'),
        ("value/unexpected", '<expected max="72"/>|'),
        ("value/too-steep", '|<gradient along="x" max="0.02"/>'),
        ("value/not-monotonic", '|<monotonic along="x" direction="falling"/>'),
        ("change/too-large", '|<change max="6"/>'),
    ],
)
def test_an_off_code_is_not_judged_as_a_value(rule: str, demands: str) -> None:
    xml = off_curve(demands)
    base, off, beside = (test_value.curve(400, 400, last) for last in (400, 999, 998))
    assert rule in rules(findings(xml, beside, base))
    assert rule not in rules(findings(xml, off, base))
    # Coming back from off is no step either.
    assert rule not in rules(findings(xml, base, off))


def test_a_protection_with_a_cell_off_is_weakened_by_that_and_not_by_the_value_of_the_code() -> None:
    xml = off_curve('|<guard above="850"/>', "protection")
    base, off, beside = (test_value.curve(400, 400, last) for last in (400, 999, 998))
    switched, raised = (of_rule(findings(xml, new, base), "protection/weakened")[0] for new in (off, beside))
    assert switched.message == "the table no longer protects here: 40.0 mg became off"
    assert "40.0 mg became 99.8 mg" in raised.message
    # Coming back from off is no step either.
    assert "protection/weakened" not in rules(findings(xml, base, off))


def test_a_cell_that_is_switched_off_does_not_protect() -> None:
    xml = off_curve('|<guard above="850" share="0.3"/>', "protection")
    base, off = (test_value.curve(400, 400, last) for last in (400, 999))
    assert "protection/disabled" not in rules(findings(xml, base))
    (finding,) = of_rule(findings(xml, off, base), "protection/disabled")
    assert "1 of 3 cells" in finding.message and "off" in finding.message


def test_an_off_code_at_the_end_of_its_type_is_not_an_end_stop() -> None:
    xml = definition_xml(table("scalar", "gain", '<off raw="255" allowed="anywhere"/>', type="uint8"))
    assert "value/at-end-stop" not in rules(findings(xml, image(at_0=b"\xff")))


def test_an_off_code_is_not_an_unreachable_threshold() -> None:
    off = '<off raw="65535" allowed="anywhere"/><guard above="5000"/>'
    xml = definition_xml(table("scalar", "cut", off, purpose="protection", conversion="rpm", signal="speed"))
    assert "protection/unreachable-threshold" not in rules(findings(xml, image(at_0=b"\xff\xff")))
    assert "protection/unreachable-threshold" in rules(findings(xml, image(at_0=b"\xff\xfe")))


def test_a_base_that_is_off_is_called_off() -> None:
    xml = off_curve('<limits max="90"/>|')
    reported = findings(xml, test_value.curve(400, 400, 901), test_value.curve(400, 400, 999))
    assert [item.base for item in of_rule(reported, "value/out-of-range")] == ["off"]


def test_a_base_that_is_a_value_is_shown_with_its_unit() -> None:
    xml = off_curve('<limits max="90"/>|')
    reported = findings(xml, test_value.curve(400, 400, 901), test_value.curve(400, 400, 400))
    assert [item.base for item in of_rule(reported, "value/out-of-range")] == ["40.0 mg"]


# Masked cells

NIBBLES = definition_xml(
    table("curve", "low", '<x axis="gears"/><limits max="1.1"/>', at=8, type="uint8", mask="0x0F")
    + table("curve", "high", '<x axis="gears"/><limits max="1.1"/>', at=8, type="uint8", mask="0xF0")
    + table("scalar", "open", at=20, type="uint8", mask="0x0F"),
    axes='<fixed-axis name="gears" signal="speed" values="1 2 3 4"/>',
)


def test_a_masked_cell_is_judged_by_its_own_bits() -> None:
    reported = of_rule(findings(NIBBLES, image(at_8=b"\xbb\xb9\xcb\xbc")), "value/out-of-range")
    assert [(item.table, item.cell, item.address, item.raw, item.physical) for item in reported] == [
        ("low", Cell(3, 0), 11, 12, 1.2),
        ("high", Cell(2, 0), 10, 12, 1.2),
    ]


def test_a_masked_cell_is_as_in_the_base_when_only_its_neighbours_bits_changed() -> None:
    data, base = image(at_8=b"\xac\xaa\xaa\xaa"), image(at_8=b"\x0c\xaa\xaa\xaa")
    (finding,) = of_rule(findings(NIBBLES, data, base), "value/out-of-range")
    assert (finding.table, finding.inherited) == ("low", True)


def test_a_masked_cell_has_no_end_stop_and_no_fill() -> None:
    reported = rules(findings(NIBBLES, image(fill=0xFF)))
    assert not {"value/at-end-stop", "image/blank-table"} & reported


# Limits are decimal numbers


@pytest.mark.parametrize("raw", [1, 3, 6, 7, 12, 29, 57, 58, 113, 1023, 16387, 65533])
@pytest.mark.parametrize("factor", ["0.1", "0.01", "0.3", "0.7", "0.05", "0.001"])
def test_a_value_that_is_its_limit_in_decimal_passes_and_the_next_raw_step_does_not(
    raw: int, factor: str
) -> None:
    places = len(factor) - 2
    limit = raw * int(factor[2:]) / 10**places
    conversion = f'<linear name="own" unit="mg" factor="{factor}"/>'
    xml = definition_xml(
        table(
            "scalar", "fuel", f'<limits min="{limit:.{places}f}" max="{limit:.{places}f}"/>', conversion="own"
        ),
        conversions=CONVERSIONS + conversion,
    )
    assert "value/out-of-range" not in rules(findings(xml, image(at_0=u16(raw))))
    assert "value/out-of-range" in rules(findings(xml, image(at_0=u16(raw + 1))))
    assert "value/out-of-range" in rules(findings(xml, image(at_0=u16(raw - 1))))


def test_an_offset_does_not_blur_a_limit() -> None:
    conversion = '<linear name="own" unit="degC" factor="0.1" offset="-273.1"/>'
    xml = definition_xml(
        table("scalar", "warm", '<limits min="-272.8" max="-272.8"/>', conversion="own"),
        conversions=CONVERSIONS + conversion,
    )
    assert "value/out-of-range" not in rules(findings(xml, image(at_0=u16(3))))


@pytest.mark.parametrize("start", [0, 1, 2, 3, 7, 10, 11, 999, 4095, 65533])
def test_a_change_of_a_tenth_is_a_change_of_a_tenth_wherever_it_starts(start: int) -> None:
    xml = definition_xml(table("scalar", "fuel", '<change max="0.1"/>'))
    for item, other in ((start, start + 1), (start + 1, start)):
        assert "change/too-large" not in rules(findings(xml, image(at_0=u16(item)), image(at_0=u16(other))))
    assert "change/too-large" in rules(findings(xml, image(at_0=u16(start + 2)), image(at_0=u16(start))))


@pytest.mark.parametrize("start", [0, 1, 3, 7, 11, 399, 4095])
def test_a_slope_of_exactly_the_gradient_passes_wherever_it_starts(start: int) -> None:
    xml = test_value.shaped('<gradient along="x" max="0.0001"/>')
    even, one_more = (
        image(at_0=u16(1000, 2000, 3000), at_10=u16(start, start + 1, last))
        for last in (start + 2, start + 3)
    )
    assert "value/too-steep" not in rules(findings(xml, even))
    assert "value/too-steep" in rules(findings(xml, one_more))


COARSE = '<linear name="coarse" unit="rpm" factor="0.4" decimals="0"/>'


@pytest.mark.parametrize(
    ("rule", "xml", "data", "base"),
    [
        ("value/out-of-range", '<limits max="5000"/>', u16(12501), u16(12500)),
        ("value/unexpected", '<expected max="5000"/>', u16(12501), u16(12500)),
        ("protection/disabled", '<guard above="5000"/>', u16(12501), u16(12000)),
        ("protection/unreachable-threshold", '<guard above="6200"/>', u16(15001), u16(12000)),
        ("change/too-large", '<change max="2"/>', u16(12506), u16(12500)),
        ("protection/weakened", '<guard above="6200"/>', u16(12501), u16(12500)),
    ],
)
def test_a_message_shows_the_digits_that_tell_a_value_from_what_it_is_compared_with(
    rule: str, xml: str, data: bytes, base: bytes
) -> None:
    definition = definition_xml(
        table("scalar", "cut", xml, conversion="coarse", purpose="protection", signal="speed"),
        conversions=CONVERSIONS + COARSE,
    )
    (finding,) = of_rule(findings(definition, image(at_0=data), image(at_0=base)), rule)
    assert ".4" in finding.message


def test_a_breakpoint_shows_the_digits_that_tell_it_from_the_end_of_the_plausible_range() -> None:
    xml = definition_xml(
        table("curve", "fuel", '<x axis="speeds"/>', at=8),
        axes=axis("speeds", conversion="coarse"),
        conversions=CONVERSIONS + COARSE,
    )
    (finding,) = of_rule(findings(xml, image(at_0=u16(100, 15001))), "axis/outside-plausible")
    assert "6000.4 rpm is above 6000 rpm" in finding.message


def test_a_slope_shows_the_digits_that_tell_it_from_the_gradient() -> None:
    xml = test_value.shaped('<gradient along="x" max="0.02"/>')
    data = image(at_0=u16(0, 1, 50000), at_10=u16(0, 0, 10000))
    (finding,) = of_rule(findings(xml, data), "value/too-steep")
    assert "is 0.02 mg per rpm, above the limit of 0.02" not in finding.message


# Which definition, which base


def tree(**files: bytes) -> Files:
    """Files by name, without their endings: .bin for images, .xml for the definitions."""
    result = Files()
    for name, content in files.items():
        result.files[f"{name}.xml" if content.startswith(b"<?xml") else f"{name}.bin"] = content
    return result


def inspected(files: Files, definitions: tuple[str, ...], bases: tuple[str, ...] = ()) -> Report:
    """What is said about the image new.bin."""
    inspector = Checker(files, Policy(), TODAY)
    return inspector.report([Assignment("new.bin", definitions, bases)], whole=True)


def software(number: str, limit: int) -> bytes:
    """A definition of software with this number, in which a table has this limit."""
    return definition_xml(
        table("scalar", "fuel", f'<limits max="{limit}"/>'),
        memory=f'<identity name="software number" at="48" text="{number}"/>',
    )


OLD, NEW = software("SK28-0398", 10), software("SK28-0412", 20)


def test_wrong_identity_stops_every_other_check_of_that_image() -> None:
    data = image(at_0=u16(20000, 1000, 1000), at_22=b"\x00", at_30=b"\x01", at_48=OTHER_NUMBER)
    assert len(rules(findings(GOOD, data + b"\x00", GOOD_IMAGE))) > 1
    assert rules(findings(GOOD, data)) == {"image/wrong-identity"}
    assert rules(findings(GOOD, data, GOOD_IMAGE)) <= {"image/wrong-identity", "change/identity"}


def test_wrong_identity_of_one_image_does_not_stop_the_check_of_the_next() -> None:
    files = tree(one=NEW, wrong=image(at_48=OTHER_NUMBER), right=image(at_0=u16(201), at_48=NUMBER))
    images = [Assignment(name, ("one.xml",), ()) for name in ("wrong.bin", "right.bin")]
    report = Checker(files, Policy(), TODAY).report(images)
    assert {(finding.image, finding.rule) for finding in report.findings if finding.image} == {
        ("wrong.bin", "image/wrong-identity"),
        ("right.bin", "value/out-of-range"),
    }


@pytest.mark.parametrize(
    ("number", "definition", "limit"), [("SK28-0398", "old.xml", "10 mg"), ("SK28-0412", "new.xml", "20 mg")]
)
@pytest.mark.parametrize("order", [("old.xml", "new.xml"), ("new.xml", "old.xml")])
def test_an_image_takes_the_definition_whose_identity_it_carries(
    number: str, definition: str, limit: str, order: tuple[str, ...]
) -> None:
    files = tree(old=OLD, new=NEW)
    files.files["new.bin"] = image(at_0=u16(301), at_48=number.encode())
    (finding,) = [file for file in inspected(files, order).findings if file.image]
    assert (finding.rule, finding.definition) == ("value/out-of-range", definition)
    assert limit in finding.message


def test_an_image_that_fits_no_definition_is_of_other_software() -> None:
    files = tree(old=OLD, new=NEW)
    files.files["new.bin"] = image(at_48=b"SK28-0500")
    report = inspected(files, ("old.xml", "new.xml"))
    assert rules(report.findings) == {"image/wrong-identity"}


def test_a_broken_definition_among_several_does_not_keep_the_others_from_their_images() -> None:
    files = tree(old=OLD, new=NEW, broken=b"<?xml version='1.0'?><definition")
    files.files["new.bin"] = image(at_0=u16(301), at_48=NUMBER)
    report = inspected(files, ("broken.xml", "old.xml", "new.xml"))
    assert {
        (finding.rule, finding.definition)
        for finding in report.findings
        if finding.severity is Severity.ERROR
    } == {
        ("definition/invalid", "broken.xml"),
        ("value/out-of-range", "new.xml"),
    }


TWO_NUMBERS = definition_xml(
    table("scalar", "fuel", '<change max="1"/>'),
    memory=IDENTITY + '<identity name="variant" at="60" text="B"/>',
)


def test_an_image_is_compared_with_the_base_of_its_own_software() -> None:
    files = tree(
        old=OLD,
        new=TWO_NUMBERS,
        base_old=image(at_0=u16(500), at_48=OTHER_NUMBER, at_60=b"B"),
        base_new=image(at_0=u16(100), at_48=NUMBER, at_60=b"B"),
    )
    files.files["new.bin"] = image(at_0=u16(111), at_48=NUMBER, at_60=b"B")
    for bases in (("base_old.bin", "base_new.bin"), ("base_new.bin", "base_old.bin")):
        report = inspected(files, ("new.xml",), bases)
        (findings,) = [finding for finding in report.findings if finding.image]
        assert (findings.rule, findings.base_physical) == ("change/too-large", 10.0)


def test_a_good_base_does_not_stand_in_silently_for_one_that_cannot_be_read() -> None:
    files = tree(new=NEW, base=image(at_48=NUMBER))
    files.files["new.bin"] = image(at_48=NUMBER)
    findings = inspected(files, ("new.xml",), ("lost.bin", "base.bin")).findings
    (result,) = [finding for finding in findings if finding.image]
    assert result.rule == "image/missing-base"
    assert "lost.bin" in result.message
    # Behind the one that fits it may be anything.
    assert not rules(inspected(files, ("new.xml",), ("base.bin", "lost.bin")).findings)


def test_an_image_without_a_fitting_base_has_every_reason_reported() -> None:
    files = tree(new=NEW, base=image(at_48=OTHER_NUMBER))
    files.files["new.bin"] = image(at_48=NUMBER)
    (finding,) = [
        file for file in inspected(files, ("new.xml",), ("lost.bin", "base.bin")).findings if file.image
    ]
    assert finding.rule == "image/missing-base"
    assert "lost.bin" in finding.message
    assert "base.bin is of other software" in finding.message


@pytest.mark.parametrize(
    ("data", "bases", "trouble"),
    [
        # A single base is used if it is of the definition's software, regardless of the image's identity.
        (image(at_48=NUMBER, at_60=b"B"), {"b": image(at_48=NUMBER, at_60=b"B")}, ""),
        (image(at_48=NUMBER, at_60=b"B"), {"b": b""}, "the base b.bin is empty"),
        (image(at_48=NUMBER, at_60=b"B"), {}, "the base b.bin cannot be read: it does not exist"),
        (
            image(at_48=NUMBER, at_60=b"B"),
            {"b": image(at_48=OTHER_NUMBER, at_60=b"B")},
            'the base b.bin is of other software: its software number is "SK28-0398", not "SK28-0412"',
        ),
        # Of several, the first is taken that has all identities of the image.
        (
            image(at_48=NUMBER, at_60=b"B"),
            {"b": image(at_48=NUMBER, at_60=b"C"), "c": image(at_48=NUMBER, at_60=b"B")},
            "",
        ),
        (
            image(at_48=NUMBER, at_60=b"B"),
            {"b": image(at_48=NUMBER, at_60=b"C"), "c": b"", "d": image(at_48=NUMBER, at_60=b"A")},
            'the base b.bin is of other software: its variant is "C", not "B"; the base c.bin is empty; '
            'the base d.bin is of other software: its variant is "A", not "B"',
        ),
        # An image of part of the memory without a variant is not known to be the one of this base.
        (
            hex_file({0: bytes(2), 48: NUMBER}),
            {"b": image(at_48=NUMBER, at_60=b"B"), "c": b""},
            "the base b.bin has another identity than the image; the base c.bin is empty",
        ),
        (hex_file({0: bytes(2), 48: NUMBER}), {"b": image(at_48=NUMBER, at_60=b"B")}, ""),
        # A truncated image is reported as such, and says nothing about its bases.
        (
            image(at_48=NUMBER, at_60=b"B")[:58],
            {"b": image(at_48=NUMBER, at_60=b"C"), "c": image(at_48=NUMBER, at_60=b"B")},
            "",
        ),
        # Where the image itself is of other software, that is all there is to say.
        (
            image(at_48=OTHER_NUMBER, at_60=b"B"),
            {"b": image(at_48=NUMBER, at_60=b"B"), "c": image(at_48=b"SK28-0500", at_60=b"B")},
            "",
        ),
        (
            image(at_48=OTHER_NUMBER, at_60=b"B"),
            {"b": image(at_48=NUMBER), "c": b""},
            "the base c.bin is empty",
        ),
    ],
)
def test_a_missing_base_is_reported_with_all_reasons(
    data: bytes, bases: dict[str, bytes], trouble: str
) -> None:
    files = Files(test_xml=TWO_NUMBERS, new_bin=data)
    files.files |= {f"{name}.bin": content for name, content in bases.items()}
    report = inspected(files, ("test.xml",), tuple(f"{name}.bin" for name in bases or "b"))
    assert [finding.message for finding in of_rule(report.findings, "image/missing-base")] == [trouble][
        : bool(trouble)
    ]


def test_images_of_one_definition_and_base_do_not_disturb_each_other() -> None:
    xml = definition_xml(table("scalar", "fuel", '<change max="1"/>'))
    files = tree(
        one=xml,
        base=image(at_0=u16(100)),
        a=image(at_0=u16(111)),
        b=image(at_0=u16(110)),
        c=image(at_0=u16(85)),
    )
    images = [Assignment(f"{name}.bin", ("one.xml",), ("base.bin",)) for name in "abc"]
    report = Checker(files, Policy(), TODAY).report(images)
    findings = [(finding.image, finding.physical) for finding in of_rule(report.findings, "change/too-large")]
    assert findings == [("a.bin", 11.1), ("c.bin", 8.5)]


# Severities


def test_the_policy_sets_the_severity_of_one_rule_over_that_of_its_family() -> None:
    severities = {"value": None, "value/unexpected": Severity.ERROR}
    xml = definition_xml(
        table("map", "fuel", f'{ON_AXES}<limits max="50"/><expected max="20"/>', at=10), axes=AXES
    )
    data = test_value.over_axes(501, 201)
    reported = findings(xml, data, policy=Policy(severities=severities))
    assert {
        (finding.rule, finding.severity)
        for finding in reported
        if finding.image and finding.rule.startswith("value/")
    } == {("value/unexpected", Severity.ERROR)}


# Order


def test_findings_come_by_image_then_as_the_definition_has_them_then_worst_first_then_by_cell() -> None:
    demands = '<limits max="50"/><expected max="20"/>'
    xml = definition_xml(
        table("map", "zinc", ON_AXES + demands, at=10) + table("map", "amber", ON_AXES + demands, at=22),
        axes=AXES,
    )
    cells = u16(201, 501, 100, 501, 100, 201)
    data = image(at_0=u16(1000, 2000, 3000, 100, 500), at_10=cells + cells)
    files = tree(one=xml, b=data, a=data)
    images = [Assignment(name, ("one.xml",), ()) for name in ("b.bin", "a.bin")]
    findings = [file for file in Checker(files, Policy(), TODAY).report(images).findings if file.image]
    assert [(item.severity, item.image, item.table, item.cell) for item in findings] == [
        (severity, name, of, cell)
        for name in ("a.bin", "b.bin")
        for of in ("zinc", "amber")
        for severity, cells_of in (
            (Severity.ERROR, (Cell(1, 0), Cell(0, 1))),
            (Severity.WARNING, (Cell(0, 0), Cell(2, 1))),
        )
        for cell in cells_of
    ]


def test_the_findings_of_a_cause_are_listed_together_worst_first() -> None:
    found = findings(GOOD, image(at_0=u16(9, 5, 1), at_48=NUMBER), GOOD_IMAGE)
    causes = [cause for cause, _ in groupby(finding.cause for finding in found)]
    assert len(causes) == len(set(causes)) > 1
    for _, members in groupby(found, key=lambda finding: finding.cause):
        ranks = [finding.severity.rank for finding in members]
        assert ranks == sorted(ranks)


# Fingerprints

TWO_SCALARS = (
    table("scalar", "fuel", '<limits max="1"/>', at=0),
    table("scalar", "torque", '<limits max="1"/>', at=2),
)


def names(findings: Sequence[Finding]) -> set[tuple[str, str, str]]:
    """Each finding's fingerprint beside what it is about."""
    return {(finding.rule, finding.table, finding.fingerprint) for finding in findings}


def test_a_fingerprint_survives_the_reordering_of_tables() -> None:
    data = image(at_0=u16(11, 12))
    item, other = (
        findings(definition_xml("".join(tables)), data) for tables in (TWO_SCALARS, TWO_SCALARS[::-1])
    )
    assert names(item) == names(other)


def test_a_fingerprint_survives_the_reordering_of_tables_that_overlap() -> None:
    tables = table("scalar", "fuel", at=8), table("scalar", "torque", at=8)
    item, other = (findings(definition_xml(first + second)) for first, second in (tables, tables[::-1]))
    assert of_rule(item, "definition/overlap")
    assert {result.fingerprint for result in item} == {result.fingerprint for result in other}


@pytest.mark.parametrize(
    "example",
    [
        example
        for examples in (test_definition, test_image, test_axis, test_value, test_protection, test_change)
        for example in examples.EXAMPLES
        if example.expected
    ],
    ids=str,
)
def test_a_fingerprint_survives_new_lines_above_it_in_the_definition(example: Example) -> None:
    revised = replace(example, xml=example.xml.replace(b"<memory", b"\n<!-- revised -->\n\n<memory", 1))
    assert names(example.report().findings) == names(revised.report().findings)


def test_a_fingerprint_survives_edits_of_other_cells_and_of_the_base() -> None:
    xml = definition_xml("".join(TWO_SCALARS))
    (item,) = of_rule(findings(xml, image(at_0=u16(11, 1))), "value/out-of-range")
    (other,) = of_rule(findings(xml, image(at_0=u16(11, 9), at_30=b"\x01"), image()), "value/out-of-range")
    assert item.fingerprint == other.fingerprint


def test_a_fingerprint_differs_with_value_cell_table_rule_and_image() -> None:
    demands = '<limits max="50"/><expected max="20"/>'
    xml = definition_xml(
        table("map", "fuel", ON_AXES + demands, at=10) + table("map", "torque", ON_AXES + demands, at=22),
        axes=AXES,
    )
    cells = u16(501, 501, 502, 502, 201, 202)
    data = image(at_0=u16(1000, 2000, 3000, 100, 500), at_10=cells + cells)
    files = tree(one=xml, a=data, b=data)
    images = [Assignment(name, ("one.xml",), ()) for name in ("a.bin", "b.bin")]
    findings = [file for file in Checker(files, Policy(), TODAY).report(images).findings if file.image]
    assert len(findings) == 24
    assert len({item.fingerprint for item in findings}) == 24


def test_a_fingerprint_differs_when_the_same_cell_gets_another_value() -> None:
    xml = definition_xml("".join(TWO_SCALARS))
    item, other = (of_rule(findings(xml, image(at_0=u16(raw))), "value/out-of-range")[0] for raw in (11, 12))
    assert item.fingerprint != other.fingerprint


def test_a_fingerprint_is_sixteen_hexadecimal_digits() -> None:
    for result in findings(definition_xml("".join(TWO_SCALARS)), image(at_0=u16(11))):
        assert len(result.fingerprint) == 16
        assert int(result.fingerprint, 16) >= 0


# Numbers that are none

FLOATS = definition_xml(
    table(
        "curve",
        "limit",
        '<x axis="speeds"/><limits max="50"/><monotonic along="x" direction="rising"/>'
        '<gradient along="x" max="0.02"/><change max="6"/><guard above="85"/><guard below="1"/>',
        at=16,
        type="float32",
        purpose="protection",
        signal="load",
    )
    + table("curve", "release", '<x axis="speeds"/>', at=32, type="float32", purpose="emissions"),
    axes=axis("speeds", type="float32", count=4),
)
NOT_A_NUMBER, SIGNALLING, INFINITE = b"\x7f\xc0\x00\x00", b"\x7f\xa0\x00\x00", b"\x7f\x80\x00\x00"


def floats(*values: float | bytes) -> bytes:
    """Big-endian 32-bit floats, or their bytes."""
    return b"".join(value if isinstance(value, bytes) else struct.pack(">f", value) for value in values)


@pytest.mark.parametrize("odd", [NOT_A_NUMBER, SIGNALLING, INFINITE, b"\xff\x80\x00\x00"])
def test_cells_that_are_not_numbers_are_reported_and_upset_no_other_rule(odd: bytes) -> None:
    base = image(at_0=floats(1000, 2000, 3000, 4000), at_16=floats(*[odd] * 2, 300, 310) * 2)
    data = image(at_0=floats(1000, 2000, 3000, 4000), at_16=floats(*[odd] * 2, 301, odd) * 2)
    reported = of_rule(findings(FLOATS, data, base), "value/not-a-number")
    assert [(item.table, item.cell) for item in reported if not item.inherited] == [
        ("limit", Cell(3, 0)),
        ("release", Cell(3, 0)),
    ]
    assert len(reported) == 6


@pytest.mark.parametrize("odd", [NOT_A_NUMBER, SIGNALLING, INFINITE])
def test_breakpoints_that_are_not_numbers_are_reported_and_upset_no_other_rule(odd: bytes) -> None:
    data = image(at_0=floats(1000, odd, odd, 4000), at_16=floats(300, 301, 302, 303) * 2)
    reported = of_rule(findings(FLOATS, data), "value/not-a-number")
    assert [(item.table, item.cell) for item in reported] == [
        ("speeds", Cell(1, 0)),
        ("speeds", Cell(2, 0)),
    ]


#: Conversions that could make a number of what is none: a curve that is held at its ends, 1 / raw that tends
#: to 0, a fraction that tends to 2.
CONVERSIONS_OF_NO_NUMBER = {
    "linear": '<linear name="c" unit="mg" factor="2"/>',
    "interpolated": '<interpolated name="c" unit="mg"><point raw="0" physical="1"/>'
    '<point raw="9" physical="5"/></interpolated>',
    "reciprocal": '<rational name="c" unit="mg" a="0" b="0" c="1" d="0" e="1" f="0"/>',
    "fraction": '<rational name="c" unit="mg" a="0" b="2" c="1" d="0" e="1" f="1"/>',
    "quadratic": '<rational name="c" unit="mg" a="1" b="0" c="0" d="1" e="0" f="1"/>',
    "states": '<states name="c"><state raw="0">off</state><state raw="1">on</state></states>',
}


@pytest.mark.parametrize("kind", CONVERSIONS_OF_NO_NUMBER)
@pytest.mark.parametrize("size", [4, 8])
@pytest.mark.parametrize(
    ("number", "message"),
    [
        (math.inf, "raw inf is infinite"),
        (-math.inf, "raw -inf is infinite"),
        (math.nan, "raw nan is not a number"),
    ],
)
def test_a_raw_value_that_is_not_a_number_is_reported_under_every_conversion(
    kind: str, size: int, number: float, message: str
) -> None:
    """IEEE 754 has infinities and NaN in every format."""
    guard = '<guard above="4"/>' if kind != "states" else '<guard state="off"/>'
    cut = table("scalar", "cut", guard, purpose="protection", type=f"float{8 * size}", conversion="c")
    xml = definition_xml(cut, conversions=CONVERSIONS_OF_NO_NUMBER[kind])
    odd, good = (image(at_0=struct.pack(">f" if size == 4 else ">d", value)) for value in (number, 0.5))
    for base in (None, good):
        (item,) = of_rule(findings(xml, odd, base), "value/not-a-number")
        assert item.message == message and item.raw is None and item.physical is None
    assert not of_rule(findings(xml, good), "value/not-a-number")


@pytest.mark.parametrize("kind", ["linear", "interpolated", "reciprocal"])
def test_an_infinite_breakpoint_is_refused_under_every_conversion(kind: str) -> None:
    curve = '<x><axis signal="speed" at="0" type="float32" count="2" conversion="c"/></x>'
    xml = definition_xml(table("curve", "fuel", curve, at=16), conversions=CONVERSIONS_OF_NO_NUMBER[kind])
    reported = of_rule(findings(xml, image(at_0=floats(1, math.inf))), "value/not-a-number")
    assert [(item.table, item.cell) for item in reported] == [("fuel/x", Cell(1, 0))]


def test_findings_about_changes_distinguish_texts_that_look_alike() -> None:
    """0 and -0 differ in the sign bit alone (IEEE 754)."""
    float32 = '<linear name="c" unit="mg" factor="1" decimals="1"/>'
    minus = struct.pack(">f", -0.0)
    for purpose, rule in (("emissions", "change/emissions"), ("protection", "protection/weakened")):
        xml = definition_xml(
            table("scalar", "fuel", type="float32", conversion="c", purpose=purpose), conversions=float32
        )
        (item,) = of_rule(findings(xml, image(at_0=minus), image()), rule)
        assert "0.0 (0x00000000) mg became -0.0 (0x80000000) mg" in item.message
    curve = '<x><axis signal="speed" at="0" type="float32" count="2" conversion="c"/></x>'
    xml = definition_xml(table("curve", "fuel", curve, at=16), conversions=float32)
    (item,) = of_rule(findings(xml, image(at_0=minus + floats(1)), image(at_0=floats(0, 1))), "axis/changed")
    assert "0.0 (0x00000000) mg became -0.0 (0x80000000) mg" in item.message
    total = table("scalar", "fuel", type="uint64", conversion="c", purpose="emissions")
    xml = definition_xml(total, conversions=float32)
    old, new = (image(at_0=struct.pack(">Q", 2**53 + step)) for step in (0, 1))
    (item,) = of_rule(findings(xml, new, old), "change/emissions")
    assert "9007199254740992 mg became 9007199254740993 mg" in item.message


def test_a_value_beyond_the_largest_number_is_distinguished_from_a_raw_one() -> None:
    """The largest double is 1.8e308 (IEEE 754), and ten times 1e308 is no double any more."""
    xml = definition_xml(
        table("scalar", "fuel", type="float64", conversion="ten"),
        conversions='<linear name="ten" unit="mg" factor="10"/>',
    )
    (item,) = of_rule(findings(xml, image(at_0=struct.pack(">d", 1e308))), "value/not-a-number")
    assert item.message == "raw 1e+308 has a value too large for any number"


@pytest.mark.parametrize("odd", [NOT_A_NUMBER, INFINITE, floats(0.5), floats(1e30)])
def test_a_state_that_is_not_a_whole_number_is_reported(odd: bytes) -> None:
    tables = "".join(
        table("scalar", purpose, type="float32", conversion="on_off", purpose=purpose, at=at)
        for at, purpose in ((0, "emissions"), (4, "protection"))
    )
    bad, good = image(at_0=odd + odd), image(at_0=floats(1, 1))
    xml = definition_xml(tables)
    assert {"value/not-a-number", "value/unknown-state"} & rules(findings(xml, bad, good))
    assert {"value/not-a-number", "value/unknown-state"} & rules(findings(xml, bad, bad))
    assert "change/emissions" in rules(findings(xml, good, bad))


# Signals of one name on both axes


def test_a_cell_on_two_axes_of_one_signal_names_both_breakpoints() -> None:
    xml = definition_xml(
        table("map", "fuel", '<x axis="old"/><y axis="new"/><limits max="1"/>', at=10),
        axes=axis("old", at=0) + axis("new", at=4),
        signals=SIGNALS,
    )
    data = image(at_0=u16(1000, 2000, 3000, 4000), at_10=u16(1, 1, 1, 11))
    (finding,) = of_rule(findings(xml, data), "value/out-of-range")
    assert sorted(finding.at.values()) == [2000.0, 4000.0]


# Order

_FIRST = Finding(
    rule="b/b", message="b", severity=Severity.WARNING, image="b", definition="b", line=2, image_line=2,
    table="b", cell=Cell(2, 2), address=2,
)  # fmt: skip
#: What comes first, by what counts less and less: each pair is of things that differ in one more way.
_EARLIER: list[tuple[dict[str, object], dict[str, object]]] = [
    ({"severity": Severity.ERROR}, {"severity": Severity.WARNING}),
    ({"severity": Severity.WARNING}, {"severity": Severity.NOTE}),
    ({"image": "a"}, {"image": "b"}),
    ({"definition": "a"}, {"definition": "b"}),
    ({"line": None}, {"line": 1}),
    ({"line": 9}, {"line": 10}),
    ({"image_line": None}, {"image_line": 1}),
    ({"table": "a"}, {"table": "b"}),
    ({"cell": None}, {"cell": Cell(0, 0)}),
    ({"cell": Cell(3, 0)}, {"cell": Cell(1, 1)}),
    ({"cell": Cell(1, 1)}, {"cell": Cell(2, 1)}),
    ({"address": 0}, {"address": 1}),
    ({"rule": "a/z"}, {"rule": "b/a"}),
    ({"message": "a"}, {"message": "b"}),
]
_KEYS = [
    "severity", "image", "definition", "line", "image_line", "table", "cell", "address", "rule", "message",
]  # fmt: skip


@pytest.mark.parametrize(("item", "other"), _EARLIER, ids=str)
def test_findings_are_sorted_by_severity_file_line_table_cell_address_and_rule(
    item: dict[str, object], other: dict[str, object]
) -> None:
    later: dict[str, object] = {
        "image": "c", "definition": "c", "line": 3, "image_line": 3, "table": "c", "cell": Cell(3, 3),
        "address": 3, "rule": "c/c", "message": "c",
    }  # fmt: skip
    (key,) = item
    # All that counts less says the opposite.
    after = {name: later[name] for name in _KEYS[_KEYS.index(key) + 1 :]}
    first, second = replace(_FIRST, **(item | after)), replace(_FIRST, **other)  # type: ignore[arg-type]
    assert sort_findings([first, second]) == sort_findings([second, first]) == [first, second]


# The cache


@pytest.mark.parametrize("path", ["test.xml", "h\udce4ger.xml"], ids=["UTF-8", "other bytes"])
def test_a_cached_finding_is_used_and_an_invalid_entry_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, path: str
) -> None:
    monkeypatch.setenv("CALLINT_CACHE", str(tmp_path / "kept"))
    file = read_definition(definition_xml(table("scalar", "fuel")), path)
    assert file.definition is not None
    subject = LoadedDefinition(file, file.definition)
    result = definition_findings(subject)
    assert result
    key = "definition findings", bytes.fromhex(file.definition.digest), os.fsencode(path)
    assert cache.load(*key) == pack(result)
    kept = (replace(result[0], message="as it was kept"),)
    others = pack((result[0], file.definition.tables["fuel"])), b"no form at all"
    for content, expected in ((pack(kept), kept), *((other, result) for other in others)):
        shutil.rmtree(tmp_path / "kept")
        cache.store(lambda content=content: content, *key)  # type: ignore[misc]
        assert cache.load(*key) == content
        assert definition_findings(subject) == expected
