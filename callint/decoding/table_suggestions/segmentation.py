"""Computes the probability that each of many overlapping readings is right, over all choices.

A choice is a set of readings that do not overlap; the other bytes are raw data. Its likelihood is the product
of the likelihoods of its readings. Sums over all choices take one pass forwards and one backwards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


#: The bits for leaving bytes after an item undescribed, and for beginning an item after such bytes.
_LEAVE, _BEGIN = 2.0, 6.0
#: The largest number of items with one end that are summed one by one.
_FEW = 40


def probabilities(starts: Integers, ends: Integers, gains: Floats, length: int) -> Floats:
    """The probability of each reading, from the bits that it saves; ``ends`` are excluded offsets.

    Items mostly lie side by side, so a choice with fewer undescribed ranges costs less. Other items lie
    before the first byte and after the last one.
    """
    if not len(starts):
        return np.zeros(0)
    nats = gains * math.log(2)
    before = _Totals(starts, ends, nats, length, (_LEAVE, _BEGIN))
    behind = _Totals(length - ends, length - starts, nats, length, (_BEGIN, _LEAVE))
    total = before.at(np.array([length]))[0]
    shares: Floats = np.exp(np.minimum(before.at(starts) + nats + behind.at(length - ends) - total, 0.0))
    return shares


class _Totals:
    """The logarithm of the likelihood of all choices before an item, for each offset where it may begin.

    It changes only where an item ends and directly after that, so only these offsets are computed. ``costs``
    are the bits for leaving bytes after an item undescribed, and for beginning an item after such bytes.
    """

    def __init__(
        self, starts: Integers, ends: Integers, nats: Floats, length: int, costs: tuple[float, float]
    ) -> None:
        is_end = np.zeros(length + 1, np.int64)
        is_end[[0, length]] = is_end[ends] = 1
        # Twice the number of the last end up to each offset, plus 1 if the offset lies after it.
        self._numbers = 2 * np.cumsum(is_end) - 1 - is_end
        froms, nats, ends = _joined(self._numbers[starts], ends, nats, length)
        counts = np.bincount(ends, minlength=length + 1)
        bounds = np.cumsum(counts)[is_end > 0].tolist()
        self._values = _values(froms, nats, bounds, costs)

    def at(self, offsets: Integers) -> Floats:
        totals: Floats = self._values[self._numbers[offsets]]
        return totals


def _joined(froms: Integers, ends: Integers, nats: Floats, length: int) -> tuple[Integers, Floats, Integers]:
    """The starts, likelihoods and ends of items, by end; likelihoods of items at one place are added up."""
    keys = ends * (2 * length + 3) + froms
    order = np.argsort(keys)
    keys, nats = keys[order], nats[order]
    first = np.flatnonzero(np.diff(keys, prepend=-1))
    chosen = order[first]
    return froms[chosen], np.logaddexp.reduceat(nats, first), ends[chosen]


def _values(froms: Integers, nats: Floats, bounds: Sequence[int], costs: tuple[float, float]) -> Floats:
    """The totals at each end and after it, shape (2 ends,).

    The items that end at end n are those before ``bounds[n]`` and not before ``bounds[n - 1]``; ``froms`` are
    the indexes of the totals at which they begin.
    """
    leave, begin = (cost * math.log(2) for cost in costs)
    values = np.zeros(2 * len(bounds))
    # Most ends have few items, for which lists are faster than arrays.
    listed = [0.0, -leave - begin]
    values[1] = listed[1]
    from_list, nat_list = froms.tolist(), nats.tolist()
    raw = -leave  # after undescribed bytes
    exp, log = math.exp, math.log
    low = bounds[0]
    for high in bounds[1:]:
        item = -math.inf  # after an item
        if high - low > _FEW:
            sums = values[froms[low:high]] + nats[low:high]
            most = float(sums.max())
            item = most + log(float(np.exp(sums - most).sum()))
        elif high > low:
            each = [
                listed[place] + gain
                for place, gain in zip(from_list[low:high], nat_list[low:high], strict=True)
            ]
            most = max(each)
            item = most + log(sum([exp(one - most) for one in each]))
        low = high
        total = _sum(item, raw - begin)
        raw = _sum(raw, item - leave)
        values[len(listed) : len(listed) + 2] = total, raw - begin
        listed += (total, raw - begin)
    return values


def _sum(first: float, second: float) -> float:
    """The logarithm of the sum of two likelihoods."""
    if first < second:
        first, second = second, first
    return first if second == -math.inf else first + math.log1p(math.exp(second - first))
