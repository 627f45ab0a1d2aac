"""Raw numbers of an image as programs read them back, bit for bit."""

from __future__ import annotations

import math
from typing import Any

import numpy as np


def raw_number(raw: np.generic[Any]) -> int | float | str:
    """A raw number of its stored type as a number of Python.

    What is no finite number is its bits in hexadecimal, ``0x7FC00000``, as there are many that are none.
    """
    number: int | float = raw.item()
    if math.isfinite(number):
        return number
    bits = int(raw.view(f"u{raw.itemsize}"))
    return f"0x{bits:0{2 * raw.itemsize}X}"
