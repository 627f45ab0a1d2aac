"""By how much a protection was weakened: in its own unit, and along its axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.decoding.statistics import distinct
from callint.decoding.surfaces import Surface, grid_points, merged_breakpoints, point_of
from callint.model.change import Numbers

#: How close to the end of a stretch its inside is looked at, as a share of it.
_INSIDE = 1e-9


@dataclass(frozen=True, slots=True)
class Weakening:
    """The operating point at which a table went furthest towards its guard, with its output there."""

    old: float
    new: float
    at: dict[str, float]


def weakening(old: Surface, new: Surface, upward: bool, downward: bool) -> Weakening | None:
    """Where the new table is furthest on its guard's side of the old one; None where it is nowhere.

    ``upward`` and ``downward`` say in which directions guards lie. Exact, as ``decoding/surfaces.py`` says.
    """
    if old.signals != new.signals:
        return None
    points = merged_breakpoints((old, new))
    places = grid_points(points, old.signals)
    before, after = old.at(places), new.at(places)
    with np.errstate(invalid="ignore"):
        steps = after - before
        slack = 4 * np.spacing(np.maximum(np.abs(before), np.abs(after)))
        towards = np.maximum(steps if upward else -np.inf, -steps if downward else -np.inf)
        towards = np.where(towards > slack, towards, 0.0)
    if not (towards > 0).any():
        return None
    worst = int(np.argmax(towards))
    at = point_of(points, old.signals, worst)
    return Weakening(float(before.flat[worst]), float(after.flat[worst]), at)


def later(old: Surface, new: Surface, upward: bool) -> float | None:
    """How much further along its axis a curve now does what it did before, at the level where most.

    A limit that falls with temperature and was raised comes down to a level at a higher temperature than
    before: the largest such distance, in the axis's unit. One that rises with speed comes up to a level at a
    lower speed: then it is below 0. ``upward`` says that the guard is above. None for anything but two curves
    that only rise or only fall, both the same way, with levels in common.
    """
    sides = [_side(surface, upward) for surface in (old, new)]
    if sides[0] is None or sides[1] is None or sides[0][2] != sides[1][2]:
        return None
    levels = distinct(np.concatenate([sides[0][1], sides[1][1]]))
    with np.errstate(over="ignore"):
        steps = np.diff(levels)
    if not np.isfinite(steps).all():  # numbers so huge that their distance is none
        return None
    inside = np.concatenate([levels[:-1] + _INSIDE * steps, levels[1:] - _INSIDE * steps])
    low = max(side[1].min() for side in sides if side)
    high = min(side[1].max() for side in sides if side)
    inside = inside[(inside > low) & (inside < high)]
    if not len(inside):
        return None
    before, after = (np.interp(inside, side[1], side[0]) for side in sides if side)
    # The protection sets in towards that end of the axis at which the output is furthest from the guard.
    distance = max(float(np.max((after - before) * sides[0][2])), 0.0)
    return distance * sides[0][2]


def _side(surface: Surface, upward: bool) -> tuple[Numbers, Numbers, int] | None:
    """A curve turned round: axis by rising output; and 1 or -1, as it sets in up or down the axis."""
    if len(surface.signals) != 1:
        return None
    ((_, axis),) = surface.breakpoints.items()
    values = surface.grid.physical[0]
    if axis[0] > axis[-1]:
        axis, values = axis[::-1], values[::-1]
    with np.errstate(over="ignore", invalid="ignore"):
        steps = np.diff(values)
    if not np.isfinite(steps).all() or not ((steps >= 0).all() or (steps <= 0).all()) or not steps.any():
        return None
    falls = bool((steps <= 0).all())
    direction = 1 if falls == upward else -1
    return (axis[::-1], values[::-1], direction) if falls else (axis, values, direction)
