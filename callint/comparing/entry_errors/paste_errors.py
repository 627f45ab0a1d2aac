"""Rows, columns and blocks that were pasted one place off, and rows that were pasted twice.

A copied neighbour is an intended edit, so only what copying cannot produce counts. In a block that lies one
place off, each value is the old value of its neighbour, and the neighbour has the old value of the next cell:
a chain, while copying repeats one value. A row was pasted twice if it repeats the changed row next to it, and
that row fits the rows around it while this one does not.

A block that was edited by one factor or offset before it was pasted one place off is found in the same way:
its values are those of the neighbours after that edit, to the step.

Ambiguous blocks are not reported: on an even slope a block that lies one place off looks like an offset,
where values grow by a factor it looks like a factor, and a single edited row is one that was copied and
edited.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from callint.comparing.entry_errors.neighbours import TableEdit
from callint.decoding.statistics import median
from callint.model.change import Flags, Numbers

#: The least number of cells in a block, and, if it is a single row, along the direction of its shift.
_CELLS, _CHAIN = 4, 3
#: The least number of cells in a block that was edited before it was pasted.
_EDITED_CELLS = 8
#: The least number of cells in a repeated row.
_ROW = 3
#: Neighbours that differ by more than the first number of steps cannot be equal by chance; all differ by more
#: than the second.
_STEPS, _LEAST_STEPS = 3.0, 1.5
#: The share of a block, and of a row, that must match.
_SHARE, _ROW_SHARE = 0.9, 0.6
#: A row fits those around it within this share of the span.
_FIT = 0.02


@dataclass(frozen=True, slots=True)
class PasteError:
    """A block of cells, including its last row and column, and where its values come from.

    ``x_off`` and ``y_off`` are the number of places by which it is shifted; if it was pasted ``twice``, the
    distance from the row or column that it repeats. ``edited``: by one factor or offset before it was pasted.
    """

    top: int
    left: int
    bottom: int
    right: int
    x_off: int
    y_off: int
    twice: bool = False
    edited: bool = False

    def holds(self, y: int, x: int) -> bool:
        return self.top <= y <= self.bottom and self.left <= x <= self.right

    @property
    def size(self) -> int:
        return (self.bottom - self.top + 1) * (self.right - self.left + 1)


def find_paste_errors(
    edit: TableEdit, x_moved: bool = False, y_moved: bool = False
) -> tuple[PasteError, ...]:
    """The blocks of a table that look pasted one place off, and the rows and columns pasted twice.

    Along an axis that moved (``x_moved``, ``y_moved``) values may move with it, so it is not searched.
    """
    if np.count_nonzero(edit.cells) < _CELLS:
        return ()
    candidates: list[PasteError] = []
    transposed = TableEdit(edit.old.T, edit.new.T, edit.changed.T, edit.resolution.T)
    with np.errstate(all="ignore"):
        for whole, along_x, moved in ((edit, True, x_moved), (transposed, False, y_moved)):
            if moved or whole.old.shape[1] < 2:
                continue
            for side in (1, -1):
                blocks = [*_shifted_block(whole, side)] or [*_edited_block(whole, side)]
                candidates += (_transposed_back(block, along_x) for block in blocks)
            candidates += (_transposed_back(block, along_x) for block in _repeated_columns(whole))
    kept: list[PasteError] = []
    for candidate in sorted(candidates, key=lambda block: -block.size):
        if not any(_overlap(candidate, block) for block in kept):
            kept.append(candidate)
    return tuple(sorted(kept, key=lambda block: (block.top, block.left)))


def _transposed_back(block: PasteError, along_x: bool) -> PasteError:
    if along_x:
        return block
    return PasteError(
        block.left, block.top, block.right, block.bottom, block.y_off, block.x_off, block.twice, block.edited
    )


def _overlap(first: PasteError, second: PasteError) -> bool:
    rows = first.top <= second.bottom and second.top <= first.bottom
    return rows and first.left <= second.right and second.left <= first.right


def _moved(grid: Numbers, side: int) -> Numbers:
    """The columns moved one place to the right, or to the left if ``side`` is -1."""
    moved = np.full_like(grid, np.nan)
    if side == 1:
        moved[:, 1:] = grid[:, :-1]
    else:
        moved[:, :-1] = grid[:, 1:]
    return moved


def _shifted_block(edit: TableEdit, side: int) -> Iterator[PasteError]:
    """The block whose new values are those of the base one column to the left (``side`` 1) or right (-1)."""
    source, step = _moved(edit.old, side), edit.resolution
    same = np.abs(edit.new - source) <= 0.5 * step
    yield from _block_of(edit, source, same, side)


def _edited_block(edit: TableEdit, side: int) -> Iterator[PasteError]:
    """As ``_shifted_block``, of a block that was edited by one factor or offset before."""
    source, step = _moved(edit.old, side), edit.resolution
    cells = edit.cells & np.isfinite(source)
    if np.count_nonzero(cells) < _EDITED_CELLS:
        return
    ratio = edit.new / source
    factor = median(ratio[cells & np.isfinite(ratio)]) if (cells & np.isfinite(ratio)).any() else 1.0
    offset = median((edit.new - source)[cells])
    for wanted in (source * factor, source + offset):
        # The factor is known to half a step, and the value is rounded.
        same = cells & (np.abs(edit.new - wanted) <= step)
        if np.count_nonzero(same) < max(_EDITED_CELLS, _SHARE * np.count_nonzero(cells)):
            continue
        for block in _block_of(edit, source, same, side):
            inside = np.s_[block.top : block.bottom + 1, block.left : block.right + 1]
            shape = same[inside].shape
            old, new = edit.old[inside][same[inside]], edit.new[inside][same[inside]]
            is_line = _is_straight(old, new, step[inside][same[inside]])
            if min(shape) >= 2 and shape[1] >= _CHAIN and block.size >= _EDITED_CELLS and not is_line:
                yield replace(block, edited=True)
                return


def _is_straight(old: Numbers, new: Numbers, step: Numbers) -> bool:
    """Whether a factor and an offset together explain most of the cells."""
    centred = old - old.mean()
    slope = float((centred * new).sum() / (centred**2).sum())
    off = np.abs(new.mean() + slope * centred - new)
    return float(np.mean(off <= 1.5 * step)) > 0.5


def _block_of(edit: TableEdit, source: Numbers, same: Flags, side: int) -> Iterator[PasteError]:
    """The block of the cells that are the ``same`` as their ``source``, the cells to one side."""
    step = edit.resolution
    moved = edit.cells & same & (np.abs(edit.old - source) > _LEAST_STEPS * step)
    adjacent = np.zeros_like(moved)
    adjacent[:, 1:] |= moved[:, :-1]
    adjacent[:, :-1] |= moved[:, 1:]
    chained = moved & adjacent
    if np.count_nonzero(chained) < _CELLS:
        return
    rows, columns = np.flatnonzero(chained.any(axis=1)), np.flatnonzero(chained.any(axis=0))
    block = PasteError(int(rows[0]), int(columns[0]), int(rows[-1]), int(columns[-1]), side, 0)
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
    """Whether one offset, factor or value explains most of the cells as well."""
    old, new, step = old[cells], new[cells], step[cells]
    wanted = (old + median(new - old), old * median(new / old), np.full_like(new, median(new)))
    return any(float(np.mean(np.abs(values - new) <= 2 * step)) > 0.5 for values in wanted)


def _repeated_columns(edit: TableEdit) -> Iterator[PasteError]:
    """The columns that repeat the changed column next to them although they should continue the others."""
    cells, step = edit.cells, edit.resolution
    most = np.where(cells, step, 0.0).max(axis=0)
    for side in (1, -1):
        # Both columns changed, in the same rows, to the same values, and differed before.
        neighbour = _moved(np.where(cells, edit.new, np.nan), side)
        both_changed = cells & np.isfinite(neighbour)
        same = both_changed & (np.abs(edit.new - neighbour) <= 0.5 * step)
        differed = both_changed & (np.abs(edit.old - _moved(edit.old, side)) > _LEAST_STEPS * step)
        count = both_changed.sum(axis=0)
        alike = (count >= _ROW) & (same.sum(axis=0) == count) & (cells.sum(axis=0) == count)
        alike &= differed.sum(axis=0) >= _ROW_SHARE * count
        spread = np.where(both_changed, edit.new, -np.inf).max(axis=0) - np.where(
            both_changed, edit.new, np.inf
        ).min(axis=0)
        alike &= spread > _STEPS * most
        for column in np.flatnonzero(alike).tolist():
            before, after = column - side, column + side
            if not 0 <= after < edit.old.shape[1] or not 0 <= before - side < edit.old.shape[1]:
                continue
            # Where a third one is the same, a limit holds all of them, or the row was copied on purpose.
            if _are_equal(edit, column, after) or _are_equal(edit, before, before - side):
                continue
            # The repeated column continues the one before it; this one does not lead to the next.
            if _continues(edit, before - side, before) and _departs(edit, after, column):
                rows = np.flatnonzero(both_changed[:, column])
                yield PasteError(int(rows[0]), column, int(rows[-1]), column, side, 0, twice=True)


def _changed_in_both(edit: TableEdit, first: int, second: int) -> Flags:
    changed: Flags = edit.cells[:, first] & edit.cells[:, second]
    return changed


def _are_equal(edit: TableEdit, first: int, second: int) -> bool:
    """Whether most cells that changed in two columns have the same values in both."""
    rows = _changed_in_both(edit, first, second)
    off = np.abs(edit.new[rows, first] - edit.new[rows, second])
    return bool(rows.any()) and float(np.mean(off <= 0.5 * edit.resolution[rows, first])) > 0.5


def _misfits(edit: TableEdit, like: int, column: int) -> Numbers:
    """The distance of a column from the nearer prediction by another's movement, by offset and by factor."""
    rows = _changed_in_both(edit, like, column)
    old, new = edit.old[rows], edit.new[rows]
    change = old[:, column] + (new[:, like] - old[:, like])
    ratio = old[:, column] * (new[:, like] / old[:, like])
    off = np.minimum(np.abs(change - new[:, column]), np.abs(ratio - new[:, column]))
    return np.asarray(off[np.isfinite(off)])


def _tolerance(edit: TableEdit) -> float:
    return max(_FIT * edit.span, 2 * median(edit.resolution))


def _continues(edit: TableEdit, like: int, column: int) -> bool:
    off = _misfits(edit, like, column)
    return len(off) >= _ROW and float(np.mean(off <= _tolerance(edit))) >= _SHARE


def _departs(edit: TableEdit, like: int, column: int) -> bool:
    off = _misfits(edit, like, column)
    return len(off) >= _ROW and float(np.mean(off > _tolerance(edit))) >= 0.5
