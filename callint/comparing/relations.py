"""Judges relations between two tables, over operating points and not over cells.

Two compared tables may have different grids and even different signals. Over a signal that both have, they
are compared on the breakpoints of both, within the common range. For a signal that only one has, its most
unfavourable value counts. That is exact: the largest value of a bilinear surface over one signal is, as a
function of the other, a maximum of piecewise linear functions, which is convex between breakpoints, and the
smallest value is concave; so the excess is largest at a breakpoint.

Every function can also judge a single operating point (``at``), and can be limited to ``ranges`` of signals.
A limited relation is also compared at the ends of the ranges, so that it stays exact.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from callint.decoding.statistics import distinct
from callint.decoding.surfaces import Surface, grid_points, merged_breakpoints, point_of, rounding
from callint.model.change import Flags, Numbers
from callint.model.definition import Range

Point = Mapping[str, float]

#: By signal, the range to which a relation is limited; a signal that is absent has no limits.
Ranges = Mapping[str, Range]

#: No limits at all.
EVERYWHERE: Ranges = {}

#: Two large tables with different signals would be compared at more points than memory holds.
MOST_POINTS = 1 << 22


@dataclass(frozen=True, slots=True)
class RelationResult:
    """The most unfavourable operating point of a relation: ``value`` of one table, ``other`` of the other.

    ``excess`` is the amount by which they break the relation, in the unit of the comparison; at most 0 if the
    relation holds, and at most ``slack`` if only rounding breaks it. ``at`` has the signals of both.
    ``between`` is the output of the first table of a round trip, 0 for other relations.
    """

    value: float
    other: float
    at: dict[str, float]
    excess: float
    slack: float
    between: float = 0.0

    @property
    def is_broken(self) -> bool:
        """Whether the excess is larger than rounding explains."""
        return self.excess > self.slack


def points_needed(kind: str, table: Mapping[str, int], other: Mapping[str, int]) -> int:
    """The largest number of points at which a relation is judged; arguments: breakpoint counts by signal."""
    counts = {signal: table.get(signal, 0) + other.get(signal, 0) for signal in (*table, *other)}
    shared = [signal for signal in table if signal in other]
    if kind == "inverse":
        tried = sum(counts[signal] for signal in counts if signal not in shared)
        return tried * math.prod(counts[signal] for signal in shared)
    return max(math.prod(counts[signal] for signal in signals) for signals in (table, other))


def at_most(
    table: Surface,
    bound: Surface,
    margin: float = 0.0,
    at: Point | None = None,
    ranges: Ranges = EVERYWHERE,
) -> RelationResult | None:
    """Whether a table stays below another one by the margin; points where either is off do not count.

    None if they have no operating point in common.
    """
    points = _points("at-most", table, bound, at, ranges)
    shared = [signal for signal in table.signals if signal in bound.signals]
    if points is None:
        return None
    highest, lowest = _extreme(table, points, shared, 1), _extreme(bound, points, shared, -1)
    with np.errstate(over="ignore", invalid="ignore"):
        excess = highest.values - (lowest.values - margin)
    if np.isnan(excess).all():
        return None
    worst = int(np.nanargmax(excess))
    worst_point = point_of(points, shared, worst)
    worst_point |= highest.point(points, worst) | lowest.point(points, worst)
    return RelationResult(
        value=float(highest.values[worst]),
        other=float(lowest.values[worst]),
        at=worst_point,
        excess=float(excess[worst]),
        slack=rounding(table.magnitude, bound.magnitude, abs(margin)),
    )


def equal(
    table: Surface,
    mirror: Surface,
    tolerance: float = 0.0,
    at: Point | None = None,
    ranges: Ranges = EVERYWHERE,
) -> RelationResult | None:
    """Whether two tables are equal everywhere; None if they have no operating point in common."""
    above = at_most(table, mirror, -tolerance, at, ranges)
    below = at_most(mirror, table, -tolerance, at, ranges)
    if above is None or below is None:
        return None
    return above if above.excess >= below.excess else _swapped(below)


def gap(
    upper: Surface,
    lower: Surface,
    smallest: float,
    at: Point | None = None,
    ranges: Ranges = EVERYWHERE,
) -> RelationResult | None:
    """Whether a table stays above another one by at least ``smallest``; None as in ``at_most``."""
    result = at_most(lower, upper, smallest, at, ranges)
    return None if result is None else _swapped(result)


def _swapped(result: RelationResult) -> RelationResult:
    return replace(result, value=result.other, other=result.value)


def own_signal(signals: Sequence[str], others: Sequence[str]) -> str | None:
    """The only signal that the others lack; None if there is none or several."""
    own = [signal for signal in signals if signal not in others]
    return own[0] if len(own) == 1 else None


def inverse(
    table: Surface,
    other: Surface,
    tolerance: float = 0.0,
    at: Point | None = None,
    ranges: Ranges = EVERYWHERE,
) -> RelationResult | None:
    """Whether a table is the inverse of the other: compares the result of a round trip with its input.

    Each table has one signal that the other lacks and puts out. The input (``other`` of the result) goes
    through the table, the output of the table through the other one, and the output of that (``value``)
    should equal the input. Inputs are the breakpoints of the table and the outputs of the other at its
    breakpoints, as far as they lie in the range of both. Between these points the round trip is not linear,
    so a somewhat larger error is possible there.

    None if the signals do not match, or if no operating point is left.
    """
    own, back = own_signal(table.signals, other.signals), own_signal(other.signals, table.signals)
    if own is None or back is None:
        return None
    shared = [signal for signal in table.signals if signal in other.signals]
    points = _points("inverse", table, other, at, ranges)
    if points is None:
        return None
    values = inputs(other, points, shared, own, back if at is None else None)
    between, result, error = round_trip((table, other), (own, back), values, points, shared, ranges)
    if np.isnan(error).all():
        return None
    worst = np.unravel_index(int(np.nanargmax(error)), error.shape)
    worst_point = {signal: float(points[signal][place]) for signal, place in zip(shared, worst, strict=False)}
    worst_point[own] = float(values[worst])
    return RelationResult(
        value=float(result[worst]),
        other=float(values[worst]),
        at=worst_point,
        excess=float(error[worst]) - tolerance,
        slack=slack_of_round_trip(table, other, own, back),
        between=float(between[worst]),
    )


def inputs(
    other: Surface, points: Mapping[str, Numbers], shared: Sequence[str], own: str, back: str | None
) -> Numbers:
    """The inputs of round trips, shape (points of each shared signal, inputs).

    With ``back``, the outputs of the other table at its breakpoints are inputs too.
    """
    lengths = tuple(len(points[signal]) for signal in shared)
    tried = [np.broadcast_to(points[own], (*lengths, len(points[own])))]
    if back is not None:
        back_at = grid_points(points, (*shared, back))
        tried.append(np.broadcast_to(other.at(back_at), (*lengths, len(points[back]))))
    return np.concatenate(tried, axis=-1)


def round_trip(
    tables: tuple[Surface, Surface],
    signals: tuple[str, str],
    values: Numbers,
    points: Mapping[str, Numbers],
    shared: Sequence[str],
    ranges: Ranges,
) -> tuple[Numbers, Numbers, Numbers]:
    """What inputs become half-way and in the end, and the error, all of the shape of ``values``.

    The error is NaN where the round trip leaves the breakpoints of a table or the ranges.
    """
    (table, other), (own, back) = tables, signals
    fixed = {signal: array[..., None] for signal, array in grid_points(points, shared).items()}
    between = table.at({**fixed, own: values})
    result = other.at({**fixed, back: between})
    inside = _inside(values, table.breakpoints[own], other.magnitude, ranges.get(own))
    inside &= _inside(between, other.breakpoints[back], table.magnitude, ranges.get(back))
    with np.errstate(over="ignore", invalid="ignore"):
        error = np.where(inside, np.abs(result - values), np.nan)
    return between, result, error


def slack_of_round_trip(table: Surface, other: Surface, own: str, back: str) -> float:
    """Rounding of the result, plus the rounding half-way times the steepest slope of the second table."""
    steps = np.abs(np.diff(other.grid.physical, axis=1 if other.signals[0] == back else 0))
    widths = np.abs(np.diff(other.breakpoints[back]))
    steps = steps[np.isfinite(steps)]
    with np.errstate(over="ignore"):
        slope = float(steps.max() / widths.min()) if len(steps) else 0.0
    half_way = rounding(table.magnitude, float(np.abs(other.breakpoints[back]).max()))
    return rounding(other.magnitude, float(np.abs(table.breakpoints[own]).max())) + slope * half_way


def _points(
    kind: str, table: Surface, other: Surface, at: Point | None, ranges: Ranges
) -> dict[str, Numbers] | None:
    """The points at which two tables are compared, by signal; None if there are none, or too many."""
    if at is not None:
        return {signal: np.array([value]) for signal, value in at.items()}
    counts = (
        {signal: len(breakpoints) for signal, breakpoints in surface.breakpoints.items()}
        for surface in (table, other)
    )
    if points_needed(kind, *counts) > MOST_POINTS:
        return None
    points = _limited(merged_breakpoints((table, other), within=True), ranges)
    return points if all(len(values) for values in points.values()) else None


def _limited(points: Mapping[str, Numbers], ranges: Ranges) -> dict[str, Numbers]:
    """The points within the ranges, and the ends of the ranges; none for a signal that never is within."""
    limited = dict(points)
    for signal, values in points.items():
        if signal not in ranges or not len(values):
            continue
        low, high = max(values[0], ranges[signal].low), min(values[-1], ranges[signal].high)
        inside = values[(values > low) & (values < high)]
        limited[signal] = distinct([low, *inside, high]) if low <= high else values[:0]
    return limited


def _inside(values: Numbers, breakpoints: Numbers, magnitude: float, limits: Range | None = None) -> Flags:
    """Which values lie in the range of breakpoints, with a tolerance for rounding at that magnitude."""
    low, high = float(breakpoints.min()), float(breakpoints.max())
    if limits is not None:
        low, high = max(low, limits.low), min(high, limits.high)
    slack = rounding(abs(low), abs(high), magnitude)
    with np.errstate(invalid="ignore"):
        inside: Flags = (values >= low - slack) & (values <= high + slack)
    return inside


# Against a base


Pair = tuple[Surface, Surface]


def worst_new_point(
    kind: str, new: Pair, old: Pair, amount: float, ranges: Ranges = EVERYWHERE
) -> dict[str, float] | None:
    """The point at which the new pair breaks a relation by the most more than the old pair does there.

    ``new`` and ``old`` are the two tables in two images. None if the new pair breaks the relation nowhere
    more than the old one, or if there are too many points. Every signal of both tables counts: a point at
    which the old pair breaks the relation excuses no other, not even one at the same value of another signal.
    """
    points = _limited(_points_of_both(new, old), ranges)
    if math.prod(len(values) for values in points.values()) > MOST_POINTS:
        return None
    if not all(len(values) for values in points.values()):
        return None
    if kind == "inverse":
        return _worst_new_round_trip(new, old, amount, points, ranges)
    signals = tuple(points)
    places = grid_points(points, signals)
    with np.errstate(over="ignore", invalid="ignore"):
        after, before = (excess(kind, pair, places, amount) for pair in (new, old))
    slack = rounding(*(table.magnitude for table in (*new, *old)), abs(amount))
    worst = _most_added(after, before, slack)
    return None if worst is None else point_of(points, signals, worst)


def _points_of_both(new: Pair, old: Pair) -> dict[str, Numbers]:
    """The breakpoints of four tables by signal, in the range that the new ones have in common."""
    points = merged_breakpoints((*new, *old))
    covered = merged_breakpoints(new, within=True)
    return {
        signal: values[(values >= covered[signal][0]) & (values <= covered[signal][-1])]
        if len(covered[signal])
        else covered[signal]
        for signal, values in points.items()
    }


def excess(kind: str, pair: Pair, places: Mapping[str, Numbers], amount: float) -> Numbers:
    """The amount by which two tables break a relation at points of any one shape; NaN if one has no value."""
    first, second = (table.at(places) for table in pair)
    if kind == "equal":
        return np.abs(first - second) - amount
    return first - (second - amount) if kind == "at-most" else second - (first - amount)


def _most_added(after: Numbers, before: Numbers, slack: float) -> int | None:
    """The number of the point at which a broken relation became worse by the most; None if nowhere."""
    with np.errstate(over="ignore", invalid="ignore"):
        added = after - np.fmax(before, 0.0)
        is_new = (after > slack) & (added > slack)
    return int(np.argmax(np.where(is_new, added, -np.inf))) if is_new.any() else None


def _worst_new_round_trip(
    new: Pair, old: Pair, amount: float, points: Mapping[str, Numbers], ranges: Ranges
) -> dict[str, float] | None:
    table, other = new
    own, back = own_signal(table.signals, other.signals), own_signal(other.signals, table.signals)
    if own is None or back is None:
        return None
    shared = [signal for signal in table.signals if signal in other.signals]
    values = inputs(other, points, shared, own, back)
    after, before = (
        round_trip(pair, (own, back), values, points, shared, ranges)[2] - amount for pair in (new, old)
    )
    slack = max(slack_of_round_trip(*pair, own, back) for pair in (new, old))
    worst = _most_added(after, before, slack)
    if worst is None:
        return None
    place = np.unravel_index(worst, values.shape)
    at = {signal: float(points[signal][index]) for signal, index in zip(shared, place, strict=False)}
    return {**at, own: float(values[place])}


@dataclass(frozen=True, slots=True)
class _Extreme:
    """The most unfavourable values of a table over the signals that only it has (``alone``).

    ``values`` and ``best``, the number of the point over those signals, have the shape (points of the shared
    signals,).
    """

    values: Numbers
    alone: list[str]
    best: NDArray[np.int64]

    def point(self, points: Mapping[str, Numbers], number: int) -> dict[str, float]:
        return point_of(points, self.alone, int(self.best[number]))


def _extreme(table: Surface, points: Mapping[str, Numbers], shared: Sequence[str], sign: int) -> _Extreme:
    """The highest values at each point of the shared signals; the lowest if ``sign`` is -1."""
    alone = [signal for signal in table.signals if signal not in shared]
    outer = int(np.prod([len(points[signal]) for signal in shared], dtype=np.int64))
    values = np.reshape(table.at(grid_points(points, (*shared, *alone))), (outer, -1))
    best = np.where(np.isnan(values), -np.inf, sign * values).argmax(axis=1)
    return _Extreme(values[np.arange(outer), best], alone, best)
