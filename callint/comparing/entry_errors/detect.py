"""Finds the changed cells of a table that do not fit the edit that they are part of.

A person edits a region by factor, by offset, by hand with rounding, to a limit, by smoothing, by copying a
neighbour; a slip of the fingers breaks that pattern. So every changed cell is predicted from the others: by
their difference to the base, by their ratio to the base, and by the new surface along row and column;
besides, a cell may hold the value that its changed neighbours hold, or copy a neighbour as they do. The
changed neighbours of a cell are the changed cells around it. The typical error of a prediction is its error
for these neighbours; a prediction that does not explain them does not count. A cell is suspicious if it
deviates from every remaining prediction by more than the typical error allows. A lone change is judged by the
surface and by the roughness of the base there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from callint.comparing.entry_errors.evidence import log_likelihood_ratio
from callint.comparing.entry_errors.kept_patterns import continues_straight
from callint.comparing.entry_errors.neighbours import (
    PaddedGrid,
    TableEdit,
)
from callint.comparing.entry_errors.score_card import (
    LEAST,
    LEAST_NOISE,
    LIKELIHOOD_RATIO,
    NEAR,
    NEAR_EXPECTED,
    NOISE,
    SURE,
)
from callint.comparing.entry_errors.scoring import (
    LONE_STEPS,
    ROUNDING,
    STEPS,
    WEAK,
    EditedCells,
    Scores,
    find_lines_broken,
    judge,
)
from callint.comparing.entry_errors.typing_errors import TELLING, count_digits, find_typing_error
from callint.decoding.statistics import median
from callint.model.change import Flags

#: Two suspicious cells at most this far apart that moved alike are one edit.
_BESIDE = 2
#: A suspicious cell disturbs the judgement of those around it, so they are judged again without it.
_PASSES = 5
#: If more than this share of an edit sticks out, its pattern is unknown, and only cells count that stick
#: out this many times further than the others.
_MOST, _GROSS = 0.15, 5.0
#: A deviation of the first share of the allowed one is enough if the number looks mistyped from a number that
#: fits to within the second share.
_DISTINCTIVE, _CLOSELY = 0.5, 0.4
#: If more cells than this are near enough to be suspicious, it is noise.
_MOST_TYPABLE = 12
#: Within this share of its old value a lone cell may have been changed on purpose before it was mistyped.
_NEAR_OLD = 0.1
#: The edits of tables with more cells than this are not kept, so that 256 edits need little memory.
_MOST_KEPT = 1024


@dataclass(frozen=True, slots=True)
class Suspect:
    """A cell that does not fit: its place, the value that would fit, and how well that value is known.

    ``is_sure`` says that a slip explains it better than intent does. ``counterpart`` is the mirror or inverse
    table that suggests the value that would fit, "" if the table itself does.
    """

    x: int
    y: int
    expected: float
    allowed: float
    is_lone: bool
    score: float
    is_sure: bool = True
    counterpart: str = ""


def find_entry_errors(edit: TableEdit) -> tuple[Suspect, ...]:
    """The suspicious cells of one table, in order of row and column.

    The images of a fleet often have the same edit of a table, and each edit is judged once.
    """
    if edit.old.size < 2 or not edit.cells.any() or not np.isfinite(edit.span):
        return ()
    if edit.old.size > _MOST_KEPT:
        return _find(edit)
    return _find_once(_JudgedEdit(edit.key, edit))


@dataclass(frozen=True, slots=True)
class _JudgedEdit:
    """An edit, equal to every edit of the same key."""

    key: tuple[object, ...]
    edit: TableEdit = field(compare=False)


@lru_cache(maxsize=256)
def _find_once(judged: _JudgedEdit) -> tuple[Suspect, ...]:
    return _find(judged.edit)


def _find(edit: TableEdit) -> tuple[Suspect, ...]:
    with np.errstate(all="ignore"):
        if _is_uniform(edit):
            return ()
        window = PaddedGrid(edit, edit.cells)
        changed = EditedCells(window)
        suspects = {(suspect.y, suspect.x): suspect for suspect in (*_mistyped(window), *_suspects(changed))}
        _add_broken_lines(changed, suspects)
        by_place = [suspects[place] for place in sorted(suspects)]
        return tuple(_unless_alike(edit, suspect, by_place) for suspect in by_place)


def _is_uniform(edit: TableEdit) -> bool:
    """Whether one offset or one factor explains all of several changed cells."""
    old, new, step = (grid[edit.cells] for grid in (edit.old, edit.new, edit.resolution))
    if len(old) < 3:
        return False
    change, ratio = median(new - old), median(new / old)
    return any(bool((np.abs(wanted - new) <= step).all()) for wanted in (old + change, old * ratio))


def _add_broken_lines(changed: EditedCells, suspects: dict[tuple[int, int], Suspect]) -> None:
    """Add, in place, the cells that break a line or pattern and are not sure slips yet, as sure ones."""
    window = changed.window
    excluded = np.zeros(window.shape, bool)
    for place, suspect in suspects.items():
        excluded[place] = suspect.is_sure
    for broken in find_lines_broken(changed, excluded[window.edit.cells]):
        y, x = window.cell(broken.cell)
        if not excluded[y, x]:
            suspects[y, x] = Suspect(x, y, broken.expected, broken.floor, False, broken.score)


def _unless_alike(edit: TableEdit, suspect: Suspect, suspects: Sequence[Suspect]) -> Suspect:
    """The suspect, not sure if one near it moved by the same offset or factor: one hand moved both.

    A lost sign or point may happen twice, and so may a number that is out by ten.
    """
    if suspect.is_lone or not suspect.is_sure:
        return suspect
    here = suspect.y, suspect.x
    old, new, step = float(edit.old[here]), float(edit.new[here]), float(edit.resolution[here])
    error = find_typing_error(new, suspect.expected, suspect.allowed, edit.decimals, is_distinctive=True)
    if error is not None and error.name in TELLING:
        return suspect
    for other in suspects:
        there = other.y, other.x
        if there == here or max(abs(other.y - suspect.y), abs(other.x - suspect.x)) > _BESIDE:
            continue
        their_old, their_new = float(edit.old[there]), float(edit.new[there])
        by_offset = old + their_new - their_old
        by_factor = old * their_new / their_old if their_old else by_offset
        if min(abs(by_offset - new), abs(by_factor - new)) <= step:
            return replace(suspect, is_sure=False)
    return suspect


def _suspects(changed: EditedCells) -> list[Suspect]:
    window = changed.window
    excluded = np.zeros(len(window.places), bool)
    suspects: list[Suspect] = []
    most = max(1, int(_MOST * len(window.places)))
    for _ in range(_PASSES):
        judged = judge(changed, excluded)
        if judged is None:
            break
        _raise_typable(window, judged)
        worst = _worst_around(window, judged)
        # If a cell is alone only because its changed neighbour was a slip, nothing is left to judge it by.
        next_to_suspect = window.scattered(excluded, False)[window.around[judged.cells[worst]]].any(axis=1)
        worst[worst] = ~(judged.is_lone[worst] & next_to_suspect)
        more = [_suspect(window, judged, number) for number in np.flatnonzero(worst).tolist()]
        if not more:
            break
        scores = sorted(suspect.score for suspect in (*suspects, *more) if not suspect.is_lone)
        if len(scores) > most:
            typical = scores[(len(scores) - 1) // 2]
            return suspects + [
                suspect for suspect in more if suspect.is_lone or suspect.score > _GROSS * typical
            ]
        suspects += more
        excluded[judged.cells[worst]] = True
    return suspects


def _raise_typable(window: PaddedGrid, judged: Scores) -> None:
    """Raise, in place, the scores of cells that deviate less but are slips by the number that was typed."""
    weak = np.flatnonzero((judged.score > WEAK) & (judged.score <= 1))
    if len(weak) > _MOST_TYPABLE:
        return
    for number in weak.tolist():
        is_distinctive = judged.score[number] > _DISTINCTIVE and _is_distinctive(window, judged, number)
        if is_distinctive and judged.is_lone[number]:
            judged.is_lone_sure[number] = True
        if is_distinctive or (not judged.is_lone[number] and _points(window, judged, number) > SURE):
            judged.score[number] = 1.0 + judged.score[number]


def _is_distinctive(window: PaddedGrid, judged: Scores, number: int) -> bool:
    """Whether a distinctive slip leads to the value of a cell, from the fitting or a lone cell's old one."""
    cell = int(judged.cells[number])
    place = int(window.places[cell])
    expected, within = float(judged.expected[number]), _CLOSELY * float(judged.allowed[number])
    if judged.is_lone[number]:
        expected, within = float(window.old[place]), 0.5 * float(window.step[cell])
    actual, decimals = float(window.new[place]), window.edit.decimals
    error = find_typing_error(actual, expected, within, decimals, is_distinctive=True)
    # Where all numbers are round, the one that was meant is round too.
    return error is not None and _is_round(error.meant, float(judged.grain[number]))


def _is_round(value: float, grain: float) -> bool:
    return grain == 0 or abs(value - grain * round(value / grain)) <= 1e-6 * grain


def _mistyped(window: PaddedGrid) -> Iterator[Suspect]:
    """Cells that deviate little or not at all, but look mistyped from their old or expected value.

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
    far: Flags = np.abs(window.new - window.old)[window.places] > LONE_STEPS * window.step
    return far


def _lost_sign(window: PaddedGrid) -> Flags:
    """The changed cells that alone have the other sign: without it they lie among the cells around them.

    Both are more than the steps from zero within which a sign means nothing.
    """
    places, step = window.places, window.step
    old, new = window.old[places], window.new[places]
    sign = np.sign(old)
    if not (new * sign < 0).any():
        return np.zeros(len(places), bool)
    beside = np.stack([window.new[line.at[side]] for line in window.straight for side in (-1, 1)], axis=1)
    known = np.isfinite(beside)
    agree = (np.where(known, beside * sign[:, None], np.inf) > 0).all(axis=1) & (known.sum(axis=1) >= 2)
    values = np.where(known, np.abs(beside), np.nan)
    low, high = np.fmin.reduce(values, axis=1), np.fmax.reduce(values, axis=1)
    # The old value says where the cell belongs only if the edit left those beside it alone.
    alone = ~np.stack([window.changed[line.at[side]] for line in window.straight for side in (-1, 1)]).any(0)
    low = np.where(alone, np.fmin(low, np.abs(old)), low) - STEPS * step
    high = np.where(alone, np.fmax(high, np.abs(old)), high) + STEPS * step
    size = np.abs(new)
    # Zero may lie between two cells of an edit that goes on straight.
    agree &= ~continues_straight(window, step)
    lost: Flags = agree & (new * sign < 0) & (size > STEPS * step) & (low <= size) & (size <= high)
    return lost


def _suspect(window: PaddedGrid, judged: Scores, number: int) -> Suspect:
    y, x = window.cell(int(judged.cells[number]))
    return Suspect(
        x=x,
        y=y,
        expected=float(judged.expected[number]),
        allowed=float(judged.allowed[number]),
        is_lone=bool(judged.is_lone[number]),
        score=float(judged.score[number]),
        is_sure=_is_sure(window, judged, number),
    )


def _is_sure(window: PaddedGrid, judged: Scores, number: int) -> bool:
    """Whether a slip explains a cell better than intent does."""
    if judged.is_lone[number]:
        return _looks_mistyped(window, judged, number) or bool(judged.is_lone_sure[number])
    return _points(window, judged, number) > SURE


def _points(window: PaddedGrid, judged: Scores, number: int) -> float:
    """The points of a cell that is not lone, with those for the number that was typed.

    A cell gets none if it is off the value that fits by less than somebody would notice.
    """
    points = float(judged.points[number])
    if points + LIKELIHOOD_RATIO.points + NEAR_EXPECTED.points <= SURE:
        return points
    actual, decimals = float(window.new[window.places[judged.cells[number]]]), window.edit.decimals
    expected, floor = float(judged.expected[number]), float(judged.floor[number])
    if abs(actual - expected) <= max(LEAST * window.edit.span, floor):
        return 0.0
    noise = max(NOISE * float(judged.allowed[number]), LEAST_NOISE * window.edit.span)
    points += float(LIKELIHOOD_RATIO.weigh(log_likelihood_ratio(actual, expected, noise, decimals)))
    if not SURE - NEAR_EXPECTED.points < points <= SURE:  # nothing depends on whether it fits
        return points
    fits = find_typing_error(actual, expected, NEAR * floor, decimals) is not None
    return points + NEAR_EXPECTED.points * fits


def _looks_mistyped(window: PaddedGrid, judged: Scores, number: int) -> bool:
    """Whether a lone cell looks mistyped from its old value, or one beside it, to the step.

    It may also have lost its point or its sign, or be out by ten, from a value near its old one.
    """
    cell = int(judged.cells[number])
    place = int(window.places[cell])
    within, decimals = 0.5 * float(window.step[cell]), window.edit.decimals
    actual, old = float(window.new[place]), float(window.old[place])
    beside = (float(window.new[line.at[side][cell]]) for line in window.straight for side in (-1, 1))
    if any(
        find_typing_error(actual, value, within, decimals, is_distinctive=True) for value in (*beside, old)
    ):
        return True
    error = find_typing_error(actual, old, _NEAR_OLD * abs(old), decimals, is_distinctive=True)
    return error is not None and error.name in TELLING


def _worst_around(window: PaddedGrid, judged: Scores) -> Flags:
    """The suspicious cells without a worse one around them."""
    suspicious = judged.score > 1 + ROUNDING
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
