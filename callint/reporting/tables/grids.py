"""The cells of a table as lines of text: breakpoints at the top and the left, values in columns.

A grid with changes shows ``old → new`` in changed cells and leaves out cells that are far from them; an
ellipsis marks each gap.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from callint import fmt
from callint.decoding.statistics import distinct
from callint.fmt.raw_bits import with_bits
from callint.model.change import Flags, Grid, Numbers, TableChange
from callint.model.definition import Definition, Table
from callint.reporting.tables.values import breakpoint_texts, cell_texts, signal_and_unit, table_column

#: A text with its style, and a row of them.
StyledText = tuple[str, str]
StyledRow = list[StyledText]

_GAP = "  "
#: Signals and units in headings are cut to this length.
_LONGEST_LABEL = 28
#: The number of unchanged neighbours shown on each side of a changed cell.
_CONTEXT = 1
#: Larger changes are cut to this number of rows and blocks of columns, around the largest change.
_MOST_ROWS, _MOST_BLOCKS = 24, 2


@dataclass(frozen=True, slots=True)
class GridLayout:
    """The width of a grid in columns, the signs for a change and for a gap, and the styles of the cells.

    With ``everything`` no changed cell is left out.
    """

    columns: int
    arrow: str = "→"
    cut: str = "…"
    changed: str = "bold"
    quiet: str = "dim"
    everything: bool = False


def grid_lines(definition: Definition, grid: Grid, layout: GridLayout) -> Iterator[StyledRow]:
    """A whole table, in as many blocks of columns as the width requires."""
    cells = cell_texts(definition, grid)
    rows, columns = grid.physical.shape
    plain = [[(text, "") for text in row] for row in cells]
    yield from _lines(definition, grid, plain, list(range(rows)), list(range(columns)), layout)


def marked_lines(
    definition: Definition, grid: Grid, marks: list[list[StyledText]], layout: GridLayout
) -> Iterator[StyledRow]:
    """A whole table with a mark behind each value; ``marks`` has the grid's shape, all of one length."""
    cells = [
        [(f"{text} {mark}", style) for text, (mark, style) in zip(*row, strict=True)]
        for row in zip(cell_texts(definition, grid), marks, strict=True)
    ]
    rows, columns = grid.physical.shape
    yield from _lines(definition, grid, cells, list(range(rows)), list(range(columns)), layout)


def change_lines(definition: Definition, change: TableChange, layout: GridLayout) -> Iterator[StyledRow]:
    """The changed part of a table with its neighbours.

    Unless ``layout.everything`` is set, a large change is cut to the surroundings of its largest step, and
    the last line gives the number of changed cells left out.
    """
    column = table_column(definition, change.old, change.new)
    old, new = (cell_texts(definition, grid, column=column) for grid in (change.old, change.new))
    exact = [cell_texts(definition, grid, exact=True) for grid in (change.old, change.new)]
    cells: list[list[StyledText]] = [[(text, "") for text in row] for row in new]
    for y, x in np.argwhere(change.changed).tolist():
        old_text, new_text = old[y][x], new[y][x]
        if old_text == new_text:  # the usual digits do not tell them apart
            old_text, new_text = exact[0][y][x], exact[1][y][x]
        if old_text == new_text:
            raws = change.old.raw[y, x], change.new.raw[y, x]
            old_text, new_text = with_bits((old_text, new_text), raws)
        cells[y][x] = f"{old_text} {layout.arrow} {new_text}", layout.changed
    rows, columns = _near(change.changed, along=0), _near(change.changed, along=1)
    if not layout.everything:
        y, x = change.largest
        rows = _window(rows, y, _MOST_ROWS)
        widths = {column: max(len(cells[row][column][0]) for row in rows) for column in columns}
        room = layout.columns - _label_width(definition, change.new, rows)
        fitting = _blocks(columns, widths, room)[:_MOST_BLOCKS]
        columns = _window(columns, x, max(sum(len(block) for block in fitting), 1))
    yield from _lines(definition, change.new, cells, rows, columns, layout)
    hidden = change.count - int(np.count_nonzero(change.changed[np.ix_(rows, columns)]))
    if hidden:
        yield [(f"and {fmt.count(hidden, 'more changed cell')} further away; --all shows them", layout.quiet)]


def _near(changed: Flags, along: int) -> list[int]:
    """The rows (along 0) or columns (along 1) with changes, and their neighbours."""
    near = np.zeros(changed.shape[along], bool)
    for index in distinct(np.nonzero(changed)[along]).tolist():
        near[max(index - _CONTEXT, 0) : index + _CONTEXT + 1] = True
    return [int(index) for index in np.flatnonzero(near)]


def _window(indexes: list[int], centre: int, most: int) -> list[int]:
    """At most ``most`` of the indexes, around ``centre``."""
    if len(indexes) <= most:
        return indexes
    position = indexes.index(centre)
    start = min(max(position - most // 2, 0), len(indexes) - most)
    return indexes[start : start + most]


def _blocks(columns: Sequence[int], widths: dict[int, int], room: int) -> list[list[int]]:
    """The columns in order, in the fewest blocks that fit into ``room``; no block is empty."""
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
    cells: list[list[StyledText]],
    rows: list[int],
    columns: list[int],
    layout: GridLayout,
) -> Iterator[StyledRow]:
    table = grid.table
    if not table.axes:
        yield [cells[0][0], (_unit_behind(definition, table), "")]
        return
    heads = _breakpoint_texts(definition, table.x, grid.x)
    labels = _breakpoint_texts(definition, table.y, grid.y) if table.y else [""] * len(cells)
    signal, unit = (_fitting(text, _LONGEST_LABEL, layout) for text in signal_and_unit(definition, table.y))
    label_width = _label_width(definition, grid, rows)
    widths = {
        column: max([len(heads[column]), *(len(cells[row][column][0]) for row in rows)]) for column in columns
    }
    for number, block in enumerate(_blocks(columns, widths, layout.columns - label_width)):
        if number:
            yield []
        title = ", ".join(filter(None, signal_and_unit(definition, table.x)))
        title = _fitting(title, layout.columns - label_width - len(_GAP), layout)
        yield [(f"{signal:>{label_width}}{_GAP}{title}", layout.quiet)]
        texts: list[tuple[StyledText, int]] = [
            ((heads[column], layout.quiet), widths[column]) for column in block
        ]
        yield [(f"{unit:>{label_width}}", layout.quiet), *_row(block, texts, layout)]
        previous = -1
        for row in rows:
            if previous not in (-1, row - 1):
                yield [(f"{layout.cut:>{label_width}}", layout.quiet)]
            previous = row
            texts = [(cells[row][column], widths[column]) for column in block]
            yield [(f"{labels[row]:>{label_width}}", layout.quiet), *_row(block, texts, layout)]


def _label_width(definition: Definition, grid: Grid, rows: list[int]) -> int:
    """The width of the column of y breakpoints with its heading; 0 for a curve."""
    if not grid.table.y:
        return 0
    labels = _breakpoint_texts(definition, grid.table.y, grid.y)
    lengths = (min(len(text), _LONGEST_LABEL) for text in signal_and_unit(definition, grid.table.y))
    return max(*lengths, *(len(labels[row]) for row in rows))


def _fitting(text: str, columns: int, layout: GridLayout) -> str:
    """A text cut to a number of columns."""
    return text if len(text) <= columns else text[: columns - 1] + layout.cut


def _row(block: list[int], values: list[tuple[StyledText, int]], layout: GridLayout) -> StyledRow:
    """The cells of a row, each right-aligned; an ellipsis marks columns that are left out."""
    line: StyledRow = []
    previous = block[0] - 1
    for column, ((text, style), width) in zip(block, values, strict=True):
        gap = _GAP if column == previous + 1 else f" {layout.cut}"[-len(_GAP) :]
        line.append((gap, layout.quiet))
        line.append((f"{'':>{width - len(text)}}", ""))
        line.append((text, style))
        previous = column
    return line


# Headings


def _breakpoint_texts(definition: Definition, axis: str | None, values: Numbers | None) -> list[str]:
    if axis is None or values is None:
        return [""]
    return breakpoint_texts(definition, definition.axes[axis], values.tolist())


def _unit_behind(definition: Definition, table: Table) -> str:
    return fmt.with_unit("", definition.unit_of(table))
