"""Whole numbers of 64 bits are judged exactly, where doubles no longer tell them apart.

A double has a significand of 53 bits (IEEE 754, binary64), so that 2**53 + 1 is the first whole number that
it does not hold. What is expected is worked out in fractions, from the decimal numbers as they are written.
"""

from __future__ import annotations

import struct
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from callint.fmt import decimal_digits
from callint.model.finding import Finding
from callint.reading.definition import read_definition
from callint.reporting.definition.xml import definition_lines
from tests.building import definition_xml, findings, image, read, rules_found
from tests.example_counts import examples
from tests.rules.example import of_rule, table

FIRST = 2**53  # behind it only every second whole number is a double

FACTORS = ("1", "0.1", "-1", "0.25", "-0.001", "3", "1e-12")
OFFSETS = ("0", "0.3", "-40", "4503599627370497")
TYPES = {"uint64": ">Q", "int64": ">q", "uint32": ">I"}


def conversion(factor: str, offset: str = "0") -> str:
    return f'<linear name="c" unit="mg" factor="{factor}" offset="{offset}"/>'


def xml(children: str, kind: str = "uint64", factor: str = "1", offset: str = "0", **more: str) -> bytes:
    return definition_xml(
        table("scalar", "total", children, type=kind, conversion="c", **more),
        conversions=conversion(factor, offset),
    )


def data(raw: int, kind: str = "uint64") -> bytes:
    return image(at_0=struct.pack(TYPES[kind], raw))


def only(findings: list[Finding], rule: str) -> Finding:
    (item,) = of_rule(findings, rule)
    return item


@pytest.mark.parametrize("raw", [FIRST + 1, 2**63 + 1, 2**64 - 2])
def test_a_limit_is_passed_by_one_and_met_by_none(raw: int) -> None:
    for demand, rule in (("limits", "value/out-of-range"), ("expected", "value/unexpected")):
        bound = xml(f'<{demand} max="{raw}"/>')
        assert not of_rule(findings(bound, data(raw)), rule)
        finding = only(findings(bound, data(raw + 1)), rule)
        assert f"{raw + 1} mg is above the" in finding.message and f"{raw} mg" in finding.message
        bound = xml(f'<{demand} min="{raw}"/>')
        assert not of_rule(findings(bound, data(raw)), rule)
        finding = only(findings(bound, data(raw - 1)), rule)
        assert f"{raw - 1} mg is below the" in finding.message and f"{raw} mg" in finding.message


def test_a_decimal_limit_that_no_double_holds_counts_as_it_is_written() -> None:
    """9007199254740993 * 0.1 is 900719925474099.3; the double nearest to it is 900719925474099.25."""
    bound = xml('<limits max="900719925474099.3"/>', factor="0.1")
    assert not of_rule(findings(bound, data(FIRST + 1)), "value/out-of-range")
    finding = only(findings(bound, data(FIRST + 2)), "value/out-of-range")
    assert finding.message == "900719925474099.4 mg is above the limit of 900719925474099.3 mg"


def test_such_limits_are_written_back_as_they_were_read() -> None:
    demands = (
        '<limits min="-9007199254740993" max="900719925474099.3"/>'
        '<expected min="1" max="9007199254740995"/><guard above="9007199254740993"/>'
    )
    definition = read(xml(demands))
    text = "".join(definition_lines(definition))
    again = read_definition(text.encode(), "again.xml").definition
    assert again is not None
    item, other = (result.tables["total"].demands for result in (definition, again))
    assert (item.limits, item.expected, item.guards[0].text) == (
        other.limits,
        other.expected,
        other.guards[0].text,
    )
    assert '"900719925474099.3"' in text and '"9007199254740993"' in text


NUMBERS = st.one_of(
    st.integers(-(2**63), 2**64 - 1),
    st.builds(
        lambda power, step, sign: sign * (2**power + step),
        st.sampled_from([52, 53, 54, 60, 63]),
        st.integers(-3, 3),
        st.sampled_from([1, -1]),
    ),
)


@given(
    raw=NUMBERS,
    near=st.integers(-2, 2),
    kind=st.sampled_from(["uint64", "int64", "uint32"]),
    factor=st.sampled_from(FACTORS),
    offset=st.sampled_from(OFFSETS),
    upper=st.booleans(),
)
@examples(160)
def test_values_are_beyond_limits_as_fractions_are(
    raw: int, near: int, kind: str, factor: str, offset: str, upper: bool
) -> None:
    low, high = {"uint64": (0, 2**64 - 1), "int64": (-(2**63), 2**63 - 1), "uint32": (0, 2**32 - 1)}[kind]
    raw = min(max(raw, low), high)
    value = raw * Fraction(factor) + Fraction(offset)
    limit = value + near * Fraction(factor)
    bound = f'<limits {"max" if upper else "min"}="{decimal_digits(limit)}"/>'
    reported = of_rule(findings(xml(bound, kind, factor, offset), data(raw, kind)), "value/out-of-range")
    assert bool(reported) == (value > limit if upper else value < limit)
    for item in reported:
        assert item.raw == raw


@given(raw=NUMBERS, near=st.integers(-2, 2), upper=st.booleans(), factor=st.sampled_from(FACTORS))
@examples(60)
def test_guards_find_what_fractions_find(raw: int, near: int, upper: bool, factor: str) -> None:
    raw = min(max(raw, 0), 2**64 - 1)
    value = raw * Fraction(factor)
    limit = value + near * Fraction(factor)
    guard = f'<guard {"above" if upper else "below"}="{decimal_digits(limit)}"/>'
    result = rules_found(xml(guard, factor=factor, purpose="protection"), data(raw))
    assert ("protection/disabled" in result) == (value > limit if upper else value < limit)


def test_a_guard_that_is_passed_by_one_shows_both_numbers() -> None:
    guard = xml(f'<guard above="{FIRST + 1}"/>', purpose="protection")
    finding = only(findings(guard, data(FIRST + 2)), "protection/disabled")
    assert finding.message.startswith(f"total is {FIRST + 2} mg, above {FIRST + 1} mg:")


@given(
    old=NUMBERS,
    step=st.integers(-70_000, 70_000),
    kind=st.sampled_from(["uint64", "int64"]),
    factor=st.sampled_from(FACTORS),
    most=st.sampled_from(["1", "0.1", "3", "7000", "65.535", "8"]),
)
@examples(80)
def test_changes_are_too_large_as_fractions_are(
    old: int, step: int, kind: str, factor: str, most: str
) -> None:
    low, high = {"uint64": (0, 2**64 - 1), "int64": (-(2**63), 2**63 - 1)}[kind]
    old = min(max(old, low), high)
    new = min(max(old + step, low), high)
    result = rules_found(xml(f'<change max="{most}"/>', kind, factor), data(new, kind), data(old, kind))
    assert ("change/too-large" in result) == (abs(new - old) * abs(Fraction(factor)) > Fraction(most))


def test_the_whole_span_of_64_bits_is_a_change_too() -> None:
    """From -2**63 to 2**63 - 1 are 2**64 - 1, which no number of 64 bits with a sign holds.

    1.8446744073709549e19 is below that and 1.8446744073709552e19 is above.
    """
    for most, expected in (("1.8446744073709549e19", True), ("1.8446744073709552e19", False)):
        change = xml(f'<change max="{most}"/>', "int64")
        result = rules_found(change, data(2**63 - 1, "int64"), data(-(2**63), "int64"))
        assert ("change/too-large" in result) is expected


def test_a_change_that_is_too_large_by_one_shows_all_digits() -> None:
    finding = only(findings(xml('<change max="2"/>'), data(FIRST + 4), data(FIRST + 1)), "change/too-large")
    assert finding.message == (f"{FIRST + 1} mg became {FIRST + 4} mg, +3 mg; at most 2 mg is accepted")


def curve(demand: str, *raw: int, factor: str = "1", kind: str = "uint64") -> list[Finding]:
    breakpoints = " ".join(str(number) for number in range(len(raw)))
    axes = f'<fixed-axis name="x" signal="speed" values="{breakpoints}"/>'
    whole = definition_xml(
        table("curve", "total", f'<x axis="x"/>{demand}', type=kind, conversion="c"),
        axes=axes,
        conversions=conversion(factor),
    )
    return findings(whole, image(at_0=struct.pack(f">{len(raw)}{TYPES[kind][1]}", *raw)))


RISING, STRICTLY = (f'<monotonic along="x" direction="rising"{strict}/>' for strict in ("", ' strict="true"'))


def test_an_order_is_broken_by_one_and_kept_by_one() -> None:
    rule = "value/not-monotonic"
    assert not of_rule(curve(STRICTLY, FIRST, FIRST + 1, FIRST + 2), rule)
    assert not of_rule(curve(RISING, FIRST, FIRST, FIRST + 1), rule)
    result = only(curve(RISING, FIRST, FIRST + 1, FIRST), rule)
    assert f"{FIRST + 1} mg to {FIRST} mg" in result.message
    assert of_rule(curve(STRICTLY, FIRST + 1, FIRST + 1), rule)


def test_with_a_negative_factor_larger_raw_numbers_fall() -> None:
    rule = "value/not-monotonic"
    assert of_rule(curve(RISING, FIRST, FIRST + 1, factor="-1"), rule)
    assert not of_rule(curve(RISING, FIRST + 1, FIRST, factor="-1"), rule)


def test_a_gradient_is_passed_by_one() -> None:
    gradient, rule = '<gradient along="x" max="3"/>', "value/too-steep"
    assert not of_rule(curve(gradient, FIRST + 1, FIRST + 4), rule)
    result = only(curve(gradient, FIRST + 1, FIRST + 5), rule)
    assert f"{FIRST + 1} mg to {FIRST + 5} mg" in result.message and "is 4 mg per rpm" in result.message
    # Down and over the middle of the numbers with a sign.
    assert of_rule(curve(gradient, 2, -2, kind="int64"), rule)
    assert of_rule(curve('<gradient along="x" max="1e19"/>', 2**63 - 1, -(2**63), kind="int64"), rule)


def test_an_off_code_of_64_bits_is_that_number_and_no_other() -> None:
    off = '<off raw="0xFFFFFFFFFFFFFFFF" allowed="nowhere"/>'
    assert of_rule(findings(xml(off), data(2**64 - 1)), "value/off-in-operating-range")
    assert not of_rule(findings(xml(off), data(2**64 - 2)), "value/off-in-operating-range")


def test_a_state_of_64_bits_is_that_number_and_no_other() -> None:
    states = '<states name="c"><state raw="0">off</state><state raw="0xFFFFFFFFFFFFFFFF">on</state></states>'
    whole = definition_xml(table("scalar", "gear", type="uint64", conversion="c"), conversions=states)
    assert not of_rule(findings(whole, data(2**64 - 1)), "value/unknown-state")
    assert of_rule(findings(whole, data(2**64 - 2)), "value/unknown-state")


def test_limits_beyond_the_type_hold_everything_or_nothing() -> None:
    assert not of_rule(findings(xml(f'<limits max="{2**70}"/>'), data(2**64 - 1)), "value/out-of-range")
    assert of_rule(findings(xml(f'<limits min="{2**70}"/>'), data(2**64 - 1)), "value/out-of-range")
    assert of_rule(findings(xml('<limits max="-1"/>'), data(0)), "value/out-of-range")
