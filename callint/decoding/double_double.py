"""Arithmetic with pairs of doubles, where the digits of one would cancel: 106 bits in place of 53.

A pair is the unevaluated sum of a double and a much smaller one. The sums and products are those of T. J.
Dekker, "A floating-point technique for extending the available precision", Numerische Mathematik 18 (1971),
and of D. E. Knuth, "The Art of Computer Programming", volume 2, section 4.2.2. All arrays have one shape, or
shapes that broadcast; nothing is raised for numbers that overflow, which become infinite or NaN.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
#: A double and the smaller one that is added to it.
Pair = tuple[Numbers, Numbers]

#: Splits a double into two halves of 26 bits.
_SPLITTER = 2.0**27 + 1
#: The bits of a whole number of 64 bits that may be more than a double holds.
_LOW_BITS = 11


def of_fraction(value: Fraction) -> Pair:
    """The pair nearest to a fraction, as arrays without a dimension; OverflowError beyond the doubles."""
    high = float(value)
    return np.array(high), np.array(float(value - Fraction(high)))


def of_raw(raw: NDArray[Any]) -> Pair:
    """Raw numbers of any type, without rounding."""
    if raw.dtype.kind not in "iu" or raw.dtype.itemsize < np.dtype(np.float64).itemsize:
        numbers = raw.astype(np.float64)
        return numbers, np.zeros_like(numbers)
    low = raw & raw.dtype.type((1 << _LOW_BITS) - 1)
    return _sum((raw - low).astype(np.float64), low.astype(np.float64))


def _sum(first: Numbers, second: Numbers) -> Pair:
    """The sum of two doubles, exactly."""
    total = first + second
    part = total - first
    return total, (first - (total - part)) + (second - part)


def _product(first: Numbers, second: Numbers) -> Pair:
    """The product of two doubles, exactly."""
    total = first * second
    (high, low), (other_high, other_low) = _split(first), _split(second)
    error = ((high * other_high - total) + high * other_low + low * other_high) + low * other_low
    return total, error


def _split(number: Numbers) -> Pair:
    shifted = number * _SPLITTER
    high = shifted - (shifted - number)
    return high, number - high


def add(first: Pair, second: Pair) -> Pair:
    """The sum of two pairs, also if nearly all digits cancel."""
    high, error = _sum(first[0], second[0])
    low, low_error = _sum(first[1], second[1])
    high, error = _sum(high, error + low)
    return _sum(high, error + low_error)


def negative(pair: Pair) -> Pair:
    """The pair with the other sign."""
    return -pair[0], -pair[1]


def multiply(first: Pair, second: Pair) -> Pair:
    """The product of two pairs."""
    high, error = _product(first[0], second[0])
    return _sum(high, error + (first[0] * second[1] + first[1] * second[0]))


def scale(pair: Pair, exponent: NDArray[np.int_] | int) -> Pair:
    """The pair times 2 to an exponent."""
    return np.ldexp(pair[0], exponent), np.ldexp(pair[1], exponent)


def square_root(pair: Pair) -> Pair:
    """The square root of a pair; NaN if it is negative."""
    root = np.sqrt(pair[0])
    rest = add(pair, negative(_product(root, root)))
    return _sum(root, np.where(root == 0, 0.0, rest[0] / (2 * root)))


def divide(first: Pair, second: Pair) -> Numbers:
    """The quotient of two pairs as a double."""
    quotient = first[0] / second[0]
    product = multiply((quotient, np.zeros_like(quotient)), second)
    corrected: Numbers = quotient + add(first, negative(product))[0] / second[0]
    # There is nothing to correct where the quotient is infinite, or too near to 0 to be multiplied.
    return np.where(np.isfinite(corrected), corrected, quotient)
