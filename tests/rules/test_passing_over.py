"""What a rule passes over does not keep it from what comes behind: only the last of several is found."""

from __future__ import annotations

import pytest

from callint.model.policy import Policy
from tests.building import CONVERSIONS, SIGNALS, definition_xml, findings, hex_file, image, u16
from tests.rules.example import axis, of_rule, table

ON_SPEEDS, ON_LOADS = '<x axis="speeds"/>', '<x axis="loads"/>'
SPEEDS, LOADS = axis("speeds", at=0), axis("loads", "load", at=4, conversion="mg")
#: The breakpoints of both: 1000 and 2000 rpm, 10 and 20 mg.
BREAKPOINTS = u16(1000, 2000, 100, 200)


def found(rule: str, xml: bytes, data: bytes, base: bytes | None = None) -> list[str]:
    """The tables or other subjects that a rule finds something in."""
    return [finding.table or finding.subject for finding in of_rule(findings(xml, data, base), rule)]


def tables(*kinds: str, start: int = 8, purpose: str = "protection", inside: str = "") -> str:
    """Scalars and curves over speed of two bytes a cell, one behind the other."""
    made, at = "", start
    for kind in kinds:
        name, _, detail = kind.partition(" ")
        is_curve = name.startswith("curve")
        made += table(
            "curve" if is_curve else "scalar",
            name,
            (ON_SPEEDS if is_curve else "") + (detail or inside),
            at=at,
            purpose=purpose,
        )
        at += 4 if is_curve else 2
    return made


def test_axes_that_store_no_count_or_the_right_one() -> None:
    xml = definition_xml(
        "".join(
            table("curve", name, f'<x axis="{name}s"/>', at=20 + 4 * n)
            for n, name in enumerate(("a", "b", "c"))
        ),
        axes=axis("as", at=0) + axis("bs", at=4, count_at=40) + axis("cs", at=8, count_at=41),
    )
    data = image(at_0=u16(1, 2), at_4=u16(1, 2), at_8=u16(1, 2), at_40=bytes([2, 3]))
    assert found("axis/wrong-count", xml, data) == ["cs"]


def test_tables_that_may_change_or_changed_little() -> None:
    xml = definition_xml(
        tables("free", 'near <change max="1"/>', 'far <change max="1"/>', start=0, purpose="demand")
    )
    base, data = image(at_0=u16(100, 100, 100)), image(at_0=u16(500, 110, 111))
    assert found("change/too-large", xml, data, base) == ["far"]


def test_tables_that_may_move_with_their_axis_or_move_little() -> None:
    xml = definition_xml(
        tables("curve_free", 'curve_near <change max="1"/>', 'curve_far <change max="1"/>', purpose="demand"),
        axes=SPEEDS,
    )
    cells = u16(0, 500, 0, 10, 0, 500)
    base = image(at_0=u16(1000, 2000), at_8=cells)
    data = image(at_0=u16(1000, 1500), at_8=cells)
    assert found("change/too-large", xml, data, base) == ["curve_far"]


def test_axes_in_no_unit_and_tables_of_no_signal() -> None:
    xml = definition_xml(
        "".join(
            table("curve", name, f'<x axis="{axis}"/>', at=16 + 4 * n)
            for n, (name, axis) in enumerate((("one", "pure"), ("two", "unsaid"), ("three", "knots")))
        )
        + table("scalar", "four", at=28)
        + table("scalar", "five", at=30, signal="speed"),
        axes=axis("pure", at=0, conversion="none")
        + axis("unsaid", at=4, conversion="unsaid")
        + axis("knots", at=8, conversion="mps"),
        conversions=CONVERSIONS
        + '<linear name="none" unit="-" factor="1"/><linear name="unsaid" factor="1"/>'
        + '<linear name="mps" unit="m/s" factor="1"/>',
    )
    assert found("definition/unit-differs", xml, image()) == ["knots speed", "five"]


def test_stored_axes_and_fixed_ones_that_rise() -> None:
    fixed = '<fixed-axis name="{}" signal="speed" values="{}"/>'
    xml = definition_xml("", axes=SPEEDS + fixed.format("rising", "1 2 3") + fixed.format("falling", "1 3 2"))
    assert found("definition/fixed-axis-not-rising", xml, image(at_0=BREAKPOINTS)) == ["falling"]


CHECKSUM = '<checksum name="{}" algorithm="{}" start="{}" size="4" stored-at="{}"/>'


def test_checksums_that_are_not_known_or_right() -> None:
    xml = definition_xml(
        "",
        memory=CHECKSUM.format("unknown", "CRC-99/NOWHERE", 0, 40)
        + CHECKSUM.format("right", "sum16", 0, 42)
        + CHECKSUM.format("stale", "sum16", 4, 44),
    )
    # 1 + 2 + 3 + 4 = 10, and 5 + 6 + 7 + 8 = 26.
    data = image(at_0=bytes(range(1, 9)), at_42=u16(10, 27))
    assert found("image/stale-checksum", xml, data) == ["stale"]


def test_checksums_that_are_not_known_or_covered() -> None:
    xml = definition_xml(
        "",
        memory=CHECKSUM.format("unknown", "CRC-99/NOWHERE", 20, 40)
        + CHECKSUM.format("whole", "sum16", 0, 42)
        + CHECKSUM.format("cut off", "sum16", 6, 44)
        + CHECKSUM.format("not stored", "sum16", 0, 50),
    )
    data = hex_file({0: bytes(8), 40: bytes(8)})
    assert found("image/uncovered-checksum", xml, data) == ["cut off", "not stored"]


def test_findings_of_rules_that_are_off() -> None:
    xml = definition_xml(
        tables('one <limits max="1"/>', 'two <expected max="1"/>', start=0, purpose="demand")
    )
    policy = Policy(severities={"value/out-of-range": None, "definition": None})
    (item,) = findings(xml, image(at_0=u16(20, 20)), policy=policy)
    assert (item.rule, item.table) == ("value/unexpected", "two")


def test_cells_that_are_beyond_their_limits_too() -> None:
    xml = definition_xml(
        tables(
            'one <limits max="1"/><expected max="0.5"/>', 'two <expected max="1"/>', start=0, purpose="demand"
        )
    )
    assert found("value/unexpected", xml, image(at_0=u16(20, 20))) == ["two"]


def test_protections_that_protect() -> None:
    xml = definition_xml(
        tables('one <guard raw="5"/>', 'two <guard above="1"/>', 'three <guard above="1"/>', start=0)
    )
    assert found("protection/disabled", xml, image(at_0=u16(4, 10, 11))) == ["three"]


def test_protections_that_protect_as_before_or_sooner() -> None:
    above = '<guard above="90"/>'
    xml = definition_xml(
        table("scalar", "demand", at=4)
        + tables("given_up", "kept", inside=above)
        + tables("off", inside='<guard raw="5"/>', start=12)
        + tables("curve_unread", "sooner", "later", inside=above, start=14),
        axes=SPEEDS,
    )
    axis_and_demand = u16(2000, 2000, 500), u16(2000, 2000, 600)
    base = image(at_0=axis_and_demand[0], at_8=u16(500, 500, 7, 500, 500, 500, 500))
    data = image(at_0=axis_and_demand[1], at_8=u16(950, 500, 8, 500, 600, 400, 501))
    # Of a number that a guard looks for any change is told; what no longer protects is told by another rule.
    assert found("protection/weakened", xml, data, base) == ["off", "later"]
    assert found("protection/disabled", xml, data, base) == ["given_up"]


def test_curves_behind_no_protection_or_that_read_as_before() -> None:
    xml = definition_xml(
        table("curve", "plain", ON_LOADS, at=12)
        + table("curve", "aside", ON_LOADS, at=18, produces="torque", conversion="nm")
        + table("curve", "same", '<x axis="inputs"/>', at=24, produces="speed", conversion="rpm")
        + table("curve", "sensor", ON_LOADS, at=30, produces="speed", conversion="rpm")
        + table("scalar", "cut", '<guard above="4000"/>', at=36, purpose="protection", conversion="rpm",
                signal="speed"),
        axes=axis("loads", "load", at=0, conversion="mg", count=3)
        + axis("inputs", "load", at=6, conversion="mg", count=3),
        signals=SIGNALS + '<signal name="torque" unit="Nm"/>',
        conversions=CONVERSIONS + '<linear name="nm" unit="Nm" factor="1"/>',
    )  # fmt: skip
    rising = (10, 20, 30, 10, 20, 30, 1000, 2000, 3000, 1000, 2000, 3000, 3000)
    base = image(at_0=u16(100, 200, 300, 100, 200, 300), at_12=u16(*rising))
    # "same" has its middle cell elsewhere on the straight line that it is.
    changed = (11, 21, 31, 11, 21, 31, 1000, 2500, 3000, 1000, 1900, 3000, 3000)
    data = image(at_0=u16(100, 200, 300, 100, 250, 300), at_12=u16(*changed))
    assert found("protection/reading-changed", xml, data, base) == ["sensor"]


def test_protections_that_have_a_shape_or_cannot_have_one() -> None:
    flat = '<guard flat="true"/>'
    xml = definition_xml(
        table("curve", "one_cell", f'<x axis="one"/>{flat}', at=6, purpose="protection")
        + tables("curve_shaped", "single", "curve_flat", inside=flat),
        axes=SPEEDS + axis("one", at=4, count=1),
    )
    data = image(at_0=u16(1000, 2000, 1000, 10), at_8=u16(10, 20, 10, 10, 10))
    assert found("protection/flat", xml, data) == ["curve_flat"]


def test_flat_protections_that_are_not_all_there() -> None:
    flat = '<guard flat="true"/>'
    xml = definition_xml(tables("curve_cut", "curve_flat", inside=flat, start=10), axes=SPEEDS)
    data = hex_file({0: BREAKPOINTS[:4], 10: u16(10), 14: u16(10, 10)})
    assert found("protection/flat", xml, data) == ["curve_flat"]


@pytest.mark.parametrize(
    ("kind", "rule", "values"),
    [
        ('at-most table="{}" bound="{}"', "relation/exceeds-bound", (1, 2, 2, 1)),
        ('equal table="{}" mirror="{}"', "relation/mirror-differs", (1, 1, 2, 1)),
        ('gap upper="{}" lower="{}" min="0.1"', "relation/gap-closed", (2, 1, 1, 1)),
    ],
)
def test_relations_of_other_kinds_and_those_that_hold(kind: str, rule: str, values: tuple[int, ...]) -> None:
    others = ('<at-most table="{}" bound="{}"/>', '<equal table="{}" mirror="{}"/>')
    xml = definition_xml(
        tables("a", "b", "c", "d", start=0, purpose="demand"),
        relations="".join(other.format("c", "d") for other in others if kind[:3] not in other)
        + f"<{kind.format('a', 'b')}/><{kind.format('a', 'lost')}/><{kind.format('c', 'd')}/>",
    )
    assert found(rule, xml, image(at_0=u16(*values))) == ["c"]


def test_ends_of_axes_states_and_floats() -> None:
    xml = definition_xml(
        table("curve", "over", '<x axis="last"/>', at=4, type="float32")
        + table("scalar", "state", at=12, conversion="on_off")
        + table("scalar", "bounded", '<limits max="6553.5"/>', at=14)
        + table("scalar", "stopped", at=16),
        axes=axis("last", at=0),
    )
    data = image(at_0=u16(1, 65535), at_12=u16(65535, 65535, 65535))
    assert found("value/at-end-stop", xml, data) == ["stopped"]


@pytest.mark.parametrize("stopped", ["uint8", "int8", "uint16", "int16", "uint32", "int32"])
def test_ends_of_one_type_among_others(stopped: str) -> None:
    types = ("uint8", "int8", "uint16", "int16", "uint32", "int32", "float32")
    xml = definition_xml(
        "".join(table("scalar", f"a_{item}", at=4 * n, type=item) for n, item in enumerate(types))
    )
    # The largest number of each type: all bits are 1, but for the first one of a signed type.
    size = int(stopped.lstrip("uint")) // 8
    end = bytes([0xFF if stopped[0] == "u" else 0x7F]) + b"\xff" * (size - 1)
    data = bytearray(64)
    at = 4 * types.index(stopped)
    data[at : at + size] = end
    assert found("value/at-end-stop", xml, bytes(data)) == [f"a_{stopped}"]


def test_fill_bytes_of_few_cells_and_of_some_bits() -> None:
    xml = definition_xml(
        tables("small", start=8)
        + table("curve", "masked", ON_SPEEDS, at=12, mask="0x0FFF")
        + table("curve", "cut", ON_SPEEDS, at=18)
        + tables("curve_blank", start=24),
        axes=SPEEDS,
    )
    parts = {0: BREAKPOINTS[:4], 8: b"\xff" * 2, 12: b"\xff" * 4, 18: b"\xff" * 2, 24: b"\xff" * 4}
    assert found("image/blank-table", xml, hex_file(parts)) == ["curve_blank"]


def test_conversions_that_name_no_states() -> None:
    xml = definition_xml(
        table("scalar", "bent", at=0, conversion="bent")
        + table("scalar", "state", at=2, conversion="on_off"),
        conversions='<interpolated name="bent" unit="-"><point raw="0" physical="0"/>'
        '<point raw="10" physical="1"/><point raw="20" physical="3"/></interpolated>' + CONVERSIONS,
    )
    assert found("value/unknown-state", xml, image(at_0=u16(5, 7))) == ["state"]
