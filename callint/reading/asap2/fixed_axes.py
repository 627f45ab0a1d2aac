"""Computes the breakpoints of fixed axes of a description in fractions."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np

from callint.model.definition import Conversion, Interpolated, Linear, Rational
from callint.reading.asap2.conversions import Conversions
from callint.reading.asap2.nodes import AxisDescription
from callint.reading.asap2.report import NotKeptError, plain
from callint.reading.definition_bounds import MAX_BREAKPOINTS


class FixedAxes:
    """The breakpoints of fixed axes; many tables share the same parameters and conversion."""

    def __init__(self, conversions: Conversions) -> None:
        self.conversions = conversions
        self._values: dict[object, tuple[float, ...]] = {}

    def breakpoints(self, axis: AxisDescription) -> tuple[float, ...]:
        """The breakpoints of a FIX_AXIS in physical values. Raises NotKeptError if there are none."""
        key = axis.fixed, axis.conversion
        values = self._values.get(key)
        if values is None:
            conversion = self.conversions.resolve(axis.conversion).conversion
            values = self._values[key] = _convert(_raw_breakpoints(axis), conversion)
        return values


def _raw_breakpoints(axis: AxisDescription) -> tuple[Fraction, ...]:
    """The breakpoints of a fixed axis before conversion.

    FIX_AXIS_PAR: offset + i * 2 to the power of shift; FIX_AXIS_PAR_DIST: offset + i * distance.
    """
    if axis.fixed is None:
        raise NotKeptError("its FIX_AXIS has no parameters")
    keyword, numbers = axis.fixed
    if keyword == "FIX_AXIS_PAR_LIST":
        if not 0 < len(numbers) <= MAX_BREAKPOINTS:
            raise NotKeptError(f"its FIX_AXIS_PAR_LIST has {len(numbers)} breakpoints")
        return tuple(Fraction(repr(number)) for number in numbers)
    offset, step, count = (Fraction(repr(number)) for number in numbers)
    if count.denominator != 1 or not 0 < count <= MAX_BREAKPOINTS:
        raise NotKeptError(f"its {keyword} has {plain(float(count))} breakpoints")
    if keyword == "FIX_AXIS_PAR":
        if step.denominator != 1 or abs(step) > 63:
            raise NotKeptError(f"the shift of its FIX_AXIS_PAR is {plain(float(step))}")
        step = Fraction(2) ** int(step)
    return tuple(offset + index * step for index in range(int(count)))


def _convert(raw: tuple[Fraction, ...], conversion: Conversion | None) -> tuple[float, ...]:
    """Breakpoints in physical values. Raises NotKeptError if they neither rise nor fall."""
    match conversion:
        case Linear(factor=factor, offset=offset):
            a, b = Fraction(repr(factor)), Fraction(repr(offset))
            values = tuple(_to_double(a * number + b) for number in raw)
        case Interpolated(raw=points, physical=physical):
            order = np.argsort(points, kind="stable")
            interpolated = np.interp(
                [_to_double(number) for number in raw], np.array(points)[order], np.array(physical)[order]
            )
            values = tuple(interpolated.tolist())
        case Rational(coefficients=coefficients):
            values = tuple(_to_double(_solve_rational(coefficients, number)) for number in raw)
        case _:
            values = tuple(_to_double(number) for number in raw)
    falls = all(first > second for first, second in pairwise(values))
    if not falls and any(first >= second for first, second in pairwise(values)):
        raise NotKeptError("the breakpoints of its FIX_AXIS do not rise")
    return values


def _solve_rational(coefficients: tuple[float, ...], raw: Fraction) -> Fraction:
    """The physical value of a raw value by a RAT_FUNC of the first degree, exactly."""
    a, b, c, d, e, f = (Fraction(repr(number)) for number in coefficients)
    if a or d:
        raise NotKeptError("a FIX_AXIS with a RAT_FUNC of the second degree is not covered")
    if b == raw * e:
        raise NotKeptError(f"its RAT_FUNC has no physical value for the breakpoint {plain(_to_double(raw))}")
    return (raw * f - c) / (b - raw * e)


def _to_double(number: Fraction) -> float:
    try:
        return float(number)
    except OverflowError:
        raise NotKeptError("its breakpoints are too large numbers") from None
