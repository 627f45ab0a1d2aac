"""Which readings are certain enough to be suggested, and how many such are right.

Probabilities of a model of all choices are too high, because the model lacks what nobody thought of. So a
reading also needs support that was seen to be reliable, and its confidence is the share of such readings that
were right on the tuning seeds of ``python -m benchmarks coverage``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from callint.decoding.table_suggestions.readings import Reading
from callint.model.image import Image


@dataclass(frozen=True, slots=True)
class _Support:
    """The share of readings that are right, with at least that probability and that many saved bits."""

    confidence: float
    probability: float
    gain: float


#: An axis with its count in front, one that tables behind it use, a map, a curve that rises throughout, and
#: any other curve.
_COUNTED = _Support(0.98, 0.9, 0.0)
_USED = _Support(0.95, 0.97, 0.0)
_MAP = _Support(0.91, 0.997, 60.0)
_RISING = _Support(0.90, 0.995, 60.0)
_CURVE = _Support(0.90, 0.99, 40.0)
#: The least expected number of tables that use an axis without a count.
_USERS = 0.9
#: The number of other rows of the same size side by side with a curve that make it a row of a map, and their
#: least probability.
_STACKED, _SEEN = 2, 0.3


def confident(readings: Sequence[Reading], image: Image, fill: int) -> Iterator[tuple[Reading, float]]:
    """The readings that are certain enough, each with its confidence; they do not overlap."""
    rows: dict[tuple[int, int], set[int]] = {}
    for item in readings:
        if item.rows == 1 and item.probability >= _SEEN:
            rows.setdefault((item.columns, item.size), set()).add(item.at)
    for item in readings:
        support = _support(item, rows, image, fill)
        if support and item.probability >= support.probability and item.gain >= support.gain:
            yield item, support.confidence


def _support(
    item: Reading, rows: dict[tuple[int, int], set[int]], image: Image, fill: int
) -> _Support | None:
    """What speaks for a reading; ``rows`` are the addresses of rows of numbers by count and size."""
    if item.is_axis:
        return _COUNTED if item.count_at is not None else _USED if item.users >= _USERS else None
    content = image.read(item.at, item.size)
    size = item.storage.type.size
    blank = bytes([fill]) * size
    if content is None or content[:size] == blank or content[-size:] == blank:
        return None  # fill beside a table
    if item.rows > 1:
        return _MAP
    if _stacked(item, rows.get((item.columns, item.size), set())) >= _STACKED:
        return None
    values = np.frombuffer(content, item.storage.dtype).astype(np.float64)
    return _RISING if bool((np.diff(values) > 0).all()) else _CURVE


def _stacked(item: Reading, alike: set[int]) -> int:
    """The number of rows of the same size straight before and behind a curve."""
    count = 0
    for step in (-item.size, item.size):
        at = item.at + step
        while at in alike:
            count, at = count + 1, at + step
    return count
