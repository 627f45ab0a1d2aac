"""Raw numbers by their bits, where their values do not tell them apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np


def raw_bits(raw: np.generic[Any]) -> str:
    """The bits of a raw number of its stored type in hexadecimal, the highest first."""
    bits = int(raw.view(f"u{raw.itemsize}"))
    return f"0x{bits:0{2 * raw.itemsize}X}"


def is_alike(one: np.generic[Any], other: np.generic[Any]) -> bool:
    """Whether two raw numbers cannot be told apart as numbers: 0 and -0, and any two that are none."""
    first, second = one.item(), other.item()
    return bool(first == second) or (math.isnan(first) and math.isnan(second))


def with_bits(texts: Sequence[str], raws: Sequence[np.generic[Any]]) -> list[str]:
    """Texts of raw numbers with their bits behind: "0 (0x00000000)", "-0 (0x80000000)"."""
    return [
        f"{'-' if _is_minus_zero(raw) and not text.startswith('-') else ''}{text} ({raw_bits(raw)})"
        for text, raw in zip(texts, raws, strict=True)
    ]


def _is_minus_zero(raw: np.generic[Any]) -> bool:
    return not raw.item() and math.copysign(1, raw.item()) < 0
