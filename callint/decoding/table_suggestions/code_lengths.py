"""Computes the number of bits that bytes need if read as raw data, as a curve or map, or as an axis.

The fewer bits a reading needs, the likelier it is: a difference of n bits is a likelihood ratio of 2 to the
n. The bits of raw bytes follow from their frequency among the bytes before them. A table needs fewer, because
each of its numbers is near the value predicted from its neighbours to the left and above; but only with the
right type, byte order, place and number of columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.model.definition import Storage

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
#: Whole numbers: int32 for numbers of one or two bytes, whose sums over a window may wrap but whose
#: differences do not; float64, exact up to 2 to the 53, for wider ones.
Whole = NDArray[Any]

#: Raw bytes: the number of preceding bytes from which the frequency of a byte is taken, and the weight of its
#: frequency in the whole memory.
_WINDOW, _PRIOR = 64, 32.0
#: Floating-point numbers outside these magnitudes are other bytes. If floating-point numbers may lie here,
#: bytes that read as a float of such a magnitude are not whole numbers: those would be near 2 to the 30
#: (common practice, no source).
_SMALLEST, _LARGEST = 1e-9, 1e9
#: The bits that encode the way to predict a table and the spread of its errors.
_SPREAD = 6.0
#: The penalty in bits for a curve whose neighbours differ from it by less than this share of its range on
#: average: it is probably a row of a map.
_ROW, _ROWLIKE = 20.0, 0.25


#: Readings that save this number of bits less than an overlapping one of the same size are left out.
_DOMINATED = 20.0
#: If a row saves more bits than this, a bound for maps of such rows would hardly exclude any.
_TELLING_ROW = 24.0
#: The largest error in bits of a bound that is computed in single precision.
_SLACK = 0.5


def raw_bits(content: Bytes, usual: Floats) -> Floats:
    """The bits of all bytes before each offset, shape (bytes + 1,); ``usual`` (256,) are byte frequencies."""
    same = np.zeros(len(content), np.float64)
    for lag in range(1, min(_WINDOW, len(content) - 1) + 1):
        same[lag:] += content[lag:] == content[:-lag]
    before = np.minimum(np.arange(len(content)), _WINDOW)
    bits = -np.log2((same + _PRIOR * usual[content]) / (before + _PRIOR))
    return np.concatenate(([0.0], np.cumsum(bits)))


@dataclass(frozen=True, slots=True)
class _MapSums:
    """Sums of errors for the cells below the first row of a map with some number of columns.

    ``ways`` hold one sum for each way to predict a cell, shape (5, phases, numbers + 1): from the left;
    from the left in a straight line; in a plane; from above; in a plane whose rows bend alike. They exclude
    the first column, and the second one is predicted without a third number. ``column`` and ``column_bend``
    are the errors of the first column, predicted from above, and from above in a straight line. ``plane`` and
    ``up`` are the errors of all cells.
    """

    ways: Whole
    column: Whole
    column_bend: Whole
    plane: Whole
    up: Whole


@dataclass(frozen=True, slots=True)
class _FirstRow:
    """The code length of a row of some columns, by its first number, shape (phases, starts).

    ``straight`` are the sums of its steps, ``error`` those of its errors, predicted from the left or in a
    straight line. ``saved`` are the bits that it saves, without those for its spread; at most ``most``.
    """

    straight: Whole
    error: Floats
    saved: Floats
    most: float


@dataclass(frozen=True, slots=True)
class _Parts:
    """Upper bounds of the bits that parts of maps save.

    ``single`` are those of one row, and ``pairs`` are sums of those of two rows, at every other row.
    """

    single: Floats
    pairs: Floats


class Numbers:
    """The numbers of one storage at each offset of some content; those of several bytes overlap.

    Arrays have the shape (phases, numbers): the number at an offset lies in row ``offset % size``, so that
    neighbours in memory are neighbours in a row. ``values`` are whole: floating-point numbers are replaced by
    their rank among all of them. Running sums along the rows, made once, give the errors of a block at all
    offsets by subtraction. The last number of some rows lies partly after the content and is never used.
    With ``has_floats``, floating-point numbers of the same bytes are read too.
    """

    def __init__(self, content: Bytes, storage: Storage, raw: Floats, has_floats: bool = False) -> None:
        self.storage = storage
        self.size = size = storage.type.size
        self.length = len(content)
        count = self.length // size
        packed = np.zeros((count + 1) * size, np.uint8)
        packed[: self.length] = content
        phases = np.stack([packed[phase : phase + count * size] for phase in range(size)])
        exact = np.int32 if size <= 2 else np.float64
        self._absurd: Whole | None = None
        if storage.type.is_integer:
            self.values: Whole = phases.view(storage.dtype).astype(exact)
            if has_floats:
                floats = phases.view(storage.dtype.str.replace("u", "f").replace("i", "f"))
                self._absurd = _running(_is_sensible(floats) & (self.values != 0), np.dtype(np.int32))
        else:
            whole = phases.view(storage.dtype.str.replace("f", "i")).astype(np.int64)
            most = np.iinfo(storage.dtype.str.replace("f", "i")).max
            self.values = np.where(whole < 0, -(whole & most), whole).astype(np.float64)
            self._absurd = _running(~_is_sensible(phases.view(storage.dtype)), np.dtype(np.int32))
        self.steps = _lagged(self.values, 1)
        self.bends = _lagged(self.steps, 1)
        self._step, self._bend = _running(np.abs(self.steps)), _running(np.abs(self.bends))
        self._change = _running(self.steps != 0, np.dtype(np.int32))
        last = np.full((count + 1) * size, raw[-1])
        last[: len(raw)] = raw[: len(last)]
        self._raw = np.ascontiguousarray(last.reshape(count + 1, size).T)
        self._by_columns: dict[int, _MapSums] = {}
        self._first_rows: dict[int, _FirstRow] = {}
        self._by_rows: dict[int, _Parts] = {}

    def table_gains(self, rows: int, columns: int, least: float) -> tuple[Integers, Floats]:
        """The offsets at which a curve or map saves more than some bits against raw bytes, and its savings.

        Offsets are left out if the table hardly changes there, or saves far less than one within half of its
        size, which overlaps it. The offsets are in no order.
        """
        starts = self.values.shape[1] - rows * columns + 1
        if starts <= 0:
            return np.zeros(0, np.int64), np.zeros(0)
        most_of_row = self._first_row(columns).most
        if most_of_row < _TELLING_ROW and self._bound(rows, columns, starts).max() <= least:
            return np.zeros(0, np.int64), np.zeros(0)
        saved = self._saved(rows, columns, starts)
        first, behind = slice(1, 1 + starts), slice(rows * columns, rows * columns + starts)
        allowed = saved > least
        allowed &= self._change[:, behind] - self._change[:, first] >= max(3, rows * columns / 5)
        if self._absurd is not None:
            allowed &= self._absurd[:, behind] == self._absurd[:, :starts]
        phases, at = np.nonzero(allowed)
        if not len(at):
            return np.zeros(0, np.int64), np.zeros(0)
        gains = saved[phases, at]
        if rows == 1:
            gains -= _ROW * self._rowlike(columns, phases, at, self._first_row(columns).straight[phases, at])
        offsets = at * self.size + phases
        blocks = offsets // max(rows * columns * self.size // 2, 1)
        most = np.full(int(blocks.max()) + 1, least + _DOMINATED)
        np.maximum.at(most, blocks, gains)
        kept = gains > most[blocks] - _DOMINATED
        kept &= offsets + rows * columns * self.size <= self.length
        return offsets[kept], gains[kept]

    def _saved(self, rows: int, columns: int, starts: int) -> Floats:
        """The bits that the first blocks of each phase save, shape (phases, starts)."""
        behind = slice(rows * columns, rows * columns + starts)
        saved: Floats = self._raw[:, behind] - self._raw[:, 1 : 1 + starts]
        first = self._first_row(columns).error[:, :starts]
        if rows == 1:
            saved -= _spread_bits(first, columns - 1)
            return saved
        sums, row_end = self._sums(columns), slice(columns, columns + starts)
        below = sums.ways[0, :, behind] - sums.ways[0, :, row_end]
        other = np.empty_like(below)
        for way in sums.ways[1:]:
            np.subtract(way[:, behind], way[:, row_end], out=other)
            np.minimum(below, other, out=below)
        column = (sums.column[:, behind] - sums.column[:, row_end]).astype(np.float32)
        curved = sums.column_bend[:, behind] - sums.column_bend[:, 2 * columns : 2 * columns + starts]
        np.minimum(column, curved + column / np.float32(rows - 1), out=column, casting="same_kind")
        inner = np.maximum(below.astype(np.float32) + first, 0)
        saved -= _spread_bits(inner, rows * (columns - 1))
        saved -= _spread_bits(column, rows - 1)
        return saved

    def _bound(self, rows: int, columns: int, starts: int) -> Floats:
        """Upper bounds of the bits that the first blocks of each phase save, shape (phases, starts).

        The bits of a block are at least those of its parts, each predicted in its own best way.
        """
        bound = self._first_row(columns).saved[:, :starts] - _SPREAD + _SLACK
        if rows == 1:
            return bound
        parts = self._parts(columns)
        bound = bound - _SPREAD
        place = columns
        if rows % 2 == 0:
            bound += parts.single[:, place : place + starts]
            place += columns
        if rows > 2:
            span = rows * columns
            bound += parts.pairs[:, span : span + starts] - parts.pairs[:, place : place + starts]
        return bound

    def _first_row(self, columns: int) -> _FirstRow:
        if columns not in self._first_rows:
            straight = self._step[:, columns:] - self._step[:, 1 : -columns + 1 or None]
            bent = self._bend[:, columns:] - self._bend[:, 2:][:, : straight.shape[1]]
            if columns == 1:
                bent = straight
            error = np.minimum(straight, bent + straight / max(columns - 1, 1))
            saved = self._raw[:, columns:] - self._raw[:, 1 : -columns + 1 or None]
            saved = saved - (_spread_bits(error, columns - 1) - _SPREAD)
            self._first_rows[columns] = _FirstRow(
                straight, error.astype(np.float32), saved.astype(np.float32), float(saved.max())
            )
        return self._first_rows[columns]

    def _parts(self, columns: int) -> _Parts:
        if columns not in self._by_rows:
            single = self._part_saved(columns, 1)
            pair = np.zeros((self.size, self.values.shape[1]), np.float32)
            two = self._part_saved(columns, 2)
            pair[:, : two.shape[1]] = two
            self._by_rows[columns] = _Parts(single, _running_by(pair[None], 2 * columns)[0])
        return self._by_rows[columns]

    def _part_saved(self, columns: int, rows: int) -> Floats:
        """The bits that rows after the first of a map save, without those for their spread."""
        cells, ways = rows * columns, self._sums(columns).ways
        error = ways[0, :, cells:] - ways[0, :, :-cells]
        for way in ways[1:]:
            np.minimum(error, way[:, cells:] - way[:, :-cells], out=error)
        count = rows * (columns - 1)
        bits = _spread_bits(np.maximum(error, 0).astype(np.float32), count)
        saved: Floats = (self._raw[:, cells:] - self._raw[:, :-cells]).astype(np.float32) - bits
        saved += _SPREAD
        return saved

    def _rowlike(self, columns: int, phases: Integers, at: Integers, straight: Whole) -> NDArray[np.bool_]:
        """Whether each curve may be a row of a map: numbers before or after it, or their steps, are near.

        The curves begin at numbers ``at`` of rows ``phases``; ``straight`` are the sums of their steps.
        """
        sums = self._sums(columns)
        is_first = at < columns
        is_last = (at + 2 * columns) * self.size + phases > self.length
        end = np.minimum(at + 2 * columns, self.values.shape[1])
        rowlike = np.zeros(len(at), bool)
        for errors, first, cells in ((sums.up, 0, columns), (sums.plane, 1, 1)):
            middle = np.minimum(at + columns + first, self.values.shape[1])
            before = np.where(is_first, np.inf, errors[phases, at + columns] - errors[phases, at + first])
            behind = np.where(is_last, np.inf, errors[phases, end] - errors[phases, middle])
            rowlike |= np.minimum(before, behind) < _ROWLIKE * cells * straight
        return rowlike

    def _sums(self, columns: int) -> _MapSums:
        if columns not in self._by_columns:
            rise = _lagged(self.values, columns)
            up, column_bend = np.abs(rise), np.abs(_lagged(rise, columns))
            plane, skew = np.abs(_lagged(self.steps, columns)), np.abs(_lagged(self.bends, columns))
            step, bend = np.abs(self.steps), np.abs(self.bends)
            first = np.stack((step, bend, plane, up, skew, column_bend))  # those of the first column
            for margin, error, second in ((first[1], bend, step), (first[4], skew, plane)):
                margin[:, :-1] -= (second - error)[:, 1:]
            margins = _running_by(first, columns)
            all_plane, all_up = _running(plane), _running(up)
            ways = np.stack((self._step, self._bend, all_plane, all_up, _running(skew)))
            ways -= margins[:5]
            self._by_columns[columns] = _MapSums(ways, margins[3], margins[5], all_plane, all_up)
        return self._by_columns[columns]

    def axis_gains(self, offsets: Integers, points: int) -> Floats:
        """The bits that rising numbers save as breakpoints against raw bytes; -inf for absurd numbers.

        The axes begin at the offsets and have the same number of points.
        """
        phases, at = offsets % self.size, offsets // self.size
        values = self.values[phases[:, None], at[:, None] + np.arange(points)]
        steps = np.diff(values, axis=1).astype(np.float64)
        mean = steps.mean(axis=1)
        count = points - 1
        shortest = np.minimum(
            _spread_bits(np.abs(steps - mean[:, None]).sum(axis=1), count),
            _spread_bits(np.abs(np.diff(steps, axis=1)).sum(axis=1) + mean, count),
        )
        shortest = np.minimum(shortest, count * np.log2(np.e * mean) + _SPREAD)
        if self.storage.type.is_integer:
            common = np.gcd.reduce(steps.astype(np.int64), axis=1)
            again = np.abs(steps / common[:, None] - (mean / common)[:, None]).sum(axis=1)
            even = _spread_bits(again, count) + 2 * np.log2(common) + 1
            shortest = np.where(common > 1, np.minimum(shortest, even), shortest)
        gains: Floats = self._raw[phases, at + points] - self._raw[phases, at + 1] - shortest
        if self._absurd is not None:
            gains[self._absurd[phases, at + points] != self._absurd[phases, at]] = -np.inf
        return gains


def _is_sensible(floats: NDArray[Any]) -> NDArray[np.bool_]:
    """Whether floating-point numbers have magnitudes of engineering values."""
    with np.errstate(invalid="ignore"):
        sizes = np.abs(floats.astype(np.float64))
    sensible: NDArray[np.bool_] = (sizes == 0) | ((sizes > _SMALLEST) & (sizes < _LARGEST))
    return sensible


def _spread_bits(error: Whole, count: int) -> Floats:
    """The bits of ``count`` whole numbers whose prediction errors add up to ``error``."""
    bits: Floats = error * (2 * np.e / max(count, 1))
    bits += 1
    np.log2(bits, out=bits)
    bits *= count
    bits += _SPREAD
    return bits


def _lagged(values: Whole, lag: int) -> Whole:
    """Each value minus the one ``lag`` numbers before it; 0 for the first ones of each row."""
    result = np.zeros_like(values)
    np.subtract(values[:, lag:], values[:, :-lag], out=result[:, lag:])
    return result


def _running(sizes: Whole, dtype: np.dtype[Any] | None = None) -> Whole:
    """Sums of the numbers before each one and before the end, shape (phases, numbers + 1)."""
    result = np.zeros((len(sizes), sizes.shape[1] + 1), dtype or sizes.dtype)
    np.cumsum(sizes, axis=1, out=result[:, 1:])
    return result


def _running_by(sizes: Whole, stride: int) -> Whole:
    """Sums of every ``stride``-th number: at p, the sum of the numbers at p - stride, p - 2 stride and so on.

    The shape is (sums, phases, numbers + 1), that of ``sizes`` (sums, phases, numbers).
    """
    sums, phases, count = sizes.shape
    rows = -(-count // stride) + 1
    padded = np.zeros((sums, phases, rows * stride), sizes.dtype)
    padded[:, :, stride : stride + count] = sizes[:, :, : rows * stride - stride]
    parts = padded.reshape(sums, phases, rows, stride)
    np.cumsum(parts, axis=2, out=parts)
    return padded[:, :, : count + 1]
