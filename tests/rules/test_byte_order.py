"""A definition in the wrong byte order is one finding, and no right definition is ever accused of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from callint.checking.assignments import Assignment, assignment_of_named
from callint.checking.checker import Checker
from callint.checking.loading import ImageLoader
from callint.model.finding import Severity
from callint.model.policy import Policy
from callint.reading.definition_sniff import looks_like_definition
from callint.reading.policy import read_policy
from callint.rules.definition.byte_order import wrong_byte_order
from tests.building import TODAY, Files, definition_xml, findings, image, u16
from tests.rules.demo_files import DEFINITION, demo
from tests.rules.example import axis, table
from tests.running import REPOSITORY

RULE = "definition/contradicts-base"

RISING = u16(900, 1700, 2600, 3300)
#: In order in both byte orders.
BOTH = u16(0x0101, 0x0202, 0x0303, 0x0404)
#: In order in this byte order alone, and in the other one alone.
OTHER = u16(*(int.from_bytes(value.to_bytes(2), "little") for value in (900, 1700, 2600, 3300)))


def four_axes(byte_order: str = "big", count: int = 4) -> bytes:
    axes = "".join(axis(f"a{number}", at=8 * number, count=count) for number in range(4))
    curves = [table("curve", f"c{n}", f'<x axis="a{n}"/>', at=32 + 8 * n, type="uint8") for n in range(4)]
    return definition_xml("".join(curves), axes=axes, byte_order=byte_order)


def axes_of(*contents: bytes) -> bytes:
    return image(at_0=b"".join(contents))


def accused(xml: bytes, data: bytes, base: bytes | None = None) -> bool:
    return RULE in {finding.rule for finding in findings(xml, data, base)}


def test_axes_that_rise_only_in_the_other_byte_order_are_one_error() -> None:
    data = axes_of(RISING, RISING, RISING, RISING)
    assert not accused(four_axes(), data)
    (finding,) = [item for item in findings(four_axes("little"), data) if item.image]
    assert (finding.rule, finding.severity) == (RULE, Severity.ERROR)
    assert "0 of 4 axes are in order, and 4 in the other byte order" in finding.message
    assert "byte-order" in finding.hint


def test_the_base_decides_and_not_the_rework() -> None:
    sound, turned = axes_of(*[RISING] * 4), axes_of(*[OTHER] * 4)
    assert accused(four_axes("little"), sound, sound)
    assert not accused(four_axes(), turned, sound)


@pytest.mark.parametrize(
    ("contents", "is_wrong"),
    [
        ((OTHER, OTHER, BOTH, BOTH), True),
        ((OTHER, BOTH, BOTH, BOTH), False),  # most axes are in order
        ((OTHER, OTHER, OTHER, RISING), False),  # an axis is in order in this byte order alone
        ((OTHER, OTHER, OTHER, u16(5, 5, 5, 5)), False),  # an axis is in order in neither
    ],
)
def test_half_of_the_axes_must_be_wrong_and_nearly_all_right_in_the_other_order(
    contents: tuple[bytes, ...], is_wrong: bool
) -> None:
    assert accused(four_axes(), axes_of(*contents)) == is_wrong


def test_axes_of_three_breakpoints_prove_nothing() -> None:
    assert accused(four_axes(), axes_of(*[OTHER] * 4))
    assert not accused(four_axes(count=3), axes_of(*[OTHER] * 4))


def test_checksums_that_are_right_speak_for_a_byte_order() -> None:
    data = axes_of(*[OTHER] * 4)
    stored = sum(data[:8]).to_bytes(2)
    sum16 = '<checksum name="sum" algorithm="sum16" start="0" size="8" stored-at="32"/>'
    xml = definition_xml(
        "", axes=four_axes().decode().partition("<axes>")[2].partition("</axes>")[0], memory=sum16
    )
    without = definition_xml("", axes=four_axes().decode().partition("<axes>")[2].partition("</axes>")[0])
    assert accused(without, data)
    assert not accused(xml, data[:32] + stored + data[34:])


# The demo


@pytest.mark.parametrize("name", ["factory/sk28-0412.bin", "boats/heron.bin", "boats/petrel.bin"])
def test_the_demos_definition_in_the_other_byte_order_is_one_mistake(name: str) -> None:
    wrong = demo()[DEFINITION].replace(b'byte-order="big"', b'byte-order="little"')
    tree = Files()
    tree.files = demo() | {DEFINITION: wrong}
    policy = read_policy(demo()["callint.toml"], "callint.toml")
    assigned = assignment_of_named(policy, name)
    assert assigned is not None
    (finding,) = Checker(tree, policy, TODAY).report([assigned]).findings
    assert (finding.rule, finding.image, finding.severity) == (RULE, name, Severity.ERROR)
    assert "26 in the other byte order; 0 of 2 checksums are right, and 2 in the other" in finding.message


def definitions() -> Iterator[Path]:
    """The definitions among the fixtures and the data of the tests."""
    for folder in (REPOSITORY / "fixtures", REPOSITORY / "tests/data"):
        for path in sorted(folder.rglob("*.xml")):
            if looks_like_definition(path.read_bytes()):
                yield path


@pytest.mark.parametrize("path", list(definitions()), ids=lambda path: str(path.relative_to(REPOSITORY)))
def test_no_definition_of_the_fixtures_is_accused_by_any_image(path: Path) -> None:
    tree = Files()
    tree.files = {item.name: item.read_bytes() for item in path.parent.glob("*.xml")}
    images = {item.read_bytes() for item in (REPOSITORY / "fixtures").rglob("*.bin")}
    assert images
    loader = ImageLoader(tree)
    for data in sorted(images):
        tree.files["image.bin"] = data
        context = loader.context(Assignment("image.bin", (path.name,), ()))
        with np.errstate(all="ignore"):
            assert context is None or wrong_byte_order(context) is None


@pytest.mark.parametrize("severity", [Severity.NOTE, Severity.WARNING, None])
def test_where_the_byte_order_does_not_fail_a_check_the_image_is_judged(severity: Severity | None) -> None:
    data = axes_of(RISING, RISING, RISING, RISING)
    reported = findings(four_axes("little"), data, policy=Policy(severities={RULE: severity}))
    assert "axis/not-increasing" in {finding.rule for finding in reported}
    assert "axis/not-increasing" not in {finding.rule for finding in findings(four_axes("little"), data)}
