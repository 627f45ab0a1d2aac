"""Ranges of bytes that two images share: the anchors of their alignment."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]

#: The size of a window in bytes. Windows that occur once in each image are anchors; few recur by chance.
WINDOW = 16
#: Odd multipliers of the two halves of a window (the fractional parts of the golden ratio and of sqrt(2)).
_FIRST, _SECOND = np.uint64(0x9E3779B97F4A7C15), np.uint64(0x6A09E667F3BCC909)


def shared_ranges(old: Bytes, new: Bytes) -> Integers:
    """The runs of anchors with one shift: shape (ranges, 3) of old start, size in bytes, and shift.

    They are sorted by their old start. Windows of one repeated byte are not anchors.
    """
    old_hashes, old_positions = _unique_windows(old)
    new_hashes, new_positions = _unique_windows(new)
    _, here, there = np.intersect1d(old_hashes, new_hashes, assume_unique=True, return_indices=True)
    starts, targets = old_positions[here], new_positions[there]
    order = np.argsort(starts)
    starts, shifts = starts[order], (targets - starts)[order]
    if not len(starts):
        return np.empty((0, 3), np.int64)
    breaks = np.flatnonzero((np.diff(shifts) != 0) | (np.diff(starts) > WINDOW)) + 1
    first, last = np.append(0, breaks), np.append(breaks - 1, len(starts) - 1)
    return np.stack([starts[first], starts[last] - starts[first] + WINDOW, shifts[first]], axis=1)


def _unique_windows(content: Bytes) -> tuple[NDArray[np.uint64], Integers]:
    """The sorted hashes of the windows that occur once, and their positions."""
    if len(content) < WINDOW:
        return np.empty(0, np.uint64), np.empty(0, np.int64)
    halves: NDArray[Any] = np.ndarray((len(content) - 7,), "<u8", np.ascontiguousarray(content), 0, (1,))
    hashes = halves[:-8] * _FIRST ^ (halves[8:] * _SECOND >> np.uint64(7))
    order = np.argsort(hashes)
    hashes = hashes[order]
    is_new = np.concatenate([[True], hashes[1:] != hashes[:-1], [True]])
    unique = is_new[:-1] & is_new[1:]
    positions = order[unique].astype(np.int64)
    changing = halves[positions] != np.roll(halves, -1)[positions]
    return hashes[unique][changing], positions[changing]
