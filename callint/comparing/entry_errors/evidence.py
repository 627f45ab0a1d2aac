"""Weighs whether a slip explains a cell better than intent does.

Both explanations start from what the cells around predict. Somebody who meant the number is off by the noise
of the edit; somebody who mistyped it meant a number that was off by that noise, and one of the slips turns it
into the one that stands. The likelihood ratio of the two is the evidence.
"""

from __future__ import annotations

import math

from callint.comparing.entry_errors.typing_errors import meant_numbers

#: The noise of an edit has the tails of Student's distribution with this number of degrees of freedom: a seam
#: between two edits departs further than a normal distribution allows.
_FREEDOM = 2.0


def log_likelihood_ratio(actual: float, expected: float, noise: float, decimals: int | None) -> float:
    """The decimal logarithm of how many times likelier a slip is than intent; all values are in one unit.

    ``expected`` is the prediction and ``noise``, above 0, how far cells are usually off it. It is minus
    infinity if no slip leads to the actual value, or if there is no prediction.
    """
    if not (math.isfinite(expected) and math.isfinite(noise) and noise > 0):
        return -math.inf
    by_slip = sum(
        probability * _density((meant - expected) / noise)
        for meant, probability in meant_numbers(actual, decimals)
    )
    if by_slip == 0:
        return -math.inf
    by_intent = _density((actual - expected) / noise)
    return math.log10(by_slip / by_intent) if by_intent > 0 else math.inf


def _density(off: float) -> float:
    """Student's density without its constant factor, which every ratio loses."""
    return float((1 + off * off / _FREEDOM) ** (-(_FREEDOM + 1) / 2))
