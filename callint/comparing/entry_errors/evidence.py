"""The likelihood ratio of a slip and intent for a cell.

Both hypotheses start from the prediction by the cells around. An intended number deviates from it by the
noise of the edit. A mistyped number was such a number before one of the slips turned it into the stored one.
"""

from __future__ import annotations

import math

from callint.comparing.entry_errors.typing_errors import meant_numbers

#: The noise of an edit has the tails of Student's distribution with this number of degrees of freedom: a seam
#: between two edits deviates further than a normal distribution allows.
_FREEDOM = 2.0


def log_likelihood_ratio(actual: float, expected: float, noise: float, decimals: int | None) -> float:
    """The decimal logarithm of the likelihood ratio of a slip and intent; all values are in one unit.

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
    """The density of Student's t distribution without its constant factor, which cancels in every ratio."""
    return float((1 + off * off / _FREEDOM) ** (-(_FREEDOM + 1) / 2))
