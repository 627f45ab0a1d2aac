"""Finds the changed cells of a table that do not fit the edit that they are part of.

A person edits a region by factor, by offset, by hand with rounding, to a limit, by smoothing, by copying a
neighbour; a slip of the fingers breaks that pattern. So every changed cell is predicted from the others: by
their difference to the base, by their ratio to the base, and by the new surface along row and column;
besides, a cell may hold the value that its fellows hold, or copy a neighbour as they do. The fellows of a
cell are the changed cells around it. How well each way predicts the fellows is its yardstick; a way that does
not explain them excuses no cell. A cell is suspicious if it departs from every remaining prediction by more
than the yardstick allows. A lone change is judged by the surface and by the roughness of the base there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint import fmt
from callint.comparing.entry_errors.neighbours import (
    FEW,
    CellShift,
    Indexes,
    PaddedGrid,
    TableEdit,
    delta_residuals,
    mean_residual,
    predict_from_delta,
    predict_from_surface,
    row_median,
    row_quantile,
    surface_residuals,
)
from callint.comparing.entry_errors.typing_errors import TELLING, count_digits, find_typing_error
from callint.decoding.conversions import physical_limits, to_physical
from callint.decoding.statistics import median
from callint.model.change import Flags, Numbers, TableChange
from callint.model.definition import Conversion, Linear, States

#: Departures below this share of the table's span, or this number of storage steps, are never suspicious.
_SPAN_SHARE, _STEPS = 0.02, 2.0
#: The same for a lone change.
LONE_SHARE, _LONE_STEPS = 0.045, 3.0
#: A cell may depart by this many times the yardstick.
_FACTOR = 4.0
#: The yardstick is this quantile of the departures of the fellow cells.
_QUANTILE = 0.6
#: The roughness of the base around a cell is this quantile of it.
_ROUGH_QUANTILE = 0.8
#: Uncertainty about the noise of an edit with few fellow cells, as a share of their change.
_UNCERTAINTY = 0.5
#: This number of fellows shows how noisy an edit is, and how rough it left the surface.
_ENOUGH = 4
#: A way to predict that is this many times worse than the best one explains nothing.
_WORSE = 2.0
#: Share of the never suspicious departure that this comparison ignores.
_SLACK = 0.25
#: A suspicious cell disturbs the judgement of those around it, so they are judged again without it.
_PASSES = 5
#: If more than this share of an edit sticks out, its pattern is unknown, and only cells count that stick
#: out this many times further than the others.
_MOST, _GROSS = 0.15, 5.0
#: Smoothing leaves less than this share of the unevenness.
_SMOOTHER = 0.9
#: Values rounded by hand may depart by this share of what they are rounded to.
_GRAIN_SHARE = 1.05
#: An edit rounds to more than this number of steps, and to at most the first share of a table's span; what is
#: held at one value, to at most the second.
_LEAST_GRAIN, _COARSEST_GRAIN, _FINE_GRAIN = 3.5, 0.1, 0.05
#: Values less than this many grains apart become equal by rounding.
_ROUNDED_TOGETHER = 1.1
#: A departure of fewer steps than this may equal a neighbour by chance.
_CHANCE_STEPS = 10
#: A departure of the first share of the allowed one is enough if the number looks mistyped from a number that
#: fits to within the second share. If more cells than the third number depart so far, it is noise.
_TYPABLE, _CLOSELY, _MOST_TYPABLE = 0.5, 0.4, 12
#: A lone cell is surely a slip if it departs by this many times what is never suspicious: people move a cell
#: by less on purpose.
LONE_SURE = 1.75
#: The same near the value of a cell beside it, by this share of it: it may have been copied and then edited.
LONE_COPY_SURE, _COPY_SHARE = 3.5, 0.15
#: Within this share of its old value a lone cell may have been changed on purpose before it was mistyped.
_NEAR_OLD = 0.1
#: Scores differ by less than this if only the arithmetic rounds.
_ROUNDING = 1e-9
#: Above the first score a cell of an edit surely departs, and above the second even if no slip explains it.
_CLEAR, _UNEXPLAINED = 1.1, 2.0
#: A cell at the end of an edit that stands out by less may be what the edit ends with.
_END_SURE = 1.6
#: This share of the cells of an edit moves the same way if the edit smooths, or has as few digits if people
#: typed that number of digits.
_MOSTLY = 0.8
#: Smoothing moves a cell by at most this share of its distance to the mean around it.
_SMOOTHING = 1.25


@dataclass(frozen=True, slots=True)
class Suspect:
    """A cell that does not fit: its place, the value that would fit, and how well that value is known.

    ``is_sure`` says that a slip explains it better than intent does. ``counterpart`` is the mirror or inverse
    table that suggests the value that would fit, "" if the table itself does.
    """

    x: int
    y: int
    expected: float
    yardstick: float
    is_lone: bool
    score: float
    is_sure: bool = True
    counterpart: str = ""


def find_entry_errors(edit: TableEdit) -> tuple[Suspect, ...]:
    """The suspicious cells of one table, in order of row and column."""
    if edit.old.size < 2 or not edit.cells.any() or not np.isfinite(edit.span):
        return ()
    with np.errstate(all="ignore"):
        if _is_uniform(edit):
            return ()
        window = PaddedGrid(edit, edit.cells)
        suspects = {(suspect.y, suspect.x): suspect for suspect in (*_mistyped(window), *_suspects(window))}
        return tuple(suspects[place] for place in sorted(suspects))


def _is_uniform(edit: TableEdit) -> bool:
    """Whether one offset or one factor explains all of several changed cells."""
    old, new, step = (grid[edit.cells] for grid in (edit.old, edit.new, edit.resolution))
    if len(old) < 3:
        return False
    change, ratio = median(new - old), median(new / old)
    return any(bool((np.abs(wanted - new) <= step).all()) for wanted in (old + change, old * ratio))


def _suspects(window: PaddedGrid) -> list[Suspect]:
    excluded = np.zeros(len(window.places), bool)
    suspects: list[Suspect] = []
    most = max(1, int(_MOST * len(window.places)))
    for _ in range(_PASSES):
        judged = _judge(window, excluded)
        if judged is None:
            break
        _raise_typable(window, judged)
        worst = _worst_around(window, judged)
        # If a cell is alone only because its fellow was a slip, nothing is left to judge it by.
        next_to_suspect = window.scattered(excluded, False)[window.around[judged.cells[worst]]].any(axis=1)
        worst[worst] = ~(judged.is_lone[worst] & next_to_suspect)
        more = [_suspect(window, judged, number) for number in np.flatnonzero(worst).tolist()]
        if not more:
            break
        fellows = sorted(suspect.score for suspect in (*suspects, *more) if not suspect.is_lone)
        if len(fellows) > most:
            typical = fellows[(len(fellows) - 1) // 2]
            return suspects + [
                suspect for suspect in more if suspect.is_lone or suspect.score > _GROSS * typical
            ]
        suspects += more
        excluded[judged.cells[worst]] = True
    return suspects


def _raise_typable(window: PaddedGrid, judged: _Scores) -> None:
    """Raise, in place, the scores of cells that depart less but look mistyped from the fitting value."""
    weak = np.flatnonzero((judged.score > _TYPABLE) & (judged.score <= 1))
    if len(weak) > _MOST_TYPABLE:
        return
    actual = window.new[window.places[judged.cells]]
    for number in weak.tolist():
        expected, within = float(judged.expected[number]), _CLOSELY * float(judged.allowed[number])
        if judged.is_lone[number]:  # a lone cell must look mistyped from its old value
            cell = int(judged.cells[number])
            expected, within = float(window.old[window.places[cell]]), 0.5 * float(window.step[cell])
        error = find_typing_error(
            float(actual[number]), expected, within, window.edit.decimals, is_distinctive=True
        )
        # Where all numbers are round, the one that was meant is round too.
        if error is not None and _is_round(error.meant, float(judged.grain[number])):
            judged.score[number] = 1.0 + judged.score[number]
            judged.is_sure[number] = True


def _is_round(value: float, grain: float) -> bool:
    return grain == 0 or abs(value - grain * round(value / grain)) <= 1e-6 * grain


def _mistyped(window: PaddedGrid) -> Iterator[Suspect]:
    """Cells that depart little, or not at all, but look mistyped from the value that they had or should have.

    They are those that lost their sign among cells of that sign, and lone cells that look mistyped from their
    old value to the step.
    """
    lone = np.flatnonzero(~window.changed[window.around].any(axis=1) & _is_far(window))
    lost = np.flatnonzero(_lost_sign(window))
    for cell in lost.tolist():
        yield _mistyped_cell(window, cell, -float(window.new[window.places[cell]]), True)
    lone = lone[~(lone[:, None] == lost).any(axis=1)]  # np.setdiff1d would import all of numpy.ma
    for cell in lone.tolist() if len(lone) <= _MOST_TYPABLE else ():
        old, new = float(window.old[window.places[cell]]), float(window.new[window.places[cell]])
        half, decimals = 0.5 * float(window.step[cell]), window.edit.decimals
        error = find_typing_error(new, old, half, decimals, is_distinctive=True)
        if error is not None:
            yield _mistyped_cell(window, cell, old, error.name in TELLING and count_digits(old, decimals) > 1)


def _mistyped_cell(window: PaddedGrid, cell: int, meant: float, is_sure: bool) -> Suspect:
    y, x = window.cell(cell)
    is_lone = not bool(window.changed[window.around[cell]].any())
    return Suspect(x, y, meant, 0.5 * float(window.step[cell]), is_lone, 1.0, is_sure)


def _is_far(window: PaddedGrid) -> Flags:
    """Whether the changed cells moved by more than a lone cell's never suspicious steps."""
    far: Flags = np.abs(window.new - window.old)[window.places] > _LONE_STEPS * window.step
    return far


def _lost_sign(window: PaddedGrid) -> Flags:
    """The changed cells that alone have the other sign: without it they lie among the cells around them.

    Both are more than the steps from zero within which a sign means nothing.
    """
    places, step = window.places, window.step
    old, new = window.old[places], window.new[places]
    sign = np.sign(old)
    beside = np.stack([window.new[line.at[side]] for line in window.straight for side in (-1, 1)], axis=1)
    known = np.isfinite(beside)
    agree = (np.where(known, beside * sign[:, None], np.inf) > 0).all(axis=1) & (known.sum(axis=1) >= 2)
    values = np.where(known, np.abs(beside), np.nan)
    low = np.fmin(np.fmin.reduce(values, axis=1), np.abs(old)) - _STEPS * step
    high = np.fmax(np.fmax.reduce(values, axis=1), np.abs(old)) + _STEPS * step
    size = np.abs(new)
    lost: Flags = agree & (new * sign < 0) & (size > _STEPS * step) & (low <= size) & (size <= high)
    return lost


def _suspect(window: PaddedGrid, judged: _Scores, number: int) -> Suspect:
    y, x = window.cell(int(judged.cells[number]))
    return Suspect(
        x=x,
        y=y,
        expected=float(judged.expected[number]),
        yardstick=float(judged.allowed[number]),
        is_lone=bool(judged.is_lone[number]),
        score=float(judged.score[number]),
        is_sure=_is_sure(window, judged, number),
    )


def _is_sure(window: PaddedGrid, judged: _Scores, number: int) -> bool:
    """Whether a slip explains a cell better than intent does.

    A cell that departs by little more than what is allowed, or by less than twice that if no slip explains
    it, may be what somebody meant.
    """
    if _looks_mistyped(window, judged, number):
        return True
    if not judged.is_sure[number]:
        return False
    if judged.is_lone[number] or judged.score[number] > _UNEXPLAINED:
        return True
    actual = float(window.new[window.places[judged.cells[number]]])
    expected, within = float(judged.expected[number]), _CLOSELY * float(judged.allowed[number])
    is_explained = find_typing_error(actual, expected, within, window.edit.decimals) is not None
    return is_explained and bool(judged.score[number] > _CLEAR)


def _looks_mistyped(window: PaddedGrid, judged: _Scores, number: int) -> bool:
    """Whether a cell looks mistyped from the value that fits; a lone cell, from its old value to the step.

    A lone cell may also have lost its point or its sign, or be out by ten, from a value near its old one.
    """
    cell = int(judged.cells[number])
    place = int(window.places[cell])
    expected, within = float(judged.expected[number]), _CLOSELY * float(judged.allowed[number])
    if judged.is_lone[number]:
        expected, within = float(window.old[place]), 0.5 * float(window.step[cell])
    actual, decimals = float(window.new[place]), window.edit.decimals
    if judged.is_lone[number]:
        if any(
            find_typing_error(actual, value, within, decimals, is_distinctive=True)
            for line in window.straight
            for value in (float(window.new[line.at[side][cell]]) for side in (-1, 1))
        ):
            return True
        error = find_typing_error(actual, expected, _NEAR_OLD * abs(expected), decimals, is_distinctive=True)
        if error is not None and error.name in TELLING:
            return True
    error = find_typing_error(actual, expected, within, decimals, is_distinctive=True)
    return error is not None and (
        bool(judged.is_lone[number]) or _is_round(error.meant, float(judged.grain[number]))
    )


@dataclass(frozen=True, slots=True)
class _Scores:
    """Judged cells, by their numbers among the changed ones: the score, and the value that would fit.

    A cell is suspicious if its ``score``, the departure divided by the ``allowed`` one, is above 1. ``tie``
    decides between two cells that contradict each other. All arrays have the shape (cells,).
    """

    cells: Indexes
    score: Numbers
    tie: Numbers
    expected: Numbers
    allowed: Numbers
    grain: Numbers
    is_lone: Flags
    is_sure: Flags


@dataclass(frozen=True, slots=True)
class _EqualCells:
    """The changed cells that the edit made equal to others in their row or column.

    ``to_any``: to one of the four nearest; ``adjacent``: to a neighbour; ``twice``: to one more too.
    """

    to_any: Flags
    adjacent: Flags
    twice: Flags


@dataclass(frozen=True, slots=True)
class _Predictions:
    """The predictions for all changed cells without the excluded ones, before any cell is judged.

    ``live`` flags the cells that count as fellows, and ``free`` those whose movement says something, in the
    padded grid. ``departures`` has the shape (ways, changed), the rest the shape (changed,).
    """

    live: Flags
    free: Flags
    fellows: Indexes
    coarse: Numbers
    grain: Numbers
    floor: Numbers
    equal: _EqualCells
    movements: tuple[CellShift, CellShift]
    surface: Numbers
    departures: Numbers


def _predictions(window: PaddedGrid, excluded: Flags) -> _Predictions:
    live = window.scattered(~excluded, False)
    fellows = live[window.around].sum(axis=1)
    coarse = _rounding(window)
    grain = _grain(window, live, coarse)
    floor = np.maximum(_SPAN_SHARE * window.edit.span, _STEPS * window.step) + _GRAIN_SHARE * grain
    equal = _made_equal(window, live)
    # Where an edit ends at a fixed value, the old value of the cell says nothing.
    free = live & ~window.scattered(equal.to_any, False)
    movements = _movements(window, free)
    surface = np.where(window.changed & ~live, np.nan, window.new)
    off = (delta_residuals(window, movement, fellows < FEW) for movement in movements)
    departures = np.stack([*off, *surface_residuals(window, surface)])
    return _Predictions(live, free, fellows, coarse, grain, floor, equal, movements, surface, departures)


def _judge(window: PaddedGrid, excluded: Flags) -> _Scores | None:
    """The scores of the cells that depart from any prediction; None if none does."""
    predictions = _predictions(window, excluded)
    farthest = np.where(np.isfinite(predictions.departures), predictions.departures, 0.0).max(axis=0)
    cells = np.flatnonzero((farthest > predictions.floor) & ~excluded)
    if not len(cells):
        return None
    new, old = window.new[window.places[cells]], window.old[window.places[cells]]
    floor, fellows = predictions.floor[cells], predictions.fellows[cells]
    around = predictions.live[window.around[cells]]
    centres = np.stack(
        [
            *(predict_from_delta(window, movement, cells) for movement in predictions.movements),
            *predict_from_surface(window, predictions.surface, cells),
        ]
    )
    on_surface = row_median(centres[2:].T)
    departures = _unless_stopped(window, predictions.departures[:, cells], cells, centres, around)
    # A way that predicts nothing here explains nothing, however well it explains the fellows.
    predicts = np.isfinite(departures)
    raw, yardsticks = (
        np.where(predicts, item, np.nan) for item in _yardsticks(window, predictions, cells, around)
    )
    held, level, _ = _held(window, around, cells, predictions.coarse)
    copied, source, copying = _copied(window, predictions.live, fellows, cells)
    exact = held | copying

    best = np.where(exact, 0.0, np.fmin.reduce(yardsticks, axis=0))
    trusted = raw <= _WORSE * best + _SLACK * floor
    # What a single fellow moved by proves little against a value that all others hold or copy.
    single = exact & (predictions.free[window.around[cells]].sum(axis=1) <= 1)
    trusted[:2] &= ~single | (departures[:2] <= 1.5 * window.step[cells])
    noise = _FACTOR * np.nan_to_num(yardsticks, nan=np.inf) + _uncertainty(window, around, cells)
    allowed = floor + np.where(exact, 0.0, noise)
    score = np.where(trusted & np.isfinite(allowed), departures / allowed, np.inf).min(axis=0)
    # The way that explains the fellows best gives the fitting value.
    usable = np.where(np.isfinite(centres) & np.isfinite(departures), yardsticks, np.inf)
    pick = np.argmin(usable, axis=0), np.arange(len(cells))
    # Row and column may explain them equally well; neither comes first.
    tied = (pick[0] == 2) & (np.abs(usable[2] - usable[3]) <= _ROUNDING * floor)
    centre = np.where(tied, (centres[2] + centres[3]) / 2, centres[pick])
    expected, room = centre, np.where(np.isfinite(allowed[pick]), allowed[pick], floor)
    for rules, value in ((held, level), (copying, source)):
        score = np.where(rules, np.minimum(score, np.abs(new - value) / floor), score)
        expected = np.where(rules, value, expected)

    even, even_off, even_value = _evenly(window, around, cells, predictions.grain[cells])
    even &= ~exact & (departures[:2].max(axis=0) > 0)
    score = np.where(even, np.fmax(score, even_off / floor), score)
    expected = np.where(even, even_value, expected)
    room = np.where(even, floor, room)

    lone = fellows == 0
    if lone.any():
        alone, fitting, lone_room = _judge_lone(window, departures[2:].min(axis=0), on_surface, cells)
        score = np.where(lone, alone, score)
        expected = np.where(lone, fitting, expected)
        room = np.where(lone, lone_room, room)
    # A change that would pass as a lone one passes among a few others too, unless it looks mistyped.
    small = ~lone & (fellows < FEW) & (np.abs(new - old) <= _lone_floor(window, cells))
    score = np.where(small, np.minimum(score, 1.0), score)
    excused = copied | _is_excused(window, predictions, cells, around, np.abs(new - expected), (held, level))
    score = np.where(np.isfinite(score) & ~excused, score, 0.0)
    # Two cells that contradict each other: the one that leaves the surface further is the slip.
    tie = np.nan_to_num(np.abs(new - on_surface))
    short = held & _falls_short(window, around, cells, level)
    lone_sure = score > np.where(_may_be_edited_copy(window, cells), LONE_COPY_SURE, LONE_SURE)
    is_sure = np.where(lone, lone_sure, ~_may_end(window, cells, around, expected, score) & ~short)
    return _Scores(cells, score, tie, expected, room, predictions.grain[cells], lone, is_sure)


def _evenly(
    window: PaddedGrid, around: Flags, cells: Indexes, grain: Numbers
) -> tuple[Flags, Numbers, Numbers]:
    """Where one offset or factor explains every fellow, how far the cell is from it, and its value by it."""
    old, new = (np.where(around, grid[window.around[cells]], np.nan) for grid in (window.old, window.new))
    own_old, own_new = window.old[window.places[cells]], window.new[window.places[cells]]
    within = window.step[cells] + 0.5 * grain
    enough = around.sum(axis=1) >= FEW
    even = np.zeros(len(cells), bool)
    off, value = np.full(len(cells), np.inf), own_new.copy()
    shift, ratio = row_median(new - old), row_median(new / old)
    for wanted, own in ((old + shift[:, None], own_old + shift), (old * ratio[:, None], own_old * ratio)):
        misfit = np.where(around, np.abs(wanted - new), 0.0).max(axis=1)
        explains = enough & (misfit <= within)
        better = explains & (np.abs(own - own_new) < off)
        off, value = np.where(better, np.abs(own - own_new), off), np.where(better, own, value)
        even |= explains
    return even, off, value


def _may_end(window: PaddedGrid, cells: Indexes, around: Flags, expected: Numbers, score: Numbers) -> Flags:
    """Cells at which the edit may end: alone at a limit, or where nothing lies on one side of them."""
    new = window.new[window.places[cells]]
    values = window.new[window.around[cells]]
    highest = np.where(around, values, -np.inf).max(axis=1)
    lowest = np.where(around, values, np.inf).min(axis=1)
    stopped = ((new >= highest) & (expected > new)) | ((new <= lowest) & (expected < new))
    is_end = np.ones(len(cells), bool)
    for line in window.straight:
        is_end &= ~np.isfinite(window.new[line.at[-1][cells]]) | ~np.isfinite(window.new[line.at[1][cells]])
    flags: Flags = stopped | (is_end & (score < _END_SURE))
    return flags


def _may_be_edited_copy(window: PaddedGrid, cells: Indexes) -> Flags:
    """Cells within a share of the value of a cell beside them."""
    new = window.new[window.places[cells]]
    beside = np.stack(
        [window.new[line.at[side][cells]] for line in window.straight for side in (-1, 1)], axis=1
    )
    near: Flags = (np.abs(new[:, None] - beside) <= _COPY_SHARE * np.abs(beside)).any(axis=1)
    return near


def _falls_short(window: PaddedGrid, around: Flags, cells: Indexes, level: Numbers) -> Flags:
    """Cells that may not have reached the limit of their fellows, because they were further from it."""
    old, new = window.old[window.places[cells]], window.new[window.places[cells]]
    at_level = around & (
        np.abs(window.new[window.around[cells]] - level[:, None]) <= 0.5 * window.step[cells, None]
    )
    olds = window.old[window.around[cells]]
    lowest = np.where(at_level, olds, np.inf).min(axis=1)
    highest = np.where(at_level, olds, -np.inf).max(axis=1)
    below = (old < lowest) & (old <= new) & (new < level)
    above = (old > highest) & (old >= new) & (new > level)
    short: Flags = below | above
    return short


def _yardsticks(
    window: PaddedGrid, predictions: _Predictions, cells: Indexes, around: Flags
) -> tuple[Numbers, Numbers]:
    """How well each way explains the fellows of some cells, and how far off these may be.

    Both have the shape (ways, cells).
    """
    moving = predictions.free[window.around[cells]]
    fellows = predictions.fellows[cells]
    yardsticks = np.stack(
        [
            *(_yardstick(window, departure, moving, cells) for departure in predictions.departures[:2]),
            *_surface_yardsticks(window, predictions.departures[2:], predictions.live, around, cells),
        ]
    )
    yardsticks[:2, moving.sum(axis=1) == 1] = 0.0  # without any fellow it is NaN, which is never trusted
    yardsticks[:, fellows < 2] = 0.0
    # On a rough surface, few fellows can lie on it by chance.
    rough = np.nan_to_num(row_quantile(window.roughness[window.around[cells]], _ROUGH_QUANTILE))
    raw = yardsticks.copy()
    yardsticks[2:] = np.fmax(yardsticks[2:], rough * np.minimum(1.0, _ENOUGH / np.maximum(fellows, 1)))
    # Enough fellows show that a way explains them; how far off the cell may be is another matter.
    return np.where(fellows >= _ENOUGH, raw, yardsticks), yardsticks


def _uncertainty(window: PaddedGrid, around: Flags, cells: Indexes) -> Numbers:
    """The uncertainty about the noise of the edit where there are few fellows."""
    steps = np.abs(window.new - window.old)[window.around[cells]]
    typical = np.nan_to_num(row_median(np.where(around, steps, np.nan)))
    fellows = around.sum(axis=1)
    uncertainty: Numbers = np.where(
        fellows < _ENOUGH, _UNCERTAINTY * typical / np.maximum(fellows, 1) ** 2, 0.0
    )
    return uncertainty


def _is_excused(
    window: PaddedGrid,
    predictions: _Predictions,
    cells: Indexes,
    around: Flags,
    off: Numbers,
    hold: tuple[Flags, Numbers],
) -> Flags:
    """Cells that depart, by ``off``, from the fitting value in a way that people intend.

    ``hold`` flags where the fellows are held at one value, and gives that value.
    """
    new, step, coarse = window.new[window.places[cells]], window.step[cells], predictions.coarse[cells]
    held, level = hold
    smoothed = _is_smoothed(window, predictions, around, cells) & ~_is_even(window, around, cells) & ~held
    smoothed |= _is_averaged(window, around, cells)
    one_up = (np.abs(new - level) <= _GRAIN_SHARE * coarse) & (coarse <= _FINE_GRAIN * window.edit.span)
    rounded = held & one_up & _is_multiple(level, coarse, step)
    # A coarse edit has equal neighbours by chance, and so may a slip.
    chance = off < _CHANCE_STEPS * np.maximum(step, predictions.grain[cells])
    equal = predictions.equal.twice[cells] | (predictions.equal.adjacent[cells] & (held | ~chance))
    excused: Flags = smoothed | rounded | equal
    return excused


def _movements(window: PaddedGrid, free: Flags) -> tuple[CellShift, CellShift]:
    """The change as difference and as ratio to the base, for the free cells."""
    rest = np.isfinite(window.old) & np.isfinite(window.new) & ~window.changed
    old = window.old[window.places]
    change = np.where(free, window.new - window.old, np.nan)
    ratio = np.where(free & (window.old != 0), window.new / window.old, np.nan)
    ones, zeros = np.ones_like(old), np.zeros_like(old)
    return (
        CellShift(change, np.where(rest, 0.0, change), old, ones),
        CellShift(ratio, np.where(rest, 1.0, ratio), zeros, np.where(old == 0, np.nan, old)),
    )


def _rounding(window: PaddedGrid) -> Numbers:
    """The grain that each new value may be rounded to, 1, 2, 2.5 or 5 times a power of ten; else 0."""
    new, step = window.new[window.places], window.step
    coarse = np.zeros(len(new))
    least, span = median(step), window.edit.span
    if not 1e-300 < least < 1e300 or span > 1e9 * least:
        return coarse
    for power in range(int(np.floor(np.log10(least))), int(np.ceil(np.log10(max(span, least)))) + 1):
        for lead in (1, 2, 2.5, 5):
            grain = lead * 10.0**power
            if _LEAST_GRAIN * least < grain <= _COARSEST_GRAIN * span:
                coarse[_is_multiple(new, grain, step)] = grain
    return coarse


def _is_multiple(values: Numbers, grain: Numbers | float, step: Numbers) -> Flags:
    multiple: Flags = np.abs(values - grain * np.rint(values / grain)) <= 0.5 * step
    return multiple


def _grain(window: PaddedGrid, live: Flags, coarse: Numbers) -> Numbers:
    """The grain that the values around every changed cell are rounded to, if most of them are."""
    if np.count_nonzero(coarse) < 0.3 * len(coarse):
        return np.zeros(len(coarse))
    # Cells held at one value say nothing about rounding.
    held, _, equal = _held(window, live[window.around], np.arange(len(coarse)), coarse)
    seen = live[window.around] & ~(held[:, None] & equal)
    grains = np.where(seen, window.scattered(coarse)[window.around], np.nan)
    enough = np.isfinite(grains).sum(axis=1) >= 2
    grain = np.where(enough, np.nan_to_num(row_quantile(grains, 0.35)), 0.0)
    # One value alone is round by chance, unless the cell itself is as round.
    differ = (seen & ~equal).sum(axis=1) >= 2
    own = window.new[window.places]
    round_too = _is_multiple(own, np.where(grain > 0, grain, 1.0), window.step)
    return np.fmax(np.where(differ | round_too, grain, 0.0), _digit(window, live))


def _digit(window: PaddedGrid, live: Flags) -> Numbers:
    """The last of two significant digits of every changed value, if most around it have no more; else 0."""
    new, step = np.abs(window.new[window.places]), window.step
    digit = 10.0 ** (np.floor(np.log10(new)) - 1)
    typed = (digit > 4 * step) & _is_multiple(new, digit, step)
    around = live[window.around] & window.scattered(digit > 4 * step, False)[window.around]
    count = around.sum(axis=1)
    same = (window.scattered(typed, False)[window.around] & around).sum(axis=1)
    return np.where(typed & (count >= _ENOUGH) & (same >= _MOSTLY * count), digit, 0.0)


def _made_equal(window: PaddedGrid, live: Flags) -> _EqualCells:
    places, step = window.places, window.step
    new, old = window.new[places], window.old[places]
    to_any, adjacent, twice = (np.zeros(len(places), bool) for _ in range(3))
    for line in window.straight:
        near = np.zeros(len(places), bool)
        times = np.zeros(len(places), np.intp)
        for side, neighbours in line.at.items():
            alike = live[neighbours] & (np.abs(window.new[neighbours] - new) <= 0.5 * step)
            if abs(side) == 1:
                near |= alike
            times += alike & (np.abs(window.old[neighbours] - old) > 1.5 * step)
        to_any |= times > 0
        adjacent |= near & (times > 0)
        twice |= near & (times > 1)
    is_live = live[places]
    return _EqualCells(to_any & is_live, adjacent & is_live, twice & is_live)


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
    """The quantile of the departures of the fellows of some cells."""
    grid = window.scattered(departure)
    return row_quantile(np.where(seen, grid[window.around[cells]], np.nan), _QUANTILE)


def _surface_yardsticks(
    window: PaddedGrid, departures: Numbers, live: Flags, around: Flags, cells: Indexes
) -> list[Numbers]:
    """The yardsticks of the surface along row and column, shape (cells,) each.

    The fellows across a line lie on the same slopes and cliffs along it, so they also count on their own.
    """
    yardsticks = []
    for number, departure in enumerate(departures):
        yardstick = _yardstick(window, departure, around, cells)
        if len(window.straight) > 1:
            mates = np.stack([at[cells] for at in window.straight[1 - number].at.values()], axis=1)
            across = np.where(live[mates], window.scattered(departure)[mates], np.nan)
            yardstick = np.fmax(yardstick, row_quantile(across, 0.5))
        yardsticks.append(yardstick)
    return yardsticks


def _held(window: PaddedGrid, around: Flags, cells: Indexes, coarse: Numbers) -> tuple[Flags, Numbers, Flags]:
    """Where the fellow cells are held at one value, that value, and which of them have it.

    Fellows that were so close in the base that rounding to ``coarse`` made them equal are not held.
    """
    values = np.where(around, window.new[window.around[cells]], np.nan)
    level = row_median(values)
    equal: Flags = np.abs(values - level[:, None]) <= 0.5 * window.step[cells, None]
    number = equal.sum(axis=1)
    old = window.old[window.around[cells]]
    apart = np.where(equal, old, -np.inf).max(axis=1) - np.where(equal, old, np.inf).min(axis=1)
    grain = row_median(np.where(equal, window.scattered(coarse)[window.around[cells]], np.nan))
    held = (number >= 2) & (number > 0.6 * around.sum(axis=1))
    return held & (apart > _ROUNDED_TOGETHER * np.fmax(grain, window.step[cells])), level, equal


def _copied(
    window: PaddedGrid, live: Flags, fellows: Indexes, cells: Indexes
) -> tuple[Flags, Numbers, Flags]:
    """Cells that hold a neighbour's value as their fellows do.

    Returns which cells are copies, the value that a copy would have, and which cells are not copies although
    all their fellows are.
    """
    count = len(cells)
    copied, copying = np.zeros(count, bool), np.zeros(count, bool)
    value = np.full(count, np.nan)
    places, step = window.places, window.step
    new = window.new[places]
    for source in (window.old, window.new):
        for number, line in enumerate(window.straight):
            # A row is copied to a row: the fellows lie across the direction of the copy.
            mates = np.stack([at[cells] for at in window.straight[number - 1].at.values()], axis=1)
            mates_live = live[mates]
            amount = mates_live.sum(axis=1)
            for side in (-2, -1, 1, 2) if source is window.old else (-1, 1):
                neighbours = source[line.at[side]]
                same = np.abs(neighbours - new) <= 0.5 * step
                agreeing = (window.scattered(same, False)[mates] & mates_live).sum(axis=1)
                alone = (amount == 0) & (abs(side) == 1) & (fellows == 0) | (fellows == 1)
                together = (agreeing >= 1) & (agreeing >= 0.6 * amount)
                copied |= same[cells] & (alone | together)
                if source is window.old:
                    leads = (agreeing >= 2) & (agreeing == amount) & np.isfinite(neighbours[cells])
                    value = np.where(leads & ~copying, neighbours[cells], value)
                    copying |= leads
    return copied, value, copying & ~copied


def _is_even(window: PaddedGrid, around: Flags, cells: Indexes) -> Flags:
    """Whether one offset or factor explains most of the fellow cells to the step; that smooths nothing."""
    old, new = (np.where(around, grid[window.around[cells]], np.nan) for grid in (window.old, window.new))
    step = window.step[cells]
    offset = old + row_median(new - old)[:, None]
    factor = old * row_median(new / old)[:, None]
    off = [row_quantile(np.abs(wanted - new), _QUANTILE) for wanted in (offset, factor)]
    even: Flags = (off[0] <= step) | (off[1] <= step)
    return even & (row_median(np.abs(new - old)) > 3 * step)


def _is_smoothed(window: PaddedGrid, predictions: _Predictions, around: Flags, cells: Indexes) -> Flags:
    """Cells that an edit smoothed, like the cells around them."""
    uneven = mean_residual(predictions.departures[2:])
    own = window.unevenness[window.places]
    rough = own > 0.25 * _SPAN_SHARE * window.edit.span
    ratio = window.scattered(np.where(rough, uneven / own, np.nan))
    ratios = np.where(around, ratio[window.around[cells]], np.nan)
    smoother = (row_quantile(ratios, _QUANTILE) < _SMOOTHER) & (np.isfinite(ratios).sum(axis=1) >= 2)
    smoothed: Flags = smoother & (uneven[cells] <= _SMOOTHER * own[cells])
    return smoothed


def _is_averaged(window: PaddedGrid, around: Flags, cells: Indexes) -> Flags:
    """Cells that moved towards a mean of the base around them, as most cells around them did."""
    old, new = window.old[window.places], window.new[window.places]
    averaged = np.zeros(len(cells), bool)
    for mean in window.base_means:
        towards = mean[window.places] - old
        share = np.where(np.abs(towards) > window.step, (new - old) / towards, np.nan)
        went = (share > 0) & (share <= _SMOOTHING)
        given = window.scattered(np.isfinite(share), False)[window.around[cells]] & around
        same = (window.scattered(went, False)[window.around[cells]] & given).sum(axis=1)
        averaged |= went[cells] & (same >= 1) & (same >= _MOSTLY * given.sum(axis=1))
    return averaged


def _lone_floor(window: PaddedGrid, cells: Indexes) -> Numbers:
    """The largest unsuspicious change of a lone cell."""
    floor: Numbers = np.maximum(LONE_SHARE * window.edit.span, _LONE_STEPS * window.step[cells])
    return floor


def _judge_lone(
    window: PaddedGrid, departure: Numbers, centre: Numbers, cells: Indexes
) -> tuple[Numbers, Numbers, Numbers]:
    """Score, fitting value and allowed departure of lone cells, by the surface and roughness of the base."""
    places = window.places[cells]
    new, old = window.new[places], window.old[places]
    floor = _lone_floor(window, cells)
    allowed = floor + 1.5 * np.nan_to_num(
        row_quantile(window.roughness[window.around[cells]], _ROUGH_QUANTILE)
    )
    # A change that brings a cell nearer to the surface is not a slip.
    off = np.where(departure <= window.roughness[places], 0.0, departure)
    score = np.minimum(np.abs(new - old) / floor, off / allowed)
    return score, np.where(np.isfinite(centre), centre, old), allowed


def _worst_around(window: PaddedGrid, judged: _Scores) -> Flags:
    """The suspicious cells without a worse one around them."""
    suspicious = judged.score > 1 + _ROUNDING
    numbers = judged.cells[suspicious]
    worst = np.zeros(len(judged.cells), bool)
    if not len(numbers):
        return worst
    scores, ties = np.zeros(len(window.places)), np.zeros(len(window.places))
    scores[numbers], ties[numbers] = judged.score[suspicious], judged.tie[suspicious]
    around = window.around[numbers]
    theirs, their_ties = window.scattered(scores, 0.0)[around], window.scattered(ties, 0.0)[around]
    score, tie = scores[numbers, None], ties[numbers, None]
    close = (np.abs(theirs - score) <= 0.5 * np.maximum(score, theirs)) & (theirs > 0)
    worst[suspicious] = ~np.where(close, their_ties > tie, theirs > score).any(axis=1)
    return worst


# From decoded tables


def edit_of(change: TableChange, conversion: Conversion) -> TableEdit:
    """The change of one table as an edit; all values of a table of named states are NaN."""
    old, new = change.old, change.new
    numbers = not isinstance(conversion, States)
    before = np.where(old.present & ~old.off & numbers, old.physical, np.nan)
    after = np.where(new.present & ~new.off & numbers, new.physical, np.nan)
    limits = change.table.demands.limits
    stops = [*physical_limits(conversion, change.table.storage)]
    stops += [limits.low, limits.high] if limits else []
    return TableEdit(
        old=before,
        new=after,
        changed=change.changed,
        resolution=_resolution(change, conversion),
        stops=tuple(stop for stop in stops if np.isfinite(stop)),
        x=new.x,
        y=new.y,
        decimals=fmt.decimals(conversion),
    )


def _resolution(change: TableChange, conversion: Conversion) -> Numbers:
    """The physical distance from each new value to the next value that can be stored, or is displayed."""
    raw = change.new.raw
    if change.table.storage.type.is_integer:
        if isinstance(conversion, Linear):
            return np.full(raw.shape, abs(conversion.factor))
        numbers = raw.astype(np.float64)
        sides = [np.abs(to_physical(conversion, numbers + step) - change.new.physical) for step in (-1, 1)]
        return np.nan_to_num(np.fmax(*sides))
    steps = np.abs(np.spacing(raw)).astype(np.float64)
    if isinstance(conversion, Linear):
        steps = steps * abs(conversion.factor)
    if conversion.decimals is not None:
        steps = np.maximum(steps, 10.0**-conversion.decimals)
    known_steps: Numbers = np.nan_to_num(steps)
    return known_steps
