"""A broken definition: everything that is wrong with it in one run, each with its line, and never a crash."""

from __future__ import annotations

import pytest

from callint.checking import definition_findings
from callint.checking.checker import Checker
from callint.model.finding import Finding, Severity
from callint.model.policy import Policy
from tests.building import TODAY, Files, definition_xml, findings, image
from tests.rules.example import axis, line_of, of_rule, table

MANY = b"""<?xml version="1.0" encoding="UTF-8"?>
<definition xmlns="urn:callint:definition:1" name="test" revision="1" byte-order="big">
  <memory start="0" size="64">
    <region name="calibration" start="0" size="sixty"/>
    <identity name="number" at="48" text="SK28" bytes="53 4B"/>
    <checksum name="sum" algorithm="SUM" start="0" size="8" stored-at="40"/>
    <fuse at="3"/>
  </memory>
  <signals>
    <signal name="speed" unit="rpm" plausible="0"/>
    <signal name="load" unit="mg" plausible="100 0"/>
    <sensor signal="speed" curve="nowhere" supply="0" pull-up="2490"/>
  </signals>
  <conversions>
    <linear name="mg" unit="mg" factor="ten"/>
    <linear name="bar" unit="bar" factor="0"/>
    <cubic name="bent" factor="1"/>
    <states name="on_off"/>
    <interpolated name="ntc" unit="degC"><point raw="1" physical="1"/></interpolated>
  </conversions>
  <axes>
    <axis name="speeds" signal="speeed" at="0" type="uint16" count="2"/>
    <axis name="loads" signal="load" at="4" type="uint16" count="0"/>
    <fixed-axis name="gears" signal="load" values="1 2" count="2"/>
    <fixed-axis name="ranges" signal="load" values="2 1"/>
  </axes>
  <tables>
    <scalar name="one" title="One" purpose="general" at="0xZZ" type="uint16"/>
    <scalar name="two" title="Two" purpose="pleasure" at="8" type="uint16"/>
    <scalar name="three" title="Three" purpose="general" at="8" type="uint16" colour="red"/>
    <scalar name="four" title="Four" purpose="general" at="63" type="uint16"/>
    <scalar name="five" title="Five" purpose="protection" at="10" type="uint8">
      <guard above="1" below="2"/>
    </scalar>
    <scalar name="six" title="Six" purpose="general" at="12" type="uint8">
      <off raw="256"/>
    </scalar>
    <curve name="seven" title="Seven" purpose="general" at="14" type="uint8"><limits max="1"/></curve>
    <curve name="eight" title="Eight" purpose="general" at="16" type="uint8">
      <x axis="speeds"><fixed-axis signal="load" values="1 2"/></x>
    </curve>
    <curve name="nine" title="Nine" purpose="general" at="18" type="uint8" conversion="bent">
      <x axis="ranges"/>
    </curve>
    <scalar name="four" title="Four again" purpose="general" at="20" type="uint8"/>
    <text name="ten" title="Ten" purpose="general" at="22" length="0"/>
    <map name="eleven" title="Eleven" purpose="general" at="24" type="uint8">
      <x axis="ranges"/><y axis="ranges"/>
      <limits/>
      <limits max="3.5"/>
    </map>
  </tables>
  <relations>
    <equal table="one" mirror="fourteen"/>
    <gap upper="one" lower="two"/>
  </relations>
</definition>
"""

#: Of each line that has a mistake: a piece of it, the rule that finds it, and words of the message.
MISTAKES = [
    ('size="sixty"', "definition/invalid", "'sixty'"),
    ('bytes="53 4B"', "definition/invalid", "either text or bytes"),
    ('algorithm="SUM"', "definition/unknown-reference", "'SUM'"),
    ("<fuse", "definition/invalid", "fuse"),
    ('plausible="0"', "definition/invalid", "plausible"),
    ('plausible="100 0"', "definition/limits-inverted", "100"),
    ('supply="0"', "definition/invalid", "'0'"),
    ('factor="ten"', "definition/invalid", "'ten'"),
    ('name="bar"', "definition/not-invertible", "factor is 0"),
    ("<cubic", "definition/invalid", "cubic"),
    ("<states", "definition/invalid", "state"),
    ("<interpolated", "definition/invalid", "point"),
    ('"speeed"', "definition/unknown-reference", "'speeed'"),
    ('count="0"', "definition/invalid", "'0'"),
    ('values="1 2" count="2"', "definition/invalid", "either values"),
    ('values="2 1"', "definition/fixed-axis-not-rising", "1 follows 2"),
    ("0xZZ", "definition/invalid", "'0xZZ'"),
    ("pleasure", "definition/invalid", "'pleasure'"),
    ("colour", "definition/invalid", "colour"),
    ('at="63"', "definition/outside-image", "table four"),
    ("<guard", "definition/invalid", "exactly one"),
    ("<off", "definition/invalid", "256"),
    ('name="seven"', "definition/invalid", "limits"),
    ('<x axis="speeds"><fixed', "definition/invalid", "not both"),
    ('conversion="bent"', "definition/unknown-reference", "'bent'"),
    ('title="Four again"', "definition/duplicate-name", "'four'"),
    ('length="0"', "definition/invalid", "'0'"),
    ("<limits/>", "definition/invalid", "min, max"),
    ('<limits max="3.5"/>', "definition/invalid", "limits"),
    ("fourteen", "definition/unknown-reference", "'fourteen'"),
    ("<gap", "definition/invalid", "min"),
]


def messages(findings: list[Finding]) -> str:
    return " / ".join(finding.message for finding in findings)


@pytest.mark.parametrize(("piece", "rule", "message"), MISTAKES)
def test_one_run_finds_every_one_of_many_mistakes_with_its_line(piece: str, rule: str, message: str) -> None:
    reported = [finding for finding in of_rule(findings(MANY), rule) if finding.line == line_of(MANY, piece)]
    assert any(message in finding.message for finding in reported), messages(findings(MANY))


def test_no_line_without_a_mistake_is_called_invalid() -> None:
    lines = {line_of(MANY, piece) for piece, _, _ in MISTAKES}
    assert {finding.line for finding in of_rule(findings(MANY), "definition/invalid")} <= lines


def test_errors_are_worded_without_the_validators_jargon() -> None:
    for finding in of_rule(findings(MANY), "definition/invalid"):
        for jargon in ("facet", "atomic type", "urn:callint", "pattern '", "minLength", "xs:"):
            assert jargon not in finding.message, finding.message


def test_a_broken_definition_still_checks_what_it_does_define() -> None:
    xml = definition_xml(
        table("scalar", "fuel", '<limits max="1"/>') + table("scalar", "torque", at=2, type="uint12")
    )
    reported = findings(xml, image(at_0=b"\x00\x0b"))
    assert {(finding.rule, finding.table) for finding in reported if finding.severity is Severity.ERROR} == {
        ("definition/invalid", ""),
        ("value/out-of-range", "fuel"),
    }


def test_both_of_two_mistakes_in_one_table_are_found() -> None:
    xml = definition_xml(
        table("scalar", "fuel", '\n<guard above="1" below="2"/>\n<off raw="70000"/>\n', purpose="protection")
    )
    reported = of_rule(findings(xml), "definition/invalid")
    assert [finding.line for finding in reported if "exactly one" in finding.message] == [
        line_of(xml, "<guard")
    ]


@pytest.mark.parametrize(
    ("content", "line", "message"),
    [
        (b"", 1, "well-formed"),
        (b"\x00\x01\x02\xff", 1, "UTF-8"),
        (b"<definition>\n\xff</definition>", 2, "UTF-8"),
        (b"<?xml version='1.0'?>\n<!DOCTYPE definition [<!ENTITY a 'b'>]>\n<definition/>", 2, "DOCTYPE"),
        (b"<?xml version='1.0' encoding='UTF-16'?><definition/>", 1, "UTF-16"),
        (b"<table/>", 1, "<definition> of urn:callint:definition:1"),
        (b"<definition/>", 1, "<definition> of urn:callint:definition:1"),
        (b"<definition xmlns='urn:callint:definition:1'/>", 1, "name"),
        (b"<definition>\n<memory>\n</definition>", 3, "well-formed"),
        (b"<a>" * 5000, 1, "well-formed"),
        (b"not xml at all", 1, "well-formed"),
    ],
)
def test_a_file_that_is_not_a_definition_is_a_finding_with_its_line(
    content: bytes, line: int, message: str
) -> None:
    reported = findings(content, image(), image())
    assert {finding.rule for finding in reported} == {"definition/invalid"}
    assert any(finding.line == line and message in finding.message for finding in reported), messages(
        reported
    )


def test_every_break_of_the_xml_itself_is_reported() -> None:
    reported = findings(b'<definition>\n<a b="1" b="2"/>\n<c></d>\n</definition>')
    assert {2, 3} <= {item.line for item in reported}


def test_a_definition_that_is_not_there_is_a_finding() -> None:
    (finding,) = Checker(Files(), Policy(), TODAY).report([], ["lost.xml"]).findings
    assert (finding.rule, finding.definition) == ("definition/invalid", "lost.xml")
    assert "does not exist" in finding.message


#: No computer holds so many bytes: a claim that has to be weighed before memory is taken.
HUGE = 10**17


@pytest.mark.parametrize(
    "xml",
    [
        definition_xml(
            f'<text name="hull" title="Hull" purpose="general" at="8" length="{HUGE}"/>'
            + table("scalar", "fuel", at=8)
        ),
        definition_xml(
            f'<text name="hull" title="Hull" purpose="general" at="8" length="{"9" * 20}"/>'
            + table("scalar", "fuel", at=8)
        ),
        definition_xml("", memory=f'<region name="all" start="0" size="{HUGE}"/>'),
        definition_xml(
            "", memory=f'<checksum name="all" algorithm="sum8" start="0" size="{HUGE}" stored-at="8"/>'
        ),
        definition_xml("", size=HUGE),
        definition_xml("", start=HUGE),
        definition_xml(table("scalar", "fuel", at=HUGE)),
        definition_xml(table("scalar", "fuel", at="0xFFFFFFFFFFFFFFFF")),
        definition_xml(table("scalar", "fuel", stride=HUGE)),
        definition_xml(table("curve", "fuel", '<x axis="speeds"/>'), axes=axis("speeds", count=HUGE)),
        definition_xml(
            table("curve", "fuel", '<x axis="gears"/>'),
            axes=f'<fixed-axis name="gears" signal="speed" count="{HUGE}" start="0" step="1"/>',
        ),
        definition_xml(
            table("map", "fuel", '<x axis="speeds"/><y axis="speeds"/>'), axes=axis("speeds", count=65536)
        ),
    ],
    ids=[
        "a text over a table",
        "a text of twenty nines",
        "a region",
        "a checksum's range",
        "a memory",
        "a memory's start",
        "an address",
        "the highest address",
        "a stride",
        "an axis",
        "a fixed axis",
        "a map of all the cells of two long axes",
    ],
)
def test_a_definition_that_claims_too_much_is_an_error_and_not_a_crash(xml: bytes) -> None:
    reported = findings(xml, image(), image())
    assert any(
        finding.severity is Severity.ERROR and finding.rule.startswith("definition/") for finding in reported
    )


@pytest.mark.parametrize(
    "attributes",
    [
        {"type": "float64", "conversion": "huge"},
        {"type": "float32", "conversion": "huge"},
        {"type": "uint64", "conversion": "huge"},
        {"type": "int64", "conversion": "tiny"},
        {"type": "float64", "conversion": "states"},
    ],
)
@pytest.mark.parametrize("limits", ["", '<limits min="-1e308" max="1e308"/>', '<limits min="0" max="1"/>'])
def test_numbers_at_the_edge_of_arithmetic_do_not_crash_a_check(
    attributes: dict[str, str], limits: str
) -> None:
    conversions = (
        '<linear name="huge" unit="mg" factor="1e300" offset="-1e308"/>'
        '<linear name="tiny" unit="mg" factor="1e-300"/>'
        '<states name="states"><state raw="-99999999999999999999">low</state>'
        '<state raw="0xFFFFFFFFFFFFFFFF">high</state></states>'
    )
    xml = definition_xml(table("scalar", "fuel", limits, **attributes), conversions=conversions)
    for content in (b"\x7f\xef" + b"\xff" * 6, b"\xff" * 8, bytes(8), b"\x7f\xf0" + bytes(6)):
        for base in (None, image(), image(at_0=b"\xff" * 8)):
            assert not of_rule(findings(xml, image(at_0=content), base), "definition/invalid")


@pytest.mark.parametrize("values", ["-1e308 1e308", "1e308 -1e308", "0 1e-308"])
def test_fixed_breakpoints_at_the_edge_of_arithmetic_do_not_crash_a_check(values: str) -> None:
    demands = '<x axis="gears"/><monotonic along="x" direction="rising"/><gradient along="x" max="1"/>'
    xml = definition_xml(
        table("curve", "fuel", demands), axes=f'<fixed-axis name="gears" signal="speed" values="{values}"/>'
    )
    rising = float(values.split(maxsplit=1)[0]) < float(values.split()[1])
    reported = of_rule(findings(xml, image(at_0=b"\x00\x02\x00\x01")), "definition/fixed-axis-not-rising")
    assert len(reported) == (0 if rising else 1)


def test_a_rule_reports_its_first_findings_and_that_there_are_more() -> None:
    most = definition_findings.MOST_FINDINGS
    names = "".join('<signal name="depth" unit="m"/>' for _ in range(most + 2))
    reported = of_rule(findings(definition_xml("", signals=names), image()), "definition/duplicate-name")
    assert len(reported) == most + 1
    (last,) = (finding for finding in reported if "there are more" in finding.message)
    assert f"{most:,}" in last.message and last.line == max(item.line or 0 for item in reported)
    fewer = definition_xml("", signals=names.replace('<signal name="depth" unit="m"/>', "", 1))
    assert len(of_rule(findings(fewer, image()), "definition/duplicate-name")) == most


def test_the_same_mistake_on_two_lines_is_two_findings() -> None:
    line = '\n<limits max="130O"/>\n'
    xml = definition_xml(table("scalar", "fuel", line) + table("scalar", "torque", line, at=2))
    first, second = findings(xml)
    numbers = [number for number, text in enumerate(xml.decode().splitlines(), 1) if "130O" in text]
    assert [first.line, second.line] == numbers
    assert first.message == second.message
    assert first.fingerprint != second.fingerprint and first.cause != second.cause


def test_the_first_of_two_same_mistakes_keeps_its_fingerprint() -> None:
    line = '\n<limits max="130O"/>\n'
    (alone,) = findings(definition_xml(table("scalar", "fuel", line)))
    both = findings(definition_xml(table("scalar", "fuel", line) + table("scalar", "torque", line, at=2)))
    assert alone.fingerprint == both[0].fingerprint


SUM = '<checksum name="sum" algorithm="sum8" {}start="0" size="8" stored-at="40"/>'


@pytest.mark.parametrize("wrong", ['word="2" ', 'complement="tow" ', 'byte-order="bog" ', 'gaps="full" '])
def test_a_checksum_with_a_mistake_is_not_verified(wrong: str) -> None:
    stale = image(at_0=b"\x01", at_40=b"\x07")
    right = definition_xml("", memory=SUM.format(""))
    assert [item.rule for item in of_rule(findings(right, stale, stale), "image/stale-checksum")]
    wrong_sum = definition_xml("", memory=SUM.format(wrong))
    for base in (stale, image(at_0=b"\x01", at_40=b"\x08")):
        (finding,) = findings(wrong_sum, stale, base)
        assert finding.rule == "definition/invalid"
