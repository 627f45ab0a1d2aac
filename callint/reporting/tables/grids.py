"""The cells of a table as lines of text: breakpoints at the top and the left, values in columns.

A grid with changes shows ``old → new`` in changed cells and cuts away what lies far from them; a cut is
marked by an ellipsis.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from callint import fmt
from callint.decoding.conversions import is_wide
from callint.decoding.statistics import distinct
from callint.fmt.raw_bits import with_bits
from callint.model.change import Flags, Grid, Numbers, TableChange
from callint.model.definition import Axis, Conversion, Definition, FixedAxis, States, Table
from callint.reporting.tables.stored_numbers import exact_text

#: One styled piece of a line, and a line of them.
Piece = tuple[str, str]
StyledLine = list[Piece]

_GAP = "  "
#: Longer words than this in headings and row labels are cut.
_LONGEST_WORD = 28
#: Unchanged neighbours that are shown around a changed cell.
_CONTEXT = 1
#: More rows or blocks of columns than this are cut down to the surroundings of the largest change.
_MOST_ROWS, _MOST_BLOCKS = 24, 2


@dataclass(frozen=True, slots=True)
class GridLayout:
    """How wide a grid may be, what stands between old and new and for a cut, and the cells' styles."""

    columns: int
    arrow: str = "→"
    cut: str = "…"
    changed: str = "bold"
    quiet: str = "dim"
    everything: bool = False


def grid_lines(definition: Definition, grid: Grid, layout: GridLayout) -> Iterator[StyledLine]:
    """A whole table, in as many blocks of columns as the width asks for."""
    cells = cell_texts(definition, grid)
    rows, columns = grid.physical.shape
    plain = [[(text, "") for text in row] for row in cells]
    yield from _lines(definition, grid, plain, list(range(rows)), list(range(columns)), layout)


def marked_lines(
    definition: Definition, grid: Grid, marks: list[list[Piece]], layout: GridLayout
) -> Iterator[StyledLine]:
    """A whole table with a mark behind each value; ``marks`` has the grid's shape, all of one length."""
    cells = [
        [(f"{text} {mark}", style) for text, (mark, style) in zip(*row, strict=True)]
        for row in zip(cell_texts(definition, grid), marks, strict=True)
    ]
    rows, columns = grid.physical.shape
    yield from _lines(definition, grid, cells, list(range(rows)), list(range(columns)), layout)


def change_lines(definition: Definition, change: TableChange, layout: GridLayout) -> Iterator[StyledLine]:
    """The changed part of a table with its neighbours.

    Without ``layout.everything``, a change that is spread over more rows and columns than anyone reads is
    cut down to the surroundings of its largest step; the last line then says how many changed cells are
    left out.
    """
    old, new = (cell_texts(definition, grid) for grid in (change.old, change.new))
    exact = [cell_texts(definition, grid, exact=True) for grid in (change.old, change.new)]
    pieces: list[list[Piece]] = [[(text, "") for text in row] for row in new]
    for y, x in np.argwhere(change.changed).tolist():
        before, after = old[y][x], new[y][x]
        if before == after:  # the usual digits do not tell them apart
            before, after = exact[0][y][x], exact[1][y][x]
        if before == after:
            before, after = with_bits((before, after), (change.old.raw[y, x], change.new.raw[y, x]))
        pieces[y][x] = f"{before} {layout.arrow} {after}", layout.changed
    rows, columns = _near(change.changed, along=0), _near(change.changed, along=1)
    if not layout.everything:
        y, x = change.largest
        rows = _window(rows, y, _MOST_ROWS)
        widths = {column: max(len(pieces[row][column][0]) for row in rows) for column in columns}
        room = layout.columns - _label_width(definition, change.new, rows)
        fitting = _blocks(columns, widths, room)[:_MOST_BLOCKS]
        columns = _window(columns, x, max(sum(len(block) for block in fitting), 1))
    yield from _lines(definition, change.new, pieces, rows, columns, layout)
    hidden = change.count - int(np.count_nonzero(change.changed[np.ix_(rows, columns)]))
    if hidden:
        yield [(f"and {fmt.count(hidden, 'more changed cell')} further away; --all shows them", layout.quiet)]


def _near(changed: Flags, along: int) -> list[int]:
    """The rows (along 0) or columns (along 1) that have changes, and their neighbours."""
    near = np.zeros(changed.shape[along], bool)
    for index in distinct(np.nonzero(changed)[along]).tolist():
        near[max(index - _CONTEXT, 0) : index + _CONTEXT + 1] = True
    return [int(index) for index in np.flatnonzero(near)]


def _window(indexes: list[int], centre: int, most: int) -> list[int]:
    """At most so many of the indexes, around the central one."""
    if len(indexes) <= most:
        return indexes
    place = indexes.index(centre)
    start = min(max(place - most // 2, 0), len(indexes) - most)
    return indexes[start : start + most]


def _blocks(columns: Sequence[int], widths: dict[int, int], room: int) -> list[list[int]]:
    """The columns in as few blocks as fit into the room, in order; no block is empty."""
    blocks: list[list[int]] = []
    left = 0
    for column in columns:
        needed = widths[column] + len(_GAP)
        if not blocks or needed > left:
            blocks.append([])
            left = room
        blocks[-1].append(column)
        left -= needed
    return blocks


def _lines(
    definition: Definition,
    grid: Grid,
    pieces: list[list[Piece]],
    rows: list[int],
    columns: list[int],
    layout: GridLayout,
) -> Iterator[StyledLine]:
    table = grid.table
    if not table.axes:
        yield [pieces[0][0], (_unit_behind(definition, table), "")]
        return
    heads = _breakpoint_texts(definition, table.x, grid.x)
    labels = _breakpoint_texts(definition, table.y, grid.y) if table.y else [""] * len(pieces)
    signal, unit = (_fitting(word, _LONGEST_WORD, layout) for word in axis_words(definition, table.y))
    label_width = _label_width(definition, grid, rows)
    widths = {
        column: max([len(heads[column]), *(len(pieces[row][column][0]) for row in rows)])
        for column in columns
    }
    for number, block in enumerate(_blocks(columns, widths, layout.columns - label_width)):
        if number:
            yield []
        title = ", ".join(word for word in axis_words(definition, table.x) if word)
        title = _fitting(title, layout.columns - label_width - len(_GAP), layout)
        yield [(f"{signal:>{label_width}}{_GAP}{title}", layout.quiet)]
        texts: list[tuple[Piece, int]] = [((heads[column], layout.quiet), widths[column]) for column in block]
        yield [(f"{unit:>{label_width}}", layout.quiet), *_row(block, texts, layout)]
        previous = -1
        for row in rows:
            if previous not in (-1, row - 1):
                yield [(f"{layout.cut:>{label_width}}", layout.quiet)]
            previous = row
            texts = [(pieces[row][column], widths[column]) for column in block]
            yield [(f"{labels[row]:>{label_width}}", layout.quiet), *_row(block, texts, layout)]


def _label_width(definition: Definition, grid: Grid, rows: list[int]) -> int:
    """How wide the column of the y breakpoints is, its heading included; 0 for a curve."""
    if not grid.table.y:
        return 0
    labels = _breakpoint_texts(definition, grid.table.y, grid.y)
    words = (min(len(word), _LONGEST_WORD) for word in axis_words(definition, grid.table.y))
    return max(*words, *(len(labels[row]) for row in rows))


def _fitting(text: str, columns: int, layout: GridLayout) -> str:
    """A text cut to so many columns."""
    return text if len(text) <= columns else text[: columns - 1] + layout.cut


def _row(block: list[int], values: list[tuple[Piece, int]], layout: GridLayout) -> StyledLine:
    """The cells of a row, each right-aligned; a gap in the columns is an ellipsis in the gap's room."""
    line: StyledLine = []
    previous = block[0] - 1
    for column, ((text, style), width) in zip(block, values, strict=True):
        gap = _GAP if column == previous + 1 else f" {layout.cut}"[-len(_GAP) :]
        line.append((gap, layout.quiet))
        line.append((f"{'':>{width - len(text)}}", ""))
        line.append((text, style))
        previous = column
    return line


# Words


def cell_texts(definition: Definition, grid: Grid, exact: bool = False) -> list[list[str]]:
    """Every cell as text: its value, "off" for the off code, a dash where the image does not hold it.

    ``exact`` asks for all digits, so that cells that differ have texts that differ.
    """
    conversion = definition.conversion_of(grid.table)
    texts = [
        [
            _cell_text(value, is_off, is_present, conversion, exact)
            for value, is_off, is_present in zip(*row, strict=True)
        ]
        for row in zip(grid.physical.tolist(), grid.off.tolist(), grid.present.tolist(), strict=True)
    ]
    if is_wide(conversion, grid.table.storage):
        for y, x in np.argwhere(grid.present & ~grid.off).tolist():
            texts[y][x] = exact_text(conversion, grid.raw[y, x]) or texts[y][x]
    return texts


def _cell_text(value: float, is_off: bool, is_present: bool, conversion: Conversion, exact: bool) -> str:
    if not is_present:
        return "-"
    if is_off:
        return "off"
    if exact and not isinstance(conversion, States) and math.isfinite(value):
        return fmt.exact(value)
    return fmt.number(value, conversion)


def _breakpoint_texts(definition: Definition, axis: str | None, values: Numbers | None) -> list[str]:
    if axis is None or values is None:
        return [""]
    return breakpoint_texts(definition, definition.axes[axis], values.tolist())


def breakpoint_texts(
    definition: Definition, axis: Axis, values: list[float], exact: bool = False
) -> list[str]:
    """Breakpoints without their unit; ``exact`` asks for all digits."""
    if isinstance(axis, FixedAxis) or exact:
        return [fmt.exact(value) if math.isfinite(value) else "not a number" for value in values]
    conversion = definition.conversion_of(axis)
    return [fmt.trimmed(fmt.number(value, conversion)) for value in values]


def axis_words(definition: Definition, name: str | None) -> tuple[str, str]:
    """An axis's signal and unit, for its heading."""
    if name is None:
        return "", ""
    axis = definition.axes[name]
    return axis.signal, fmt.with_unit("", definition.unit_of(axis)).strip()


def _unit_behind(definition: Definition, table: Table) -> str:
    return fmt.with_unit("", definition.unit_of(table))
