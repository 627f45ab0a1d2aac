"""The bits that a reading saves, at all offsets at once, are those of each block by itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from callint.decoding.table_suggestions.code_lengths import Numbers, raw_bits
from callint.decoding.table_suggestions.rising import rising_numbers
from callint.model.definition import ByteOrder, NumberType, Storage

Floats = NDArray[np.float64]
LEAST = 9.0


def content(kind: NumberType, order: ByteOrder, rows: int, columns: int) -> NDArray[np.uint8]:
    """Noise, a hill of 200 exp(-(x - 4)² / 9 - (y - 3)² / 6) on a slope, and noise."""
    numbers = np.random.default_rng([rows, columns, kind.size])
    y, x = np.mgrid[:rows, :columns]
    hill = np.rint(200 * np.exp(-((x - 4) ** 2) / 9 - (y - 3) ** 2 / 6) + 3 * x) / (
        4 if kind.size == 1 else 1
    )
    packed = hill.astype(Storage(kind, order, kind.size).dtype).tobytes()
    noise = [numbers.integers(0, 256, size).astype(np.uint8) for size in (201, 150)]
    return np.concatenate((noise[0], np.frombuffer(packed, np.uint8), noise[1]))


def spread(error: float, count: int) -> float:
    return float(count * np.log2(1 + 2 * math.e * error / max(count, 1)) + 6)


def coded_bits(v: Floats) -> float:
    """The bits of a map without its first number: each way to foretell it, cell by cell."""
    rows, columns = v.shape
    # Differences along rows, of these again, and along columns; np.diff takes most of its time to start.
    across = v[:, 1:] - v[:, :-1]
    turning = across[:, 1:] - across[:, :-1]
    step, bend = np.abs(across), np.abs(turning)
    straight = step[0].sum()
    first = min(straight, bend[0].sum() + straight / (columns - 1))
    plane, skew, up = (np.abs(part[1:] - part[:-1]) for part in (across, turning, v))
    below = [
        step[1:].sum(),
        bend[1:].sum() + step[1:, 0].sum(),
        plane.sum(),
        up[:, 1:].sum(),
        skew.sum() + plane[:, 0].sum(),
    ]
    column = up[:, 0].sum()
    curved = np.abs(np.diff(v[:, 0], 2)).sum() + column / (rows - 1)
    return spread(first + min(below), rows * (columns - 1)) + spread(min(column, curved), rows - 1)


@pytest.mark.parametrize("kind", [NumberType.uint8, NumberType.uint16, NumberType.int16, NumberType.int32])
@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize(("rows", "columns"), [(2, 9), (6, 9), (7, 8), (5, 5)])
def test_a_map_saves_what_its_cells_save_one_by_one(
    kind: NumberType, order: ByteOrder, rows: int, columns: int
) -> None:
    packed = content(kind, order, rows, columns)
    raw = raw_bits(packed, np.full(256, 1 / 256))
    storage = Storage(kind, order, kind.size)
    places, gains = Numbers(packed, storage, raw).table_gains(rows, columns, LEAST)
    found = dict(zip(places.tolist(), gains.tolist(), strict=True))
    size = rows * columns * kind.size
    expected = {}
    for at in range(len(packed) - size + 1):
        cells = np.frombuffer(packed[at : at + size].tobytes(), storage.dtype).astype(np.float64)
        if np.count_nonzero(np.diff(cells)) >= max(3, rows * columns / 5):
            saved = raw[at + size] - raw[at + kind.size] - coded_bits(cells.reshape(rows, columns))
            expected[at] = float(saved)
    best = max(expected.values())
    assert best > LEAST and expected[201] > LEAST
    assert all(abs(gain - expected[at]) <= 0.01 for at, gain in found.items())
    # Only what saves far less than an overlapping map of the size may be left out.
    assert {at for at, gain in expected.items() if gain > max(best - 19, LEAST + 0.1)} <= set(found)


def test_axes_are_found_with_their_counts_before_them() -> None:
    points = np.array([5, 4, 10, 20, 30, 50, 80, 7, 8, 9, 12], ">u2")  # both counts, and both axes
    packed = np.frombuffer(b"\xff\xff" + points.tobytes() + b"\0\0", np.uint8)
    storage = Storage(NumberType.uint16, ByteOrder.BIG, 2)
    numbers = Numbers(packed, storage, raw_bits(packed, np.full(256, 1 / 256)))
    found = rising_numbers(numbers, packed)
    runs = set(
        zip(found.offsets.tolist(), found.points.tolist(), found.count_at.tolist(), found.count_size.tolist(),
            strict=True)
    )  # fmt: skip
    assert {(6, 5, 2, 2), (16, 4, 4, 2), (6, 5, -1, 0), (16, 4, -1, 0)} <= runs
    assert all(offset + 2 * points <= len(packed) for offset, points, _, _ in runs)


def test_whole_numbers_that_are_sensible_floating_point_numbers_save_nothing() -> None:
    curve = (20 + 3 * np.sin(np.arange(16) / 3)).astype(">f4").tobytes()
    packed = np.frombuffer(curve, np.uint8)
    raw = raw_bits(packed, np.full(256, 1 / 256))
    whole = Storage(NumberType.int32, ByteOrder.BIG, 4)
    assert 0 in Numbers(packed, whole, raw).table_gains(1, 16, LEAST)[0]
    assert not len(Numbers(packed, whole, raw, has_floats=True).table_gains(1, 16, LEAST)[0])
    floating = Storage(NumberType.float32, ByteOrder.BIG, 4)
    assert 0 in Numbers(packed, floating, raw).table_gains(1, 16, LEAST)[0]
