"""Raw to physical and back, against decimal arithmetic, fractions, NumPy and a published standard."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from callint import fmt
from callint.decoding.conversions import (
    UnstorableError,
    physical_limits,
    quantise,
    to_physical,
    to_raw,
    to_raw_numbers,
)
from callint.model.definition import (
    PLAIN,
    ByteOrder,
    Conversion,
    Interpolated,
    Linear,
    NumberType,
    Rational,
    States,
    Storage,
)
from tests.building import decoded, definition_xml
from tests.example_counts import examples

INTEGER_TYPES = [item for item in NumberType if item.is_integer]
FLOAT_TYPES = [item for item in NumberType if not item.is_integer]


def storage(type: NumberType, mask: int | None = None) -> Storage:
    return Storage(type, ByteOrder.BIG, type.size, mask)


def ends(type: NumberType) -> tuple[int, int]:
    """The lowest and highest number of an integer type: two's complement."""
    bits = 8 * type.size
    return (0, 2**bits - 1) if type.kind == "u" else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


def linear(factor: float, offset: float = 0.0) -> Linear:
    return Linear("c", "u", None, factor, offset, 1)


def rational(a: float, b: float, c: float, d: float, e: float, f: float) -> Rational:
    return Rational("c", "u", None, (a, b, c, d, e, f), 1)


def interpolated(points: Sequence[tuple[float, float]]) -> Interpolated:
    raw, physical = zip(*points, strict=True)
    return Interpolated("c", "u", None, tuple(raw), tuple(physical), 1)


def physical(conversion: Conversion, raw: float) -> float:
    return float(to_physical(conversion, np.array([raw], np.float64))[0])


def raw_of(conversion: Conversion, value: float, type: NumberType = NumberType.uint16) -> int | float:
    number: int | float = to_raw(conversion, storage(type), np.array([value]))[0].item()
    return number


def decimals(digits: int, places: int) -> st.SearchStrategy[Decimal]:
    """Decimal numbers as people write them: up to ``digits`` digits, ``places`` of them behind the point."""
    whole = st.integers(-(10**digits) + 1, 10**digits - 1)
    return st.builds(lambda number, scale: Decimal(number).scaleb(-scale), whole, st.integers(0, places))


# Linear


@given(
    factor=decimals(5, 6).filter(bool),
    offset=decimals(5, 4),
    raws=st.lists(st.integers(-32768, 65535), min_size=1, max_size=30),
)
@examples(200)
def test_a_linear_value_is_the_double_nearest_to_the_decimal_result(
    factor: Decimal, offset: Decimal, raws: list[int]
) -> None:
    values = to_physical(linear(float(factor), float(offset)), np.array(raws, np.int32))
    assert values.tolist() == [float(Decimal(raw) * factor + offset) for raw in raws]


@pytest.mark.parametrize(
    ("factor", "offset"),
    [
        ("0.1", "0"),
        ("0.01", "-100"),
        ("0.0078125", "-273.15"),
        ("-0.25", "6000"),
        ("0.05", "-0.05"),
        ("1.5", "0.125"),
        ("0.000001", "0"),
        ("1", "-40"),
        ("3.3333", "-1000.01"),
    ],
)
def test_all_65536_raw_values_of_a_file_decode_exactly(factor: str, offset: str) -> None:
    conversion = f'<linear name="c" unit="u" factor="{factor}" offset="{offset}"/>'
    tables = "".join(
        f'<curve name="{kind}" title="T" purpose="general" at="0" type="{kind}16" conversion="c"><x>'
        f'<fixed-axis signal="speed" count="65536" start="0" step="1"/></x></curve>'
        for kind in ("uint", "int")
    )
    stored = np.arange(65536, dtype=">u2").tobytes()
    image = decoded(definition_xml(tables, conversions=conversion, size=len(stored)), stored)
    wanted = [float(Decimal(raw) * Decimal(factor) + Decimal(offset)) for raw in range(-32768, 65536)]
    unsigned = image.grid(image.layout.definition.tables["uint"]).physical.ravel().tolist()
    signed = image.grid(image.layout.definition.tables["int"]).physical.ravel().tolist()
    assert unsigned == wanted[32768:]
    assert signed == wanted[32768:65536] + wanted[:32768]


def test_three_tenths_meet_a_limit_of_three_tenths() -> None:
    assert 3 * 0.1 != 0.3, "what plain floating point makes of it"
    assert physical(linear(0.1), 3) == 0.3


# Rational: RAT_FUNC of ASAM MCD-2 MC (ASAP2), whose coefficients lead from physical to internal:
# INT = f(PHYS); f(x) = (axx + bx + c) / (dxx + ex + f).


def rat_func(coefficients: Sequence[Fraction | int], p: Fraction) -> Fraction:
    """The internal value of a physical one, exactly, by the formula of the standard."""
    a, b, c, d, e, f = coefficients
    return (a * p * p + b * p + c) / (d * p * p + e * p + f)


small = st.integers(-20, 20)
points = st.fractions(-50, 50, max_denominator=16)


@given(b=small, c=small, e=small, f=small, p=points)
@examples(150)
def test_raw_from_a_straight_rat_func_decodes_back(b: int, c: int, e: int, f: int, p: Fraction) -> None:
    assume(e * p + f and b * f - c * e)  # defined there, and not the same everywhere
    raw = rat_func((0, b, c, 0, e, f), p)
    assert physical(rational(0, b, c, 0, e, f), float(raw)) == pytest.approx(float(p), rel=1e-8, abs=1e-8)


@given(
    raw=st.integers(0, 255),
    scale=st.integers(-20, 20).filter(bool),
    below=st.tuples(small, small, small).filter(any),
    roots=st.lists(st.integers(-800, 800), min_size=2, max_size=2, unique=True),
)
@examples(150)
def test_raw_from_a_rat_func_decodes_to_the_larger_value_that_has_it(
    raw: int, scale: int, below: tuple[int, int, int], roots: list[int]
) -> None:
    d, e, f = below
    p, q = (Fraction(root, 16) for root in roots)
    assume(d * p * p + e * p + f and d * q * q + e * q + f)
    # (a - raw d) x² + (b - raw e) x + (c - raw f) = scale (x - p) (x - q): both p and q have this raw value.
    a, b, c = raw * d + scale, raw * e - scale * (p + q), raw * f + scale * p * q
    assert rat_func((a, b, c, d, e, f), p) == rat_func((a, b, c, d, e, f), q) == raw
    conversion = rational(float(a), float(b), float(c), d, e, f)
    assert physical(conversion, raw) == pytest.approx(float(max(p, q)), rel=1e-7, abs=1e-7)


def is_root_within_an_ulp(coefficients: Sequence[float], raw: Fraction, p: float) -> bool:
    """Whether the larger root of the equation for a raw number lies within an ulp of p, exactly."""
    a, b, c, d, e, f = (Fraction(repr(coefficient)) for coefficient in coefficients)
    square, slope, constant = a - raw * d, b - raw * e, c - raw * f

    def left(x: Fraction) -> Fraction:
        return (square * x + slope) * x + constant

    step = Fraction(math.ulp(p))
    low, high = Fraction(p) - step, Fraction(p) + step
    if not square:
        return left(low) * left(high) <= 0
    vertex = -slope / (2 * square)
    if slope * slope == 4 * square * constant:
        return low <= vertex <= high
    return high >= vertex and left(max(low, vertex)) * left(high) <= 0


#: Where digits cancel: a double root, a sum that is nearly 0, large raw numbers, raw numbers near 0.
_CANCELLING = [
    ((1.0, 2.0, 1.0, 0.0, 0.0, 1.0), 1e-12),
    ((1.0, 2.0, 1.0, 1.0, 2.0, 3.0), 1e-12),
    ((0.0, 0.0, 1.0, 0.1, 0.2, 0.1), 4294967295),
    ((0.0, 0.0, 1.0, 0.1, 0.2, 0.1), 2**53 + 1),
    ((0.0, 0.0, 1.0, 0.1, 0.2, 0.1), 17500000000000000001),
    ((0.0, 0.0, 1.0, 0.1, 0.2, 0.1), 2**64 - 1),
    ((0.3, 1.0, -2.0, 0.1, 0.0, 1.0), 3),
    ((1e-6, 1.0, 0.0, 0.0, 0.0, 1.0), 1e-300),
    ((-1.0, 1.0, -1.0, -1.0, 1.0, 1.0), 1e300),
    ((0.0, 1.0, 0.0, 1e-12, 0.0, 1.0), 1),
    ((1.0, 0.0, 0.0, 1.0, 1.0, 0.0), 1e-300),
    ((0.0, 0.0, 0.0, -6.17e-09, 0.0, 5.6e-09), 1e-300),
    ((0.0, 0.1, -0.7, 0.0, 0.0, 0.3), 17500000000000000001),
]


@pytest.mark.parametrize(("coefficients", "raw"), _CANCELLING)
def test_the_root_of_a_rat_func_has_all_digits_where_they_would_cancel(
    coefficients: tuple[float, ...], raw: float
) -> None:
    numbers = np.array([raw], np.uint64 if isinstance(raw, int) else np.float64)
    (p,) = to_physical(rational(*coefficients), numbers).tolist()
    assert is_root_within_an_ulp(coefficients, Fraction(raw), p)


@given(
    coefficients=st.tuples(*[decimals(3, 4).map(float)] * 6),
    raws=st.lists(st.integers(0, 2**64 - 1) | st.integers(0, 9), min_size=1, max_size=5),
)
@examples(150)
def test_every_root_of_a_rat_func_is_the_larger_one_to_the_last_digit(
    coefficients: tuple[float, ...], raws: list[int]
) -> None:
    assume(any(coefficients[3:]))
    values = to_physical(rational(*coefficients), np.array(raws, np.uint64)).tolist()
    for raw, p in zip(raws, values, strict=True):
        a, b, c, d, e, f = (Fraction(repr(coefficient)) for coefficient in coefficients)
        square, slope, constant = a - raw * d, b - raw * e, c - raw * f
        if math.isnan(p):
            assert slope**2 < 4 * square * constant or square == slope == 0
        else:
            assert is_root_within_an_ulp(coefficients, Fraction(raw), p)


def test_many_raw_numbers_have_the_roots_that_each_has_alone() -> None:
    raws = np.arange(5000, dtype=np.uint16).reshape(50, 100)[::-1]
    for conversion in (
        rational(1, 2, 1, 0.5, 0, 4),
        rational(0, 0, 30e6, 0, 1, 0),
        rational(0, 2, 1, 0, 0, 3),
    ):
        alone = [to_physical(conversion, raws.ravel()[[index]])[0] for index in range(raws.size)]
        np.testing.assert_array_equal(to_physical(conversion, raws).ravel(), alone)


@pytest.mark.parametrize("coefficients", [(0, 4, 0, 0, 0, 1), (0, -1, 0, 0, 0, 1), (1, 2, 0, 0, 0, 1)])
@pytest.mark.parametrize("type", [NumberType.uint16, NumberType.int64, NumberType.float32])
def test_the_root_0_has_no_sign(coefficients: tuple[float, ...], type: NumberType) -> None:
    (value,) = to_physical(rational(*coefficients), np.zeros(1, storage(type).dtype)).tolist()
    assert str(value) == "0.0"


def test_a_linear_conversion_may_be_written_as_a_rat_func() -> None:
    # Half a degree a step from -40 degC: INT = (2 PHYS + 80) / 1.
    as_rational, as_linear = rational(0, 2, 80, 0, 0, 1), linear(0.5, -40.0)
    raw = np.arange(256, dtype=np.uint8)
    assert to_physical(as_rational, raw).tolist() == to_physical(as_linear, raw).tolist()
    assert physical(as_rational, 130) == 25.0
    assert raw_of(as_rational, 25.0, NumberType.uint8) == 130


def test_a_period_decodes_to_a_speed() -> None:
    # One mark a turn, timed in microseconds: INT = 60 000 000 / PHYS, 3000 rpm is 20 ms.
    period = rational(0, 0, 60e6, 0, 1, 0)
    assert physical(period, 20000) == 3000.0
    assert raw_of(period, 3000.0) == 20000
    assert math.isnan(physical(period, 0)), "no time is no speed"
    values = to_physical(period, np.arange(1, 65536, dtype=np.uint16))
    assert (np.diff(values) < 0).all()


def test_a_parabola_decodes_on_its_upper_branch() -> None:
    # Flow through an orifice goes with the root of pressure, pressure with its square: INT = PHYS² / 4.
    parabola = rational(1, 0, 0, 0, 0, 4)
    assert physical(parabola, 400) == 40.0
    assert physical(parabola, 0) == 0.0
    # INT = PHYS² - 6 PHYS + 9 = (PHYS - 3)²: 16 belongs to -1 and to 7.
    assert physical(rational(1, -6, 9, 0, 0, 1), 16) == 7.0
    # INT = -PHYS² + 10: 1 belongs to -3 and to 3.
    assert physical(rational(-1, 0, 10, 0, 0, 1), 1) == 3.0
    # Only below the line there is a square. INT = PHYS / (PHYS² + 1): 0.4 belongs to 0.5 and to 2.
    assert physical(rational(0, 1, 0, 1, 0, 1), 0.4) == pytest.approx(2.0)


def test_a_raw_value_that_no_physical_one_has_is_not_a_number() -> None:
    assert math.isnan(physical(rational(1, 0, 5, 0, 0, 1), 4)), "p² + 5 is never 4"
    assert math.isnan(physical(rational(0, 1, 0, 0, 1, 1), 1)), "p / (p + 1) is never 1"


def test_a_large_slope_does_not_swallow_the_small_root() -> None:
    # p² + 100000000 p + 1 = raw: at raw 1 + 10**8 the larger root is 1 less 10**-8, the other is -10**8 - 1.
    conversion = rational(1, 1e8, 1, 0, 0, 1)
    assert physical(conversion, 1 + 1e8 + 1) == pytest.approx(1.0, rel=1e-12)


# Interpolated

strictly_rising = st.lists(st.integers(-5000, 5000), min_size=2, max_size=12, unique=True).map(sorted)


@given(
    raw=strictly_rising,
    values=st.lists(st.floats(-1e6, 1e6), min_size=12, max_size=12),
    at=st.lists(st.integers(-6000, 6000), min_size=1, max_size=20),
    shuffle=st.randoms(use_true_random=False),
)
@examples(100)
def test_points_decode_as_numpy_interpolates_them(
    raw: list[int],
    values: list[float],
    at: list[int],
    shuffle: random.Random,
) -> None:
    points = [(float(item), value) for item, value in zip(raw, values, strict=False)]
    expected = np.interp(at, [item for item, _ in points], [value for _, value in points])
    shuffle.shuffle(points)
    assert to_physical(interpolated(points), np.array(at, np.int16)).tolist() == expected.tolist()


def test_points_are_held_at_the_first_and_the_last() -> None:
    sensor = interpolated([(12, 140), (250, -40)])
    assert [physical(sensor, raw) for raw in (0, 12, 131, 250, 255)] == [140, 140, 50, -40, -40]


def test_falling_points_turn_round() -> None:
    sensor = interpolated([(12, 140), (250, -40)])
    assert [raw_of(sensor, value) for value in (140, 50, -40)] == [12, 131, 250]


def test_not_a_number_is_held_nowhere() -> None:
    sensor = interpolated([(12, 140), (250, -40)])
    reciprocal = rational(0, 0, 1, 0, 1, 0)
    for odd in (math.inf, -math.inf, math.nan):
        for conversion in (sensor, reciprocal):
            assert np.isnan(to_physical(conversion, np.array([odd], np.float32))).all()
            with pytest.raises(UnstorableError):
                raw_of(conversion, odd)


@pytest.mark.parametrize("value", [140.5, -41, math.nan, math.inf, -math.inf])
def test_a_value_beyond_the_points_is_refused(value: float) -> None:
    with pytest.raises(UnstorableError):
        raw_of(interpolated([(12, 140), (250, -40)]), value)


# States

GEARS = States("gears", {0: "astern", 1: "neutral", 4: "ahead"}, (), 1)


def test_a_named_state_decodes_to_its_raw_value_and_shows_its_name() -> None:
    assert [physical(GEARS, raw) for raw in (0, 1, 4)] == [0, 1, 4]
    assert [fmt.number(raw, GEARS) for raw in (0.0, 1.0, 4.0)] == ["astern", "neutral", "ahead"]
    assert GEARS.raw_of("ahead") == 4 and GEARS.raw_of("reverse") is None


def test_only_named_states_can_be_stored() -> None:
    fits = quantise(GEARS, storage(NumberType.uint8), np.arange(6.0)).fits
    assert fits.tolist() == [True, True, False, False, True, False]
    with pytest.raises(UnstorableError):
        raw_of(GEARS, 2)


# The way back


@pytest.mark.parametrize("type", INTEGER_TYPES)
@given(data=st.data())
@examples(25)
def test_a_plain_integer_comes_back_from_its_physical_value(type: NumberType, data: st.DataObject) -> None:
    low, high = (max(-(2**53) + 1, ends(type)[0]), min(2**53 - 1, ends(type)[1]))
    edges = st.sampled_from([low, low + 1, high - 1, high])
    raw = np.array(data.draw(st.lists(st.integers(low, high) | edges, min_size=1)), f"{type.kind}{type.size}")
    back = to_raw(PLAIN, storage(type), to_physical(PLAIN, raw))
    assert back.dtype == raw.dtype and back.tolist() == raw.tolist()


@pytest.mark.parametrize("type", [item for item in INTEGER_TYPES if item.size <= 4])
@given(data=st.data(), factor=decimals(5, 6).filter(bool), offset=decimals(5, 4))
@examples(25)
def test_an_integer_comes_back_from_any_decimal_conversion(
    type: NumberType, data: st.DataObject, factor: Decimal, offset: Decimal
) -> None:
    raw = np.array(data.draw(st.lists(st.integers(*ends(type)), min_size=1)), f"{type.kind}{type.size}")
    conversion = linear(float(factor), float(offset))
    back = to_raw(conversion, storage(type), to_physical(conversion, raw))
    assert back.dtype == raw.dtype and back.tolist() == raw.tolist()


@pytest.mark.parametrize("type", FLOAT_TYPES)
@given(data=st.data(), power=st.integers(-8, 8))
@examples(25)
def test_a_float_comes_back_from_its_physical_value(
    type: NumberType, data: st.DataObject, power: int
) -> None:
    # Scaling by a power of two is exact as long as it stays clear of the ends of the type.
    most = min(2.0**100, float(np.finfo(f"f{type.size}").max))
    numbers = st.floats(-most, most, width={2: 16, 4: 32, 8: 64}[type.size])  # type: ignore[arg-type]
    numbers = numbers.filter(lambda item: item == 0 or abs(item) > 2.0**-100)
    raw = np.array(data.draw(st.lists(numbers, min_size=1)), f"f{type.size}")
    for conversion in (PLAIN, linear(2.0**power)):
        back = to_raw(conversion, storage(type), to_physical(conversion, raw))
        assert back.dtype == raw.dtype and back.tolist() == raw.tolist()


@given(
    raws=st.lists(st.integers(1, 65535), min_size=1, max_size=20),
    conversion=st.sampled_from(
        [
            rational(0, 0, 30e6, 0, 1, 0),
            rational(0, 2, 80, 0, 0, 1),
            rational(1, 0, 0, 0, 0, 4),
            rational(0, 70000, 1, 0, 1, 3),
        ]
    ),
)
@examples(50)
def test_a_raw_value_comes_back_from_a_rational_conversion(raws: list[int], conversion: Rational) -> None:
    raw = np.array(raws, np.uint16)
    assert to_raw(conversion, storage(NumberType.uint16), to_physical(conversion, raw)).tolist() == raws


@given(
    value=st.floats(-1e5, 1e5),
    factor=decimals(4, 4).filter(lambda factor: abs(factor) >= Decimal("0.001")),
    offset=decimals(4, 3),
)
@examples(200)
def test_a_value_is_stored_as_the_nearest_raw_number(value: float, factor: Decimal, offset: Decimal) -> None:
    exact = (Fraction(value) - Fraction(offset)) / Fraction(factor)
    assume(abs(abs(exact - math.floor(exact)) - Fraction(1, 2)) > Fraction(1, 10**6))
    nearest = round(exact)
    assume(abs(nearest) < 2**31)
    assert raw_of(linear(float(factor), float(offset)), value, NumberType.int32) == nearest


def test_halves_go_to_the_even_number() -> None:
    half = linear(0.5)
    assert [raw_of(half, value) for value in (0.25, 0.75, 1.25, 1.75)] == [0, 2, 2, 4]


@pytest.mark.parametrize("type", INTEGER_TYPES)
def test_the_ends_of_a_type_are_stored_and_what_lies_beyond_is_refused(type: NumberType) -> None:
    low, high = ends(type)
    # The doubles inside the type that lie nearest to its ends.
    highest = float(high) if float(high) == high else math.nextafter(float(high), 0)
    lowest = float(low)
    assert raw_of(PLAIN, highest, type) == int(highest) <= high
    assert raw_of(PLAIN, lowest, type) == low
    for beyond in (float(high + 1), float(high + 1) * 2, math.nextafter(lowest - 0.51, -math.inf)):
        if type.size == 8 and beyond == lowest:
            continue  # no double lies between the lowest number and half a step below it
        assert not quantise(PLAIN, storage(type), np.array([beyond])).fits[0]
        with pytest.raises(UnstorableError, match=type.name):
            raw_of(PLAIN, beyond, type)


def test_the_uint64_that_is_2_to_the_64_is_refused() -> None:
    assert float(2**64 - 1) == 2.0**64, "the highest uint64 is no double"
    fits = quantise(PLAIN, storage(NumberType.uint64), np.array([2.0**64 - 2048, 2.0**64, 2.0**65])).fits
    assert fits.tolist() == [True, False, False]


def test_a_value_within_half_a_step_of_the_end_is_the_end() -> None:
    assert raw_of(PLAIN, 255.49, NumberType.uint8) == 255
    assert raw_of(PLAIN, -0.49, NumberType.uint8) == 0
    assert raw_of(PLAIN, -128.49, NumberType.int8) == -128
    for value in (255.51, -0.51):
        with pytest.raises(UnstorableError, match="uint8"):
            raw_of(PLAIN, value, NumberType.uint8)


@pytest.mark.parametrize("type", list(NumberType))
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_every_type_refuses_infinity_and_not_a_number(type: NumberType, value: float) -> None:
    with pytest.raises(UnstorableError):
        raw_of(PLAIN, value, type)


def test_a_value_beyond_the_largest_float32_is_refused() -> None:
    largest = (2 - 2.0**-23) * 2.0**127  # IEEE 754 binary32
    assert raw_of(PLAIN, largest, NumberType.float32) == largest
    with pytest.raises(UnstorableError, match="float32"):
        raw_of(PLAIN, 2.0**128, NumberType.float32)


@pytest.mark.parametrize(("mask", "highest"), [(0x04, 1), (0x30, 3), (0xFF, 255), (0x0FF0, 255)])
def test_a_masked_number_holds_what_its_bits_hold(mask: int, highest: int) -> None:
    masked = storage(NumberType.uint16, mask)
    fits = quantise(PLAIN, masked, np.array([0.0, highest, highest + 1, -1])).fits
    assert fits.tolist() == [True, True, False, False]


def test_one_misfit_refuses_the_whole_array_and_is_named() -> None:
    with pytest.raises(UnstorableError, match="30000 u does not fit uint16"):
        to_raw(linear(0.1), storage(NumberType.uint16), np.array([1.0, 30000.0, 2.0]))


def test_a_factor_of_zero_has_no_way_back() -> None:
    assert not quantise(linear(0.0, 5.0), storage(NumberType.int16), np.array([5.0, 6.0])).fits.any()


@pytest.mark.parametrize("type", list(NumberType))
def test_physical_limits_are_what_the_ends_of_the_type_decode_to(type: NumberType) -> None:
    low, high = physical_limits(linear(0.5, -10.0), storage(type))
    type_low, type_high = storage(type).raw_limits
    assert (low, high) == (type_low * 0.5 - 10, type_high * 0.5 - 10)
    assert physical_limits(linear(-1.0), storage(NumberType.int8)) == (-127, 128)


def test_the_raw_number_before_rounding_is_the_formula_of_the_standard() -> None:
    values = np.array([-3.0, -0.5, 1.0, 2.5, 40.0])
    result = to_raw_numbers(rational(1, -6, 9, 0, 2, 8), values)
    assert result.tolist() == [float(rat_func((1, -6, 9, 0, 2, 8), Fraction(p))) for p in values]
