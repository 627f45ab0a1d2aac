"""Round numbers that divide a range."""

from __future__ import annotations

import math

import numpy as np

from callint.model.change import Numbers


def round_values(low: float, high: float, steps: int) -> Numbers:
    """Both ends of a range and the round numbers between them, rising; shape (count,).

    The step is 1, 2 or 5 times a power of ten, and at most ``steps`` whole steps fit between the ends.
    """
    if not low < high:
        return np.array([low])
    least = (high - low) / steps
    power = 10.0 ** math.floor(math.log10(least))
    step = next(digit * power for digit in (1, 2, 5, 10) if digit * power >= least * (1 - 1e-9))
    inside = np.arange(math.floor(low / step) + 1, math.ceil(high / step)) * step
    # 3 * 0.1 is not 0.3, but must equal a breakpoint at 0.3.
    inside = inside.round(max(0, 1 - math.floor(math.log10(step))))
    return np.unique(np.concatenate([[low], inside, [high]]))
