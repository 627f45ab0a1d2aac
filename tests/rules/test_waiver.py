"""The waiver/ rules, and what waivers do to the findings that they accept."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from callint.checking.assignments import Assignment
from callint.checking.checker import Checker
from callint.checking.report import Report
from callint.decoding.digest import definition_digest
from callint.model.finding import Finding, Severity
from callint.model.policy import Policy
from callint.model.waiver import Waiver
from callint.rules.context import CheckContext
from callint.rules.second_person import WaiverObjection, needs_second_person
from tests.building import TODAY, Files, definition_xml, image, inspect, read, u16
from tests.rules.example import (
    BASE,
    DEFINITION,
    IMAGE,
    Example,
    Expected,
    all_examples,
    axis,
    of_rule,
    table,
    table_digest,
    waiver,
)

XML = definition_xml(
    table("scalar", "fuel", '<limits max="90"/>')
    + table("curve", "torque", '<x axis="speeds"/><limits max="90"/>', at=2),
    axes=axis("speeds", at=6, count_at=10),
    memory='<identity name="software number" at="48" text="SK28-0412"/>',
)
NUMBER = b"SK28-0412"
#: The same, the tables a protection's.
PROTECTIVE = XML.replace(b'purpose="general"', b'purpose="protection"')


def with_fuel(raw: int) -> bytes:
    """An image whose fuel is out of range from 901 on."""
    return image(at_0=u16(raw, 100, 200, 1000, 2000), at_10=b"\x02", at_48=NUMBER)


BAD, WORSE, GOOD = with_fuel(901), with_fuel(902), with_fuel(900)
ACCEPTED = waiver("value/out-of-range", table_digest(XML, BAD, "fuel"), image=IMAGE, table="fuel")
#: The same of a definition in which the table is there for protection.
PROTECTED = replace(ACCEPTED, digest=table_digest(PROTECTIVE, BAD, "fuel"))


def until(last_day: date) -> Waiver:
    """The accepted finding, for a time."""
    return replace(ACCEPTED, until=last_day)


def policy(*waivers: Waiver) -> Policy:
    """A policy with waivers."""
    return Policy(path="callint.toml", waivers=waivers)


def second_person(*waivers: Waiver) -> Policy:
    """A policy that asks for a second person."""
    return replace(policy(*waivers), second_person=True)


def expected(*arguments: str) -> Expected:
    return Expected(severity=Severity.WARNING, words=arguments, line=12)


EXAMPLES = (
    Example(
        rule="waiver/expired",
        name="a waiver that ended yesterday",
        xml=XML,
        data=BAD,
        policy=policy(until(TODAY - timedelta(days=1))),
        expected=expected("Ines Falk", "value/out-of-range", "fuel", IMAGE, "2026-06-14"),
    ),
    Example(
        rule="waiver/expired",
        name="a waiver on its last day",
        xml=XML,
        data=BAD,
        policy=policy(until(TODAY)),
    ),
    Example(
        rule="waiver/expired", name="a waiver without an end", xml=XML, data=BAD, policy=policy(ACCEPTED)
    ),
    Example(
        rule="waiver/expired",
        name="an ended waiver of something that is no longer there",
        xml=XML,
        data=GOOD,
        policy=policy(until(TODAY - timedelta(days=1))),
    ),
    Example(
        rule="waiver/outdated",
        name="a waiver of a table that has another cell by one raw step",
        xml=XML,
        data=WORSE,
        policy=policy(ACCEPTED),
        expected=expected("Ines Falk", "value/out-of-range", "fuel", IMAGE, table_digest(XML, WORSE, "fuel")),
    ),
    Example(
        rule="waiver/outdated",
        name="a waiver of a table that is as it was accepted, in an image that is not",
        xml=XML,
        data=BAD[:-1] + b"\x7b",
        policy=policy(ACCEPTED),
    ),
    Example(
        rule="waiver/unused",
        name="a waiver of a value that is back within its limit",
        xml=XML,
        data=GOOD,
        policy=policy(ACCEPTED),
        expected=expected("Ines Falk", "value/out-of-range", "fuel", IMAGE),
    ),
    Example(
        rule="waiver/same-person",
        name="a waiver of a protection's finding where nothing tells who made the change",
        xml=PROTECTIVE,
        data=BAD,
        policy=second_person(PROTECTED),
        expected=expected("Ines Falk", "value/out-of-range", "fuel", IMAGE, "does not count"),
    ),
    Example(
        rule="waiver/same-person",
        name="a waiver of a finding about neither protection nor emissions",
        xml=XML,
        data=BAD,
        policy=second_person(ACCEPTED),
    ),
    Example(
        rule="waiver/same-person",
        name="a waiver of a protection's finding where the policy asks for no second person",
        xml=PROTECTIVE,
        data=BAD,
        policy=policy(PROTECTED),
    ),
    Example(rule="waiver/unused", name="a waiver in use", xml=XML, data=BAD, policy=policy(ACCEPTED)),
    Example(
        rule="waiver/unused",
        name="a waiver of an image that the policy does not know",
        xml=XML,
        data=GOOD,
        policy=policy(replace(ACCEPTED, image="other.bin")),
        expected=expected("Ines Falk", "value/out-of-range", "fuel", "other.bin"),
    ),
    Example(
        rule="waiver/unused",
        name="a waiver of another table of the same image",
        xml=XML,
        data=BAD,
        policy=policy(replace(ACCEPTED, table="torque")),
        expected=expected("value/out-of-range", "torque"),
    ),
)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


def waived(findings: Sequence[Finding], rule: str = "value/out-of-range") -> list[bool]:
    """Whether each finding of a rule is waived."""
    return [item.waived for item in of_rule(findings, rule)]


def waiver_rules(report: Report) -> set[str]:
    """The waiver/ rules that found something."""
    return {finding.rule for finding in report.findings if finding.rule.startswith("waiver/")}


def test_a_waiver_accepts_the_finding_and_is_not_reported_itself() -> None:
    report = inspect(XML, BAD, policy=policy(ACCEPTED))
    assert waived(report.findings) == [True]
    assert not waiver_rules(report)


def test_a_waived_finding_keeps_its_severity_and_its_fingerprint() -> None:
    (before,) = of_rule(inspect(XML, BAD).findings, "value/out-of-range")
    (after,) = of_rule(inspect(XML, BAD, policy=policy(ACCEPTED)).findings, "value/out-of-range")
    assert after == replace(before, waiver=ACCEPTED)
    assert after.fingerprint == before.fingerprint


@pytest.mark.parametrize(
    ("item", "why"),
    [
        (until(TODAY - timedelta(days=1)), "waiver/expired"),
        (replace(ACCEPTED, digest=f"sha256:{'0' * 40}"), "waiver/outdated"),
        (replace(ACCEPTED, rule="value/unexpected"), "waiver/unused"),
        (replace(ACCEPTED, table="torque"), "waiver/unused"),
        (replace(ACCEPTED, table=""), "waiver/unused"),
    ],
)
def test_a_waiver_that_no_longer_counts_accepts_nothing_and_the_reason_is_given(
    item: Waiver, why: str
) -> None:
    report = inspect(XML, BAD, policy=policy(item))
    assert waived(report.findings) == [False]
    assert waiver_rules(report) == {why}


def test_a_new_waiver_beside_an_outdated_one_counts() -> None:
    old = replace(ACCEPTED, digest=f"sha256:{'0' * 40}", line=4)
    report = inspect(XML, BAD, policy=policy(old, ACCEPTED))
    assert waived(report.findings) == [True]
    assert [(finding.rule, finding.line) for finding in report.findings if finding.policy] == [
        ("waiver/outdated", 4)
    ]


@pytest.mark.parametrize(
    ("dead", "why"),
    [
        (replace(ACCEPTED, digest=f"sha256:{'0' * 40}", line=4), "waiver/outdated"),
        (replace(until(TODAY - timedelta(days=1)), line=4), "waiver/expired"),
    ],
)
def test_a_dead_waiver_is_to_be_removed_where_another_counts_wherever_it_stands(
    dead: Waiver, why: str
) -> None:
    for order in ((dead, ACCEPTED), (ACCEPTED, dead)):
        report = inspect(XML, BAD, policy=policy(*order))
        assert waived(report.findings) == [True]
        (findings,) = (finding for finding in report.findings if finding.policy)
        assert (findings.rule, findings.line) == (why, 4)
        assert findings.hint == "Remove this waiver: the waiver in line 12 replaces it."
    (alone,) = (item for item in inspect(XML, BAD, policy=policy(dead)).findings if item.policy)
    assert "Remove" not in alone.hint


def test_neither_of_two_waivers_of_one_finding_is_unused() -> None:
    report = inspect(XML, BAD, policy=policy(ACCEPTED, replace(ACCEPTED, who="Tomas Rook", line=20)))
    assert waived(report.findings) == [True]
    assert not waiver_rules(report)


def test_a_waiver_of_other_content_is_outdated_even_after_its_last_day() -> None:
    report = inspect(XML, WORSE, policy=policy(until(TODAY - timedelta(days=1))))
    assert waiver_rules(report) == {"waiver/outdated"}


def test_a_waiver_dies_when_an_axis_of_its_table_moves() -> None:
    data = image(at_0=u16(100, 901, 200, 1000, 2000), at_10=b"\x02", at_48=NUMBER)
    moved = image(at_0=u16(100, 901, 200, 1000, 2001), at_10=b"\x02", at_48=NUMBER)
    item = waiver("value/out-of-range", table_digest(XML, data, "torque"), image=IMAGE, table="torque")
    assert waived(inspect(XML, data, policy=policy(item)).findings) == [True]
    report = inspect(XML, moved, policy=policy(item))
    assert waived(report.findings) == [False]
    assert waiver_rules(report) == {"waiver/outdated"}


def outdated_digest(report: Report) -> str:
    """The digest that an outdated waiver says is there now."""
    (finding,) = of_rule(report.findings, "waiver/outdated")
    return finding.message.rpartition(" ")[2]


def test_the_digest_that_an_outdated_waiver_names_is_the_one_to_write() -> None:
    old = replace(ACCEPTED, digest=f"sha256:{'0' * 40}")
    digest = outdated_digest(inspect(XML, BAD, policy=policy(old)))
    report = inspect(XML, BAD, policy=policy(replace(old, digest=digest)))
    assert waived(report.findings) == [True]
    assert not waiver_rules(report)


@pytest.mark.parametrize(
    ("rule", "about", "data", "again"),
    [
        ("image/stale-checksum", "", {"at_40": b"\x01\x02"}, {"at_40": b"\x01\x03"}),
        ("image/wrong-size", "", {"at_64": b"\x01"}, {"at_64": b"\x02"}),
        ("axis/not-increasing", "speeds", {"at_6": u16(2000, 1000)}, {"at_6": u16(2000, 1001)}),
        ("axis/wrong-count", "speeds", {"at_10": b"\x03"}, {"at_10": b"\x04"}),
        ("value/out-of-range", "torque", {"at_2": u16(901)}, {"at_2": u16(902)}),
    ],
)
def test_a_waiver_dies_with_the_content_that_it_was_written_for(
    rule: str, about: str, data: dict[str, bytes], again: dict[str, bytes]
) -> None:
    checksum = b'<checksum name="sum" algorithm="sum16" start="0" size="32" stored-at="40"/>'
    xml = XML.replace(b"</memory>", checksum + b"</memory>")
    start = {"at_0": u16(100, 100, 200, 1000, 2000), "at_10": b"\x02", "at_48": NUMBER}
    first, second = (image(64, 0, **{**start, **more}) for more in (data, again))
    unwritten = waiver(rule, f"sha256:{'0' * 40}", image=IMAGE, table=about)
    accepted = replace(unwritten, digest=outdated_digest(inspect(xml, first, policy=policy(unwritten))))
    assert all(waived(inspect(xml, first, policy=policy(accepted)).findings, rule))
    report = inspect(xml, second, policy=policy(accepted))
    assert not any(waived(report.findings, rule))
    assert "waiver/outdated" in waiver_rules(report)


MAP = definition_xml(
    table(
        "map", "fuel", '<x axis="speeds"/><y axis="loads"/><limits min="0" max="90"/><note>Why.</note>', at=10
    ),
    axes=axis("speeds", at=0, count=3) + axis("loads", "load", at=6, conversion="mg", count=2),
)
MAP_IMAGE = image(at_0=u16(1000, 2000, 3000, 10, 20, 901, 902, 903, 904, 905, 906))


def on_the_map(xml: bytes) -> Report:
    """What is said of the map by a definition, with a waiver that was written by the first one."""
    return inspect(
        xml,
        MAP_IMAGE,
        policy=policy(waiver(RULE, table_digest(MAP, MAP_IMAGE, "fuel"), image=IMAGE, table="fuel")),
    )


RULE = "value/out-of-range"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'name="mg" unit="mg" factor="0.1"', b'name="mg" unit="mg" factor="1"'),
        (b'name="mg" unit="mg"', b'name="mg" unit="kg"'),
        (b'byte-order="big"', b'byte-order="little"'),
        (b'name="rpm" unit="rpm" factor="1"', b'name="rpm" unit="rpm" factor="2"'),
        (b'at="10" type="uint16"', b'at="10" type="int16"'),
        (b'<x axis="speeds"/>', b'<x axis="speeds_2"/>'),
        (b'signal="load"', b'signal="speed"'),
    ],
    ids=["factor", "unit", "byte order", "an axis's factor", "type", "another axis", "an axis's signal"],
)
def test_a_waiver_dies_when_the_same_bytes_mean_something_else(old: bytes, new: bytes) -> None:
    assert all(waived(on_the_map(MAP).findings, RULE))
    other = axis("speeds_2", at=0, count=3, type="uint16", conversion="mg")
    xml = MAP.replace(b"</axes>", other.encode() + b"</axes>").replace(old, new)
    assert xml.count(new)
    report = on_the_map(xml)
    assert not any(waived(report.findings, RULE))
    (finding,) = of_rule(report.findings, "waiver/outdated")
    assert "the definition interprets them differently" in finding.message or byte_order_of(old)


def byte_order_of(old: bytes) -> bool:
    """Whether the cells themselves are other ones: what is stored is told as it is read."""
    return old.startswith(b"byte-order")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'max="90"', b'max="89"'),
        (b"<note>", b'<expected max="50"/><note>'),
        (b"<note>", b'<gradient along="x" max="5"/><note>'),
        (b"<note>", b'<change max="5"/><note>'),
        (b'purpose="general"', b'purpose="protection"'),
        (b'operating="700 4200"', b'operating="700 4300"'),
        (b'plausible="0 100"', b'plausible="0 90"'),
    ],
    ids=["limits", "expected", "gradient", "change", "purpose", "operating range", "plausible range"],
)
def test_a_waiver_dies_when_something_else_is_demanded_of_the_same_bytes(old: bytes, new: bytes) -> None:
    assert MAP.count(old) == 1
    report = on_the_map(MAP.replace(old, new))
    assert not any(waived(report.findings, RULE))
    (finding,) = of_rule(report.findings, "waiver/outdated")
    assert "the definition demands something else" in finding.message


def test_a_waiver_dies_when_a_guard_is_lowered() -> None:
    guarded = MAP.replace(b'purpose="general"', b'purpose="protection"').replace(
        b"<note>", b'<guard above="95"/><note>'
    )
    lowered = guarded.replace(b'above="95"', b'above="80"')
    assert table_digest(guarded, MAP_IMAGE, "fuel") != table_digest(lowered, MAP_IMAGE, "fuel")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'title="Fuel"', b'title="Fuel by speed"'),
        (b"<note>Why.</note>", b""),
        (b"<tables>", b"<!-- revised -->\n<tables>"),
        (b'revision="1"', b'revision="2"'),
        (b'decimals="1"', b'decimals="2"'),
        (b'"mg"', b'"milligrams"'),
        (b'"speeds"', b'"speed_axis"'),
        (b"\n", b"\r\n"),
    ],
    ids=["title", "note", "line", "revision", "decimals", "conversion's name", "axis's name", "line ends"],
)
def test_a_waiver_lives_on_where_only_words_changed(old: bytes, new: bytes) -> None:
    assert old in MAP
    xml = MAP.replace(b'unit="mg"', b"unit='mg'").replace(old, new)
    assert all(waived(on_the_map(xml).findings, RULE))


def test_a_waiver_of_two_tables_dies_when_their_relation_demands_less() -> None:
    xml = definition_xml(
        table("scalar", "demand", at=0) + table("scalar", "ceiling", at=2),
        relations='<at-most table="demand" bound="ceiling" margin="5"/>',
    )
    data = image(at_0=u16(500, 400))
    rule = "relation/exceeds-bound"
    unwritten = waiver(rule, f"sha256:{'0' * 40}", image=IMAGE, table="demand")
    accepted = replace(unwritten, digest=outdated_digest(inspect(xml, data, policy=policy(unwritten))))
    assert waived(inspect(xml, data, policy=policy(accepted)).findings, rule) == [True]
    other = inspect(xml.replace(b'margin="5"', b'margin="4"'), data, policy=policy(accepted))
    assert waived(other.findings, rule) == [False]


def test_a_waiver_of_bytes_that_nothing_explains_dies_when_the_definition_explains_less() -> None:
    fuel, torque = table("scalar", "fuel", at=0), table("scalar", "torque", at=8)
    base, data = image(), image(at_8=u16(7), at_40=b"X")
    rule = "change/unexplained-bytes"
    unwritten = waiver(rule, f"sha256:{'0' * 40}", image=IMAGE)
    whole = definition_xml(fuel + torque)
    accepted = policy(
        replace(unwritten, digest=outdated_digest(inspect(whole, data, base, policy=policy(unwritten))))
    )
    assert waived(inspect(whole, data, base, policy=accepted).findings, rule) == [True]
    assert waived(inspect(definition_xml(fuel), data, base, policy=accepted).findings, rule) == [False, False]


def test_a_digest_of_the_earlier_form_no_longer_counts_and_the_reason_is_given() -> None:
    sha = hashlib.sha256(MAP_IMAGE[10:22] + MAP_IMAGE[:10]).hexdigest()
    old = waiver(RULE, f"sha256:{sha[:40]}", image=IMAGE, table="fuel")
    report = inspect(MAP, MAP_IMAGE, policy=policy(old))
    assert not any(waived(report.findings, RULE))
    (finding,) = of_rule(report.findings, "waiver/outdated")
    assert "its digest has an older form, which does not cover the definition" in finding.message
    assert outdated_digest(report) == table_digest(MAP, MAP_IMAGE, "fuel")


def test_findings_about_a_definition_are_waived_regardless_of_its_line_ends() -> None:
    xml = definition_xml(table("scalar", "fuel", at=63))
    item = waiver("definition/outside-image", str(definition_digest(read(xml))), table="fuel")
    for data in (xml, xml.replace(b"\n", b"\r\n")):
        assert waived(inspect(data, policy=policy(item)).findings, item.rule) == [True]


def test_findings_about_a_definition_are_waived_by_its_content() -> None:
    xml = definition_xml(table("scalar", "fuel", at=63))
    item = waiver("definition/outside-image", str(definition_digest(read(xml))), table="fuel")
    report = inspect(xml, policy=policy(item))
    assert waived(report.findings, "definition/outside-image") == [True]
    assert not waiver_rules(report)
    other = inspect(xml + b"<!-- revised -->", policy=policy(item))
    assert waived(other.findings, "definition/outside-image") == [False]
    assert waiver_rules(other) == {"waiver/outdated"}


def looked_at(
    files: dict[str, bytes], item: Waiver, definitions: Sequence[str] = (), whole: bool = True
) -> Report:
    """What is said about the image and its definition, with the base that is named for it."""
    tree = Files()
    tree.files.update(files)
    inspector = Checker(tree, policy(item), TODAY)
    return inspector.report([Assignment(IMAGE, (DEFINITION,), (BASE,))], definitions, whole)


def test_a_waiver_about_definitions_is_called_unused_only_when_all_of_them_were_looked_at() -> None:
    item = waiver("definition/overlap", f"sha256:{'0' * 40}")
    files = {DEFINITION: XML, IMAGE: GOOD, BASE: GOOD}
    assert not of_rule(looked_at(files, item, whole=False).findings, "waiver/unused")
    assert len(of_rule(looked_at(files, item).findings, "waiver/unused")) == 1


@pytest.mark.parametrize(
    ("files", "rule"),
    [
        ({DEFINITION: b"<definition", IMAGE: BAD, BASE: GOOD}, "value/out-of-range"),
        ({IMAGE: BAD, BASE: GOOD}, "value/out-of-range"),
        ({DEFINITION: XML, BASE: GOOD}, "value/out-of-range"),
        ({DEFINITION: XML, IMAGE: BAD.replace(NUMBER, b"SK28-0398"), BASE: GOOD}, "value/out-of-range"),
        ({DEFINITION: XML, IMAGE: b"", BASE: GOOD}, "value/out-of-range"),
        ({DEFINITION: XML, IMAGE: BAD}, "change/too-large"),
    ],
    ids=[
        "broken definition",
        "no definition",
        "no image",
        "image of other software",
        "empty image",
        "no base to find a change in",
    ],
)
def test_a_waiver_is_not_called_unused_where_its_rule_could_not_run(
    files: dict[str, bytes], rule: str
) -> None:
    report = looked_at(files, replace(ACCEPTED, rule=rule))
    assert not of_rule(report.findings, "waiver/unused")


class Word:
    """Somebody who knows who made every change, and counts how often they are asked."""

    def __init__(self, doubted: bool) -> None:
        self.doubted = doubted
        self.asked: list[tuple[str, str]] = []

    def objection(
        self, waiver: Waiver, finding: Finding, case: CheckContext | None
    ) -> WaiverObjection | None:
        self.asked.append((waiver.who, finding.table))
        return (
            WaiverObjection("was written by the author of the change, Ines Falk", "Ask.")
            if self.doubted
            else None
        )


def witnessed(xml: bytes, data: bytes, word: Word, item: Waiver | None = None) -> Report:
    """What is said where a second person is asked for and somebody knows."""
    tree = Files(test_xml=xml)
    tree.files[IMAGE] = data
    accepted = item or replace(ACCEPTED, digest=table_digest(xml, data, "fuel"))
    inspector = Checker(tree, second_person(accepted), TODAY, lambda: word)
    return inspector.report([Assignment(IMAGE, (DEFINITION,), ())], whole=True)


@pytest.mark.parametrize("doubted", [True, False])
def test_a_waiver_of_a_protections_finding_counts_only_when_it_is_a_second_persons(doubted: bool) -> None:
    word = Word(doubted)
    report = witnessed(PROTECTIVE, BAD, word)
    assert waived(report.findings) == [not doubted]
    assert waiver_rules(report) == ({"waiver/same-person"} if doubted else set())
    assert word.asked == [("Ines Falk", "fuel")]
    for result in of_rule(report.findings, "waiver/same-person"):
        assert result.message == (
            "Ines Falk's waiver of value/out-of-range for fuel in new.bin was written by the author of "
            "the change, Ines Falk"
        )


def test_callint_asks_once_for_the_author_of_a_waiver_of_several_findings() -> None:
    data = image(at_0=u16(100, 901, 902, 1000, 2000), at_10=b"\x02", at_48=NUMBER)
    item = waiver("value/out-of-range", table_digest(PROTECTIVE, data, "torque"), image=IMAGE, table="torque")
    word = Word(doubted=True)
    assert waived(witnessed(PROTECTIVE, data, word, item).findings) == [False, False]
    assert word.asked == [("Ines Falk", "torque")]


def test_callint_asks_for_the_author_of_each_waiver() -> None:
    data = image(at_0=u16(901, 901, 200, 1000, 2000), at_10=b"\x02", at_48=NUMBER)
    waivers = [
        waiver("value/out-of-range", table_digest(PROTECTIVE, data, name), image=IMAGE, table=name)
        for name in ("fuel", "torque")
    ]

    class Partial(Word):
        def objection(
            self, waiver: Waiver, finding: Finding, case: CheckContext | None
        ) -> WaiverObjection | None:
            result = super().objection(waiver, finding, case)
            return result if waiver.table == "fuel" else None

    tree = Files(test_xml=PROTECTIVE, new_bin=data)
    inspector = Checker(tree, second_person(*waivers), TODAY, lambda: Partial(doubted=True))
    report = inspector.report([Assignment(IMAGE, (DEFINITION,), ())], whole=True)
    counts = {finding.table: finding.waived for finding in of_rule(report.findings, "value/out-of-range")}
    assert counts == {"fuel": False, "torque": True}


@pytest.mark.parametrize("doubted", [True, False])
def test_a_waiver_of_what_a_definition_says_of_a_protection_is_a_second_persons_too(doubted: bool) -> None:
    xml = definition_xml(table("scalar", "fuel", purpose="protection"))
    item = waiver("definition/unguarded-protection", str(definition_digest(read(xml))), table="fuel")
    word = Word(doubted)
    inspector = Checker(Files(test_xml=xml), second_person(item), TODAY, lambda: word)
    report = inspector.report([], [DEFINITION], whole=True)
    (finding,) = of_rule(report.findings, "definition/unguarded-protection")
    assert finding.waived is not doubted
    assert waiver_rules(report) == ({"waiver/same-person"} if doubted else set())
    assert word.asked == [("Ines Falk", "fuel")]


@pytest.mark.parametrize(
    ("data", "item"),
    [
        (WORSE, ACCEPTED),
        (BAD, until(TODAY - timedelta(days=1))),
        (GOOD, ACCEPTED),
    ],
    ids=["outdated", "expired", "unused"],
)
def test_nobody_is_asked_who_wrote_a_waiver_that_does_not_count_anyway(data: bytes, item: Waiver) -> None:
    word = Word(doubted=True)
    assert "waiver/same-person" not in waiver_rules(witnessed(PROTECTIVE, data, word, item))
    assert word.asked == []


@pytest.mark.parametrize(
    ("rule", "about", "purpose", "needed"),
    [
        ("value/out-of-range", "fuel", "protection", True),
        ("value/out-of-range", "fuel", "emissions", True),
        ("value/out-of-range", "fuel", "demand", False),
        ("protection/disabled", "fuel", "demand", True),
        ("change/emissions", "fuel", "demand", True),
        ("axis/changed", "speeds", "protection", True),
        ("axis/changed", "speeds", "correction", False),
        ("definition/no-limits", "fuel", "protection", True),
        ("image/stale-checksum", "", "protection", False),
        ("change/unexplained-bytes", "", "protection", False),
    ],
)
def test_a_second_person_is_needed_for_what_is_about_protection_or_emissions(
    rule: str, about: str, purpose: str, needed: bool
) -> None:
    definition = read(XML.replace(b'purpose="general"', f'purpose="{purpose}"'.encode()))
    assert needs_second_person(Finding(rule=rule, message="", table=about), definition) is needed


@pytest.mark.parametrize(("purpose", "needed"), [("emissions", True), ("general", False)])
def test_a_second_person_is_needed_for_a_text_by_its_purpose(purpose: str, needed: bool) -> None:
    label = f'<text name="label" title="L" purpose="{purpose}" at="0" length="4" encoding="ascii"/>'
    finding = Finding(rule="image/missing-table", message="", table="label")
    assert needs_second_person(finding, read(definition_xml(label))) is needed


def test_no_waiver_accepts_findings_about_waivers() -> None:
    item = waiver("waiver/unused", f"sha256:{'0' * 40}")
    assert not any(result.waived for result in inspect(XML, GOOD, policy=policy(ACCEPTED, item)).findings)


def test_the_severity_of_waiver_rules_is_the_policys() -> None:
    lenient = replace(policy(ACCEPTED), severities={"waiver": None})
    assert not waiver_rules(inspect(XML, GOOD, policy=lenient))
    strict = replace(policy(ACCEPTED), severities={"waiver/unused": Severity.ERROR})
    (finding,) = of_rule(inspect(XML, GOOD, policy=strict).findings, "waiver/unused")
    assert finding.severity is Severity.ERROR
