"""Measures how far a protection was weakened: in its own unit, and along its axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.decoding.statistics import distinct
from callint.decoding.surfaces import Surface, grid_points, merged_breakpoints, point_of
from callint.model.change import Numbers

#: Distance from the ends of an interval at which its inside is evaluated, as a share of the interval.
_INSIDE = 1e-9


@dataclass(frozen=True, slots=True)
class Weakening:
    """The operating point at which a table moved furthest towards its guard, with its output there."""

    old: float
    new: float
    at: dict[str, float]


def weakening(old: Surface, new: Surface, upward: bool, downward: bool) -> Weakening | None:
    """The largest move of a table towards its guard; None if it moved towards it nowhere.

    ``upward`` and ``downward`` are the directions in which guards lie. Exact, see ``decoding/surfaces.py``.
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


def shift_along_axis(old: Surface, new: Surface, upward: bool) -> float | None:
    """The largest shift of a curve along its axis, at equal output, in the unit of the axis.

    A limit that falls with temperature and was raised reaches a level at a higher temperature than before. A
    limit that rises with speed and was raised reaches a level at a lower speed; then the shift is negative.
    ``upward`` if the guard is above. None unless both are curves that only rise or only fall, in the same
    direction and with levels in common.
    """
    before, after = _inverse(old, upward), _inverse(new, upward)
    if before is None or after is None or before.direction != after.direction:
        return None
    levels = distinct(np.concatenate([before.values, after.values]))
    with np.errstate(over="ignore"):
        steps = np.diff(levels)
    if not np.isfinite(steps).all():  # the numbers are so large that their distance is infinite
        return None
    inside = np.concatenate([levels[:-1] + _INSIDE * steps, levels[1:] - _INSIDE * steps])
    low = max(before.values.min(), after.values.min())
    high = min(before.values.max(), after.values.max())
    inside = inside[(inside > low) & (inside < high)]
    if not len(inside):
        return None
    shift = after.axis_at(inside) - before.axis_at(inside)
    # The protection sets in towards the end of the axis at which the output is furthest from the guard.
    distance = max(float(np.max(shift * before.direction)), 0.0)
    return distance * before.direction


@dataclass(frozen=True, slots=True)
class _InverseCurve:
    """The breakpoints of a curve by rising output ``values``, shape (count,) each.

    ``direction`` is 1 if the protection sets in up the axis, and -1 if it sets in down the axis.
    """

    values: Numbers
    axis: Numbers
    direction: int

    def axis_at(self, values: Numbers) -> Numbers:
        """The values of the axis at which the curve gives these outputs."""
        axis: Numbers = np.interp(values, self.values, self.axis)
        return axis


def _inverse(surface: Surface, upward: bool) -> _InverseCurve | None:
    """The inverse of a curve; None unless it is a curve that only rises or only falls."""
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
    if falls:
        axis, values = axis[::-1], values[::-1]
    return _InverseCurve(values, axis, direction)
