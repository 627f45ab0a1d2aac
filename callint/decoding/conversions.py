"""Converts raw values to physical ones and back, in arrays of any shape.

A linear conversion is computed as ``(raw * a + b) / q`` with whole numbers a, b and q if factor and offset
are decimal fractions (0.1 is 1/10). The quotient of two whole numbers below 2**53 is the
double nearest to the true value, so 3 * 0.1 decodes to 0.3 and meets a limit of 0.3 exactly; in
``raw * factor + offset`` it would not.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import ceil, floor, lcm
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding.double_double import (
    Pair,
    add,
    divide,
    multiply,
    negative,
    of_fraction,
    of_raw,
    scale,
    square_root,
)
from callint.decoding.statistics import distinct
from callint.model.definition import Conversion, Interpolated, Linear, Rational, States, Storage

Numbers = NDArray[np.float64]

_EXACT = 2**53

#: Above this number of cells, a rational conversion converts equal raw numbers once.
_MANY = 1024
#: The bytes of the widest whole raw numbers whose products with a small coefficient a double may hold.
_EXACT_SIZE = 4
#: Coefficients of a rational conversion may become whole numbers up to this.
_LARGEST_TERM = 2**200
#: Raw numbers of a rational conversion are scaled down to this power of 2.
_LARGEST_EXPONENT = 500
#: Digits beyond this share of the square of the slope are those of rounding.
_DOUBLE_ROOT = 2.0**-100


@lru_cache(maxsize=65536)
def linear_terms(factor: float, offset: float) -> tuple[float, float, float]:
    """a, b and q such that raw * factor + offset is (raw * a + b) / q; whole numbers if they fit."""
    # repr returns the decimal number as the definition file writes it.
    exact_factor, exact_offset = Fraction(repr(factor)), Fraction(repr(offset))
    q = lcm(exact_factor.denominator, exact_offset.denominator)
    a, b = exact_factor * q, exact_offset * q
    if abs(a) >= _EXACT or abs(b) >= _EXACT or q >= _EXACT:
        return factor, offset, 1.0
    return float(a), float(b), float(q)


@lru_cache(maxsize=65536)
def exact_terms(factor: float, offset: float) -> tuple[Fraction, Fraction]:
    """Factor and offset as the exact decimal numbers of the definition."""
    return Fraction(repr(factor)), Fraction(repr(offset))


def exact_value(conversion: Linear, raw: int) -> Fraction:
    """The physical value of a whole raw number, without rounding."""
    factor, offset = exact_terms(conversion.factor, conversion.offset)
    return raw * factor + offset


def is_wide(conversion: Conversion, storage: Storage) -> bool:
    """Whether doubles cannot distinguish all values: whole raw numbers that are, or become, 2**53 or more."""
    if not isinstance(conversion, Linear) or not storage.type.is_integer or not conversion.factor:
        return False
    return any(is_large(conversion, int(raw)) for raw in storage.raw_limits)


def is_large(conversion: Linear, raw: int) -> bool:
    """Whether the conversion of a whole raw number needs numbers that may be 2**53 or more."""
    factor, offset = exact_terms(conversion.factor, conversion.offset)
    q = lcm(factor.denominator, offset.denominator)
    return abs(raw) * abs(factor * q) + abs(offset * q) >= _EXACT or q >= _EXACT


def raw_bounds(
    conversion: Linear, low: Fraction | None, high: Fraction | None
) -> tuple[int | None, int | None]:
    """The least and the greatest whole raw number whose value is within; None for an open end.

    The least is above the greatest if there is no such number.
    """
    factor, offset = exact_terms(conversion.factor, conversion.offset)
    if factor < 0:
        low, high = high, low
    least = None if low is None else ceil((low - offset) / factor)
    greatest = None if high is None else floor((high - offset) / factor)
    return least, greatest


def largest_step(conversion: Linear, most: Fraction | None, times: Fraction = Fraction(1)) -> int | None:
    """The largest difference of whole raw numbers whose values differ by at most ``most`` times ``times``."""
    factor, _ = exact_terms(conversion.factor, conversion.offset)
    return None if most is None else floor(most * times / abs(factor))


def raw_distances(before: NDArray[Any], after: NDArray[Any]) -> NDArray[np.uint64]:
    """The distances of whole raw numbers of one type, any one shape; without overflow."""
    kind = np.uint64 if before.dtype.kind == "u" else np.int64
    first, second = (np.ascontiguousarray(raw.astype(kind)).view(np.uint64) for raw in (before, after))
    # Unsigned subtraction wraps around at 64 bits, which gives the right distance.
    distances: NDArray[np.uint64] = np.where(after >= before, second - first, first - second)
    return distances


def to_physical(conversion: Conversion, raw: NDArray[Any]) -> Numbers:
    """The physical values of raw ones; NaN where the conversion has none.

    No conversion turns a raw number that is not finite into a finite value: the end of a curve, or the limit
    of a fraction, would look like a value that somebody set.
    """
    numbers = raw.astype(np.float64)
    match conversion:
        case Linear():
            a, b, q = linear_terms(conversion.factor, conversion.offset)
            linear: Numbers = (numbers * a + b) / q
            return linear
        case Rational():
            return _rational_physical(conversion, raw)
        case States():
            return numbers
        case Interpolated():
            order = np.argsort(conversion.raw, kind="stable")
            points, values = np.array(conversion.raw)[order], np.array(conversion.physical)[order]
            return np.where(np.isfinite(numbers), np.interp(numbers, points, values), np.nan)


@lru_cache(maxsize=1024)
def _rational_terms(coefficients: tuple[float, ...]) -> tuple[Pair, ...]:
    """The coefficients of a rational conversion, multiplied to whole numbers if they do not become too large.

    The factor is the same for all of them, so that it does not change the roots.
    """
    exact = [Fraction(repr(coefficient)) for coefficient in coefficients]
    factor = lcm(*(coefficient.denominator for coefficient in exact))
    if max(abs(coefficient * factor) for coefficient in exact) < _LARGEST_TERM:
        exact = [coefficient * factor for coefficient in exact]
    return tuple(of_fraction(coefficient) for coefficient in exact)


def _rational_physical(conversion: Rational, raw: NDArray[Any]) -> Numbers:
    """Solve (a - r d) p² + (b - r e) p + (c - r f) = 0 for p, the larger root.

    Where p² has the factor 0, as for each r if a and d are 0, the equation has one root. The root of a number
    that is not 0 may be beyond the doubles; then it is NaN.
    """
    a, _, _, d, _, _ = conversion.coefficients
    terms = _rational_terms(conversion.coefficients)
    if a == d == 0 and _is_exact(terms, raw):
        _, b, c, _, e, f = (term[0] for term in terms)
        number = raw.astype(np.float64)
        with np.errstate(all="ignore"):
            root = (number * f - c) / (b - number * e)
        return np.where(np.isfinite(root), root + 0.0, np.nan)
    if raw.dtype.kind in "iu" and raw.size > _MANY:
        values = distinct(raw)
        return _exact_roots(terms, values)[np.searchsorted(values, raw)]
    return _exact_roots(terms, raw)


def _exact_roots(terms: tuple[Pair, ...], raw: NDArray[Any]) -> Numbers:
    with np.errstate(all="ignore"):
        pair = of_raw(raw)
        # Numbers near the largest double would overflow when they are split.
        exponent = np.maximum(np.frexp(pair[0])[1] - _LARGEST_EXPONENT, 0)
        pair = scale(pair, -exponent)
        square, slope_pair, constant_pair = (
            add(scale(above, -exponent), negative(multiply(pair, below)))
            for above, below in zip(terms[:3], terms[3:], strict=True)
        )
        root = divide(negative(constant_pair), slope_pair)
        if terms[0][0] or terms[3][0]:
            root = np.where(square[0] == 0, root, _larger_root(square, slope_pair, constant_pair))
    # The formula may make -0 of 0, but the root of an equation has no such sign.
    return np.where(np.isfinite(root) & np.isfinite(pair[0]), root + 0.0, np.nan)


def _is_exact(terms: tuple[Pair, ...], raw: NDArray[Any]) -> bool:
    """Whether doubles hold each product of a whole raw number and a coefficient, and their sums."""
    if raw.dtype.kind not in "iu" or raw.dtype.itemsize > _EXACT_SIZE:
        return False
    largest = max(abs(int(np.iinfo(raw.dtype).min)), int(np.iinfo(raw.dtype).max))
    are_whole = all(float(term[0]).is_integer() and not term[1] for term in terms)
    return are_whole and max(abs(float(term[0])) for term in terms) * (largest + 1) < _EXACT


def _larger_root(square: Pair, slope: Pair, constant: Pair) -> Numbers:
    """The larger root of a quadratic equation; NaN where it has none."""
    # In p times a power of 2, the outer coefficients are of one size, and no product that counts underflows.
    exponents = [np.frexp(term[0])[1] for term in (square, slope, constant)]
    is_whole = (square[0] != 0) & (constant[0] != 0)
    unit = np.where(is_whole, (exponents[2] - exponents[0]) // 2, 0)
    has_slope = is_whole & (slope[0] != 0)
    size = np.where(has_slope, np.maximum(exponents[2], exponents[1] + unit), exponents[2])
    square, slope, constant = (
        scale(square, 2 * unit - size),
        scale(slope, unit - size),
        scale(constant, -size),
    )
    slope_square = multiply(slope, slope)
    discriminant = add(slope_square, scale(negative(multiply(square, constant)), 2))
    # What is left of a double root may be below 0 by the last of the digits.
    is_double = np.abs(discriminant[0]) <= _DOUBLE_ROOT * slope_square[0]
    high, low = square_root(
        (np.where(is_double, 0.0, discriminant[0]), np.where(is_double, 0.0, discriminant[1]))
    )
    # The slope and the root are added with the same sign, so that nearly equal numbers never cancel.
    sign = np.copysign(1.0, slope[0])
    # Where 0 is a root, the slope is the root of its square, which may have underflowed.
    is_factor = constant[0] == 0
    signed = np.where(is_factor, slope[0], high * sign), np.where(is_factor, slope[1], low * sign)
    away = scale(negative(add(slope, signed)), -1)
    larger: Numbers = np.ldexp(np.fmax(divide(away, square), divide(constant, away)), unit)
    return larger


def to_raw_numbers(conversion: Conversion, physical: Numbers) -> Numbers:
    """The raw values of physical ones before rounding; NaN where there is none."""
    match conversion:
        case Linear():
            a, b, q = linear_terms(conversion.factor, conversion.offset)
            with np.errstate(all="ignore"):
                numbers: Numbers = (physical * q - b) / a
            return numbers
        case Rational():
            a, b, c, d, e, f = conversion.coefficients
            with np.errstate(all="ignore"):
                above = (a * physical + b) * physical + c
                below = (d * physical + e) * physical + f
                raw = above / below
            return np.where(np.isfinite(raw) & np.isfinite(physical), raw, np.nan)
        case States():
            return physical.astype(np.float64)
        case Interpolated():
            order = np.argsort(conversion.physical, kind="stable")
            values, points = np.array(conversion.physical)[order], np.array(conversion.raw)[order]
            return np.where(np.isfinite(physical), np.interp(physical, values, points), np.nan)


@dataclass(frozen=True, slots=True)
class Quantised:
    """Raw values in the type of the storage.

    ``fits`` flags those that are nearest to the requested value; elsewhere the type cannot hold the value,
    and ``raw`` is 0.
    """

    raw: NDArray[Any]
    fits: NDArray[np.bool_]


class UnstorableError(ValueError):
    """A physical value that the storage cannot hold."""


def quantise(conversion: Conversion, storage: Storage, physical: Numbers) -> Quantised:
    """Physical to raw, rounded to the nearest number of the type, halves to even; without clipping."""
    numbers = to_raw_numbers(conversion, physical)
    native = storage.dtype.newbyteorder("=")
    low, high = storage.raw_limits
    if storage.type.is_integer:
        numbers = np.rint(numbers)
        # float(2**64 - 1) is 2**64, which no longer fits; hence "below the next number".
        fits = (numbers >= low) & (numbers < float(int(high) + 1))
    else:
        with np.errstate(invalid="ignore"):
            fits = (numbers >= low) & (numbers <= high)
    fits &= np.isfinite(physical)
    if isinstance(conversion, States):
        fits &= np.isin(numbers, np.array(list(conversion.names), np.float64))
    if isinstance(conversion, Interpolated):
        span = min(conversion.physical), max(conversion.physical)
        fits &= (physical >= span[0]) & (physical <= span[1])
    return Quantised(np.where(fits, numbers, 0).astype(native), fits)


def to_raw(conversion: Conversion, storage: Storage, physical: Numbers) -> NDArray[Any]:
    """Physical to raw, rounded to nearest.

    Raises UnstorableError if the type or the conversion has no such value.
    """
    quantised = quantise(conversion, storage, physical)
    if not quantised.fits.all():
        misfit = float(np.asarray(physical)[~quantised.fits].flat[0])
        raise UnstorableError(f"{misfit:g} {conversion.unit}".rstrip() + f" does not fit {storage.type.name}")
    return quantised.raw


def stored_steps(conversion: Conversion, storage: Storage, physical: Numbers) -> Numbers:
    """The distance between the two stored values around each physical one, any one shape; 0 if unknown."""
    if isinstance(conversion, Linear) and storage.type.is_integer:
        return np.full(np.shape(physical), abs(conversion.factor))
    raw = to_raw_numbers(conversion, physical)
    if storage.type.is_integer:
        below = np.floor(raw)
        above = below + 1
    else:
        below = raw.astype(storage.dtype.newbyteorder("="))
        above = np.nextafter(below, np.array(np.inf, below.dtype))
    with np.errstate(all="ignore"):
        steps = np.abs(to_physical(conversion, above) - to_physical(conversion, below))
    return np.where(np.isfinite(steps), steps, 0.0)


def physical_limits(conversion: Conversion, storage: Storage) -> tuple[float, float]:
    """The lowest and the highest physical value that the storage can hold; NaN if unknown."""
    if isinstance(conversion, Interpolated):
        return min(conversion.physical), max(conversion.physical)
    if isinstance(conversion, States):
        return float(min(conversion.names)), float(max(conversion.names))
    low, high = storage.raw_limits
    if isinstance(conversion, Linear):
        a, b, q = linear_terms(conversion.factor, conversion.offset)
        ends = (low * a + b) / q, (high * a + b) / q
        return min(ends), max(ends)
    # The ends need not be the extremes of a rational function, so sample the whole range.
    values = to_physical(conversion, distinct(np.rint(np.linspace(low, high, 4097))))
    if np.isnan(values).all():
        return float("nan"), float("nan")
    return float(np.nanmin(values)), float(np.nanmax(values))
