"""Raw numbers of an image as programs read them back, bit for bit."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np

from callint import fmt
from callint.decoding.conversions import exact_value, is_large
from callint.fmt.raw_bits import raw_bits
from callint.model.definition import Conversion, Linear


def raw_number(raw: np.generic[Any]) -> int | float | str:
    """A raw number of its stored type as a number of Python.

    What is no finite number is its bits in hexadecimal, ``0x7FC00000``, as there are many that are none.
    """
    number: int | float = raw.item()
    return number if math.isfinite(number) else raw_bits(raw)


def exact_text(conversion: Conversion, raw: np.generic[Any]) -> str | None:
    """The value of a raw number that doubles do not tell from its neighbours; None where they do."""
    value = _exact(conversion, raw)
    return None if value is None else fmt.decimal_digits(value)


def exact_step(
    conversion: Conversion, old: np.generic[Any], new: np.generic[Any]
) -> tuple[str, str, str] | None:
    """Two such values, and their difference with its sign; None where doubles tell both from others."""
    if not isinstance(conversion, Linear) or {_exact(conversion, raw) for raw in (old, new)} == {None}:
        return None
    before, after = (exact_value(conversion, int(raw.item())) for raw in (old, new))
    difference = fmt.decimal_digits(after - before)
    sign = "" if difference.startswith("-") else "+"
    return fmt.decimal_digits(before), fmt.decimal_digits(after), f"{sign}{difference}"


def _exact(conversion: Conversion, raw: np.generic[Any]) -> Fraction | None:
    number = raw.item()
    if not isinstance(number, int) or not isinstance(conversion, Linear) or not conversion.factor:
        return None
    return exact_value(conversion, number) if is_large(conversion, number) else None
