"""Measures how far a protection was weakened: in its own unit, and along its axis."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from callint.decoding.statistics import distinct
from callint.decoding.surfaces import Surface, grid_points, merged_breakpoints, point_of
from callint.model.change import Flags, Numbers

#: Gives the distance between neighbouring stored values around outputs, any one shape.
Steps = Callable[[Numbers], Numbers]

#: Distance from the ends of an interval at which its inside is evaluated, as a share of the interval.
_INSIDE = 1e-9
#: The largest difference of equal shares.
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Weakening:
    """The operating point at which a table moved furthest towards its guard, with its output there."""

    old: float
    new: float
    at: dict[str, float]


def weakening(
    old: Surface,
    new: Surface,
    upward: bool,
    downward: bool,
    steps: Steps | None = None,
    accepted: float = 0.0,
) -> Weakening | None:
    """The largest move of a table towards its guard; None if it moved towards it nowhere.

    ``upward`` and ``downward`` are the directions in which guards lie. Moves of up to ``accepted`` do not
    count. Exact, see ``decoding/surfaces.py``.

    ``steps`` gives the stored steps at outputs. Recalculated for new breakpoints, a cell can only have the
    stored value next to the old output, so a move within one stored step does not count. At breakpoints that
    are in both images no cell was recalculated, and every move counts.
    """
    if old.signals != new.signals:
        return None
    points = merged_breakpoints((old, new))
    places = grid_points(points, old.signals)
    before, after = old.at(places), new.at(places)
    with np.errstate(invalid="ignore"):
        moves = after - before
        slack = accepted + 4 * np.spacing(np.maximum(np.abs(before), np.abs(after)))
        if steps is not None and _is_respaced(old, new):
            slack = slack + np.where(_in_both(old, new, points), 0.0, steps(before))
        towards = np.maximum(moves if upward else -np.inf, -moves if downward else -np.inf)
        towards = np.where(towards > slack, towards, 0.0)
    if not (towards > 0).any():
        return None
    worst = int(np.argmax(towards))
    at = point_of(points, old.signals, worst)
    return Weakening(float(before.flat[worst]), float(after.flat[worst]), at)


def _is_respaced(old: Surface, new: Surface) -> bool:
    return any(
        not np.array_equal(breakpoints, new.breakpoints[signal])
        for signal, breakpoints in old.breakpoints.items()
    )


def _in_both(old: Surface, new: Surface, points: Mapping[str, Numbers]) -> Flags:
    """The points at breakpoints that both images have, along every axis; of the shape of the grid."""
    along = [
        (points[signal][:, None] == breakpoints).any(axis=1)
        & (points[signal][:, None] == new.breakpoints[signal]).any(axis=1)
        for signal, breakpoints in old.breakpoints.items()
    ]
    both: Flags = np.logical_and.reduce(np.meshgrid(*along, indexing="ij"))
    return both


@dataclass(frozen=True, slots=True)
class LostEffect:
    """An operating point at which a limit lost a share of its effect.

    ``effect`` is the distance of the old output from the output at which the old table limits least, and
    ``share`` the part of it that the new table lacks, 0 to 1. ``is_large`` says that this is more than is
    accepted.
    """

    effect: float
    share: float
    at: dict[str, float]
    is_large: bool


def lost_effect(
    old: Surface, new: Surface, upward: bool, least: float, most: float, steps: Steps
) -> LostEffect | None:
    """The share of the effect of a curve or map that was lost, at the most telling point; None if none was.

    The most telling point has the largest effect of all points that lost more than the share ``most``. If no
    point lost that much, it is the one that lost the largest share.

    ``upward`` if the guard is above. The old table limits least at its highest output then, else at its
    lowest. Only points count at which the old effect is at least the share ``least`` of its largest one:
    where a table hardly limits, a large share of that means little. For the same reason, a loss within one
    stored step does not count. An output that is off has no effect.
    """
    if old.signals != new.signals or not old.signals or not np.isfinite(old.grid.physical).any():
        return None
    points = merged_breakpoints((old, new))
    places = grid_points(points, old.signals)
    direction = 1.0 if upward else -1.0
    before, after = direction * old.at(places), direction * new.at(places)
    with np.errstate(over="ignore", invalid="ignore"):
        effects = float(np.nanmax(direction * old.grid.physical)) - before
        lost = np.where(new.is_off(places), effects, np.clip(after - before, 0.0, effects))
        smallest = steps(direction * before) + 8 * np.spacing(np.abs(before))
        lost = np.where(lost > smallest, lost, 0.0)
        largest = float(np.nanmax(effects))
        if not 0 < largest < np.inf:
            return None
        shares = np.where((effects >= least * largest) & (effects > 0), lost / effects, np.nan)
    if not (shares > 0).any():
        return None
    highest = float(np.nanmax(shares))
    is_large = highest > most + _ROUNDING
    telling = shares > most + _ROUNDING if is_large else shares >= highest - _ROUNDING
    worst = int(np.nanargmax(np.where(telling, effects, np.nan)))
    at = point_of(points, old.signals, worst)
    return LostEffect(float(effects.flat[worst]), float(shares.flat[worst]), at, is_large)


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
