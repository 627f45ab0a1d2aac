"""The bits of raw numbers, for those with equal values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np


def raw_bits(raw: np.generic[Any]) -> str:
    """The bits of a raw number in hexadecimal, the highest first: "0x80000000"."""
    bits = int(raw.view(f"u{raw.itemsize}"))
    return f"0x{bits:0{2 * raw.itemsize}X}"


def same_number(first: np.generic[Any], second: np.generic[Any]) -> bool:
    """Whether two raw numbers read alike although their bits may differ: 0 and -0, or two NaN."""
    numbers = first.item(), second.item()
    return bool(numbers[0] == numbers[1]) or all(math.isnan(number) for number in numbers)


def with_bits(texts: Sequence[str], raws: Sequence[np.generic[Any]]) -> list[str]:
    """Texts of raw numbers followed by their bits: "0 (0x00000000)", "-0 (0x80000000)"."""
    return [
        f"{'-' if _is_minus_zero(raw) and not text.startswith('-') else ''}{text} ({raw_bits(raw)})"
        for text, raw in zip(texts, raws, strict=True)
    ]


def _is_minus_zero(raw: np.generic[Any]) -> bool:
    return not raw.item() and math.copysign(1, raw.item()) < 0
