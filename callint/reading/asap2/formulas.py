"""Evaluates formulas of a description that are linear in their one variable, in fractions."""

from __future__ import annotations

import ast
import math
from fractions import Fraction
from typing import NamedTuple

from callint.reading.asap2.report import NotKeptError

#: The longest formula, and the largest number of digits in it, that callint evaluates.
_MOST_CHARACTERS, _MOST_BITS = 1000, 2048
_VARIABLES = ("x", "x1")


class _Line(NamedTuple):
    """factor * x + offset."""

    factor: Fraction
    offset: Fraction


def linear_coefficients(formula: str) -> tuple[float, ...]:
    """The coefficients of RAT_FUNC for a formula phys = f(X1) that is linear.

    Raises NotKeptError for any other formula. The text is parsed but never run.
    """
    reason = "its FORMULA is not linear in X1"
    if len(formula) > _MOST_CHARACTERS:
        raise NotKeptError(reason)
    try:
        line = _evaluated(ast.parse(formula.strip().lower(), mode="eval").body)
        if not line.factor:
            raise NotKeptError(reason)
        scale = math.lcm(line.factor.denominator, line.offset.denominator)
        exact = (Fraction(scale), -line.offset * scale, line.factor * scale)
        slope, constant, divisor = (float(number) for number in exact)
        if (Fraction(slope), Fraction(constant), Fraction(divisor)) != exact:
            raise NotKeptError("the numbers of its FORMULA have too many digits")
    except (SyntaxError, ValueError, ZeroDivisionError, RecursionError, MemoryError, OverflowError):
        raise NotKeptError(reason) from None
    return 0.0, slope, constant, 0.0, 0.0, divisor


def _evaluated(node: ast.expr) -> _Line:
    """The line that an expression describes; ValueError if it is not linear."""
    match node:
        case ast.Constant(value=int() | float() as number) if not isinstance(number, bool):
            return _Line(Fraction(0), Fraction(repr(number)))
        case ast.Name(id=name) if name in _VARIABLES:
            return _Line(Fraction(1), Fraction(0))
        case ast.UnaryOp(op=ast.USub() | ast.UAdd() as sign, operand=operand):
            line = _evaluated(operand)
            return line if isinstance(sign, ast.UAdd) else _Line(-line.factor, -line.offset)
        case ast.BinOp(left=left, op=operator, right=right):
            return _bounded(_combined(_evaluated(left), operator, _evaluated(right)))
    raise ValueError


def _combined(left: _Line, operator: ast.operator, right: _Line) -> _Line:
    match operator:
        case ast.Add():
            return _Line(left.factor + right.factor, left.offset + right.offset)
        case ast.Sub():
            return _Line(left.factor - right.factor, left.offset - right.offset)
        case ast.Mult() if not right.factor:
            return _Line(left.factor * right.offset, left.offset * right.offset)
        case ast.Mult() if not left.factor:
            return _Line(left.offset * right.factor, left.offset * right.offset)
        case ast.Div() if not right.factor:
            return _Line(left.factor / right.offset, left.offset / right.offset)
    raise ValueError


def _bounded(line: _Line) -> _Line:
    if any(
        max(number.numerator.bit_length(), number.denominator.bit_length()) > _MOST_BITS for number in line
    ):
        raise ValueError
    return line
