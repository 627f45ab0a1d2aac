"""How many bits some bytes need if they are read as raw data, as a curve or map, or as an axis.

The fewer bits a reading needs, the likelier it is: a difference of n bits is a likelihood ratio of 2 to the
n. Raw bytes need as many bits as their frequency among the bytes before them says. A table needs fewer,
because each of its numbers is near the one that its neighbours to the left and above foretell, and only with
the right type, byte order, place and number of columns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.model.definition import Storage

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Raw bytes: the number of bytes before each that its frequency comes from, and what the frequency in the
#: whole memory weighs beside them.
_WINDOW, _PRIOR = 64, 32.0
#: Numbers of other sizes than these are other bytes, read as floating point.
_SMALLEST, _LARGEST = 1e-9, 1e9
#: The bits that tell how a table is foretold and how wide its errors spread.
_SPREAD = 6.0
#: Bits against a curve whose neighbours differ from it by less than this share of its range on average: it is
#: rather a row of a map.
_ROW, _ROWLIKE = 20.0, 0.25


def raw_bits(content: Bytes, usual: Floats) -> Floats:
    """The bits of all bytes before each offset, shape (bytes + 1,); ``usual`` (256,) are shares of bytes."""
    same = np.zeros(len(content), np.float64)
    for lag in range(1, min(_WINDOW, len(content) - 1) + 1):
        same[lag:] += content[lag:] == content[:-lag]
    before = np.minimum(np.arange(len(content)), _WINDOW)
    bits = -np.log2((same + _PRIOR * usual[content]) / (before + _PRIOR))
    return np.concatenate(([0.0], np.cumsum(bits)))


@dataclass(frozen=True, slots=True)
class _MapSums:
    """Sums of errors for the cells below the first row of a map with some number of columns.

    ``errors`` hold one sum for each way of foretelling a cell: from the left; from the left in a straight
    line; in a plane; from above; in a plane whose rows bend alike. ``margins`` take the first column out of
    these, and foretell the second one without a third number. ``column`` and ``column_bend`` are the errors
    of the first column, foretold from above, and from above in a straight line.
    """

    errors: tuple[Floats, ...]
    margins: tuple[Floats, ...]
    column: Floats
    column_bend: Floats


class Numbers:
    """The numbers of one storage at each offset of some content; those of several bytes overlap.

    ``values`` (offsets,) are whole: floating-point numbers are replaced by their rank among all of them.
    Sums over every ``size``-th offset, made once, give the errors of a block at all offsets by subtraction.
    """

    def __init__(self, content: Bytes, storage: Storage, raw: Floats) -> None:
        self.storage = storage
        self.size = size = storage.type.size
        self.raw = raw
        count = max(len(content) - size + 1, 0)
        packed = content.tobytes()
        dtype = storage.dtype
        if storage.type.is_integer:
            self.values = np.ndarray((count,), dtype, packed, 0, (1,)).astype(np.float64)
            self._absurd = None
        else:
            whole = np.ndarray((count,), np.dtype(dtype.str.replace("f", "i")), packed, 0, (1,))
            ranks = whole.astype(np.int64)
            self.values = np.where(ranks < 0, -(ranks & np.iinfo(whole.dtype).max), ranks).astype(np.float64)
            with np.errstate(invalid="ignore"):
                sizes = np.abs(np.ndarray((count,), dtype, packed, 0, (1,)).astype(np.float64))
            sensible = (sizes == 0) | ((sizes > _SMALLEST) & (sizes < _LARGEST))
            self._absurd = _running((~sensible).astype(np.float64), size)
        self.steps = _lagged(self.values, size)
        self.bends = _lagged(self.steps, size)
        self._step = _running(np.abs(self.steps), size)
        self._bend = _running(np.abs(self.bends), size)
        self._change = _running((self.steps != 0).astype(np.float64), size)
        self._by_columns: dict[int, _MapSums] = {}

    def table_gains(self, rows: int, columns: int) -> Floats:
        """The bits that a curve or map saves against raw bytes, by offset; -inf if it hardly changes."""
        size, row, total = self.size, columns * self.size, rows * columns * self.size
        starts = len(self.values) + size - total
        if starts <= 0:
            return np.zeros(0)
        first, behind = slice(size, size + starts), slice(total, total + starts)
        row_end, second = slice(row, row + starts), slice(2 * size, 2 * size + starts)
        straight = self._step[row_end] - self._step[first]
        bent = self._bend[row_end] - self._bend[second] + straight / max(columns - 1, 1)
        error = np.minimum(straight, bent)
        if rows > 1:
            sums = self._sums(columns)
            below = [
                all_cells[behind] - all_cells[row_end] + margin[behind] - margin[row_end]
                for all_cells, margin in zip(sums.errors, sums.margins, strict=True)
            ]
            inner = error + np.minimum.reduce(below)
            ends = slice(row_end.start + row, row_end.stop + row)
            column = sums.column[behind] - sums.column[row_end]
            curved = sums.column_bend[behind] - sums.column_bend[ends] + column / (rows - 1)
            bits = _spread_bits(np.maximum(inner, 0.0), rows * (columns - 1))
            bits += _spread_bits(np.minimum(column, curved), rows - 1)
        else:
            bits = _spread_bits(error, columns - 1) + _ROW * self._rowlike(columns, starts, straight)
        changes = self._change[behind] - self._change[first]
        allowed = changes >= max(3, rows * columns / 5)
        if self._absurd is not None:
            allowed &= self._absurd[behind] == self._absurd[:starts]
        return np.where(allowed, self.raw[behind] - self.raw[first] - bits, -np.inf)

    def _rowlike(self, columns: int, starts: int, straight: Floats) -> NDArray[np.bool_]:
        """Whether each curve may be a row of a map: numbers before or behind it, or their steps, are near.

        ``straight`` are the sums of its steps.
        """
        row, at = columns * self.size, np.arange(starts)
        up, plane = self._sums(columns).errors[3], self._sums(columns).errors[2]
        end = np.minimum(at + 2 * row, len(up) - 1)
        is_last = at + 2 * row >= len(up)
        rowlike = np.zeros(starts, bool)
        for sums, first, cells in ((up, 0, columns), (plane, self.size, 1)):
            before = np.where(at >= row, sums[at + row] - sums[at + first], np.inf)
            behind = np.where(is_last, np.inf, sums[end] - sums[np.minimum(at + row + first, len(sums) - 1)])
            rowlike |= np.minimum(before, behind) < _ROWLIKE * cells * straight
        return rowlike

    def _sums(self, columns: int) -> _MapSums:
        if columns not in self._by_columns:
            size, row = self.size, columns * self.size
            rise = _lagged(self.values, row)
            up, column_bend = np.abs(rise), np.abs(_lagged(rise, row))
            step, bend = np.abs(self.steps), np.abs(self.bends)
            plane, skew = np.abs(_lagged(self.steps, row)), np.abs(_lagged(self.bends, row))
            errors = (step, bend, plane, up, skew)
            margins = [-error for error in errors]
            for margin, error, second in ((margins[1], bend, step), (margins[4], skew, plane)):
                margin[: len(margin) - size] += (second - error)[size:]
            self._by_columns[columns] = _MapSums(
                tuple(_running(error, size) for error in errors),
                tuple(_running(margin, row) for margin in margins),
                _running(up, row),
                _running(column_bend, row),
            )
        return self._by_columns[columns]

    def is_sensible(self, offset: int, count: int) -> bool:
        """Whether some numbers are of sizes that engineering values have."""
        end = offset + count * self.size
        return self._absurd is None or bool(self._absurd[end] == self._absurd[offset])

    def axis_gain(self, offset: int, points: int) -> float:
        """The bits that some rising numbers save as breakpoints, beside raw bytes."""
        size = self.size
        values = self.values[offset : offset + points * size : size]
        steps = np.diff(values)
        mean = float(steps.mean())
        shortest = min(
            float(_spread_bits(np.abs(steps - mean).sum() + 0.0, points - 1)),
            float(_spread_bits(np.abs(np.diff(steps)).sum() + mean, points - 1)),
            (points - 1) * math.log2(math.e * mean) + _SPREAD,
        )
        if self._absurd is None:
            common = int(np.gcd.reduce(steps.astype(np.int64)))
            if common > 1:  # round steps
                whole = mean / common
                again = float(_spread_bits(np.abs(steps / common - whole).sum(), points - 1))
                shortest = min(shortest, again + 2 * math.log2(common) + 1)
        raw = float(self.raw[offset + points * size] - self.raw[offset + size])
        return raw - shortest


def _spread_bits(error: Floats | float, count: int) -> Floats:
    """The bits of ``count`` whole numbers whose distances from what is foretold add up to ``error``."""
    bits: Floats = count * np.log2(1 + 2 * np.e * np.asarray(error) / max(count, 1)) + _SPREAD
    return bits


def _lagged(values: Floats, lag: int) -> Floats:
    """Each value less the one ``lag`` offsets before it; 0 for the first ones."""
    result = np.zeros_like(values)
    result[lag:] = values[lag:] - values[:-lag]
    return result


def _running(sizes: Floats, stride: int) -> Floats:
    """Sums of every ``stride``-th number: at p, of p - stride, p - 2 stride and so on.

    The shape is (numbers + stride,).
    """
    rows = -(-len(sizes) // stride) + 1
    padded = np.zeros(rows * stride)
    padded[stride : stride + len(sizes)] = sizes
    sums: Floats = np.cumsum(padded.reshape(rows, stride), axis=0).ravel()
    return sums[: len(sizes) + stride]
