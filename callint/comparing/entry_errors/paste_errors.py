"""Rows, columns and blocks that were pasted one place off, and rows that were pasted twice.

A copied neighbour is an honest edit, and so these are told apart by what copying cannot do. In a block that
lies one place off, each value is its neighbour's old one, and the neighbour's is that of the one behind it:
a chain, where copying repeats one value. A row is pasted twice where it repeats the changed row beside it,
while that one fits the rows around it and this one does not.

What cannot be told apart is left alone: on an even slope a block that lies one place off looks like an
offset, and a block that was edited and then pasted one place off like another edit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint.comparing.entry_errors.neighbours import TableEdit
from callint.decoding.statistics import median
from callint.model.change import Flags, Numbers

#: So many cells make a block, so many in the direction in which it lies off where it is but one row.
_CELLS, _CHAIN = 4, 3
#: A repeated row has so many cells.
_ROW = 3
#: Neighbours differ by more steps than this where a coincidence is out of the question; by so many at least.
_STEPS, _LEAST_STEPS = 3.0, 1.5
#: So much of a block, and of a row, must be as it looks.
_SHARE, _ROW_SHARE = 0.9, 0.6
#: A row fits those around it within this share of the span.
_FIT = 0.02


@dataclass(frozen=True, slots=True)
class Pasted:
    """A block of cells, its last row and column included, and where its values come from.

    ``x_off`` and ``y_off`` are the places by which it lies off; where it is ``twice``, those from the row or
    column that it repeats.
    """

    top: int
    left: int
    bottom: int
    right: int
    x_off: int
    y_off: int
    twice: bool = False

    def holds(self, y: int, x: int) -> bool:
        return self.top <= y <= self.bottom and self.left <= x <= self.right

    @property
    def size(self) -> int:
        return (self.bottom - self.top + 1) * (self.right - self.left + 1)


def pasted(edit: TableEdit, x_moved: bool = False, y_moved: bool = False) -> tuple[Pasted, ...]:
    """The blocks of a table that look pasted one place off, and the rows and columns pasted twice.

    Where an axis moved, values that moved along it moved with it, and are passed over.
    """
    if np.count_nonzero(edit.cells) < _CELLS:
        return ()
    candidates: list[Pasted] = []
    turned = TableEdit(edit.old.T, edit.new.T, edit.changed.T, edit.resolution.T)
    with np.errstate(all="ignore"):
        for whole, along_x, moved in ((edit, True, x_moved), (turned, False, y_moved)):
            if moved or whole.old.shape[1] < 2:
                continue
            for side in (1, -1):
                candidates += (_turned(block, along_x) for block in _one_off(whole, side))
            candidates += (_turned(block, along_x) for block in _twice(whole))
    kept: list[Pasted] = []
    for candidate in sorted(candidates, key=lambda block: -block.size):
        if not any(_overlap(candidate, block) for block in kept):
            kept.append(candidate)
    return tuple(sorted(kept, key=lambda block: (block.top, block.left)))


def _turned(block: Pasted, along_x: bool) -> Pasted:
    if along_x:
        return block
    return Pasted(block.left, block.top, block.right, block.bottom, block.y_off, block.x_off, block.twice)


def _overlap(first: Pasted, second: Pasted) -> bool:
    rows = first.top <= second.bottom and second.top <= first.bottom
    return rows and first.left <= second.right and second.left <= first.right


def _moved(grid: Numbers, side: int) -> Numbers:
    """Each column's values one place to the right, or with ``side`` -1 to the left."""
    moved = np.full_like(grid, np.nan)
    if side == 1:
        moved[:, 1:] = grid[:, :-1]
    else:
        moved[:, :-1] = grid[:, 1:]
    return moved


def _one_off(edit: TableEdit, side: int) -> Iterator[Pasted]:
    """The block whose new values are the base's one column further left (``side`` 1) or right (-1)."""
    source, step = _moved(edit.old, side), edit.resolution
    same = np.abs(edit.new - source) <= 0.5 * step
    moved = edit.cells & same & (np.abs(edit.old - source) > _LEAST_STEPS * step)
    adjacent = np.zeros_like(moved)
    adjacent[:, 1:] |= moved[:, :-1]
    adjacent[:, :-1] |= moved[:, 1:]
    chained = moved & adjacent
    if np.count_nonzero(chained) < _CELLS:
        return
    rows, columns = np.flatnonzero(chained.any(axis=1)), np.flatnonzero(chained.any(axis=0))
    block = Pasted(int(rows[0]), int(columns[0]), int(rows[-1]), int(columns[-1]), side, 0)
    inside = np.s_[block.top : block.bottom + 1, block.left : block.right + 1]
    height, width = chained[inside].shape
    clear = moved[inside] & (np.abs(edit.old - source) > _STEPS * step)[inside]
    if width < (_CHAIN if height < _ROW else 2) or np.count_nonzero(clear) < _CELLS:
        return
    if np.count_nonzero(same[inside]) < _SHARE * block.size:
        return
    if not _is_simple(edit.old[inside], edit.new[inside], step[inside], edit.cells[inside]):
        yield block


def _is_simple(old: Numbers, new: Numbers, step: Numbers, cells: Flags) -> bool:
    """Whether one offset or one factor explains most of the cells as well."""
    old, new, step = old[cells], new[cells], step[cells]
    wanted = (old + median(new - old), old * median(new / old), np.full_like(new, median(new)))
    return any(float(np.mean(np.abs(values - new) <= 2 * step)) > 0.5 for values in wanted)


def _twice(edit: TableEdit) -> Iterator[Pasted]:
    """The columns that repeat the changed column beside them although they should go on like the others."""
    cells, step = edit.cells, edit.resolution
    most = np.where(cells, step, 0.0).max(axis=0)
    for side in (1, -1):
        # Both columns changed, in the same rows, to the same values, and were not the same before.
        there = _moved(np.where(cells, edit.new, np.nan), side)
        both = cells & np.isfinite(there)
        same = both & (np.abs(edit.new - there) <= 0.5 * step)
        differed = both & (np.abs(edit.old - _moved(edit.old, side)) > _LEAST_STEPS * step)
        count = both.sum(axis=0)
        alike = (count >= _ROW) & (same.sum(axis=0) == count) & (cells.sum(axis=0) == count)
        alike &= differed.sum(axis=0) >= _ROW_SHARE * count
        spread = np.where(both, edit.new, -np.inf).max(axis=0) - np.where(both, edit.new, np.inf).min(axis=0)
        alike &= spread > _STEPS * most
        for column in np.flatnonzero(alike).tolist():
            before, after = column - side, column + side
            if not 0 <= after < edit.old.shape[1] or not 0 <= before - side < edit.old.shape[1]:
                continue
            # The column that is repeated goes on from the one before it, this one does not lead to the next.
            if _goes_on(edit, before - side, before) and _departs(edit, after, column):
                rows = np.flatnonzero(both[:, column])
                yield Pasted(int(rows[0]), column, int(rows[-1]), column, side, 0, twice=True)


def _both(edit: TableEdit, first: int, second: int) -> Flags:
    both: Flags = edit.cells[:, first] & edit.cells[:, second]
    return both


def _misfits(edit: TableEdit, like: int, column: int) -> Numbers:
    """How far a column is off what the movement of another makes expect, by offset and by factor."""
    rows = _both(edit, like, column)
    old, new = edit.old[rows], edit.new[rows]
    change = old[:, column] + (new[:, like] - old[:, like])
    ratio = old[:, column] * (new[:, like] / old[:, like])
    off = np.minimum(np.abs(change - new[:, column]), np.abs(ratio - new[:, column]))
    return np.asarray(off[np.isfinite(off)])


def _tolerance(edit: TableEdit) -> float:
    return max(_FIT * edit.span, 2 * median(edit.resolution))


def _goes_on(edit: TableEdit, like: int, column: int) -> bool:
    off = _misfits(edit, like, column)
    return len(off) >= _ROW and float(np.mean(off <= _tolerance(edit))) >= _SHARE


def _departs(edit: TableEdit, like: int, column: int) -> bool:
    off = _misfits(edit, like, column)
    return len(off) >= _ROW and float(np.mean(off > _tolerance(edit))) >= 0.5
