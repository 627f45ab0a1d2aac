"""Which changed cells of a table do not fit the edit that they are part of.

A person edits a region by factor, by offset, by hand with rounding, to a limit, by smoothing, by copying a
neighbour; a slip of the fingers breaks that pattern. So every changed cell is predicted from the others, in
four ways: by their difference to the base, by their ratio to the base, by the new surface around it, and
by a copied neighbour. How well each way predicts the fellow cells is its yardstick; a way that does not
explain them excuses nobody. A cell that departs from all others by more than the yardstick allows is
suspicious.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding.conversions import physical_limits, to_physical
from callint.model import shown
from callint.model.change import Flags, Numbers, TableChange
from callint.model.definition import Conversion, Linear, States

Indexes = NDArray[np.intp]

#: Departures below this share of the table's span, or below so many storage steps, are never suspicious.
_SPAN_SHARE, _STEPS = 0.02, 1.5
#: The same for a change with no other around it.
_LONE_SHARE, _LONE_STEPS = 0.045, 3.0
#: So many times the yardstick may a cell depart.
_FACTOR = 3.0
#: The yardstick is this quantile of what the fellow cells depart.
_QUANTILE = 0.8
#: What few fellow cells cannot say about the noise of an edit, as a share of their change.
_DOUBT = 0.5
#: With fewer fellows than this, those further away are asked too.
_FEW = 6
#: A way to predict that is this many times worse than the best one explains nothing.
_WORSE = 2.0
#: Cells so far away count as fellows: in a map, and in a curve, which has fewer of them.
_MAP_REACH, _CURVE_REACH = 2, 3
#: A suspicious cell disturbs the judgement of those around it, so they are judged again without it.
_PASSES = 5
#: An edit of which more than this share sticks out is not understood.
_MOST = 0.15
#: Those that stick out so many times further than the others of it are.
_GROSS = 5.0
#: Values rounded by hand may depart by this share of what they are rounded to.
_GRAIN_SHARE = 0.75
#: A departure of fewer steps than this may equal a neighbour by chance.
_CHANCE_STEPS = 10
#: Cells judged at once, which bounds the memory.
_CHUNK = 1 << 16


@dataclass(frozen=True)
class Edit:
    """The change of one table; arrays have the shape (rows, columns).

    ``old`` and ``new`` are physical values, NaN where there is none (off, absent). ``resolution`` is the
    physical distance to the next storable value. ``stops`` are values at which edits end: the limits of
    storage and table. ``x`` (columns) and ``y`` (rows) are the breakpoints, or None.
    """

    old: Numbers
    new: Numbers
    changed: Flags
    resolution: Numbers
    stops: tuple[float, ...] = ()
    x: Numbers | None = None
    y: Numbers | None = None

    @cached_property
    def cells(self) -> Flags:
        """The changed cells that held a number and hold one."""
        return self.changed & np.isfinite(self.old) & np.isfinite(self.new)

    @cached_property
    def span(self) -> float:
        """How far apart the values of the base lie; of the new ones where the base is flat."""
        old = self.old[np.isfinite(self.old)]
        new = self.new[np.isfinite(self.new)]
        spans = [float(np.ptp(old))] if len(old) else []
        if len(new):
            spans.append(float(np.ptp(np.quantile(new, [0.1, 0.9]))))
        return max(spans, default=0.0)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A cell that does not fit: its place, what would fit there and how well that is known."""

    x: int
    y: int
    expected: float
    yardstick: float
    is_lone: bool
    score: float


def suspects(edit: Edit) -> tuple[Suspect, ...]:
    """The suspicious cells of one table, by row and column."""
    if edit.old.size < 2 or not edit.cells.any() or not np.isfinite(edit.span):
        return ()
    with np.errstate(all="ignore"):
        return tuple(sorted(_found(edit), key=lambda one: (one.y, one.x)))


def _found(edit: Edit) -> Iterator[Suspect]:
    window = _Window(edit)
    excluded = np.zeros(len(window.places), bool)
    found: list[Suspect] = []
    for _ in range(_PASSES):
        verdict = _judge(window, excluded)
        worst = _worst_around(window, np.where(excluded, 0.0, verdict.score), verdict.tie)
        worst &= ~excluded & (verdict.score > 1)
        # A cell that is alone only because its fellow was a slip has nothing left to be judged by.
        worst &= ~(verdict.is_lone & window.any_around(excluded))
        if not worst.any():
            break
        for number in np.flatnonzero(worst).tolist():
            y, x = window.cell(number)
            found.append(
                Suspect(
                    x,
                    y,
                    float(verdict.expected[number]),
                    float(verdict.allowed[number]),
                    bool(verdict.is_lone[number]),
                    float(verdict.score[number]),
                )
            )
        excluded |= worst
    fellows = [one for one in found if not one.is_lone]
    if len(fellows) > max(1, _MOST * len(window.places)):
        usual = sorted(one.score for one in fellows)[(len(fellows) - 1) // 2]
        found = [one for one in found if one.is_lone or one.score > _GROSS * usual]
    return iter(found)


class _Window:
    """The changed cells of an edit and the cells around them, in arrays padded by the reach."""

    def __init__(self, edit: Edit) -> None:
        self.edit = edit
        rows, columns = edit.old.shape
        self.is_curve = rows == 1 or columns == 1
        self.reach = _CURVE_REACH if self.is_curve else _MAP_REACH
        self.stride = columns + 2 * self.reach
        self.old, self.new = self.padded(edit.old), self.padded(edit.new)
        self.resolution = self.padded(edit.resolution)
        self.changed = self.padded(edit.cells, False)
        self.places: Indexes = np.flatnonzero(self.changed)
        self.numbers = np.full(self.changed.shape, -1, np.intp)
        self.numbers[self.places] = np.arange(len(self.places))
        x, y = (_coordinates(axis, count) for axis, count in ((edit.x, columns), (edit.y, rows)))
        index_x, index_y = np.arange(columns, dtype=np.float64), np.arange(rows, dtype=np.float64)
        along_x = self.padded(np.broadcast_to(x[None, :], edit.old.shape))
        along_y = self.padded(np.broadcast_to(y[:, None], edit.old.shape))
        diagonal = self.padded(index_x[None, :] + 0 * index_y[:, None])
        #: Lines through a cell: the step to the next place and the coordinates along it.
        self.lines: list[tuple[int, Numbers]] = []
        if columns > 1:
            self.lines.append((1, along_x))
        if rows > 1:
            self.lines.append((self.stride, along_y))
        if not self.is_curve:
            self.lines += [(self.stride + 1, diagonal), (self.stride - 1, -diagonal)]
        self.straight = self.lines[: 1 if self.is_curve else 2]
        reach = range(-self.reach, self.reach + 1)
        down = reach if rows > 1 else (0,)
        across = reach if columns > 1 else (0,)
        steps = [dy * self.stride + dx for dy in down for dx in across if dx or dy]
        #: How many changed cells are around each, as they are judged at the time.
        self.fellows = np.zeros(len(self.places), np.intp)
        self.around = self.places[:, None] + np.array(steps, np.intp)[None, :]

    @cached_property
    def roughness(self) -> Numbers:
        """How far every cell of the base lies off the surface around it, in the padded grid."""
        edit = self.edit
        whole = _Window(Edit(edit.old, edit.old, np.isfinite(edit.old), edit.resolution, (), edit.x, edit.y))
        departure = _by_surface(whole, whole.new).departure
        return whole.scattered(np.where(np.isfinite(departure), departure, np.nan))

    @cached_property
    def rough(self) -> Numbers:
        """The roughness of the base around every changed cell."""
        return np.nan_to_num(_quantile(self.roughness[self.around], _QUANTILE))

    @cached_property
    def own_roughness(self) -> Numbers:
        """How far every changed cell lay off the surface in the base."""
        return self.roughness[self.places]

    def padded(self, grid: NDArray[Any], fill: Any = np.nan) -> NDArray[Any]:
        """A grid with a margin of the reach, flat."""
        return np.pad(grid, self.reach, constant_values=fill).ravel()

    def cell(self, number: int) -> tuple[int, int]:
        """Row and column of a changed cell."""
        row, column = divmod(int(self.places[number]), self.stride)
        return row - self.reach, column - self.reach

    def scattered(self, values: NDArray[Any], fill: Any = np.nan) -> NDArray[Any]:
        """Values of the changed cells at their places in the padded grid."""
        grid = np.full(self.changed.shape, fill)
        grid[self.places] = values
        return grid

    def any_around(self, flags: Flags) -> Flags:
        """Whether any changed cell around has the flag."""
        found: Flags = self.scattered(flags, False)[self.around].any(axis=1)
        return found


def _coordinates(axis: Numbers | None, count: int) -> Numbers:
    """The breakpoints of an axis where they rise or fall throughout, or else plain counts."""
    if axis is not None and len(axis) == count > 1:
        steps = np.diff(axis)
        if np.isfinite(axis).all() and (bool((steps > 0).all()) or bool((steps < 0).all())):
            return axis
    return np.arange(count, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Verdict:
    """For every changed cell: how far beyond the allowed it is, and what would fit; shape (changed,)."""

    score: Numbers
    tie: Numbers
    expected: Numbers
    allowed: Numbers
    is_lone: Flags


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to predict: the nearest prediction for every changed cell, and how far off it is."""

    nearest: Numbers
    central: Numbers
    departure: Numbers


def _judge(window: _Window, excluded: Flags) -> _Verdict:
    edit = window.edit
    places = window.places
    new, old, step = window.new[places], window.old[places], window.resolution[places]
    live = window.scattered(~excluded, False)
    around = live[window.around]
    fellows = window.fellows = around.sum(axis=1)
    grain = _grain(window, around)
    floor = np.maximum(_SPAN_SHARE * edit.span, _STEPS * step) + _GRAIN_SHARE * grain

    equal = _made_equal(window, live, new, step, floor)
    # Where an edit ends at a value, what the cell was before says nothing any more.
    free = live & ~window.scattered(equal, False)
    moved = (
        np.where(free, window.new - window.old, np.nan),
        np.where(free & (window.old != 0), window.new / window.old, np.nan),
    )
    rest = np.isfinite(window.old) & np.isfinite(window.new) & ~window.changed
    ways = [
        _by_change(window, moved[0], np.where(rest, 0.0, moved[0]), old, 1.0),
        _by_change(window, moved[1], np.where(rest, 1.0, moved[1]), 0.0, old),
        _by_surface(window, np.where(window.changed & ~live, np.nan, window.new)),
    ]
    stops = (*edit.stops, *_ends(new[~excluded]))
    departures = np.stack([_stopped(edit, way, new, stops) for way in ways])
    moving = free[window.around]
    yardsticks = np.stack(
        [
            _yardstick(window, departure, seen)
            for departure, seen in zip(departures, (moving, moving, around), strict=True)
        ]
    )
    yardsticks[:, fellows < 2] = 0.0
    few = fellows < _FEW
    if few.any():
        yardsticks[2, few] = np.fmax(yardsticks[2], window.rough)[few]

    held, level = _held(window, around, step)
    copied, source, copying = _by_copy(window, live, new, step)
    exact = held | copying
    best = np.where(exact, 0.0, np.nanmin(yardsticks, axis=0))
    trusted = yardsticks <= _WORSE * best + np.where(exact, 1.0, 0.5) * floor
    typical = _middle(np.where(around, np.abs(window.new - window.old)[window.around], np.nan))
    doubt = _DOUBT * np.nan_to_num(typical) / np.maximum(fellows, 1) ** 2
    allowed = floor + _FACTOR * np.nan_to_num(yardsticks, nan=np.inf) + doubt
    scores = np.where(trusted & np.isfinite(departures), departures / allowed, np.inf)
    scores = np.where(np.isfinite(allowed), scores, np.inf)
    pick = np.argmin(scores, axis=0)
    columns = np.arange(len(places))
    score = scores[pick, columns]
    expected = np.stack([way.central for way in ways])[pick, columns]
    room = np.where(np.isfinite(score), allowed[pick, columns], floor)
    score = np.where(held, np.minimum(score, np.abs(new - level) / floor), score)
    expected = np.where(held, level, expected)
    score = np.where(copying, np.minimum(score, np.abs(new - source) / floor), score)
    expected = np.where(copying, source, expected)

    lone = fellows == 0
    if lone.any():
        alone = _judge_lone(window, ways[2], new, old, step)
        score = np.where(lone, alone.score, score)
        expected = np.where(lone, alone.expected, expected)
        room = np.where(lone, alone.allowed, room)
    score = np.where(_is_smoothed(window, departures[2], around, floor), 0.0, score)
    # A coarse edit has equal neighbours by chance, and so may a slip.
    chance = np.abs(new - expected) < _CHANCE_STEPS * np.maximum(step, grain)
    score = np.where(copied | (equal & ~(chance & ~held)), 0.0, score)
    # Two cells that contradict each other: the one that leaves the surface further is the slip.
    tie = np.abs(new - ways[2].central)
    score = np.where(np.isfinite(score), score, 0.0)
    return _Verdict(score, np.nan_to_num(tie), expected, room, lone)


def _grain(window: _Window, around: Flags) -> Numbers:
    """To what the values around are rounded, where that is coarser than what the storage holds."""
    edit = window.edit
    new, step = window.new[window.places], window.resolution[window.places]
    coarse = np.zeros(len(new))
    least = float(np.median(step))
    if not least or not np.isfinite(least) or edit.span / least > 1e12:
        return coarse
    first = int(np.floor(np.log10(least)))
    for power in range(first, int(np.ceil(np.log10(max(edit.span, least)))) + 1):
        for lead in (1, 2, 5):
            grain = lead * 10.0**power
            whole = np.abs(new - grain * np.rint(new / grain)) <= 0.5 * step
            coarse = np.where(whole & (grain > 4 * step) & (grain < edit.span / 4), grain, coarse)
    # Cells held at one value say nothing about rounding.
    alone = np.ones(len(new), bool)
    for one, _ in window.straight:
        for side in (-1, 1):
            there = window.new[window.places + side * one]
            alone &= ~(np.abs(there - new) <= 0.5 * step)
    values = np.where(around, window.scattered(np.where(alone, coarse, np.nan))[window.around], np.nan)
    enough = np.isfinite(values).sum(axis=1) > 2
    return np.where(enough, np.nan_to_num(_quantile(values, 0.6)), 0.0)


def _by_change(window: _Window, moved: Numbers, whole: Numbers, add: Any, times: Any) -> _Way:
    """Predictions by how the cells around have moved; ``whole`` holds the unchanged cells too."""
    places = window.places
    predictions: list[Numbers] = []
    middle: list[Numbers] = []
    for step, along in window.lines:
        here = along[places]
        near: dict[int, Numbers] = {side: moved[places + side * step] for side in (-2, -1, 1, 2)}
        all_: dict[int, Numbers] = {side: whole[places + side * step] for side in (-2, -1, 1, 2)}
        at = {side: along[places + side * step] - here for side in (-2, -1, 1, 2)}
        few = window.fellows < _FEW
        either = np.isfinite(near[-1]) | np.isfinite(near[1])
        between = _interpolated(all_[-1], all_[1], at[-1], at[1])
        predictions.append(np.where(either, between, np.nan))
        both = np.isfinite(near[-1]) & np.isfinite(near[1])
        middle.append(np.where(both, between, np.nan))
        beyond = {side: np.where(few | np.isfinite(near[side]), all_[side], np.nan) for side in (-2, 2)}
        predictions.append(np.where(both, _cubic({**near, **beyond}, at), np.nan))
        for side in (-1, 1):
            predictions.append(near[side])
            further = few | ~np.isfinite(near[side])
            predictions.append(np.where(further, near[2 * side], np.nan))
            onwards = near[side] - (beyond[2 * side] - near[side]) * _share(at, side)
            predictions.append(np.where(both & ~few, np.nan, onwards))
    if window.is_curve:
        step = window.lines[0][0]
        predictions += [np.where(window.fellows < _FEW, moved[places + side * step], np.nan) for side in (-3, 3)]
    usual = np.nanmedian(moved) if np.isfinite(moved).any() else np.nan
    predictions.append(np.full(len(places), usual if np.isfinite(moved).sum() > 2 else np.nan))
    stacked = np.stack(predictions) * times + add
    centre = _middle(np.stack(middle).T)
    around = _middle(moved[window.around])
    central = np.where(np.isfinite(centre), centre, around) * times + add
    return _nearest(stacked, central, window.new[places])


def _by_surface(window: _Window, surface: Numbers) -> _Way:
    """Predictions by the values around, changed or not."""
    places = window.places
    predictions = []
    for step, along in window.straight:
        here = along[places]
        values: dict[int, Numbers] = {side: surface[places + side * step] for side in (-2, -1, 1, 2)}
        at = {side: along[places + side * step] - here for side in (-2, -1, 1, 2)}
        between = _interpolated(values[-1], values[1], at[-1], at[1])
        outside = [values[side] - (values[2 * side] - values[side]) * _share(at, side) for side in (-1, 1)]
        outside_one = np.where(np.isfinite(outside[0]), outside[0], outside[1])
        predictions.append(np.where(np.isfinite(between), between, outside_one))
        predictions.append(_cubic(values, at))
    stacked = np.stack(predictions)
    central = _middle(stacked.T)
    return _nearest(stacked, central, window.new[places])


def _interpolated(before: Numbers, after: Numbers, back: Numbers, ahead: Numbers) -> Numbers:
    """Straight between two neighbours at the distances ``back`` (negative) and ``ahead``."""
    result: Numbers = (before * ahead - after * back) / (ahead - back)
    return result


def _share(at: dict[int, Numbers], side: int) -> Numbers:
    """The distance to the next place in distances from there to the one behind it."""
    result: Numbers = at[side] / (at[2 * side] - at[side])
    return result


def _cubic(values: dict[int, Numbers], at: dict[int, Numbers]) -> Numbers:
    """Lagrange's polynomial through the four neighbours of a line, at the cell."""
    total: Numbers = np.zeros_like(values[1])
    for one in (-2, -1, 1, 2):
        weight: Numbers = np.ones_like(values[1])
        for other in (-2, -1, 1, 2):
            if other != one:
                weight = weight * at[other] / (at[other] - at[one])
        total = total + weight * values[one]
    return total


def _nearest(predictions: Numbers, central: Numbers, new: Numbers) -> _Way:
    """Of all predictions, shape (ways, changed), the nearest to what stands there."""
    off = np.abs(predictions - new)
    off = np.where(np.isfinite(off), off, np.inf)
    pick = np.argmin(off, axis=0)
    columns = np.arange(len(new))
    return _Way(predictions[pick, columns], central, off[pick, columns])


def _ends(new: Numbers) -> list[float]:
    """The highest and the lowest new value, where two cells or more share it."""
    if not len(new):
        return []
    return [float(end) for end in (new.max(), new.min()) if np.count_nonzero(new == end) > 1]


def _stopped(edit: Edit, way: _Way, new: Numbers, stops: tuple[float, ...]) -> Numbers:
    """The departures, none where the edit ran into a limit and stopped there."""
    departure = way.departure
    middle = np.nanmedian(edit.old)
    for stop in stops:
        beyond = way.central >= stop if stop >= middle else way.central <= stop
        departure = np.where((new == stop) & beyond, 0.0, departure)
    return departure


def _yardstick(window: _Window, departure: Numbers, around: Flags) -> Numbers:
    """What the fellow cells of each cell depart, at the quantile; infinite ones count as such."""
    grid = window.scattered(departure)
    values = np.where(around, grid[window.around], np.nan)
    return _quantile(values, _QUANTILE)


def _quantile(values: Numbers, share: float) -> Numbers:
    """A quantile of every row without its NaNs; NaN where nothing is left."""
    ordered = np.sort(values, axis=1)
    count = (~np.isnan(ordered)).sum(axis=1)
    index = np.clip(np.ceil(share * count).astype(np.intp) - 1, 0, None)
    found: Numbers = ordered[np.arange(len(ordered)), index]
    return found


def _middle(values: Numbers) -> Numbers:
    """The median of every row without its NaNs and infinities; NaN where nothing is left."""
    ordered = np.sort(np.where(np.isfinite(values), values, np.nan), axis=1)
    count = (~np.isnan(ordered)).sum(axis=1)
    rows = np.arange(len(ordered))
    low, high = np.clip((count - 1) // 2, 0, None), np.clip(count // 2, 0, values.shape[1] - 1)
    found: Numbers = (ordered[rows, low] + ordered[rows, high]) / 2
    return found


def _by_copy(
    window: _Window, live: Flags, new: Numbers, step: Numbers
) -> tuple[Flags, Numbers, Flags]:
    """Cells that hold a neighbour's value as their fellows do.

    Which cells are copies, the value that a copy would have, and where copying is what all fellow cells do.
    """
    places = window.places
    count = len(places)
    copied, copying = np.zeros(count, bool), np.zeros(count, bool)
    value = np.full(count, np.nan)
    straight = [step for step, _ in window.straight]
    mates = np.stack([places + side * one for one in straight for side in (-2, -1, 1, 2)], axis=1)
    mates_live = live[mates]
    amount = mates_live.sum(axis=1)
    for source in (window.old, window.new):
        for one in straight:
            for side in (-2, -1, 1, 2):
                if source is window.new and abs(side) == 2:
                    continue
                there = source[places + side * one]
                same = np.abs(there - new) <= 0.5 * step
                agreeing = (window.scattered(same, False)[mates] & mates_live).sum(axis=1)
                lone = ((amount == 0) & (abs(side) == 1)) | ((amount == 1) & (window.fellows == 1))
                copied |= same & (((agreeing >= 1) & (agreeing >= 0.6 * amount)) | lone)
                if source is window.old:
                    leads = (agreeing >= 3) & (agreeing == amount) & np.isfinite(there)
                    value = np.where(leads & ~copying, there, value)
                    copying |= leads
    return copied, value, copying & ~copied


def _held(window: _Window, around: Flags, step: Numbers) -> tuple[Flags, Numbers]:
    """Where the fellow cells are held at one value, and that value."""
    values = np.where(around, window.new[window.around], np.nan)
    level = _middle(values)
    equal = (np.abs(values - level[:, None]) <= 0.5 * step[:, None]).sum(axis=1)
    count = around.sum(axis=1)
    return (equal >= 2) & ((equal > 0.6 * count) & (equal >= 3) | (equal == count)), level


def _made_equal(window: _Window, live: Flags, new: Numbers, step: Numbers, floor: Numbers) -> Flags:
    """Cells that the edit made equal to a changed neighbour, although they were not equal before."""
    places = window.places
    found = np.zeros(len(new), bool)
    for one, _ in window.straight:
        for side in (-1, 1):
            there = places + side * one
            differed = np.abs(window.old[there] - window.old[places]) > np.maximum(1.5 * step, 0.25 * floor)
            found |= live[there] & differed & (np.abs(window.new[there] - new) <= 0.5 * step)
    return found & live[places]


def _is_smoothed(window: _Window, departure: Numbers, around: Flags, floor: Numbers) -> Flags:
    """Cells on a surface that is rough in the base, of an edit that made it smoother throughout."""
    own = window.own_roughness
    ratio = np.where((own > floor) & np.isfinite(departure), departure / own, np.nan)
    ratios = np.where(around, window.scattered(ratio)[window.around], np.nan)
    smoother = _quantile(ratios, _QUANTILE) < 1
    return smoother & (np.isfinite(ratios).sum(axis=1) >= 2) & (departure <= 0.9 * own)


def _judge_lone(window: _Window, surface: _Way, new: Numbers, old: Numbers, step: Numbers) -> _Verdict:
    """Judge changes without another around by the surface and the roughness that the base has there."""
    edit = window.edit
    rough, own = window.rough, window.own_roughness
    floor = np.maximum(_LONE_SHARE * edit.span, _LONE_STEPS * step)
    allowed = floor + 1.5 * np.nan_to_num(rough)
    off = np.where(np.isfinite(surface.departure), surface.departure, np.inf)
    off = np.where(off <= own, 0.0, off)
    score = np.minimum(np.abs(new - old) / floor, off / allowed)
    expected = np.where(np.isfinite(surface.central), surface.central, old)
    return _Verdict(score, off, expected, allowed, np.ones(len(new), bool))


def _worst_around(window: _Window, score: Numbers, tie: Numbers) -> Flags:
    """Whether no cell around is worse."""
    grid, ties = window.scattered(score, 0.0), window.scattered(tie, 0.0)
    theirs, their_ties = grid[window.around], ties[window.around]
    close = np.abs(theirs - score[:, None]) <= 0.5 * score[:, None]
    worse = np.where(close & (theirs > 1), their_ties > tie[:, None], theirs > score[:, None])
    found: Flags = ~worse.any(axis=1)
    return found


# From decoded tables


def edit_of(change: TableChange, conversion: Conversion) -> Edit:
    """The change of one table as an edit; of a table of named states none of it is a number."""
    old, new = change.old, change.new
    numbers = not isinstance(conversion, States)
    before = np.where(old.present & ~old.off & numbers, old.physical, np.nan)
    after = np.where(new.present & ~new.off & numbers, new.physical, np.nan)
    limits = change.table.demands.limits
    stops = [*physical_limits(conversion, change.table.storage)]
    stops += [limits.low, limits.high] if limits else []
    return Edit(
        old=before,
        new=after,
        changed=change.changed,
        resolution=_resolution(change, conversion),
        stops=tuple(stop for stop in stops if np.isfinite(stop)),
        x=new.x,
        y=new.y,
    )


def _resolution(change: TableChange, conversion: Conversion) -> Numbers:
    """The physical distance from each new value to the next one that can be stored, or that is shown."""
    raw = change.new.raw
    if change.table.storage.type.is_integer:
        if isinstance(conversion, Linear):
            return np.full(raw.shape, abs(conversion.factor))
        numbers = raw.astype(np.float64)
        sides = [np.abs(to_physical(conversion, numbers + one) - change.new.physical) for one in (-1, 1)]
        return np.nan_to_num(np.fmax(*sides))
    steps = np.abs(np.spacing(change.new.raw)).astype(np.float64)
    if isinstance(conversion, Linear):
        steps = steps * abs(conversion.factor)
    digits = shown.decimals(conversion) if conversion.decimals is not None else None
    return np.nan_to_num(steps if digits is None else np.maximum(steps, 10.0**-digits))
