"""How far changed cells depart from what the cells around them predict, and how far they may."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint.comparing.entry_errors import patterns
from callint.comparing.entry_errors.broken_lines import BrokenLine, find_broken_lines
from callint.comparing.entry_errors.kept_patterns import find_broken_patterns, goes_on
from callint.comparing.entry_errors.neighbours import (
    FEW,
    CellShift,
    Indexes,
    PaddedGrid,
    delta_residuals,
    finite_or_nan,
    predict_from_delta,
    predict_from_surface,
    row_median,
    row_quantile,
    surface_residuals,
)
from callint.comparing.entry_errors.overlaps import adds_up
from callint.comparing.entry_errors.resampling import is_resampled
from callint.comparing.entry_errors.score_card import (
    ADDS_UP,
    BESIDE,
    BEYOND,
    CHANGED,
    CURVE_END,
    DEPARTING,
    DEPARTS,
    DEPARTURE,
    FAR_DEPARTURE,
    OFF_CENTRE,
    PEAK,
    PREDICTED,
    PULLED,
    RESAMPLED,
    UNEVEN,
    surroundings,
)
from callint.decoding.statistics import median
from callint.model.change import Flags, Numbers

#: Departures below this share of the table's span, or this number of storage steps, are never suspicious.
_SPAN_SHARE, STEPS = 0.02, 2.0
#: The same for a lone change.
LONE_SHARE, LONE_STEPS = 0.045, 3.0
#: A cell may depart by this many times the yardstick.
_FACTOR = 4.0
#: The yardstick is this quantile of the departures of the changed neighbours.
_QUANTILE = 0.6
#: The roughness of the base around a cell is this quantile of it.
_ROUGH_QUANTILE = 0.8
#: Uncertainty about the noise of an edit with few changed neighbours, as a share of their change.
_UNCERTAINTY = 0.5
#: This number of changed neighbours shows how noisy an edit is, and how rough it left the surface.
_ENOUGH = 4
#: A way to predict that is this many times worse than the best one explains nothing.
_WORSE = 2.0
#: Share of the never suspicious departure that this comparison ignores.
_SLACK = 0.25
#: A departure of fewer steps than this may equal a neighbour by chance.
_CHANCE_STEPS = 10
#: A lone cell is surely a slip if it departs by this many times what is never suspicious: people move a cell
#: by less on purpose.
LONE_SURE = 1.75
#: The same near the value of a cell beside it, by this share of it: it may have been copied and then edited.
LONE_COPY_SURE, _COPY_SHARE = 4.5, 0.15
#: Below this score no slip makes a cell suspicious.
WEAK = 0.25
#: Scores differ by less than this if only the arithmetic rounds.
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Scores:
    """Judged cells, by their numbers among the changed ones: the score, and the value that would fit.

    A cell is suspicious if its ``score``, the departure divided by the ``allowed`` one, is above 1. ``tie``
    decides between two cells that contradict each other. ``floor`` is the departure that is never suspicious.
    ``is_lone_sure`` says of lone cells that nobody moves a cell that far on purpose.
    ``points`` are those of the score card, without those for the number that was typed; lone cells need none.
    All arrays have the shape (cells,).
    """

    cells: Indexes
    score: Numbers
    tie: Numbers
    expected: Numbers
    allowed: Numbers
    grain: Numbers
    floor: Numbers
    is_lone: Flags
    is_lone_sure: Flags
    points: Numbers


@dataclass(frozen=True, slots=True)
class _Predictions:
    """The predictions for all changed cells without the excluded ones, before any cell is judged.

    ``live`` flags the cells that count as changed neighbours, and ``free`` those whose movement says
    something, in the padded grid. ``departures`` has the shape (ways, changed), the rest the shape
    (changed,).
    """

    live: Flags
    free: Flags
    changed_count: Indexes
    coarse: Numbers
    grain: Numbers
    floor: Numbers
    equal: patterns.EqualCells
    movements: tuple[CellShift, CellShift]
    surface: Numbers
    departures: Numbers


@dataclass(frozen=True, slots=True)
class _Judged:
    """The cells that are judged, and what each way to predict says about them.

    ``around`` flags which of the places around them are changed neighbours, shape (cells, places).
    ``centres`` are the predicted values and ``departures`` the distances from the nearest prediction,
    ``explained`` how well each way explains the changed neighbours and ``yardsticks`` how far off cells may
    be by it, shape (ways, cells). ``held``, ``level``, ``copied``, ``source`` and ``copying`` are as
    ``patterns.held_at`` and ``patterns.copies`` return them. The rest has the shape (cells,).
    """

    cells: Indexes
    old: Numbers
    new: Numbers
    floor: Numbers
    changed_count: Indexes
    around: Flags
    centres: Numbers
    departures: Numbers
    explained: Numbers
    yardsticks: Numbers
    held: Flags
    level: Numbers
    copied: Flags
    source: Numbers
    copying: Flags


@dataclass(frozen=True, slots=True)
class _Fit:
    """The score of some cells, the value that fits and the departure from it that is allowed."""

    score: Numbers
    expected: Numbers
    allowed: Numbers

    def where(self, rules: Flags, other: _Fit) -> _Fit:
        """The other fit where it ``rules``, this one elsewhere."""
        return _Fit(
            np.where(rules, other.score, self.score),
            np.where(rules, other.expected, self.expected),
            np.where(rules, other.allowed, self.allowed),
        )


@dataclass(frozen=True, slots=True)
class Edited:
    """What the changed cells that count show of the edit.

    ``live`` flags them in the padded grid. ``coarse`` is what ``patterns.rounding`` returns, ``grain`` what
    ``patterns.grain_around`` and ``equal`` what ``patterns.made_equal`` does.
    """

    live: Flags
    coarse: Numbers
    grain: Numbers
    equal: patterns.EqualCells


class EditedCells:
    """The changed cells of an edit, of which some may be excluded; it remembers what the rest last showed."""

    def __init__(self, window: PaddedGrid) -> None:
        self.window = window
        self.coarse = patterns.rounding(window)
        self._last: tuple[Flags, Edited] | None = None

    def without(self, excluded: Flags) -> Edited:
        """What the cells show that are not ``excluded``, of shape (changed,)."""
        if self._last is None or (self._last[0] != excluded).any():
            live = self.window.scattered(~excluded, False)
            grain = patterns.grain_around(self.window, live, self.coarse)
            edited = Edited(live, self.coarse, grain, patterns.made_equal(self.window, live))
            self._last = excluded.copy(), edited
        return self._last[1]


def judge(changed: EditedCells, excluded: Flags) -> Scores | None:
    """The scores of the cells that depart from any prediction; None if none does."""
    if excluded.all():
        return None
    window = changed.window
    predictions = _predict(window, changed.without(excluded))
    farthest = np.where(np.isfinite(predictions.departures), predictions.departures, 0.0).max(axis=0)
    cells = np.flatnonzero((farthest > predictions.floor) & ~excluded)
    if not len(cells):
        return None
    judged = _judged(window, predictions, cells)
    on_surface = row_median(judged.centres[2:].T)
    lone = judged.changed_count == 0
    if lone.all():
        fit = _lone_fit(window, judged, on_surface)
    else:
        fit = _even_fit(window, judged, predictions.grain[cells], _fit(window, predictions, judged))
        if lone.any():
            fit = fit.where(lone, _lone_fit(window, judged, on_surface))
    score, expected = fit.score, fit.expected
    # A change that would pass as a lone one passes among a few others too, unless it looks mistyped.
    small = (
        ~lone & (judged.changed_count < FEW) & (np.abs(judged.new - judged.old) <= _lone_floor(window, cells))
    )
    score = np.where(small, np.minimum(score, 1.0), score)
    excused = judged.copied | _is_excused(window, predictions, judged, np.abs(judged.new - expected))
    score = np.where(np.isfinite(score) & ~excused, score, 0.0)
    # Two cells that contradict each other: the one that leaves the surface further is the slip.
    tie = np.nan_to_num(np.abs(judged.new - on_surface))
    lone_sure = score > np.where(_may_be_edited_copy(window, cells), LONE_COPY_SURE, LONE_SURE)
    # Only for suspicious cells with changed neighbours, of which most edits have none, is it asked how likely
    # a slip is.
    is_likely = bool(((score > WEAK) & ~lone).any())
    points = _points(window, predictions, judged, fit, score) if is_likely else np.zeros(len(cells))
    grain = predictions.grain[cells]
    return Scores(cells, score, tie, expected, fit.allowed, grain, judged.floor, lone, lone_sure, points)


def _points(
    window: PaddedGrid, predictions: _Predictions, judged: _Judged, fit: _Fit, score: Numbers
) -> Numbers:
    """The points of the score card for what the cells around say; those for the number typed come later."""
    span, changed, live = window.edit.span, np.float64(len(window.places)), predictions.live
    around = surroundings(window, live, judged.cells, judged.floor)
    departing = np.float64(np.count_nonzero(fit.score[np.isfinite(fit.score)] > DEPARTS))
    off_centre = np.abs(judged.new - _centre(window, predictions, judged))
    points: Numbers = np.sum(
        [
            DEPARTURE.weigh(score),
            FAR_DEPARTURE.weigh(score),
            OFF_CENTRE.weigh(off_centre / span),
            PEAK.weigh(around.peak),
            BESIDE.weigh(around.beside.astype(np.float64)),
            BEYOND.weigh(around.beyond),
            UNEVEN.weigh(judged.yardsticks[2:].max(axis=0) / judged.floor),
            PULLED.weigh(_may_be_pulled(window, judged).astype(np.float64)),
            CURVE_END.weigh(np.float64(window.is_curve) * (around.beside == 1)),
            PREDICTED.weigh((judged.departures.min(axis=0) <= window.step[judged.cells]).astype(np.float64)),
            RESAMPLED.weigh(is_resampled(window, live, judged.cells, predictions.floor).astype(np.float64)),
            ADDS_UP.weigh(
                adds_up(window, live, judged.cells, predictions.grain, predictions.floor).astype(np.float64)
            ),
            np.broadcast_to(CHANGED.weigh(changed) + DEPARTING.weigh(departing), score.shape),
        ],
        axis=0,
    )
    return np.where(judged.held & _falls_short(window, judged), -np.inf, points)


def _centre(window: PaddedGrid, predictions: _Predictions, judged: _Judged) -> Numbers:
    """The prediction by the way that is least off for the changed neighbours."""
    cells, everywhere = judged.cells, np.arange(len(window.places))
    centres = np.stack(
        [
            *(predict_from_delta(window, movement, everywhere) for movement in predictions.movements),
            *predict_from_surface(window, predictions.surface, everywhere),
        ]
    )
    off = np.abs(centres - window.new[window.places])
    usual = np.stack(
        [
            row_quantile(
                finite_or_nan(np.where(judged.around, window.scattered(way)[window.around[cells]], np.nan)),
                _QUANTILE,
            )
            for way in off
        ]
    )
    usable = np.where(np.isfinite(centres[:, cells]) & np.isfinite(usual), usual, np.inf)
    pick = np.argmin(usable, axis=0), np.arange(len(cells))
    centre: Numbers = np.where(judged.copying, judged.source, centres[:, cells][pick])
    return np.where(judged.held, judged.level, centre)


def find_lines_broken(changed: EditedCells, excluded: Flags) -> Iterator[BrokenLine]:
    """The cells that a slip brought off a line or pattern that the cells keep which are not ``excluded``."""
    window, edited = changed.window, changed.without(excluded)
    live, coarse, grain = edited.live, edited.coarse, edited.grain
    # A cell as round as a coarse grain may be rounded to it, whatever those around it are.
    floor = _floor(window, np.fmax(grain, coarse))
    shift, ratio = _movements(window, live, live)
    ones, zeros = np.ones(len(coarse)), np.zeros(len(coarse))
    new = np.where(live, window.new, np.nan)
    values = CellShift(new, window.new, new, zeros, ones)
    equal = edited.equal.adjacent  # made equal to a neighbour, which is a copy
    broken = list(find_broken_lines(window, (shift, ratio, values), floor, grain))
    if broken:
        straight = goes_on(window, window.step)
        broken = [item for item in broken if not straight[item.cell]]
    broken += find_broken_patterns(window, live, equal, floor, grain)
    if broken:
        everywhere = np.arange(len(equal))
        excused = (
            equal
            | adds_up(window, live, everywhere, grain, floor)
            | is_resampled(window, live, everywhere, floor)
        )
        yield from (item for item in broken if not excused[item.cell])


def _floor(window: PaddedGrid, grain: Numbers) -> Numbers:
    """The departures that are never suspicious where values are rounded to a grain."""
    least = np.maximum(_SPAN_SHARE * window.edit.span, STEPS * window.step)
    floor: Numbers = least + patterns.GRAIN_SHARE * grain
    return floor


def _predict(window: PaddedGrid, edited: Edited) -> _Predictions:
    live, coarse, grain, equal = edited.live, edited.coarse, edited.grain, edited.equal
    changed_count = live[window.around].sum(axis=1)
    floor = _floor(window, grain)
    # Where an edit ends at a fixed value, the old value of the cell says nothing.
    free = live & ~window.scattered(equal.to_any, False)
    movements = _movements(window, live, free)
    surface = np.where(window.changed & ~live, np.nan, window.new)
    off = (delta_residuals(window, movement, changed_count < FEW) for movement in movements)
    departures = np.stack([*off, *surface_residuals(window, surface)])
    return _Predictions(
        live, free, changed_count, coarse, grain, floor, equal, movements, surface, departures
    )


def _judged(window: PaddedGrid, predictions: _Predictions, cells: Indexes) -> _Judged:
    around = predictions.live[window.around[cells]]
    changed_count = predictions.changed_count[cells]
    centres = np.stack(
        [
            *(predict_from_delta(window, movement, cells) for movement in predictions.movements),
            *predict_from_surface(window, predictions.surface, cells),
        ]
    )
    departures = _unless_stopped(window, predictions.departures[:, cells], cells, centres, around)
    # A way that predicts nothing here explains nothing, however well it explains the changed neighbours.
    explained, yardsticks = (
        np.where(np.isfinite(departures), item, np.nan)
        for item in _yardsticks(window, predictions, cells, around)
    )
    held, level, _ = patterns.held_at(window, around, cells, predictions.coarse)
    copied, source, copying = patterns.copies(window, predictions.live, changed_count, cells)
    return _Judged(
        cells=cells,
        old=window.old[window.places[cells]],
        new=window.new[window.places[cells]],
        floor=predictions.floor[cells],
        changed_count=changed_count,
        around=around,
        centres=centres,
        departures=departures,
        explained=explained,
        yardsticks=yardsticks,
        held=held,
        level=level,
        copied=copied,
        source=source,
        copying=copying,
    )


def _fit(window: PaddedGrid, predictions: _Predictions, judged: _Judged) -> _Fit:
    """The fit of cells with changed neighbours, by the ways that explain these or by their value."""
    cells, floor, departures, yardsticks = judged.cells, judged.floor, judged.departures, judged.yardsticks
    exact = judged.held | judged.copying
    best = np.where(exact, 0.0, np.fmin.reduce(yardsticks, axis=0))
    trusted = judged.explained <= _WORSE * best + _SLACK * floor
    # What a single changed neighbour moved by proves little against a value that all others hold or copy.
    single = exact & (predictions.free[window.around[cells]].sum(axis=1) <= 1)
    trusted[:2] &= ~single | (departures[:2] <= 1.5 * window.step[cells])
    noise = _FACTOR * np.nan_to_num(yardsticks, nan=np.inf) + _uncertainty(window, judged.around, cells)
    allowed = floor + np.where(exact, 0.0, noise)
    score = np.where(trusted & np.isfinite(allowed), departures / allowed, np.inf).min(axis=0)
    # The way that explains the changed neighbours best gives the fitting value.
    usable = np.where(np.isfinite(judged.centres) & np.isfinite(departures), yardsticks, np.inf)
    pick = np.argmin(usable, axis=0), np.arange(len(cells))
    # Row and column may explain them equally well; neither comes first.
    tied = (pick[0] == 2) & (np.abs(usable[2] - usable[3]) <= ROUNDING * floor)
    expected = np.where(tied, (judged.centres[2] + judged.centres[3]) / 2, judged.centres[pick])
    for rules, value in ((judged.held, judged.level), (judged.copying, judged.source)):
        score = np.where(rules, np.minimum(score, np.abs(judged.new - value) / floor), score)
        expected = np.where(rules, value, expected)
    return _Fit(score, expected, np.where(np.isfinite(allowed[pick]), allowed[pick], floor))


def _even_fit(window: PaddedGrid, judged: _Judged, grain: Numbers, fit: _Fit) -> _Fit:
    """The fit of cells by one offset or factor of all changed neighbours, and the given fit of the others."""
    even, off, value = patterns.moved_evenly(window, judged.around, judged.cells, grain)
    even &= ~judged.held & ~judged.copying & (judged.departures[:2].max(axis=0) > 0)
    return fit.where(even, _Fit(np.fmax(fit.score, off / judged.floor), value, judged.floor))


def _lone_fit(window: PaddedGrid, judged: _Judged, on_surface: Numbers) -> _Fit:
    """The fit of lone cells, by the surface and roughness of the base."""
    places = window.places[judged.cells]
    floor = _lone_floor(window, judged.cells)
    rough = row_quantile(window.roughness[window.around[judged.cells]], _ROUGH_QUANTILE)
    allowed = floor + 1.5 * np.nan_to_num(rough)
    # A change that brings a cell nearer to the surface is not a slip.
    departure = judged.departures[2:].min(axis=0)
    off = np.where(departure <= window.roughness[places], 0.0, departure)
    score = np.minimum(np.abs(judged.new - judged.old) / floor, off / allowed)
    return _Fit(score, np.where(np.isfinite(on_surface), on_surface, judged.old), allowed)


def _may_be_pulled(window: PaddedGrid, judged: _Judged) -> Flags:
    """Corners of a block of two by two or three cells that moved no further than a lone cell may.

    Somebody may move each corner of a region by itself. The few other cells say where a plane through them
    lies, but nothing says that the edit follows a plane.
    """
    changed = window.changed
    pulled = (judged.changed_count >= 3) & (judged.changed_count < FEW)
    for line in window.straight:
        before, after = (changed[line.at[side][judged.cells]] for side in (-1, 1))
        pulled &= before ^ after
    limit = LONE_COPY_SURE * _lone_floor(window, judged.cells)
    flags: Flags = pulled & (np.abs(judged.new - judged.old) <= limit)
    return flags if len(window.straight) > 1 else np.zeros(len(pulled), bool)


def _may_be_edited_copy(window: PaddedGrid, cells: Indexes) -> Flags:
    """Cells within a share of the value of a cell beside them."""
    new = window.new[window.places[cells]]
    beside = np.stack(
        [window.new[line.at[side][cells]] for line in window.straight for side in (-1, 1)], axis=1
    )
    near: Flags = (np.abs(new[:, None] - beside) <= _COPY_SHARE * np.abs(beside)).any(axis=1)
    return near


def _falls_short(window: PaddedGrid, judged: _Judged) -> Flags:
    """Cells that may not have reached the limit of their changed neighbours, as they were further from it."""
    old, new, level = judged.old, judged.new, judged.level
    around = window.around[judged.cells]
    at_level = judged.around & (
        np.abs(window.new[around] - level[:, None]) <= 0.5 * window.step[judged.cells, None]
    )
    olds = window.old[around]
    lowest = np.where(at_level, olds, np.inf).min(axis=1)
    highest = np.where(at_level, olds, -np.inf).max(axis=1)
    below = (old < lowest) & (old <= new) & (new < level)
    above = (old > highest) & (old >= new) & (new > level)
    short: Flags = below | above
    return short


def _yardsticks(
    window: PaddedGrid, predictions: _Predictions, cells: Indexes, around: Flags
) -> tuple[Numbers, Numbers]:
    """How well each way explains the changed neighbours of some cells, and how far off these may be.

    Both have the shape (ways, cells).
    """
    moving = predictions.free[window.around[cells]]
    changed_count = predictions.changed_count[cells]
    yardsticks = np.stack(
        [
            *(_yardstick(window, departure, moving, cells) for departure in predictions.departures[:2]),
            *_surface_yardsticks(window, predictions.departures[2:], predictions.live, around, cells),
        ]
    )
    yardsticks[:2, moving.sum(axis=1) == 1] = 0.0  # without a changed neighbour it is NaN: never trusted
    yardsticks[:, changed_count < 2] = 0.0
    # On a rough surface, few changed neighbours can lie on it by chance.
    rough = np.nan_to_num(row_quantile(window.roughness[window.around[cells]], _ROUGH_QUANTILE))
    raw = yardsticks.copy()
    yardsticks[2:] = np.fmax(yardsticks[2:], rough * np.minimum(1.0, _ENOUGH / np.maximum(changed_count, 1)))
    # Enough changed neighbours show that a way explains them; how far off the cell may be is another matter.
    return np.where(changed_count >= _ENOUGH, raw, yardsticks), yardsticks


def _uncertainty(window: PaddedGrid, around: Flags, cells: Indexes) -> Numbers:
    """The uncertainty about the noise of the edit where there are few changed neighbours."""
    steps = np.abs(window.new - window.old)[window.around[cells]]
    typical = np.nan_to_num(row_median(np.where(around, steps, np.nan)))
    changed_count = around.sum(axis=1)
    uncertainty: Numbers = np.where(
        changed_count < _ENOUGH, _UNCERTAINTY * typical / np.maximum(changed_count, 1) ** 2, 0.0
    )
    return uncertainty


def _is_excused(window: PaddedGrid, predictions: _Predictions, judged: _Judged, off: Numbers) -> Flags:
    """Cells that depart, by ``off``, from the fitting value in a way that people intend."""
    cells, around, held, level = judged.cells, judged.around, judged.held, judged.level
    smoothed = patterns.is_smoothed(window, predictions.departures[2:], around, cells)
    smoothed &= ~patterns.is_even(window, around, cells) & ~held
    smoothed |= patterns.is_averaged(window, around, cells)
    rounded = held & patterns.is_rounded_from(window, level, predictions.coarse, cells)
    # A coarse edit has equal neighbours by chance, and so may a slip.
    chance = off < _CHANCE_STEPS * np.maximum(window.step[cells], predictions.grain[cells])
    equal = predictions.equal.twice[cells] | (predictions.equal.adjacent[cells] & (held | ~chance))
    excused: Flags = smoothed | rounded | equal
    return excused


def _movements(window: PaddedGrid, live: Flags, free: Flags) -> tuple[CellShift, CellShift]:
    """The change as difference and as ratio to the base, for the free cells among the live ones."""
    rest = np.isfinite(window.old) & np.isfinite(window.new) & ~window.changed
    old = window.old[window.places]
    any_change = np.where(live, window.new - window.old, np.nan)
    any_ratio = np.where(live & (window.old != 0), window.new / window.old, np.nan)
    change, ratio = (np.where(free, moved, np.nan) for moved in (any_change, any_ratio))
    ones, zeros = np.ones_like(old), np.zeros_like(old)
    return (
        CellShift(change, np.where(rest, 0.0, change), any_change, old, ones),
        CellShift(ratio, np.where(rest, 1.0, ratio), any_ratio, zeros, np.where(old == 0, np.nan, old)),
    )


def _unless_stopped(
    window: PaddedGrid, departures: Numbers, cells: Indexes, centres: Numbers, around: Flags
) -> Numbers:
    """The departures of some cells, 0 where the edit reached a limit and stopped there."""
    new, half = window.new[window.places[cells]], 0.5 * window.step[cells]
    typical = median(window.edit.old[~np.isnan(window.edit.old)])
    values = window.new[window.around[cells]]
    highest = np.where(around, values, -np.inf).max(axis=1)
    lowest = np.where(around, values, np.inf).min(axis=1)
    above, below = np.abs(new - highest) <= half, np.abs(new - lowest) <= half
    for stop in window.edit.stops:
        (above if stop >= typical else below)[new == stop] = True
    stopped = (above & (centres >= new)) | (below & (centres <= new))
    return np.where(stopped, 0.0, departures)


def _yardstick(window: PaddedGrid, departure: Numbers, seen: Flags, cells: Indexes) -> Numbers:
    """The quantile of the departures of the changed neighbours of some cells."""
    grid = window.scattered(departure)
    return row_quantile(np.where(seen, grid[window.around[cells]], np.nan), _QUANTILE)


def _surface_yardsticks(
    window: PaddedGrid, departures: Numbers, live: Flags, around: Flags, cells: Indexes
) -> list[Numbers]:
    """The yardsticks of the surface along row and column, shape (cells,) each.

    Changed neighbours across a line lie on the same slopes and cliffs along it, so they also count on their
    own.
    """
    yardsticks = []
    for number, departure in enumerate(departures):
        yardstick = _yardstick(window, departure, around, cells)
        if len(window.straight) > 1:
            mates = window.straight[1 - number].all_at[cells]
            across = np.where(live[mates], window.scattered(departure)[mates], np.nan)
            yardstick = np.fmax(yardstick, row_quantile(across, 0.5))
        yardsticks.append(yardstick)
    return yardsticks


def _lone_floor(window: PaddedGrid, cells: Indexes) -> Numbers:
    """The largest unsuspicious change of a lone cell."""
    floor: Numbers = np.maximum(LONE_SHARE * window.edit.span, LONE_STEPS * window.step[cells])
    return floor
