"""The other table of a relation at the operating points of one table, as a picture of both shows it.

A relation is judged over operating points (``comparing/relations.py``); a picture shows one table along one
of its signals, a line for each breakpoint of its other signal. The points are those at which the relation is
judged, so that no line hides a point between two breakpoints at which it is broken.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from callint.comparing.relations import (
    MOST_POINTS,
    Pair,
    Point,
    Ranges,
    RelationResult,
    at_most,
    equal,
    excess,
    gap,
    inputs,
    inverse,
    own_signal,
    round_trip,
    slack_of_round_trip,
)
from callint.decoding.surfaces import Surface, grid_points, merged_breakpoints, rounding
from callint.model.change import Flags, Numbers
from callint.model.definition import Range, Relation

_Judge = Callable[[Surface, Surface, float, Point | None, Ranges], RelationResult | None]
_JUDGES: dict[str, _Judge] = {"at-most": at_most, "equal": equal, "gap": gap, "inverse": inverse}
#: The most numbers of the lines along one signal; a page with more would be slow.
MOST_NUMBERS = 20_000


@dataclass(frozen=True, slots=True)
class RelationLines:
    """The other table along one signal of a table, a line for each breakpoint of the table's other signal.

    ``at`` is the value of the signal and ``values`` the other table's output there, both of the shape
    (lines, points); NaN where the relation does not count. ``broken_at`` and ``broken`` are the points of the
    table at which it breaks the relation, NaN at all others, of the shape (lines, tried points).
    """

    at: Numbers
    values: Numbers
    broken_at: Numbers
    broken: Numbers


def is_broken(relation: Relation, pair: Pair, ranges: dict[str, Range]) -> bool:
    """Whether two tables break their relation anywhere; also between the lines of a picture."""
    judge = _JUDGES[relation.kind]
    result = judge(*pair, relation.amount, None, ranges)
    return result is not None and result.is_broken


def lines_along(
    relation: Relation, pair: Pair, is_first: bool, signal: str, ranges: dict[str, Range]
) -> RelationLines | None:
    """The other table of a relation along a signal of the table ("" for a scalar).

    ``pair`` are the tables of the relation in its order, and ``is_first`` says that the table is the first.
    ``ranges`` limits the relation by signal. None if the two have no such lines, or too many points.
    """
    table, other = pair if is_first else pair[::-1]
    if relation.kind == "inverse":
        return _inverse_lines(relation, pair, is_first, signal, ranges)
    merged = merged_breakpoints(pair)
    covered = merged_breakpoints(pair, within=True)
    across = [name for name in table.signals if name != signal]
    alone = [name for name in other.signals if name not in table.signals]
    points = {
        name: _limited(covered[name], ranges.get(name)) for name in (*([signal] if signal else []), *alone)
    }
    points |= {name: table.breakpoints[name] for name in across}
    if not all(len(values) for values in points.values()):
        return None
    order = (*across, *([signal] if signal else []), *alone)
    places = grid_points(points, order)
    rows = len(points[across[0]]) if across else 1
    length = len(points[signal]) if signal else 1
    shape = (rows, length, -1)
    full = tuple(len(points[name]) for name in order)
    if rows * length > MOST_NUMBERS or math.prod(full) > MOST_POINTS:
        return None
    with np.errstate(over="ignore", invalid="ignore"):
        surplus = np.broadcast_to(excess(relation.kind, pair, places, relation.amount), full).reshape(shape)
    worst = np.where(np.isnan(surplus), -np.inf, surplus).argmax(axis=2)[..., None]
    values = np.broadcast_to(other.at(places), full).reshape(shape)
    values = np.take_along_axis(values, worst, axis=2)[..., 0]
    surplus = np.take_along_axis(surplus, worst, axis=2)[..., 0]
    own = np.broadcast_to(table.at(places), full).reshape(shape)[..., 0]
    outside = ~_inside(points, across, merged, covered, ranges)
    values, surplus = (np.where(outside[:, None], np.nan, item) for item in (values, surplus))
    slack = rounding(table.magnitude, other.magnitude, abs(relation.amount))
    at = np.broadcast_to(points[signal] if signal else np.zeros(1), (rows, length))
    return RelationLines(at, values, *_where(surplus > slack, at, own))


def _limited(values: Numbers, limits: Range | None) -> Numbers:
    """The points within a range, and its ends if they lie between the points."""
    if limits is None or not len(values):
        return values
    low, high = max(values[0], limits.low), min(values[-1], limits.high)
    if low > high:
        return values[:0]
    return np.concatenate([[low], values[(values > low) & (values < high)], [high][: int(high > low)]])


def _inside(
    points: dict[str, Numbers],
    across: list[str],
    merged: dict[str, Numbers],
    covered: dict[str, Numbers],
    ranges: dict[str, Range],
) -> Flags:
    """The lines at which the relation counts, shape (lines,): both tables cover them, and the ranges do."""
    if not across:
        return np.ones(1, bool)
    name = across[0]
    values, both = points[name], covered[name] if name in covered else merged[name]
    if not len(both):
        return np.zeros(len(values), bool)
    inside: Flags = (values >= both[0]) & (values <= both[-1])
    if name in ranges:
        inside &= (values >= ranges[name].low) & (values <= ranges[name].high)
    return inside


def _where(broken: Flags, at: Numbers, values: Numbers) -> tuple[Numbers, Numbers]:
    """Positions and values with NaN where the relation is kept."""
    return np.where(broken, at, np.nan), np.where(broken, values, np.nan)


def _inverse_lines(
    relation: Relation, pair: Pair, is_first: bool, signal: str, ranges: dict[str, Range]
) -> RelationLines | None:
    """The other table of an inverse, mirrored: its output is the position, its input the value."""
    table, other = pair if is_first else pair[::-1]
    own, back = own_signal(table.signals, other.signals), own_signal(other.signals, table.signals)
    if own is None or back is None or signal != own:
        return None
    shared = [name for name in table.signals if name in other.signals]
    points = {name: table.breakpoints[name] for name in shared}
    rows = len(points[shared[0]]) if shared else 1
    inverted = other.breakpoints[back]
    # A round trip starts at the breakpoints of both tables.
    if rows * (len(table.breakpoints[own]) + len(inverted)) > MOST_NUMBERS:
        return None
    places = grid_points({**points, back: inverted}, (*shared, back))
    at = np.broadcast_to(other.at(places), (*map(len, points.values()), len(inverted))).reshape(rows, -1)
    values = np.broadcast_to(inverted, (rows, len(inverted)))
    return RelationLines(at, values, *_broken_trips(relation, pair, is_first, points, ranges))


def _broken_trips(
    relation: Relation, pair: Pair, is_first: bool, shared: dict[str, Numbers], ranges: dict[str, Range]
) -> tuple[Numbers, Numbers]:
    """The points of the table at which a round trip does not come back, each shape (lines, inputs)."""
    first, second = pair
    own, back = own_signal(first.signals, second.signals), own_signal(second.signals, first.signals)
    assert own is not None
    assert back is not None
    merged = merged_breakpoints(pair, within=True)
    points = {**merged, **shared}
    names = list(shared)
    tried = inputs(second, points, names, own, back)
    between, result, error = round_trip(pair, (own, back), tried, points, names, ranges)
    rows = len(next(iter(shared.values()))) if shared else 1
    outside = ~_inside(points, names, merged, merged, ranges)
    with np.errstate(invalid="ignore"):
        broken = error.reshape(rows, -1) - relation.amount > slack_of_round_trip(first, second, own, back)
    broken &= ~outside[:, None]
    at, values = (tried, between) if is_first else (between, result)
    return _where(broken, at.reshape(rows, -1), values.reshape(rows, -1))


def surface_pair(surfaces: dict[str, Surface | None], relation: Relation) -> Pair | None:
    """The two tables of a relation; None if one is absent or cannot be read."""
    first, second = (surfaces.get(name) for name in (relation.table, relation.other))
    return None if first is None or second is None else (first, second)
