"""Selects the readings that are certain enough to be suggested, and gives the share of them that is right.

The probabilities of a model of all choices are too high, because the model lacks the cases that nobody
thought of. So a reading also needs support of proven reliability, and the numbers beside it must not
continue it: otherwise it may be a part of a larger table. Its confidence is the share of such readings that
were right on the tuning seeds of ``python -m benchmarks coverage``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.decoding.table_suggestions.readings import ItemReading
from callint.model.image import Image

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Support:
    """The share of right readings among those with at least this probability and these saved bits."""

    confidence: float
    probability: float
    gain: float


#: An axis with its count in front, one that tables behind it use, a map, a curve, and a curve of numbers of
#: four bytes or more: neighbours of these save many bits wherever they are cut.
_COUNTED = _Support(0.98, 0.9, 0.0)
_USED = _Support(0.95, 0.97, 0.0)
_MAP = _Support(0.96, 0.99, 100.0)
_CURVE = _Support(0.95, 0.9, 10.0)
_WIDE_CURVE = _Support(0.95, 0.99, 10.0)
#: The least expected number of tables that use an axis without a count.
_USERS = 0.9
#: A row beside a map belongs to it if its distance is at most the largest one between rows of the map, or
#: this multiple of the median one.
_NEAR_ROW = 1.5
#: The steps of a row beside a curve differ from the curve's steps by less than the first share in copies, and
#: by more than the second in other tables; rows between these limits belong to one map.
_COPY, _OTHER = 0.1, 0.9


def confident(
    readings: Sequence[ItemReading], image: Image, fill: int
) -> Iterator[tuple[ItemReading, float]]:
    """The readings that are certain enough, each with its confidence; they do not overlap."""
    for item in readings:
        support = _support(item)
        if support is None or item.probability < support.probability or item.gain < support.gain:
            continue
        if item.is_axis or _is_whole(item, image, fill):
            yield item, support.confidence


def _support(item: ItemReading) -> _Support | None:
    """The support of a reading; None without any."""
    if item.is_axis:
        return _COUNTED if item.count_at is not None else _USED if item.users >= _USERS else None
    if item.rows > 1:
        return _MAP
    return _CURVE if item.storage.type.size < 4 else _WIDE_CURVE


def _is_whole(item: ItemReading, image: Image, fill: int) -> bool:
    """Whether a curve or map is complete and has no fill at its ends."""
    content = image.read(item.at, item.size)
    size = item.storage.type.size
    blank = bytes([fill]) * size
    if content is None or content[:size] == blank or content[-size:] == blank:
        return False  # fill beside a table
    values = _numbers(item, content).reshape(item.rows, item.columns)
    row = item.columns * size
    beside = [_read(item, image, at, item.columns) for at in (item.at - row, item.end)]
    with np.errstate(invalid="ignore", over="ignore"):
        if item.rows > 1:
            return not _has_more_rows(values, beside) and not _is_two_copies(values)
        curve = values[0]
        following = _read(item, image, item.end, 1), _read(item, image, item.at - size, 1)
        if _continues(curve, following[0]) or _continues(curve[::-1], following[1]):
            return False
        return not any(other is not None and _is_row_beside(curve, other) for other in beside)


def _read(item: ItemReading, image: Image, at: int, count: int) -> Floats | None:
    """Numbers stored like those of an item; None if the image lacks some of them."""
    content = image.read(at, count * item.storage.type.size) if at >= 0 else None
    return None if content is None else _numbers(item, content)


def _numbers(item: ItemReading, content: bytes) -> Floats:
    with np.errstate(invalid="ignore"):
        return np.frombuffer(content, item.storage.dtype).astype(np.float64)


def _has_more_rows(values: Floats, beside: Sequence[Floats | None]) -> bool:
    """Whether the row before or after a map is as close to it as its rows are to each other."""
    travel = np.abs(np.diff(values, axis=0)).sum(axis=1)
    limit = max(float(travel.max()), _NEAR_ROW * float(np.median(travel)))
    return any(
        other is not None and float(np.abs(own - other).sum()) <= limit
        for own, other in zip((values[0], values[-1]), beside, strict=True)
    )


def _is_two_copies(values: Floats) -> bool:
    """Whether the second half of the rows repeats the first half, but not every row the first row."""
    half, odd = divmod(len(values), 2)
    return not odd and np.array_equal(values[:half], values[half:]) and not bool((values == values[0]).all())


def _continues(curve: Floats, following: Floats | None) -> bool:
    """Whether the number after a curve continues it in a straight line, within its mean step."""
    if following is None:
        return False
    straight = 2 * curve[-1] - curve[-2]
    return bool(abs(following[0] - straight) < np.abs(np.diff(curve)).mean())


def _is_row_beside(curve: Floats, other: Floats) -> bool:
    """Whether numbers beside a curve rise and fall with it, but are not a copy of it."""
    steps = np.diff(curve)
    share = np.abs(np.diff(other) - steps).sum() / max(np.abs(steps).sum(), np.finfo(np.float64).tiny)
    return bool(_COPY <= share < _OTHER)
