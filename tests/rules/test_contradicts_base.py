"""A definition is judged by a factory image alone, and nothing softens what that says."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from callint.model.finding import Severity
from tests.building import definition_xml, image, u16
from tests.rules.example import Example, Expected, all_examples, axis, table
from tests.running import SOFTWARE, Yard, edited, make_repository, make_yard, yard_base, yard_definition

RULE = "definition/contradicts-base"
LIMITED = definition_xml(
    table("curve", "fuel", '<x axis="speeds"/>\n<limits min="0" max="90"/>', at=6),
    axes=axis("speeds", count=3),
)
SOUND = image(at_0=u16(1000, 2000, 3000), at_6=u16(300, 400, 900))

EXAMPLES = (
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
)


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
