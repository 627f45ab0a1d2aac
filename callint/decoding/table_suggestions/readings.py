"""Reads one undescribed range of bytes as axes and tables, each with its probability against all others.

A table has the sizes of axes before it, and an axis that later tables use is likelier. So both are found in
rounds: the axes of one round give the sizes of the tables of the next.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from callint.decoding.table_suggestions.code_lengths import Bytes, Floats, Integers, Numbers, raw_bits
from callint.decoding.table_suggestions.rising import Rising, rising_numbers
from callint.decoding.table_suggestions.segmentation import probabilities
from callint.decoding.table_suggestions.style import StorageStyle, other_sign
from callint.model.definition import ByteOrder, Storage

#: The least number of cells of a curve or map.
LEAST_CELLS = 5
#: The bits that encode that an axis or a table begins at a byte, and the number of breakpoints of an axis.
#: These and the numbers below were chosen by the tuning seeds of ``python -m benchmarks coverage``.
_ITEM, _POINTS = 1.0, 5.0
#: The bits saved if an axis directly follows another one, as both axes of a map do.
_PAIRED = 3.0
#: The bits for a number of rows that no axis has, the largest such number, and the number of column counts
#: with which it is tried.
_UNKNOWN_ROWS, _MOST_ROWS, _WITH_ROWS = 8.0, 24, 3
#: The largest distance of breakpoints from zero, as a multiple of their range.
_FARTHEST = 40.0
#: The bits by the logarithm of the number of axes that are nearer than the one of a table, for an axis after
#: the table, and for a shape whose axes are not near.
_RANK, _BEHIND, _FAR = 1.5, 3.0, 6.0
#: The largest number of bits for a count without a near axis, and the number of shapes that are tried.
_MOST_COST, _MOST_SHAPES = 9.0, 120
#: Readings that save fewer bits are left out.
_LEAST_GAIN = 8.0
#: The weight of each saved bit: unpredicted neighbours in a table depend on each other.
_TEMPER = 0.6
#: The bits saved by an axis per later table that surely has its count, and the largest sum of these bits.
_USER, _MOST_USED = 5.0, 15.0
#: The additional bits that an axis must save if no later table has its count: rows of maps rise too.
_UNUSED = 30.0
#: The number of bytes after an axis in which its tables lie.
_NEAR = 4096
_ROUNDS = 2
#: The assumed number of users of an axis with the count of a described axis: nothing shows which one is used.
_DESCRIBED_USERS = 0.6
#: The number of nearest known axes whose counts the tables of a range may have.
_NEAREST = 4
#: Readings with a lower probability are left out.
_LEAST_PROBABILITY = 0.02


@dataclass(frozen=True, slots=True)
class KnownAxis:
    """An axis that tables may use: its address, its count and the bits that doubt about it costs.

    Axes that the nearest items use are listed first.
    """

    at: int
    count: int
    doubt: float = 0.0


@dataclass(frozen=True, slots=True)
class ItemReading:
    """Numbers of one storage from an address on; ``rows`` is 1 for axes and curves.

    ``gain`` are the bits that it saves, ``probability`` its probability against all other readings.
    ``count_at`` is the address of the stored count of an axis and ``count_size`` its size in bytes; ``users``
    is the expected number of tables with its count. With ``either_sign`` no number is negative, so that the
    type with the other sign reads the same numbers.
    """

    at: int
    storage: Storage
    rows: int
    columns: int
    is_axis: bool
    gain: float
    probability: float = 0.0
    count_at: int | None = None
    count_size: int = 0
    users: float = 0.0
    either_sign: bool = False

    @property
    def size(self) -> int:
        return self.rows * self.columns * self.storage.type.size

    @property
    def start(self) -> int:
        """The address of the first byte: that of the count if it lies directly before the axis."""
        is_near = self.count_at is not None and 0 < self.at - self.count_at <= 2 * self.count_size
        return self.count_at if is_near and self.count_at is not None else self.at

    @property
    def end(self) -> int:
        return self.at + self.size


@dataclass(frozen=True, slots=True)
class _Tables:
    """Tables at offsets of a range, each field of shape (tables,); ``storages`` are indexes."""

    offsets: Integers
    ends: Integers
    storages: Integers
    rows: Integers
    columns: Integers
    gains: Floats


_NONE = np.zeros(0, np.int64)
_NO_TABLES = _Tables(_NONE, _NONE, _NONE, _NONE, _NONE, np.zeros(0))


class RangeReader:
    """Reads a range of undescribed bytes by some storages, with the described axes around it."""

    def __init__(
        self, content: Bytes, start: int, style: StorageStyle, known: Sequence[KnownAxis], usual: Floats
    ) -> None:
        self.content = content
        self.start, self.style, self.known = start, style, known
        self.length = len(content)
        self.raw = raw_bits(content, usual)
        floats = {(each.type.size, each.byte_order) for each in style.storages if not each.type.is_integer}
        self.numbers = [
            Numbers(content, each, self.raw, (each.type.size, each.byte_order) in floats)
            for each in style.storages
        ]
        self._gains: dict[tuple[int, int, int], tuple[Integers, Floats]] = {}

    def read(self) -> list[ItemReading]:
        """Axes and tables with their probabilities; those of little probability are left out."""
        axes = list(self._axes())
        starts = np.array([axis.start for axis in axes], np.int64) - self.start
        ends = np.array([axis.end for axis in axes], np.int64) - self.start
        own = np.array([axis.gain for axis in axes], np.float64)
        pairs = _pairs(axes)
        x, y = pairs.T
        users = np.zeros(len(axes))
        boosts = np.full(len(axes), -_UNUSED / 2)
        tables = _NO_TABLES
        single = alone = np.zeros(len(axes))
        for number in range(_ROUNDS + 1):
            if number:
                tables = self._tables(axes, np.maximum(single, alone))
            gains = own + boosts
            chances = probabilities(
                np.concatenate((starts, starts[x], tables.offsets)),
                np.concatenate((ends, ends[y], tables.ends)),
                _TEMPER * np.concatenate((gains, gains[x] + gains[y] + _PAIRED, tables.gains)),
                self.length,
            )
            single, paired, in_tables = np.split(chances, [len(axes), len(axes) + len(pairs)])
            np.add.at(single, x, paired)
            np.add.at(single, y, paired)
            if not number:
                alone = single
                continue
            users = _users(axes, self.known, single, tables, in_tables, self.start)
            boosts = np.minimum(_USER * users, _MOST_USED) - _UNUSED * (1 - np.minimum(users, 1))
        readings = [
            replace(axis, gain=gain, probability=chance, users=used)
            for axis, gain, chance, used in zip(
                axes, gains.tolist(), single.tolist(), users.tolist(), strict=True
            )
            if chance > _LEAST_PROBABILITY
        ]
        for index in np.flatnonzero(in_tables > _LEAST_PROBABILITY).tolist():
            readings.append(
                ItemReading(
                    self.start + int(tables.offsets[index]),
                    self.numbers[tables.storages[index]].storage,
                    int(tables.rows[index]),
                    int(tables.columns[index]),
                    False,
                    float(tables.gains[index]),
                    float(in_tables[index]),
                )
            )
        return self._without_twins(readings)

    def _without_twins(self, readings: Iterable[ItemReading]) -> list[ItemReading]:
        """The readings, with only one of those that give the same numbers.

        Without negative numbers the sign does not show, and the count of an axis may lie in several places.
        """
        kept: dict[tuple[object, ...], ItemReading] = {}
        for item in readings:
            sign = other_sign(item.storage)
            either = sign is not None and not self._is_negative(item)
            storage = (
                min(item.storage, sign, key=lambda each: each.type.kind) if sign and either else item.storage
            )
            key = item.at, storage, item.rows, item.columns, item.is_axis
            twin = kept.get(key)
            total = item.probability if twin is None else twin.probability + item.probability
            likelier = item if twin is None else max(twin, item, key=lambda each: each.gain)
            kept[key] = replace(likelier, probability=total, either_sign=either)
        return list(kept.values())

    def _is_negative(self, item: ItemReading) -> bool:
        """Whether the highest bit of a number is set, so that the sign of the type matters."""
        size = item.storage.type.size
        offset = item.at - self.start
        packed = self.content[offset : offset + item.size]
        highest = packed[(0 if item.storage.byte_order is ByteOrder.BIG else size - 1) :: size]
        return bool((highest >= 0x80).any())

    # Axes

    def _axes(self) -> Iterator[ItemReading]:
        counted = -math.log2(self.style.share_counted)
        alone = -math.log2(1 - self.style.share_counted) + _POINTS
        for numbers in self.numbers:
            storage = numbers.storage
            fixed = _ITEM + self.style.type_bits(storage, True)
            found = rising_numbers(numbers, self.content)
            gains = _axis_gains(numbers, found) - fixed
            gains -= self.style.place_bits(storage, True, self.start + found.offsets)
            has_count = found.count_at >= 0
            told = self.raw[found.count_at + found.count_size] - self.raw[found.count_at]
            gains += np.where(has_count, told - counted, -alone)
            for index in np.flatnonzero(gains > -_FAR).tolist():
                count_at = int(found.count_at[index])
                yield ItemReading(
                    self.start + int(found.offsets[index]), storage, 1, int(found.points[index]), True,
                    float(gains[index]), count_at=None if count_at < 0 else self.start + count_at,
                    count_size=int(found.count_size[index]),
                )  # fmt: skip

    # Tables

    def _tables(self, axes: Sequence[ItemReading], chances: Floats) -> _Tables:
        """All tables that save something; ``chances`` (axes,) are the probabilities of the axes."""
        costs = self._count_costs(axes, chances)
        addresses = self.start + np.arange(self.length)
        fixed = [
            _ITEM + self.style.type_bits(item.storage, False)
            + self.style.place_bits(item.storage, False, addresses)
            for item in self.numbers
        ]  # fmt: skip
        parts: list[tuple[Integers, Floats, tuple[int, int, int]]] = []
        for (rows, columns), cost in self._shape_costs(costs).items():
            for number, numbers in enumerate(self.numbers):
                if rows * columns * numbers.size > self.length:
                    continue
                key = number, rows, columns
                if key not in self._gains:
                    # A shape costs at least 1 bit.
                    least = _LEAST_GAIN + 1 + float(fixed[number].min())
                    self._gains[key] = numbers.table_gains(rows, columns, least)
                places, saved = self._gains[key]
                if not len(places):
                    continue
                gains = saved - cost[places] - fixed[number][places]
                kept = gains > _LEAST_GAIN
                if kept.any():
                    parts.append((places[kept], gains[kept], key))
        counts = [len(places) for places, _, _ in parts]
        keys = np.array([key for _, _, key in parts], np.int64).reshape(-1, 3)
        storages, rows, columns = np.repeat(keys, counts, axis=0).T
        offsets = np.concatenate([np.zeros(0, np.int64), *(places for places, _, _ in parts)])
        sizes = np.array([numbers.size for numbers in self.numbers])[storages]
        return _Tables(
            offsets, offsets + rows * columns * sizes, storages, rows, columns,
            np.concatenate([np.zeros(0), *(gains for _, gains, _ in parts)]),
        )  # fmt: skip

    def _count_costs(self, axes: Sequence[ItemReading], chances: Floats) -> dict[int, Floats]:
        """For each count, the bits at each offset that encode that a table has it, given the axes around."""
        weights = np.zeros(self.length + 1)
        found = []
        for axis, chance in zip(axes, chances.tolist(), strict=True):
            if chance < _LEAST_PROBABILITY:
                continue
            doubt = max(-math.log2(chance), 0.0)
            found.append((axis.end - self.start, axis.columns, doubt))
            weights[axis.end - self.start] += 2.0**-doubt
        nearer = np.cumsum(weights)[: self.length]
        costs: dict[int, Floats] = {}
        for rank, known in enumerate(self.known):
            cost = _RANK * np.log2(1 + rank + nearer) + known.doubt
            cost = cost if known.at < self.start else cost + _BEHIND
            costs[known.count] = np.minimum(costs.get(known.count, np.inf), cost)
        for end, count, doubt in found:
            cost = np.full(self.length, np.inf)
            cost[end:] = (
                _RANK * np.log2(1 + np.maximum(nearer[end:] - nearer[min(end, self.length - 1)], 0)) + doubt
            )
            costs[count] = np.minimum(costs.get(count, np.inf), cost)
        return costs

    def _shape_costs(self, costs: dict[int, Floats]) -> dict[tuple[int, int], Floats]:
        """For each likely shape (rows, columns), the bits that encode it at each offset."""
        least = {count: float(cost.min()) for count, cost in costs.items()}
        counts = [count for count in least if least[count] < _MOST_COST and count >= 2]
        shapes: dict[tuple[int, int], Floats] = {}
        for columns in counts:
            if columns >= LEAST_CELLS:
                shapes[1, columns] = 1 + costs[columns]
            for rows in counts:
                if least[rows] + least[columns] < _MOST_COST and rows * columns >= LEAST_CELLS:
                    shapes[rows, columns] = 1 + costs[columns] + costs[rows]
        for columns in sorted(counts, key=lambda count: least[count])[:_WITH_ROWS]:
            for rows in range(3, _MOST_ROWS + 1):
                cost = _UNKNOWN_ROWS + costs[columns]
                shapes[rows, columns] = np.minimum(shapes.get((rows, columns), np.inf), cost)
        for shape, bits in self.style.shape_bits.items():
            if shape[0] * shape[1] >= LEAST_CELLS:
                far = np.full(self.length, bits + _FAR)
                shapes[shape] = np.minimum(shapes.get(shape, np.inf), far)
        ranked = sorted(shapes.items(), key=lambda item: float(item[1].min()))
        return dict(ranked[:_MOST_SHAPES])


def _axis_gains(numbers: Numbers, found: Rising) -> Floats:
    """The bits that the numbers of each axis save; -inf for those far from zero."""
    size = numbers.size
    phases, at = found.offsets % size, found.offsets // size
    low, high = (numbers.values[phases, place].astype(np.float64) for place in (at, at + found.points - 1))
    near = np.maximum(np.abs(low), np.abs(high)) <= _FARTHEST * (high - low)
    gains = np.full(len(at), -np.inf)
    for points in np.unique(found.points[near]).tolist():
        same = np.flatnonzero(near & (found.points == points))
        gains[same] = numbers.axis_gains(found.offsets[same], points)
    return gains


def _pairs(axes: Sequence[ItemReading]) -> Integers:
    """The indexes of axes side by side, shape (pairs, 2)."""
    starts: dict[int, list[int]] = {}
    for number, axis in enumerate(axes):
        starts.setdefault(axis.start, []).append(number)
    pairs = [(x, y) for x, axis in enumerate(axes) for y in starts.get(axis.end, ())]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _users(
    axes: Sequence[ItemReading], known: Sequence[KnownAxis], chances: Floats, tables: _Tables,
    in_tables: Floats, start: int,
) -> Floats:  # fmt: skip
    """The expected number of tables shortly after each axis with its count alone, shape (axes,).

    ``chances`` (axes,) and ``in_tables`` (tables,) are probabilities. If several axes before a table have
    one count, the table needs only one of them, so only the likeliest one counts.
    """
    users = np.zeros(len(axes))
    ends = np.array([axis.end for axis in axes], np.int64) - start
    before = np.array([axis.at for axis in axes], np.int64) - start
    counts = np.array([axis.columns for axis in axes], np.int64)
    likely = in_tables > _LEAST_PROBABILITY
    order = np.argsort(tables.offsets[likely], kind="stable")
    at, shares = tables.offsets[likely][order], in_tables[likely][order]
    rows, columns = tables.rows[likely][order], tables.columns[likely][order]
    described = {axis.count for axis in [axis for axis in known if axis.at < start][:_NEAREST]}
    for count in np.unique(counts).tolist():
        same = np.flatnonzero(counts == count)
        if count in described:
            users[same] = _DESCRIBED_USERS
            continue
        has = (rows == count) | (columns == count)
        used = _between(at[has], shares[has], ends[same], ends[same] + _NEAR)
        by_end = same[np.argsort(ends[same], kind="stable")]
        rivals = _between(ends[by_end], chances[by_end], before[same] - _NEAR + 1, before[same] + 1)
        users[same] = used * np.maximum(1 - rivals, 0.0)
    return users


def _between(places: Integers, shares: Floats, low: Integers, high: Integers) -> Floats:
    """Sums of the shares at rising places, from each low place up to its high place, which is excluded."""
    sums = np.concatenate(([0.0], np.cumsum(shares)))
    result: Floats = sums[np.searchsorted(places, high)] - sums[np.searchsorted(places, low)]
    return result
