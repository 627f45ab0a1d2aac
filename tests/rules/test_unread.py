"""One mistake in the form of a definition is one finding: nothing that builds on it is one too."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from random import Random

import pytest

from callint.checking.assignments import assignment
from callint.checking.checker import Checker
from callint.checking.definition_changes import loosened_findings
from callint.checking.image_findings import NO_DETAILS
from callint.model.finding import Finding, Severity
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from tests.building import TODAY, Files, definition_xml, findings, image, inspect, u16
from tests.rules.demo_files import DEFINITION, demo
from tests.rules.example import axis, line_of, of_rule, table, waiver

MAP = '<x axis="speeds"/><y axis="loads"/><limits min="0" max="90"/>'
SIGNALS = '<signal name="speed" unit="rpm"/><signal name="load" unit="mg"/>'
RPM = '<linear name="rpm" unit="rpm" factor="1"/>'


def sound(
    tables: str = "", conversion: str = "", axes: str = "", relations: str = "", memory: str = ""
) -> bytes:
    """A definition with a map over two axes of one conversion, and what builds on the map."""
    conversion = conversion or '<linear name="mg" unit="mg" factor="0.01"/>'
    return definition_xml(
        table("map", "fuel", MAP, at=8, conversion="mg")
        + table("map", "copy", MAP, at=16, conversion="mg")
        + table("scalar", "idle", "<limits max='900'/>", at=24, conversion="rpm")
        + tables,
        axes=axes or axis("speeds", at=0, count=2) + axis("loads", "load", at=4, count=2, conversion="mg"),
        conversions=RPM + conversion,
        relations=relations or '<equal table="fuel" mirror="copy"/>',
        signals=SIGNALS,
        memory=memory,
    )


BASE = image(at_0=u16(1000, 2000), at_4=u16(1000, 2000), at_8=u16(1, 2, 3, 4), at_16=u16(1, 2, 3, 4))
#: The map and the copy changed, and a byte that nothing describes.
EDITED = image(at_0=u16(1000, 2000), at_4=u16(1000, 2000), at_8=u16(1, 2, 3, 5), at_16=u16(1, 2, 3, 5))


def errors(reported: list[Finding]) -> list[tuple[str, str]]:
    return [(item.rule, item.message) for item in reported if item.severity is not Severity.NOTE]


def test_a_definition_without_a_mistake_has_no_finding() -> None:
    assert not errors(findings(sound(), EDITED, BASE))


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('factor="0.01"', 'factor="0,01"'),
        ('factor="0.01"', 'facto="0.01"'),
        ("<linear name", "<linaer name"),
        ('name="mg"', 'name="m g"'),
        ('count="2"', 'count="two"'),
        ('at="8"', 'at="0x"'),
        ('at="8"', 'at="eight"'),
        ('type="uint16"', 'type="uint"'),
        ('conversion="mg"', 'conversion="m g"'),
        ('axis="loads"', 'axis="lo ads"'),
        ('max="90"', 'max="9O"'),
        ('mirror="copy"', 'mirror="co py"'),
        ('unit="mg"/>', 'unit="mg" plausible="0"/>'),
    ],
)
def test_a_mistake_is_the_only_finding_about_what_builds_on_it(right: str, wrong: str) -> None:
    text = sound().decode()
    assert right in text
    (finding,) = findings(text.replace(right, wrong, 1).encode(), EDITED, BASE)
    assert (finding.rule, finding.severity) == ("definition/invalid", Severity.ERROR)
    assert not re.search(r"Did you mean '", finding.hint)


def test_what_is_not_evaluated_is_named_once() -> None:
    xml = sound(conversion='<linear name="mg" unit="mg" factor="0,01" decimals="two"/>')
    hints = [finding.hint for finding in findings(xml, EDITED, BASE)]
    assert len(hints) == 2
    (hint,) = [hint for hint in hints if "Not evaluated" in hint]
    assert hint.endswith(" Not evaluated until then: loads, fuel, copy.")


def test_what_does_not_build_on_the_mistake_is_still_judged() -> None:
    xml = sound(
        table("scalar", "torque", at=26, conversion="nm"),
        conversion='<linear name="mg" unit="mg" factor="0,01"/>',
    )
    edited = EDITED[:24] + u16(901) + EDITED[26:40] + b"\x01" + EDITED[41:]
    reported = findings(xml, edited, BASE)
    assert {finding.rule for finding in reported} == {
        "definition/invalid",
        "definition/unknown-reference",
        "value/out-of-range",
        "change/unexplained-bytes",
    }
    (unexplained,) = of_rule(reported, "change/unexplained-bytes")
    assert (unexplained.address, unexplained.size) == (40, 1)


def test_bytes_beside_those_of_an_invalid_table_are_still_reported() -> None:
    """The bytes of the copy, which is not read, and those next to it, which are nobody's."""
    xml = sound(conversion='<linear name="mg" unit="mg" factor="0,01"/>').replace(b'at="24"', b'at="40"')
    edited = BASE[:22] + b"\x07\x07\x07\x07" + BASE[26:]
    (unexplained,) = of_rule(findings(xml, edited, BASE), "change/unexplained-bytes")
    assert (unexplained.address, unexplained.size) == (24, 2)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('conversion="mg"', 'conversion="mgs"'),
        ('axis="loads"', 'axis="lods"'),
        ('mirror="copy"', 'mirror="cop"'),
    ],
)
def test_a_name_that_does_not_exist_is_the_only_finding_about_what_it_belongs_to(
    right: str, wrong: str
) -> None:
    assert right in sound().decode()
    edited = EDITED[:40] + b"\x01" + EDITED[41:]
    reported = findings(sound().decode().replace(right, wrong, 1).encode(), edited, BASE)
    assert {finding.rule for finding in reported} == {
        "definition/unknown-reference",
        "change/unexplained-bytes",
    }
    assert len(reported) == 2
    assert [item.address for item in of_rule(reported, "change/unexplained-bytes")] == [40]


def test_a_waiver_of_what_is_not_evaluated_is_not_called_unused() -> None:
    policy = Policy(waivers=(waiver("value/out-of-range", "sha256:0", image="new.bin", table="fuel"),))
    assert of_rule(findings(sound(), EDITED, BASE, policy), "waiver/unused")
    (finding,) = findings(sound().replace(b'factor="0.01"', b'factor="O.01"'), EDITED, BASE, policy)
    assert finding.rule == "definition/invalid"


@pytest.mark.parametrize(
    "policy",
    [
        Policy(severities={"definition/invalid": Severity.WARNING}),
        Policy(severities={"definition/duplicate-name": None}),
        Policy(severities={"definition": Severity.NOTE}),
        Policy(waivers=(waiver("definition/invalid", "sha256:0"),)),
        Policy(waivers=(waiver("definition/unknown-reference", "sha256:0"),)),
    ],
)
def test_where_a_mistake_does_not_fail_a_check_what_follows_from_it_does(policy: Policy) -> None:
    xml = sound(conversion='<linear name="mg" unit="mg" factor="0,01"/>')
    assert not of_rule(findings(xml, EDITED, BASE), "change/unexplained-bytes")
    unexplained = of_rule(findings(xml, EDITED, BASE, policy), "change/unexplained-bytes")
    assert [(item.address, item.size) for item in unexplained] == [(15, 9)]


CHILD = b"""<definition xmlns="urn:callint:definition:1" name="child" revision="1"
  byte-order="big" extends="parent.xml">
  <inherited>
    <at table="fuel" at="8"/>
    <table name="copy" title="The copy"/>
    <gone relation="equal" first="fuel" second="copy"/>
  </inherited>
</definition>
"""


@pytest.mark.parametrize(
    ("right", "wrong"), [('at="8"', 'at="eight"'), ('factor="0.01"', 'factor="O.01"'), ("<equal", "<equla")]
)
def test_a_child_does_not_repeat_a_mistake_of_its_parent(right: str, wrong: str) -> None:
    parent = sound().decode().replace(right, wrong, 1).encode()
    reported = findings(CHILD, EDITED, BASE, beside={"parent.xml": parent})
    assert [(item.rule, item.origin) for item in reported] == [("definition/invalid", "parent.xml")]


@pytest.mark.parametrize(
    "wrong",
    [
        '<at table="fuel" at="32O"/>',
        '<at table="fu el" at="32"/>',
        '<shift start="8" size="8" by="2O"/>',
        '<table name="fu el" at="32"/>',
        '<gone table="fu el"/>',
    ],
)
def test_what_a_child_moves_by_mistake_is_not_judged_where_it_was(wrong: str) -> None:
    child = CHILD.replace(b'<at table="fuel" at="8"/>', wrong.encode())
    beyond = BASE[:8] + u16(65000, 65000, 65000, 65000) + BASE[16:]
    (finding,) = findings(child, beyond, BASE, beside={"parent.xml": sound()})
    assert finding.rule == "definition/invalid"


@pytest.mark.parametrize("number", [0, 1])
def test_a_name_that_two_tables_have_is_the_cause_of_what_misses_the_other_name(number: int) -> None:
    text = sound().decode()
    wrong, right = ("fuel", "idle")[:: 1 if number else -1]
    report = inspect(text.replace(f'name="{wrong}"', f'name="{right}"').encode(), EDITED, BASE)
    if wrong == "idle":  # nothing refers to it
        (finding,) = report.findings
        assert finding.rule == "definition/duplicate-name"
        return
    assert [item.rule for item in report.findings] == [
        "definition/unknown-reference",
        "definition/duplicate-name",
    ] or [item.rule for item in report.findings] == [
        "definition/duplicate-name",
        "definition/unknown-reference",
    ]
    assert len({finding.cause for finding in report.findings}) == 1
    (unknown,) = of_rule(report.findings, "definition/unknown-reference")
    lines = [line_of(text.encode(), f'name="{name}"') for name in ("fuel", "idle")]
    assert unknown.hint == (
        f"Line {lines[0]} and line {lines[1]} have one name: if one of them is 'fuel', correct it there."
    )


def test_a_name_that_two_tables_of_the_demo_have_is_one_mistake() -> None:
    text = demo()[DEFINITION].replace(b'name="overspeed_cut"', b'name="overspeed_ramp"')
    new = [item for item in found(text) if about(item) not in known() and item.definition == DEFINITION]
    assert {item.rule for item in new if not item.image} == {
        "definition/duplicate-name",
        "definition/unknown-reference",
    }


@pytest.mark.parametrize(
    ("right", "wrong"), [(b"</inherited>", b""), (b'<memory start="0x0"', b'<memory start="0xO"')]
)
def test_an_image_is_not_of_other_software_because_its_definition_is_not_readable(
    right: bytes, wrong: bytes
) -> None:
    tree = Files()
    child = "definitions/skerry-28-0431.xml"
    assert right in demo()[child]
    tree.files = demo() | {child: demo()[child].replace(right, wrong)}
    policy = read_policy(demo()["callint.toml"], "callint.toml")
    boat = assignment(policy, "boats/heron.bin")
    assert boat is not None
    newer = replace(boat, image="factory/sk28-0431.bin", bases=())
    (finding,) = Checker(tree, policy, TODAY).report([newer]).findings
    assert (finding.rule, finding.definition) == ("definition/invalid", child)


# Any mistake in the definition of the demo

_NAMES = {"name", "axis", "conversion", "signal", "table", "bound", "mirror", "curve", "upper", "lower"}


def found(definition: bytes, policy: Policy | None = None) -> list[Finding]:
    """What callint says about two boats of the demo, and about the definition beside its last version."""
    now, before = Files(), Files()
    now.files, before.files = demo() | {DEFINITION: definition}, demo()
    policy = policy or read_policy(demo()["callint.toml"], "callint.toml")
    images = [item for name in ("heron", "petrel") if (item := assignment(policy, f"boats/{name}.bin"))]
    checkers = [Checker(files, policy, TODAY, details=NO_DETAILS) for files in (now, before)]
    report = checkers[0].report(
        images, [DEFINITION], further=[lambda checker: loosened_findings(checker, checkers[1:], images)]
    )
    return [finding for finding in report.findings if not finding.waived]


def about(finding: Finding) -> tuple[object, ...]:
    return finding.rule, finding.image or finding.definition or finding.policy, finding.table, finding.cell


@cache
def known() -> frozenset[tuple[object, ...]]:
    return frozenset(about(finding) for finding in found(demo()[DEFINITION]))


@pytest.mark.parametrize("seed", range(40))
def test_any_mistyped_attribute_of_the_demo_is_the_only_new_finding(seed: int) -> None:
    text = demo()[DEFINITION].decode()
    blank = re.sub(r"<!--.*?-->|<title>.*?</title>", lambda match: " " * len(match[0]), text, flags=re.DOTALL)
    attributes = [
        match
        for match in re.finditer(r'([\w-]+)="([^"]+)"', blank)
        if match[1] in _NAMES or re.fullmatch(r"-?(0x)?[\dA-F.]+", match[2])
    ]
    chosen = Random(seed).choice(attributes)
    wrong = f"{chosen[2][:1]} {chosen[2][1:]}" if chosen[1] in _NAMES else f"{chosen[2]}O"
    mistaken = f'{text[: chosen.start()]}{chosen[1]}="{wrong}"{text[chosen.end() :]}'
    new = [finding for finding in found(mistaken.encode()) if about(finding) not in known()]
    assert [(item.rule, item.origin or item.definition) for item in new] == [
        ("definition/invalid", DEFINITION)
    ]
    assert new[0].line == text.count("\n", 0, text.rindex("<", 0, chosen.start())) + 1


def test_where_a_mistake_does_not_fail_a_check_the_demand_that_it_hides_is_missed() -> None:
    wrong = demo()[DEFINITION].replace(b'<guard above="4500"/>', b'<guard above="45OO"/>', 1)
    assert wrong != demo()[DEFINITION]
    policy = read_policy(demo()["callint.toml"], "callint.toml")
    relaxed = replace(policy, severities={**policy.severities, "definition/invalid": Severity.WARNING})
    assert not of_rule(found(wrong), "definition/loosened")
    assert of_rule(found(wrong, relaxed), "definition/loosened")


def test_an_image_without_a_readable_definition_fails_where_the_definition_does_not() -> None:
    for severity, rules in ((Severity.ERROR, set()), (Severity.WARNING, {"image/unreadable"})):
        files, policy = Files(), read_policy(demo()["callint.toml"], "callint.toml")
        files.files = demo() | {DEFINITION: b"<definition"}
        relaxed = replace(policy, severities={**policy.severities, "definition/invalid": severity})
        image = assignment(policy, "boats/heron.bin")
        assert image is not None
        reported = Checker(files, relaxed, TODAY).check_image(image)
        assert {finding.rule for finding in reported} == rules
