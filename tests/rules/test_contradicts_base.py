"""A definition is judged by a factory image alone, and nothing softens what that says."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from callint.model.finding import Severity
from tests.building import definition_xml, image, u16
from tests.rules.example import Example, Expected, all_examples, axis, of_rule, table
from tests.running import SOFTWARE, Yard, edited, make_repository, make_yard, yard_base, yard_definition

RULE = "definition/contradicts-base"
LIMITED = definition_xml(
    table("curve", "fuel", '<x axis="speeds"/>\n<limits min="0" max="90"/>', at=6),
    axes=axis("speeds", count=3),
)
SOUND = image(at_0=u16(1000, 2000, 3000), at_6=u16(300, 400, 900))


def judged(
    name: str, xml: bytes, bad: bytes, good: bytes, words: str, line: str = 'name="cut"', of: str = "cut"
) -> tuple[Example, Example]:
    """A factory image that breaks something, and one that barely does not."""
    expected = Expected(severity=Severity.WARNING, words=(words,), line=line, table=of)
    return (
        Example(rule=RULE, name=name, xml=xml, data=bad, is_factory=True, expected=expected),
        Example(rule=RULE, name=f"the opposite of {name}, barely", xml=xml, data=good, is_factory=True),
    )


FAULTS = (
    Example(
        rule=RULE,
        name="a factory image with a value beyond the limits",
        xml=LIMITED,
        data=image(at_0=u16(1000, 2000, 3000), at_6=u16(300, 400, 901)),
        is_factory=True,
        expected=Expected(
            severity=Severity.WARNING,
            words=("fuel has 1 value out of range in new.bin", "may read the wrong bytes"),
            line='name="fuel"',
            table="fuel",
        ),
    ),
    Example(rule=RULE, name="a factory image at the limits", xml=LIMITED, data=SOUND, is_factory=True),
    *judged(
        "a guard that the factory image matches",
        definition_xml(
            table("scalar", "cut", '<guard above="90"/>', purpose="protection"),
        ),
        image(at_0=u16(901)),
        image(at_0=u16(900)),
        "cut matches its guard in new.bin",
    ),
    *judged(
        "a flat protection of which a guard says that it must not be",
        definition_xml(
            table("curve", "cut", '<x axis="speeds"/><guard flat="true"/>', purpose="protection", at=6),
            axes=axis("speeds", count=3),
        ),
        image(at_0=u16(1000, 2000, 3000), at_6=u16(300, 300, 300)),
        image(at_0=u16(1000, 2000, 3000), at_6=u16(300, 300, 301)),
        "cut is flat in new.bin",
    ),
    *judged(
        "a bound that the factory image exceeds",
        definition_xml(
            table("scalar", "cut") + table("scalar", "bound", at=2),
            relations='\n<at-most table="cut" bound="bound"/>\n',
        ),
        image(at_0=u16(901, 900)),
        image(at_0=u16(900, 900)),
        "cut exceeds bound in new.bin",
        line="<at-most",
    ),
    *judged(
        "a mirror of which the factory image knows nothing",
        definition_xml(
            table("scalar", "cut") + table("scalar", "copy", at=2),
            relations='\n<equal table="cut" mirror="copy"/>\n',
        ),
        image(at_0=u16(901, 900)),
        image(at_0=u16(900, 900)),
        "cut differs from its mirror copy in new.bin",
        line="<equal",
    ),
    *judged(
        "an axis beyond the operating range of its signal",
        definition_xml(
            table("curve", "fuel", '<x axis="speeds"/>', at=6),
            axes=axis("speeds", count=3),
        ),
        image(at_0=u16(100, 200, 699)),
        image(at_0=u16(100, 200, 700)),
        "speeds reaches from 100 to 699 rpm, although speed operates at 700 to 4200 rpm, in new.bin",
        line="<axis name",
        of="speeds",
    ),
    *judged(
        "a map whose x and y are swapped",
        definition_xml(
            table("map", "cut", '<x axis="long"/><y axis="short"/>'),
            axes='<fixed-axis name="long" signal="speed" values="1000 2000 3000 4000 5000"/>'
            '<fixed-axis name="short" signal="load" values="10 20 30 40"/>',
        ),
        image(at_0=u16(*(100 * row + 7 * column for row in range(5) for column in range(4)))),
        image(at_0=u16(*(100 * row + 7 * column for row in range(4) for column in range(5)))),
        "cut would be far smoother with order= changed or x and y swapped in new.bin",
    ),
    *judged(
        "a map whose x and y are swapped, stored from the highest x",
        definition_xml(
            table("map", "cut", '<x axis="long"/><y axis="short"/>'),
            axes='<fixed-axis name="long" signal="speed" values="1000 2000 3000 4000 5000" order="falling"/>'
            '<fixed-axis name="short" signal="load" values="10 20 30 40"/>',
        ),
        image(at_0=u16(*(100 * row + 7 * column for row in range(5) for column in range(4)))),
        image(at_0=u16(*(100 * row + 7 * column for row in range(4) for column in range(5)))),
        "cut would be far smoother with order= changed or x and y swapped in new.bin",
    ),
    *judged(
        "a text of bytes that are not characters",
        definition_xml('\n<text name="cut" title="Cut" purpose="general" at="0" length="4"/>\n'),
        image(at_0=b"SK\x01-"),
        image(at_0=b"SK-\xff"),
        "cut has bytes that are not characters in new.bin",
    ),
    *judged(
        "a checksum over a range that is too long by a byte",
        definition_xml(
            "", memory='\n<checksum name="sum" algorithm="sum8" start="0" size="3" stored-at="8"/>\n'
        ),
        image(at_0=bytes([1, 2, 4]), at_8=bytes([3])),
        image(at_0=bytes([1, 2, 0]), at_8=bytes([3])),
        "new.bin: the stored checksum sum is",
        line="<checksum",
        of="",
    ),
)

MIRROR = "definition/unstated-mirror"


def twins(relations: str = "", conversion: str = "mg") -> bytes:
    """Two curves of three cells over one axis; the second at 12 is on a line of its own."""
    on = '<x axis="speeds"/>'
    tables = table("curve", "idle", on, at=6) + table("curve", "copy", on, at=12, conversion=conversion)
    return definition_xml(tables, axes=axis("speeds", count=3), relations=relations)


def twin_image(*values: int) -> bytes:
    return image(at_0=u16(1000, 2000, 3000), at_6=u16(*values))


def passes_over(name: str, xml: bytes, data: bytes) -> Example:
    return Example(rule=MIRROR, name=name, xml=xml, data=data, is_factory=True)


EQUAL = twin_image(1, 2, 3, 1, 2, 3)
MIRRORS = (
    Example(
        rule=MIRROR,
        name="two equal curves of three different values",
        xml=twins(),
        data=EQUAL,
        is_factory=True,
        expected=Expected(
            severity=Severity.NOTE,
            words=("idle and copy are equal in new.bin, and no relation says",),
            line='name="copy"',
            table="copy",
        ),
    ),
    passes_over("two curves of two different values", twins(), twin_image(1, 1, 3, 1, 1, 3)),
    passes_over("two curves that differ in one step", twins(), twin_image(1, 2, 3, 1, 2, 4)),
    passes_over(
        "two curves that a relation makes equal", twins('<equal table="copy" mirror="idle"/>'), EQUAL
    ),
    passes_over("equal numbers in two units", twins(conversion="rpm"), twin_image(10, 20, 30, 1, 2, 3)),
)
EXAMPLES = (*FAULTS, *MIRRORS)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


BASE = "factory/base.bin"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard")


def said(yard: Yard, definition: bytes, base: bytes | None = None) -> dict[str, str]:
    """What the check of the definition says about the rule, by table."""
    yard.write("defs/new.xml", definition)
    if base is not None:
        yard.write(BASE, base)
    document = yard.call("check", "defs/new.xml", "--base", BASE, "--format", "json").data
    findings = [finding for finding in document["findings"] if finding["rule"] == RULE]
    assert all(finding["severity"] == "warning" for finding in findings)
    return {finding.get("table", ""): finding["message"].partition(" in factory")[0] for finding in findings}


def test_a_definition_that_its_factory_image_keeps_passes(yard: Yard) -> None:
    assert said(yard, yard_definition()) == {}
    result = yard.call("check", "defs/yard.xml", "--base", BASE)
    assert (result.status, result.stdout) == (0, "")


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (b'at="0x30" type', b'at="0x32" type', {"overspeed_cut": "overspeed_cut has 1 value out of range"}),
        (
            b'signal="speed" at="0x00"',
            b'signal="speed" at="0x02"',
            {"speed_4": "speed_4 has 1 breakpoint that does not increase"},
        ),
        (
            b'at="0x32" type',
            b'at="32" type',
            {"monitor": "monitor has 1 unknown state, 1 value out of range"},
        ),
        (b'at="0x44" type', b'at="44" type', {"egr": "egr has 1 value out of range"}),
    ],
    ids=["a table two bytes off", "an axis two bytes off", "a switch without 0x", "a table without 0x"],
)
def test_what_reads_wrong_bytes_is_named_once_a_table(
    yard: Yard, old: bytes, new: bytes, expected: dict[str, str]
) -> None:
    definition = yard_definition()
    assert definition.count(old) == 1
    named = said(yard, definition.replace(old, new))
    assert expected.items() <= named.items()


def test_a_blank_table_is_named(yard: Yard) -> None:
    base = edited(yard_base(), {0x50: b"\xff" * 8})
    curve = yard_definition().replace(b'at="0x28" type', b'at="0x50" type')
    assert said(yard, curve, base) == {"smoke_cap": "smoke_cap is blank and has 4 values out of range"}


def test_an_image_of_other_software_or_size_is_one_finding(yard: Yard) -> None:
    (message,) = said(yard, yard_definition(), edited(yard_base(), {SOFTWARE: b"YARD-02"})).values()
    assert "this is an image of other software" in message
    (message,) = said(yard, yard_definition(), yard_base()[:-1]).values()
    assert "the image is truncated" in message


def test_init_judges_the_definition_by_the_factory_image(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path / "yard")
    make_yard(scratch.root)
    (scratch.root / "callint.toml").unlink()
    files = ("init", "boats/*.bin", "--definition", "defs/yard.xml", "--base", BASE, "--no-hook")
    wrong = yard_definition().replace(b'at="0x30" type', b'at="0x32" type')
    scratch.write("defs/yard.xml", wrong)
    text = scratch.call(*files).flat
    sentence = f"defs/yard.xml may read the wrong bytes: {BASE} contradicts it in 1 place; "
    assert sentence in text
    command = text.partition(sentence)[2].partition(" lists them.")[0]
    assert RULE in scratch.call(*shlex.split(command)[1:], "--all").stdout
    scratch.call("init", "--undo")
    scratch.write("defs/yard.xml", yard_definition())
    assert "wrong bytes" not in scratch.call(*files).flat


def test_three_equal_tables_are_one_finding_about_those_that_no_relation_joins() -> None:
    on = '<x axis="speeds"/>'
    tables = "".join(table("curve", f"copy_{n}", on, at=6 + 6 * n) for n in range(4))
    xml = definition_xml(
        tables,
        axes=axis("speeds", count=3),
        relations='<equal table="copy_1" mirror="copy_0"/><equal table="copy_2" mirror="copy_1"/>',
    )
    data = image(at_0=u16(1000, 2000, 3000), at_6=u16(*(1, 2, 3) * 4))
    example = Example(rule=MIRROR, name="", xml=xml, data=data, is_factory=True)
    (finding,) = of_rule(example.report().findings, MIRROR)
    assert finding.message.startswith("copy_0 and copy_3 are equal")


def test_what_follows_from_another_fault_is_not_reported() -> None:
    """The bound is out of range; that the demand exceeds it follows from that."""
    xml = definition_xml(
        table("scalar", "demand") + table("scalar", "bound", '<limits min="50"/>', at=2),
        relations='<at-most table="demand" bound="bound"/>',
    )
    example = Example(rule=RULE, name="", xml=xml, data=image(at_0=u16(600, 0)), is_factory=True)
    (finding,) = of_rule(example.report().findings, RULE)
    assert finding.table == "bound"


def converted(bad: int, right: int) -> dict[str, str]:
    """The messages about scalars of one conversion, of which some are out of range, by the subject."""
    tables = "".join(
        table("scalar", f"table_{n}", '<limits min="1"/>', at=2 * n, conversion="rpm")
        for n in range(bad + right)
    )
    xml, data = definition_xml(tables), image(at_0=u16(*[0] * bad, *[1] * right))
    example = Example(rule=RULE, name="", xml=xml, data=data, is_factory=True)
    found = of_rule(example.report().findings, RULE)
    return {finding.subject or finding.table: finding.message for finding in found}


def test_a_conversion_is_named_instead_of_most_of_its_tables() -> None:
    assert converted(3, 3) == {
        "conversion rpm": "3 of 6 tables and axes of conversion rpm contradict new.bin: "
        "table_0, table_1, table_2"
    }
    assert set(converted(3, 4)) == {"table_0", "table_1", "table_2"}
    assert set(converted(2, 0)) == {"table_0", "table_1"}
