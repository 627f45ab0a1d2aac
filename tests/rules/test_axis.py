"""The axis/ rules, each with images that fail it and images that barely pass it."""

from __future__ import annotations

import struct

from callint.model.finding import Cell, Severity
from callint.rules.registry import RULES
from tests.building import definition_xml, findings, image, u16
from tests.rules.example import Example, Expected, all_examples, axis, of_rule, table

#: An axis that one curve uses; its cells begin at 8.
ONE_CURVE = definition_xml(
    table("curve", "smoke_limit", '<x axis="speeds"/>', at=8), axes=axis("speeds", at=0, count=4)
)
TWO_CURVES = definition_xml(
    table("curve", "smoke_limit", '<x axis="speeds"/>', at=8)
    + table("curve", "torque_limit", '<x axis="speeds"/>', at=16),
    axes=axis("speeds", at=0, count=4),
)
SIGNED = definition_xml(
    table("curve", "smoke_limit", '<x axis="speeds"/>', at=8),
    axes=axis("speeds", at=0, count=4, type="int16"),
)
COUNTED = definition_xml(
    table("curve", "smoke_limit", '<x axis="speeds"/>', at=8),
    axes=axis("speeds", at=0, count=4, count_at=20),
)


def speeds(*values: int) -> bytes:
    """An image whose axis has these four breakpoints, and the same cells always."""
    return image(at_0=struct.pack(">4H", *(value % 65536 for value in values)), at_8=u16(100, 200, 300, 400))


def counted(count: int) -> bytes:
    """An image that stores how many breakpoints there are."""
    return image(at_0=u16(1000, 1250, 1500, 2000), at_20=bytes([count]))


EXAMPLES = (
    Example(
        rule="axis/not-increasing",
        name="1499 rpm behind 1500 rpm",
        xml=ONE_CURVE,
        data=speeds(1000, 1500, 1499, 2000),
        base=speeds(1000, 1500, 1600, 2000),
        expected=Expected(
            severity=Severity.ERROR,
            words=("1499 rpm", "1500 rpm"),
            line='name="speeds"',
            table="speeds",
            cell=Cell(2, 0),
            address=4,
            raw=1499,
            physical=1499.0,
            base_physical=1600.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="axis/not-increasing",
        name="1500 rpm behind 1500 rpm, which is another mistake",
        xml=ONE_CURVE,
        data=speeds(1000, 1500, 1500, 2000),
    ),
    Example(
        rule="axis/repeated-breakpoint",
        name="1500 rpm behind 1500 rpm",
        xml=ONE_CURVE,
        data=speeds(1000, 1500, 1500, 2000),
        base=speeds(1000, 1500, 1600, 2000),
        expected=Expected(
            severity=Severity.WARNING,
            words=("1500 rpm",),
            line='name="speeds"',
            table="speeds",
            cell=Cell(2, 0),
            address=4,
            raw=1500,
            physical=1500.0,
            base_physical=1600.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="axis/repeated-breakpoint",
        name="1501 rpm behind 1500 rpm, one raw step more",
        xml=ONE_CURVE,
        data=speeds(1000, 1500, 1501, 2000),
    ),
    Example(
        rule="axis/wrong-count",
        name="3 stored breakpoints where the definition has 4",
        xml=COUNTED,
        data=counted(3),
        base=counted(4),
        expected=Expected(
            severity=Severity.ERROR,
            words=("3 breakpoints", "4"),
            line='name="speeds"',
            table="speeds",
            address=20,
            raw=3,
        ),
    ),
    Example(
        rule="axis/wrong-count",
        name="4 stored breakpoints where the definition has 4",
        xml=COUNTED,
        data=counted(4),
    ),
    Example(
        rule="axis/outside-plausible",
        name="6001 rpm where the sensor reads up to 6000 rpm",
        xml=ONE_CURVE,
        data=speeds(1000, 1500, 2000, 6001),
        base=speeds(1000, 1500, 2000, 2500),
        expected=Expected(
            severity=Severity.WARNING,
            words=("6001 rpm", "above", "6000 rpm", "speed"),
            line='name="speeds"',
            table="speeds",
            cell=Cell(3, 0),
            address=6,
            raw=6001,
            physical=6001.0,
            base_physical=2500.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="axis/outside-plausible",
        name="6000 rpm where the sensor reads up to 6000 rpm",
        xml=ONE_CURVE,
        data=speeds(1000, 1500, 2000, 6000),
    ),
    Example(
        rule="axis/outside-plausible",
        name="-1 rpm where the sensor reads from 0 rpm",
        xml=SIGNED,
        data=speeds(-1, 1500, 2000, 6000),
        expected=Expected(
            severity=Severity.WARNING,
            words=("-1 rpm", "below", "0 rpm", "speed"),
            line='name="speeds"',
            table="speeds",
            cell=Cell(0, 0),
            address=0,
            raw=-1,
            physical=-1.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="axis/outside-plausible",
        name="0 rpm where the sensor reads from 0 rpm",
        xml=SIGNED,
        data=speeds(0, 1500, 2000, 6000),
    ),
    Example(
        rule="axis/changed",
        name="2000 rpm that became 2200 rpm under one curve",
        xml=ONE_CURVE,
        data=speeds(1000, 1500, 2200, 3000),
        base=speeds(1000, 1500, 2000, 3000),
        expected=Expected(
            severity=Severity.WARNING,
            words=("2000 rpm became 2200 rpm; ", "smoke_limit"),
            line='name="speeds"',
            table="speeds",
            cell=Cell(2, 0),
            address=4,
            raw=2200,
            physical=2200.0,
            base_physical=2000.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="axis/changed",
        name="a new cell over the breakpoints of the base",
        xml=ONE_CURVE,
        data=speeds(1000, 1500, 2000, 3000)[:8] + u16(101) + speeds(1000, 1500, 2000, 3000)[10:],
        base=speeds(1000, 1500, 2000, 3000),
    ),
    Example(
        rule="axis/changed",
        name="a new breakpoint under two curves, which is a worse mistake",
        xml=TWO_CURVES,
        data=speeds(1000, 1500, 2200, 3000),
        base=speeds(1000, 1500, 2000, 3000),
    ),
    Example(
        rule="axis/shared-axis-changed",
        name="2000 rpm that became 2200 rpm under two curves",
        xml=TWO_CURVES,
        data=speeds(1000, 1500, 2200, 3000),
        base=speeds(1000, 1500, 2000, 3000),
        expected=Expected(
            severity=Severity.WARNING,
            words=("2000 rpm became 2200 rpm; ", "smoke_limit", "torque_limit"),
            line='name="speeds"',
            table="speeds",
            cell=Cell(2, 0),
            address=4,
            raw=2200,
            physical=2200.0,
            base_physical=2000.0,
            unit="rpm",
        ),
    ),
    Example(
        rule="axis/shared-axis-changed",
        name="a new breakpoint under one curve",
        xml=ONE_CURVE,
        data=speeds(1000, 1500, 2200, 3000),
        base=speeds(1000, 1500, 2000, 3000),
    ),
    Example(
        rule="axis/shared-axis-changed",
        name="two curves over the breakpoints of the base",
        xml=TWO_CURVES,
        data=speeds(1000, 1500, 2000, 3000),
        base=speeds(1000, 1500, 2000, 3000),
    ),
)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


def test_a_moved_axis_is_reported_once_with_the_number_of_its_other_moved_breakpoints() -> None:
    result = of_rule(
        findings(ONE_CURVE, speeds(1000, 1600, 2100, 3100), speeds(1000, 1500, 2000, 3000)), "axis/changed"
    )
    assert [finding.cell for finding in result] == [Cell(1, 0)]
    assert "1500 rpm became 1600 rpm and 2 other breakpoints" in result[0].message


def test_an_axis_of_a_tables_own_is_judged_as_a_shared_one_is() -> None:
    own = '<x><axis signal="speed" at="0" type="uint16" conversion="rpm" count="4"/></x>'
    xml = definition_xml(table("curve", "smoke_limit", own, at=8))
    reported = findings(xml, speeds(1000, 1500, 1499, 6001), speeds(1000, 1500, 1600, 6001))
    assert {
        (finding.rule, finding.table, finding.cell)
        for finding in reported
        if finding.rule.startswith("axis/")
    } == {
        ("axis/not-increasing", "smoke_limit/x", Cell(2, 0)),
        ("axis/outside-plausible", "smoke_limit/x", Cell(3, 0)),
        ("axis/changed", "smoke_limit/x", Cell(2, 0)),
    }


def test_the_last_breakpoint_of_an_axis_is_not_compared_with_the_next_axis() -> None:
    xml = definition_xml(
        table("curve", "one", '<x axis="first"/>', at=8) + table("curve", "two", '<x axis="second"/>', at=12),
        axes=axis("first", at=0) + axis("second", at=4),
    )
    for second in (2000, 500):
        reported = findings(xml, image(at_0=u16(1000, 2000, second, 3000)))
        assert not [finding for finding in reported if finding.rule.startswith("axis/")]


def test_breakpoints_that_the_image_lacks_are_not_compared() -> None:
    # The memory begins behind the first breakpoint: the definition is wrong, the second breakpoint is not.
    xml = definition_xml(
        table("curve", "one", '<x axis="speeds"/>', at=20), axes=axis("speeds", at=14), start=16
    )
    assert not [
        finding for finding in findings(xml, image(at_4=u16(1, 2))) if finding.rule.startswith("axis/")
    ]


def test_an_axis_without_plausible_range_may_have_any_breakpoints() -> None:
    signals = '<signal name="speed" unit="rpm">Engine speed</signal>'
    xml = definition_xml(
        table("curve", "one", '<x axis="speeds"/>', at=8), axes=axis("speeds", at=0), signals=signals
    )
    assert not of_rule(findings(xml, image(at_0=u16(0, 65535))), "axis/outside-plausible")


# The pages' worked examples

MG = '<linear name="whole" unit="mg" factor="1"/><linear name="rpm" unit="rpm" factor="1" decimals="0"/>'


def limits_over(*names: str) -> bytes:
    """Curves over one axis of three breakpoints; the axis lies at 0, the cells from 8 on."""
    return definition_xml(
        "".join(
            table("curve", name, '<x axis="speeds"/>', at=8 + 6 * number, conversion="whole")
            for number, name in enumerate(names)
        ),
        axes=axis("speeds", at=0, count=3),
        conversions=MG,
    )


def three(*breakpoints: int, cells: tuple[int, ...]) -> bytes:
    return image(at_0=u16(*breakpoints), at_8=u16(*cells))


def said(xml: bytes, data: bytes, base: bytes, rule: str) -> str:
    (finding,) = of_rule(findings(xml, data, base), rule)
    return finding.message


def test_the_numbers_of_the_example_of_a_changed_axis_are_those_that_the_rule_says() -> None:
    page, xml = " ".join(RULES["axis/changed"].page.split()), limits_over("smoke_limit")
    base = three(1000, 2000, 3000, cells=(10, 20, 60))
    kept = said(xml, three(1000, 2200, 3000, cells=(10, 20, 60)), base, "axis/changed")
    assert kept == (
        "2000 rpm became 2200 rpm; cells unchanged, "
        "but the output of smoke_limit moved by up to -8 mg at 2200 rpm"
    )
    anew = said(xml, three(1000, 2200, 3000, cells=(10, 28, 60)), base, "axis/changed")
    assert anew == "2000 rpm became 2200 rpm; the output of smoke_limit moved by up to +5 mg at 2000 rpm"
    for text in ("moved by up to -8 mg at 2200 rpm", "moved by up to +5 mg at 2000 rpm"):
        assert text in page


def test_the_numbers_of_the_example_of_a_changed_shared_axis_are_those_that_the_rule_says() -> None:
    page = " ".join(RULES["axis/shared-axis-changed"].page.split())
    base = three(1000, 2000, 3000, cells=(10, 20, 60, 10, 30, 50))
    data = three(1000, 2500, 3000, cells=(10, 40, 60, 10, 30, 50))
    message = said(limits_over("smoke_limit", "torque_limit"), data, base, "axis/shared-axis-changed")
    assert message == (
        "2000 rpm became 2500 rpm; this moves outputs: "
        "smoke_limit up to +10 mg at 2000 rpm; torque_limit up to -10 mg at 2500 rpm"
    )
    for text in ("at 2000 rpm 10 + (40 - 10) * 1000 / 1500 = 30 mg, 10 mg more", "10 mg less"):
        assert text in page


def test_cells_recalculated_for_new_breakpoints_are_unchanged_within_their_rounding() -> None:
    xml, base = limits_over("smoke_limit"), three(1000, 2000, 3000, cells=(10, 110, 210))
    exact = said(xml, three(1000, 2200, 3000, cells=(10, 130, 210)), base, "axis/changed")
    assert exact.endswith("the output of smoke_limit is unchanged")
    rounded = said(xml, three(1000, 2204, 3000, cells=(10, 130, 210)), base, "axis/changed")
    assert rounded.endswith("the output of smoke_limit is unchanged within 0.4 mg")


def test_an_axis_with_unreadable_new_breakpoints_only_names_its_tables() -> None:
    xml, base = limits_over("smoke_limit"), three(1000, 2000, 3000, cells=(10, 20, 60))
    for breakpoints in ((1000, 3000, 3000), (1000, 3100, 3000)):
        message = said(xml, three(*breakpoints, cells=(10, 20, 60)), base, "axis/changed")
        assert message.endswith("this moves smoke_limit")


def test_an_axis_that_falls_throughout_is_one_finding() -> None:
    falling, rising = speeds(2000, 1500, 1250, 1000), speeds(1000, 1250, 1500, 2000)
    for base, hint in ((falling, "Write order"), (None, "Write order"), (rising, "Correct")):
        (finding,) = of_rule(findings(ONE_CURVE, falling, base), "axis/not-increasing")
        assert finding.message == "the axis falls from 2000 rpm to 1000 rpm"
        assert finding.hint.startswith(hint)
        assert finding.severity is (Severity.NOTE if base is falling else Severity.ERROR)
    partly = of_rule(findings(ONE_CURVE, speeds(2000, 1500, 1250, 1300)), "axis/not-increasing")
    assert [finding.cell for finding in partly] == [Cell(1, 0), Cell(2, 0)]
