"""Which of many overlapping readings of some bytes are right: the probability of each, over all choices.

A choice is a set of readings that do not overlap; what it leaves out is raw data. Its likelihood is the
product of those of its readings. Sums over all choices take one pass forwards and one backwards.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


#: Bits that it costs to leave bytes behind an item undescribed, and to begin an item behind such bytes.
_LEAVE, _BEGIN = 2.0, 6.0


def probabilities(starts: Integers, ends: Integers, gains: Floats, length: int) -> Floats:
    """The probability of each reading, by the bits that it saves; ``ends`` are behind the last bytes.

    Items lie side by side more often than not, so a choice costs less the fewer stretches it leaves. Other
    items lie before the first byte and behind the last one.
    """
    if not len(starts):
        return np.zeros(0)
    nats, leave, begin = gains * math.log(2), _LEAVE * math.log(2), _BEGIN * math.log(2)
    is_border = np.zeros(length + 1, bool)
    is_border[[0, length]] = is_border[starts] = is_border[ends] = True
    numbers = np.cumsum(is_border) - 1  # of the border at each offset
    first, last, end = numbers[starts], numbers[ends], int(numbers[-1])
    before = _totals(first, last, nats, end, (leave, begin))
    behind = _totals(end - last, end - first, nats, end, (begin, leave))[::-1]
    shares: Floats = np.exp(np.minimum(before[first] + nats + behind[last] - before[end], 0.0))
    return shares


def _totals(first: Integers, last: Integers, nats: Floats, end: int, costs: tuple[float, float]) -> Floats:
    """By border, the logarithm of the likelihood of all choices before an item that begins there."""
    leave, begin = costs
    order = np.argsort(last, kind="stable")
    froms, gains = first[order], nats[order]
    bounds = np.searchsorted(last[order], np.arange(end + 2)).tolist()
    totals = np.zeros(end + 1)
    item, raw = 0.0, -math.inf  # behind an item, behind undescribed bytes
    for border in range(1, end + 1):
        raw = _sum(raw, item - leave)
        low, high = bounds[border], bounds[border + 1]
        item = -math.inf
        if low < high:
            sums = totals[froms[low:high]] + gains[low:high]
            most = float(sums.max())
            item = most + math.log(float(np.exp(sums - most).sum()))
        totals[border] = _sum(item, raw - begin)
    return totals


def _sum(first: float, second: float) -> float:
    """The logarithm of the sum of two likelihoods."""
    if first < second:
        first, second = second, first
    return first if second == -math.inf else first + math.log1p(math.exp(second - first))
