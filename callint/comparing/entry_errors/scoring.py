"""How far changed cells deviate from what the cells around them predict, and how far they may."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint.comparing.entry_errors import patterns
from callint.comparing.entry_errors.broken_lines import BrokenLine, find_broken_lines
from callint.comparing.entry_errors.kept_patterns import continues_straight, find_broken_patterns
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
from callint.comparing.entry_errors.overlaps import is_sum_of_edits
from callint.comparing.entry_errors.resampling import is_resampled
from callint.comparing.entry_errors.score_card import (
    CHANGED_BESIDE,
    CHANGED_CELLS,
    CURVE_END,
    DEVIATING_CELLS,
    DEVIATING_SCORE,
    DEVIATION,
    FAR_DEVIATION,
    OFF_CENTRE,
    OUTLYING_CHANGE,
    PREDICTED,
    PROTRUSION,
    RESAMPLED,
    SMALL_BLOCK_CORNER,
    SUM_OF_EDITS,
    SURFACE_ERROR,
    surroundings,
)
from callint.decoding.statistics import median
from callint.model.change import Flags, Numbers

#: Deviations below this share of the table's span, or this number of storage steps, are never suspicious.
_SPAN_SHARE, STEPS = 0.02, 2.0
#: The same for a lone change.
LONE_SHARE, LONE_STEPS = 0.045, 3.0
#: A cell may deviate by this many times the typical error.
_FACTOR = 4.0
#: The typical error is this quantile of the deviations of the changed neighbours.
_QUANTILE = 0.6
#: The roughness of the base around a cell is this quantile of it.
_ROUGH_QUANTILE = 0.8
#: Uncertainty about the noise of an edit with few changed neighbours, as a share of their change.
_UNCERTAINTY = 0.5
#: This number of changed neighbours shows how noisy an edit is, and how rough it left the surface.
_ENOUGH = 4
#: A predictor that is this many times worse than the best one is ignored.
_WORSE = 2.0
#: Share of the never suspicious deviation that this comparison ignores.
_SLACK = 0.25
#: A deviation of fewer steps than this may equal a neighbour by chance.
_CHANCE_STEPS = 10
#: A lone cell is surely a slip if it deviates by this many times what is never suspicious: people move a cell
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

    A cell is suspicious if its ``score``, the deviation divided by the ``allowed`` one, is above 1. ``tie``
    decides between two cells that contradict each other. ``floor`` is the deviation that is never suspicious.
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

    ``included`` flags the cells that count as changed neighbours, and ``free`` those whose movement says
    something, in the padded grid. ``deviations`` has the shape (predictors, changed), the rest the shape
    (changed,).
    """

    included: Flags
    free: Flags
    changed_count: Indexes
    coarse: Numbers
    grain: Numbers
    floor: Numbers
    equal: patterns.EqualCells
    movements: tuple[CellShift, CellShift]
    surface: Numbers
    deviations: Numbers


@dataclass(frozen=True, slots=True)
class _Judged:
    """The cells that are judged, with the prediction of each predictor for them.

    ``around`` flags which of the places around them are changed neighbours, shape (cells, places).
    ``centres`` are the predicted values and ``deviations`` the distances from the nearest prediction,
    ``explained`` how well each predictor explains the changed neighbours and ``typical_errors`` its typical
    error for a cell, shape (predictors, cells). ``held``, ``level``, ``copied``, ``source`` and ``copying``
    are as ``patterns.held_at`` and ``patterns.copies`` return them. The rest has the shape (cells,).
    """

    cells: Indexes
    old: Numbers
    new: Numbers
    floor: Numbers
    changed_count: Indexes
    around: Flags
    centres: Numbers
    deviations: Numbers
    explained: Numbers
    typical_errors: Numbers
    held: Flags
    level: Numbers
    copied: Flags
    source: Numbers
    copying: Flags


@dataclass(frozen=True, slots=True)
class _Fit:
    """The score of some cells, the value that fits and the deviation from it that is allowed."""

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

    ``included`` flags them in the padded grid. ``coarse`` is the result of ``patterns.rounding``, ``grain``
    that of ``patterns.grain_around`` and ``equal`` that of ``patterns.made_equal``.
    """

    included: Flags
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
            included = self.window.scattered(~excluded, False)
            grain = patterns.grain_around(self.window, included, self.coarse)
            edited = Edited(included, self.coarse, grain, patterns.made_equal(self.window, included))
            self._last = excluded.copy(), edited
        return self._last[1]


def judge(changed: EditedCells, excluded: Flags) -> Scores | None:
    """The scores of the cells that deviate from any prediction; None if none does."""
    if excluded.all():
        return None
    window = changed.window
    predictions = _predict(window, changed.without(excluded))
    farthest = np.where(np.isfinite(predictions.deviations), predictions.deviations, 0.0).max(axis=0)
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
    """The points of the score card by the cells around; ``detect`` adds those for the typed number."""
    span, changed, included = window.edit.span, np.float64(len(window.places)), predictions.included
    around = surroundings(window, included, judged.cells, judged.floor)
    deviating = np.float64(np.count_nonzero(fit.score[np.isfinite(fit.score)] > DEVIATING_SCORE))
    off_centre = np.abs(judged.new - _centre(window, predictions, judged))
    points: Numbers = np.sum(
        [
            DEVIATION.weigh(score),
            FAR_DEVIATION.weigh(score),
            OFF_CENTRE.weigh(off_centre / span),
            PROTRUSION.weigh(around.peak),
            CHANGED_BESIDE.weigh(around.beside.astype(np.float64)),
            OUTLYING_CHANGE.weigh(around.beyond),
            SURFACE_ERROR.weigh(judged.typical_errors[2:].max(axis=0) / judged.floor),
            SMALL_BLOCK_CORNER.weigh(_may_be_pulled(window, judged).astype(np.float64)),
            CURVE_END.weigh(np.float64(window.is_curve) * (around.beside == 1)),
            PREDICTED.weigh((judged.deviations.min(axis=0) <= window.step[judged.cells]).astype(np.float64)),
            RESAMPLED.weigh(
                is_resampled(window, included, judged.cells, predictions.floor).astype(np.float64)
            ),
            SUM_OF_EDITS.weigh(
                is_sum_of_edits(window, included, judged.cells, predictions.grain, predictions.floor).astype(
                    np.float64
                )
            ),
            np.broadcast_to(CHANGED_CELLS.weigh(changed) + DEVIATING_CELLS.weigh(deviating), score.shape),
        ],
        axis=0,
    )
    return np.where(judged.held & _falls_short(window, judged), -np.inf, points)


def _centre(window: PaddedGrid, predictions: _Predictions, judged: _Judged) -> Numbers:
    """The prediction of the predictor with the smallest error for the changed neighbours."""
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
    included, coarse, grain = edited.included, edited.coarse, edited.grain
    # A cell as round as a coarse grain may be rounded to it, whatever those around it are.
    floor = _floor(window, np.fmax(grain, coarse))
    shift, ratio = _movements(window, included, included)
    ones, zeros = np.ones(len(coarse)), np.zeros(len(coarse))
    new = np.where(included, window.new, np.nan)
    values = CellShift(new, window.new, new, zeros, ones)
    equal = edited.equal.adjacent  # made equal to a neighbour, which is a copy
    broken = list(find_broken_lines(window, (shift, ratio, values), floor, grain))
    if broken:
        straight = continues_straight(window, window.step)
        broken = [item for item in broken if not straight[item.cell]]
    broken += find_broken_patterns(window, included, equal, floor, grain)
    if broken:
        everywhere = np.arange(len(equal))
        excused = (
            equal
            | is_sum_of_edits(window, included, everywhere, grain, floor)
            | is_resampled(window, included, everywhere, floor)
        )
        yield from (item for item in broken if not excused[item.cell])


def _floor(window: PaddedGrid, grain: Numbers) -> Numbers:
    """The deviations that are never suspicious where values are rounded to a grain."""
    least = np.maximum(_SPAN_SHARE * window.edit.span, STEPS * window.step)
    floor: Numbers = least + patterns.GRAIN_SHARE * grain
    return floor


def _predict(window: PaddedGrid, edited: Edited) -> _Predictions:
    included, coarse, grain, equal = edited.included, edited.coarse, edited.grain, edited.equal
    changed_count = included[window.around].sum(axis=1)
    floor = _floor(window, grain)
    # Where an edit ends at a fixed value, the old value of the cell says nothing.
    free = included & ~window.scattered(equal.to_any, False)
    movements = _movements(window, included, free)
    surface = np.where(window.changed & ~included, np.nan, window.new)
    off = (delta_residuals(window, movement, changed_count < FEW) for movement in movements)
    deviations = np.stack([*off, *surface_residuals(window, surface)])
    return _Predictions(
        included, free, changed_count, coarse, grain, floor, equal, movements, surface, deviations
    )


def _judged(window: PaddedGrid, predictions: _Predictions, cells: Indexes) -> _Judged:
    around = predictions.included[window.around[cells]]
    changed_count = predictions.changed_count[cells]
    centres = np.stack(
        [
            *(predict_from_delta(window, movement, cells) for movement in predictions.movements),
            *predict_from_surface(window, predictions.surface, cells),
        ]
    )
    deviations = _unless_stopped(window, predictions.deviations[:, cells], cells, centres, around)
    # A predictor without a prediction here explains nothing, however well it explains the changed neighbours.
    explained, typical_errors = (
        np.where(np.isfinite(deviations), item, np.nan)
        for item in _typical_errors(window, predictions, cells, around)
    )
    held, level, _ = patterns.held_at(window, around, cells, predictions.coarse)
    copied, source, copying = patterns.copies(window, predictions.included, changed_count, cells)
    return _Judged(
        cells=cells,
        old=window.old[window.places[cells]],
        new=window.new[window.places[cells]],
        floor=predictions.floor[cells],
        changed_count=changed_count,
        around=around,
        centres=centres,
        deviations=deviations,
        explained=explained,
        typical_errors=typical_errors,
        held=held,
        level=level,
        copied=copied,
        source=source,
        copying=copying,
    )


def _fit(window: PaddedGrid, predictions: _Predictions, judged: _Judged) -> _Fit:
    """The fit of cells with changed neighbours, by the predictors that explain these or by their value."""
    cells, floor, deviations, typical_errors = (
        judged.cells,
        judged.floor,
        judged.deviations,
        judged.typical_errors,
    )
    exact = judged.held | judged.copying
    best = np.where(exact, 0.0, np.fmin.reduce(typical_errors, axis=0))
    trusted = judged.explained <= _WORSE * best + _SLACK * floor
    # What a single changed neighbour moved by proves little against a value that all others hold or copy.
    single = exact & (predictions.free[window.around[cells]].sum(axis=1) <= 1)
    trusted[:2] &= ~single | (deviations[:2] <= 1.5 * window.step[cells])
    noise = _FACTOR * np.nan_to_num(typical_errors, nan=np.inf) + _uncertainty(window, judged.around, cells)
    allowed = floor + np.where(exact, 0.0, noise)
    score = np.where(trusted & np.isfinite(allowed), deviations / allowed, np.inf).min(axis=0)
    # The predictor that explains the changed neighbours best gives the expected value.
    usable = np.where(np.isfinite(judged.centres) & np.isfinite(deviations), typical_errors, np.inf)
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
    even &= ~judged.held & ~judged.copying & (judged.deviations[:2].max(axis=0) > 0)
    return fit.where(even, _Fit(np.fmax(fit.score, off / judged.floor), value, judged.floor))


def _lone_fit(window: PaddedGrid, judged: _Judged, on_surface: Numbers) -> _Fit:
    """The fit of lone cells, by the surface and roughness of the base."""
    places = window.places[judged.cells]
    floor = _lone_floor(window, judged.cells)
    rough = row_quantile(window.roughness[window.around[judged.cells]], _ROUGH_QUANTILE)
    allowed = floor + 1.5 * np.nan_to_num(rough)
    # A change that brings a cell nearer to the surface is not a slip.
    deviation = judged.deviations[2:].min(axis=0)
    off = np.where(deviation <= window.roughness[places], 0.0, deviation)
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


def _typical_errors(
    window: PaddedGrid, predictions: _Predictions, cells: Indexes, around: Flags
) -> tuple[Numbers, Numbers]:
    """How well each predictor explains the changed neighbours of some cells, and its typical errors.

    Both have the shape (predictors, cells).
    """
    moving = predictions.free[window.around[cells]]
    changed_count = predictions.changed_count[cells]
    typical_errors = np.stack(
        [
            *(_typical_error(window, deviation, moving, cells) for deviation in predictions.deviations[:2]),
            *_surface_typical_errors(window, predictions.deviations[2:], predictions.included, around, cells),
        ]
    )
    typical_errors[:2, moving.sum(axis=1) == 1] = 0.0  # without a changed neighbour it is NaN: never trusted
    typical_errors[:, changed_count < 2] = 0.0
    # On a rough surface, few changed neighbours can lie on it by chance.
    rough = np.nan_to_num(row_quantile(window.roughness[window.around[cells]], _ROUGH_QUANTILE))
    raw = typical_errors.copy()
    typical_errors[2:] = np.fmax(
        typical_errors[2:], rough * np.minimum(1.0, _ENOUGH / np.maximum(changed_count, 1))
    )
    # With enough changed neighbours, a predictor is judged by them alone; the tolerance of the cell is not.
    return np.where(changed_count >= _ENOUGH, raw, typical_errors), typical_errors


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
    """Cells that deviate, by ``off``, from the expected value as intended edits do."""
    cells, around, held, level = judged.cells, judged.around, judged.held, judged.level
    smoothed = patterns.is_smoothed(window, predictions.deviations[2:], around, cells)
    smoothed &= ~patterns.is_even(window, around, cells) & ~held
    smoothed |= patterns.is_averaged(window, around, cells)
    rounded = held & patterns.is_rounded_from(window, level, predictions.coarse, cells)
    # A coarse edit has equal neighbours by chance, and so may a slip.
    chance = off < _CHANCE_STEPS * np.maximum(window.step[cells], predictions.grain[cells])
    equal = predictions.equal.twice[cells] | (predictions.equal.adjacent[cells] & (held | ~chance))
    excused: Flags = smoothed | rounded | equal
    return excused


def _movements(window: PaddedGrid, included: Flags, free: Flags) -> tuple[CellShift, CellShift]:
    """The change as difference and as ratio to the base, for the free cells among the included ones."""
    rest = np.isfinite(window.old) & np.isfinite(window.new) & ~window.changed
    old = window.old[window.places]
    any_change = np.where(included, window.new - window.old, np.nan)
    any_ratio = np.where(included & (window.old != 0), window.new / window.old, np.nan)
    change, ratio = (np.where(free, moved, np.nan) for moved in (any_change, any_ratio))
    ones, zeros = np.ones_like(old), np.zeros_like(old)
    return (
        CellShift(change, np.where(rest, 0.0, change), any_change, old, ones),
        CellShift(ratio, np.where(rest, 1.0, ratio), any_ratio, zeros, np.where(old == 0, np.nan, old)),
    )


def _unless_stopped(
    window: PaddedGrid, deviations: Numbers, cells: Indexes, centres: Numbers, around: Flags
) -> Numbers:
    """The deviations of some cells, 0 where the edit reached a limit and stopped there."""
    new, half = window.new[window.places[cells]], 0.5 * window.step[cells]
    typical = median(window.edit.old[~np.isnan(window.edit.old)])
    values = window.new[window.around[cells]]
    highest = np.where(around, values, -np.inf).max(axis=1)
    lowest = np.where(around, values, np.inf).min(axis=1)
    above, below = np.abs(new - highest) <= half, np.abs(new - lowest) <= half
    for stop in window.edit.stops:
        (above if stop >= typical else below)[new == stop] = True
    stopped = (above & (centres >= new)) | (below & (centres <= new))
    return np.where(stopped, 0.0, deviations)


def _typical_error(window: PaddedGrid, deviation: Numbers, seen: Flags, cells: Indexes) -> Numbers:
    """The quantile of the deviations of the changed neighbours of some cells."""
    grid = window.scattered(deviation)
    return row_quantile(np.where(seen, grid[window.around[cells]], np.nan), _QUANTILE)


def _surface_typical_errors(
    window: PaddedGrid, deviations: Numbers, included: Flags, around: Flags, cells: Indexes
) -> list[Numbers]:
    """The typical errors of the surface along row and column, shape (cells,) each.

    Changed neighbours across a line lie on the same slopes and cliffs along it, so they also count on their
    own.
    """
    typical_errors = []
    for number, deviation in enumerate(deviations):
        typical_error = _typical_error(window, deviation, around, cells)
        if len(window.straight) > 1:
            mates = window.straight[1 - number].all_at[cells]
            across = np.where(included[mates], window.scattered(deviation)[mates], np.nan)
            typical_error = np.fmax(typical_error, row_quantile(across, 0.5))
        typical_errors.append(typical_error)
    return typical_errors


def _lone_floor(window: PaddedGrid, cells: Indexes) -> Numbers:
    """The largest unsuspicious change of a lone cell."""
    floor: Numbers = np.maximum(LONE_SHARE * window.edit.span, LONE_STEPS * window.step[cells])
    return floor
