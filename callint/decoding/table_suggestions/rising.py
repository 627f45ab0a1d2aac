"""Finds rising numbers that may be the breakpoints of an axis, and their stored counts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint.decoding.table_suggestions.code_lengths import Bytes, Integers, Numbers, Whole

#: The least and the largest number of breakpoints of an axis.
LEAST_POINTS, MOST_POINTS = 4, 64


@dataclass(frozen=True, slots=True)
class Rising:
    """Runs of rising numbers, each field of shape (runs,).

    ``offsets`` are those of the first number and ``points`` the numbers; ``count_at`` is the offset of the
    stored count and ``count_size`` its bytes, or -1 and 0.
    """

    offsets: Integers
    points: Integers
    count_at: Integers
    count_size: Integers


def rising_numbers(numbers: Numbers, content: Bytes) -> Rising:
    """All runs of one storage that may be an axis, each once."""
    parts = [np.zeros((4, 0), np.int64)]
    for phase in range(numbers.size):
        parts += _in_phase(numbers, phase, content)
    found = np.concatenate(parts, axis=1)
    # The first of equal runs, in the order in which they were found.
    keys = (found[0] * (MOST_POINTS + 1) + found[1]) * (len(content) + 1) + found[2] + 1
    once = np.sort(np.unique(keys, return_index=True)[1])
    return Rising(*found[:, once])


def _in_phase(numbers: Numbers, phase: int, content: Bytes) -> Iterator[Integers]:
    """The runs among the numbers at every ``size``-th offset, shape (4, runs), by the way to find them."""
    size = numbers.size
    count = (len(content) - phase) // size
    if count < LEAST_POINTS:
        return
    rises = numbers.steps[phase, :count] > 0
    rises[0] = False
    # The index after the last number of the run that each number begins.
    stops = np.append(np.where(rises, count, np.arange(count)), count)
    run_end = np.minimum.accumulate(stops[::-1])[::-1][1:]
    if numbers.storage.type.is_integer:
        for first, points, place in _counted(numbers.values[phase, :count], run_end):
            yield _runs(first * size + phase, points, place * size + phase, size)
    offsets = np.arange(count) * size + phase
    if size > 1:
        counts = content[np.maximum(offsets - 1, 0)].astype(np.int64)
        fits = (counts >= LEAST_POINTS) & (counts <= MOST_POINTS) & (offsets > 0)
        first = np.flatnonzero(fits & (run_end >= np.arange(count) + counts))
        yield _runs(offsets[first], counts[first], offsets[first] - 1, 1)
    padded = np.concatenate(([False], rises[1:], [False]))
    low, high = np.flatnonzero(padded[1:] != padded[:-1]).reshape(-1, 2).T
    for begin in (low, low + 1):
        for behind in (high + 1, high):
            fits = (behind - begin >= LEAST_POINTS) & (behind - begin <= MOST_POINTS)
            begin_at, points = begin[fits], (behind - begin)[fits]
            yield _runs(offsets[begin_at], points, np.full(len(points), -1), 0)


def _runs(offsets: Integers, points: Integers, count_at: Integers, size: int) -> Integers:
    return np.stack((offsets, points, count_at, np.full(len(offsets), size, np.int64)))


def _counted(values: Whole, run_end: Integers) -> Iterator[tuple[Integers, Integers, Integers]]:
    """Rising numbers after their count, and two axes after both counts: first number, points, place."""
    counts = np.where((values >= LEAST_POINTS) & (values <= MOST_POINTS), values, 0).astype(np.int64)
    place = np.flatnonzero(counts)
    place = place[place + 1 + counts[place] <= len(values)]
    one = place[run_end[place + 1] >= place + 1 + counts[place]]
    yield one + 1, counts[one], one
    both = place[(place + 2 < len(values)) & (counts[np.minimum(place + 1, len(values) - 1)] > 0)]
    first, second = both + 2, both + 2 + counts[both]
    last = second + counts[both + 1]
    inside = last <= len(values)
    both, first, second, last = both[inside], first[inside], second[inside], last[inside]
    fits = (run_end[first] >= second) & (run_end[second] >= last)
    both, first, second = both[fits], first[fits], second[fits]
    yield first, counts[both], both
    yield second, counts[both + 1], both + 1
