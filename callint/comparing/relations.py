"""How relations between two tables stand, over operating points and not over cells.

Two tables that are compared may have different grids and even different signals. Over a signal that both
have they are compared on the breakpoints of both, within the range that both cover. Of a signal that only
one has, its most unfavourable value counts. That is exact: the largest value of a bilinear surface over one
signal is, as a function of the other, the largest of piecewise linear functions, which bends upwards between
breakpoints, and the smallest bends downwards; so the excess is largest at a breakpoint.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.decoding.surfaces import Surface, lattice, mesh
from callint.model.change import Flags, Numbers


@dataclass(frozen=True, slots=True)
class Standing:
    """The most unfavourable operating point of a relation: ``value`` of one table, ``other`` of the other.

    ``excess`` is by how much they miss what is asked, in the unit of the comparison; not above 0 where the
    relation holds. ``at`` has the signals of both.
    """

    value: float
    other: float
    at: dict[str, float]
    excess: float

    @property
    def is_broken(self) -> bool:
        """Beyond what binary numbers make of decimal ones."""
        return self.excess > 8 * float(np.spacing(max(abs(self.value), abs(self.other), 1e-300)))


def at_most(table: Surface, bound: Surface, margin: float = 0.0) -> Standing | None:
    """Whether a table stays below another one by the margin; where either is off nothing is compared.

    None where they have no operating point in common.
    """
    points = lattice((table, bound), within=True)
    shared = [signal for signal in table.signals if signal in bound.signals]
    if any(not len(points[signal]) for signal in points):
        return None
    highest, high_at = _extreme(table, points, shared, highest=True)
    lowest, low_at = _extreme(bound, points, shared, highest=False)
    with np.errstate(invalid="ignore"):
        excess = highest - (lowest - margin)
    if np.isnan(excess).all():
        return None
    worst = int(np.nanargmax(excess))
    places = np.unravel_index(worst, tuple(len(points[signal]) for signal in shared)) if shared else ()
    at = {signal: float(points[signal][place]) for signal, place in zip(shared, places, strict=True)}
    at |= high_at[worst] | low_at[worst]
    return Standing(float(highest[worst]), float(lowest[worst]), at, float(excess[worst]))


def equal(table: Surface, mirror: Surface, tolerance: float = 0.0) -> Standing | None:
    """Whether two tables give the same everywhere; None where they have no operating point in common."""
    above, below = at_most(table, mirror, -tolerance), at_most(mirror, table, -tolerance)
    if above is None or below is None:
        return None
    if above.excess >= below.excess:
        return above
    return Standing(below.other, below.value, below.at, below.excess)


def inverse(table: Surface, other: Surface, tolerance: float = 0.0) -> Standing | None:
    """Whether a table undoes what the other does: what comes back against what was put in.

    Each has one signal that the other lacks, which is what the other puts out. A value of the table's own
    signal goes through the table, what comes out through the other, and the result (``value``) should be the
    value again (``other``). It is tried at every breakpoint of the table's and at every value that the other
    gives at its breakpoints, where neither leaves the other's range. Between these the round trip is no
    straight line, so that a somewhat larger error may hide there.

    None where the signals are not so, or no operating point is left.
    """
    own = [signal for signal in table.signals if signal not in other.signals]
    back = [signal for signal in other.signals if signal not in table.signals]
    if len(own) != 1 or len(back) != 1:
        return None
    shared = [signal for signal in table.signals if signal in other.signals]
    points = lattice((table, other), within=True)
    if any(not len(points[signal]) for signal in shared):
        return None
    order = (*shared, own[0])
    at = mesh({**points, own[0]: table.breakpoints[own[0]]}, order)
    tried = [np.broadcast_to(at[own[0]], np.broadcast_shapes(*(one.shape for one in at.values())))]
    at = mesh(points, (*shared, back[0]))
    tried.append(np.broadcast_to(other.at(at), np.broadcast_shapes(*(one.shape for one in at.values()))))
    values = np.concatenate(tried, axis=-1)
    fixed = {signal: array[..., None] for signal, array in mesh(points, shared).items()}
    between = table.at({**fixed, own[0]: values})
    result = other.at({**fixed, back[0]: between})
    inside = _inside(values, table.breakpoints[own[0]]) & _inside(between, other.breakpoints[back[0]])
    with np.errstate(invalid="ignore"):
        error = np.where(inside, np.abs(result - values), np.nan)
    if np.isnan(error).all():
        return None
    worst = np.unravel_index(int(np.nanargmax(error)), error.shape)
    where = {signal: float(points[signal][place]) for signal, place in zip(shared, worst, strict=False)}
    where[own[0]] = float(values[worst])
    return Standing(float(result[worst]), float(values[worst]), where, float(error[worst]) - tolerance)


def _inside(values: Numbers, breakpoints: Numbers) -> Flags:
    with np.errstate(invalid="ignore"):
        inside: Flags = (values >= breakpoints.min()) & (values <= breakpoints.max())
    return inside


def _extreme(
    one: Surface, points: dict[str, Numbers], shared: list[str], highest: bool
) -> tuple[Numbers, list[dict[str, float]]]:
    """The most unfavourable value at each point of the shared signals, flat, and its own signals' values."""
    alone = [signal for signal in one.signals if signal not in shared]
    places = mesh(points, (*shared, *alone))
    values = one.at(places)
    outer = int(np.prod([len(points[signal]) for signal in shared], dtype=np.int64))
    values = np.reshape(values, (outer, -1))
    filled = np.where(np.isnan(values), -np.inf if highest else np.inf, values)
    best = filled.argmax(axis=1) if highest else filled.argmin(axis=1)
    chosen = values[np.arange(outer), best]
    found = np.unravel_index(best, tuple(len(points[signal]) for signal in alone)) if alone else ()
    at = [
        {signal: float(points[signal][indexes[row]]) for signal, indexes in zip(alone, found, strict=True)}
        for row in range(outer)
    ]
    return chosen, at
