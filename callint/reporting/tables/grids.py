"""The cells of a table as lines of text: breakpoints at the top and the left, values in columns.

A grid with changes shows ``old ↑ new`` in raised cells, ``old ↓ new`` in lowered ones and ``old → new`` in
others that changed. It leaves out cells that are far from them; an ellipsis marks each gap.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from callint import fmt
from callint.decoding.statistics import distinct
from callint.fmt.raw_bits import with_bits
from callint.model.change import Flags, Grid, Numbers, TableChange
from callint.model.definition import Definition, States, Table
from callint.reporting.tables.values import breakpoint_texts, cell_texts, signal_and_unit, table_column
from callint.reporting.terminal import CHANGED, LOWERED, RAISED, wrapped

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
#: The values of a curve and of a map between the lowest and the highest one; a cell without a number.
_BLOCKS, _SHADES = "▁▂▃▄▅▆▇█", "░▒▓█"
_NO_LEVEL = {-1: "·", -2: "-"}
#: The indexes of signs and styles.
_RAISED, _LOWERED, _OTHER = range(3)
#: The columns of a shaded cell, which make it about square.
_SHADE_COLUMNS = 2


@dataclass(frozen=True, slots=True)
class GridLayout:
    """The width of a grid in columns, the signs for a change and for a gap, and the styles of the cells.

    ``directions`` are the signs for a raised cell, a lowered one and one that changed in another way. With
    ``everything`` no changed cell is left out; with ``has_blocks`` a curve gets a line of block characters.
    """

    columns: int
    arrow: str = "→"
    cut: str = "…"
    changed: str = CHANGED
    quiet: str = "dim"
    everything: bool = False
    directions: tuple[str, str, str] = ("↑", "↓", "≠")
    styles: tuple[str, str, str] = (RAISED, LOWERED, CHANGED)
    has_blocks: bool = False


def grid_lines(definition: Definition, grid: Grid, layout: GridLayout) -> Iterator[StyledRow]:
    """A whole table, in as many blocks of columns as the width requires."""
    cells = cell_texts(definition, grid)
    rows, columns = grid.physical.shape
    plain = [[(text, "") for text in row] for row in cells]
    yield from _lines(definition, grid, plain, list(range(rows)), list(range(columns)), layout)


def marked_lines(
    definition: Definition,
    grid: Grid,
    cells: list[list[StyledText]],
    layout: GridLayout,
    only: Flags | None = None,
) -> Iterator[StyledRow]:
    """A table with cells that have marks; ``cells`` has the grid's shape.

    With ``only``, of the grid's shape, the rows and columns without a flag are left out.
    """
    flags = np.ones(grid.physical.shape, bool) if only is None else only
    rows, columns = (np.flatnonzero(flags.any(axis=axis)).tolist() for axis in (1, 0))
    yield from _lines(definition, grid, cells, rows, columns, layout)


def with_marks(cells: list[list[StyledText]], marks: list[list[StyledText]]) -> list[list[StyledText]]:
    """Cells with a mark behind each of them; ``marks`` has the grid's shape, all of one length."""
    return [
        [
            (f"{text} {mark}", style or mark_style)
            for (text, style), (mark, mark_style) in zip(*row, strict=True)
        ]
        for row in zip(cells, marks, strict=True)
    ]


def direction_of(definition: Definition, change: TableChange, y: int, x: int) -> int:
    """The index of the sign and style of a changed cell: 0 if it was raised, 1 if it was lowered, else 2."""
    is_states = isinstance(definition.conversion_of(change.table), States)
    old, new = change.old.physical[y, x], change.new.physical[y, x]
    if is_states or change.old.off[y, x] or change.new.off[y, x]:
        return _OTHER
    return _RAISED if new > old else _LOWERED if new < old else _OTHER


def shaded_lines(definition: Definition, grid: Grid, layout: GridLayout) -> Iterator[StyledRow]:
    """A map as shades between its lowest and its highest value; the last line gives both with their unit.

    A cell that is off is a point, and one that the image lacks is a dash.
    """
    levels = levels_of(grid, len(_SHADES))
    labels = _breakpoint_texts(definition, grid.table.y, grid.y)
    heads = _breakpoint_texts(definition, grid.table.x, grid.x)
    x_signal, y_signal = (signal_and_unit(definition, name) for name in (grid.table.x, grid.table.y))
    room = max(map(len, labels))
    per_cell = _SHADE_COLUMNS if room + len(_GAP) + _SHADE_COLUMNS * len(heads) <= layout.columns else 1
    for label, row in zip(labels, levels, strict=True):
        text = "".join((_SHADES[level] if level >= 0 else _NO_LEVEL[level]) * per_cell for level in row)
        yield [(f"{label:>{room}}", layout.quiet), (f"{_GAP}{text}"[: layout.columns - room], "")]
    along, up = (" ".join(filter(None, names)) for names in (x_signal, y_signal))
    prose = f"{along} {heads[0]} to {heads[-1]} to the right, {up} {labels[0]} to {labels[-1]} downward"
    values = grid.physical[_has_level(grid)]
    if values.size:
        low, high = (table_column(definition, grid).text(float(end)) for end in (values.min(), values.max()))
        unit = definition.unit_of(grid.table)
        prose += f"; {_SHADES[0]} is {low}, {_SHADES[-1]} is {fmt.with_unit(high, unit)}"
    yield from ([(text, layout.quiet)] for text in wrapped(prose, layout.columns))


def levels_of(grid: Grid, count: int) -> list[list[int]]:
    """The place of each value between the lowest and the highest one, from 0 to ``count`` - 1.

    -1 for a cell that is off or not a number, -2 for one that the image lacks.
    """
    has_level = _has_level(grid)
    levels = np.where(grid.present, -1, -2)
    if has_level.any():
        values = grid.physical[has_level]
        low, high = values.min(), values.max()
        # Halves, as the difference of two floats may exceed the largest float.
        span = high / 2 - low / 2
        shares = (values / 2 - low / 2) / span if span > 0 else np.zeros(values.shape)
        levels[has_level] = np.minimum((shares * count).astype(np.int64), count - 1)
    listed: list[list[int]] = levels.tolist()
    return listed


def _has_level(grid: Grid) -> Flags:
    flags: Flags = grid.present & ~grid.off & np.isfinite(grid.physical)
    return flags


def _block_line(grid: Grid) -> str:
    """The cells of a curve as a line of blocks."""
    return "".join(_BLOCKS[level] if level >= 0 else _NO_LEVEL[level] for level in levels_of(grid, 8)[0])


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
        direction = direction_of(definition, change, y, x)
        sign = layout.arrow if direction == _OTHER else layout.directions[direction]
        cells[y][x] = f"{old_text} {sign} {new_text}", layout.styles[direction]
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
        yield [
            (f"{signal:>{label_width}}{_GAP}{title}", layout.quiet),
            *_blocks_behind(definition, grid, title, layout),
        ]
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


def _blocks_behind(definition: Definition, grid: Grid, title: str, layout: GridLayout) -> StyledRow:
    """The line of blocks of a curve of numbers, if there is room behind the title."""
    if not layout.has_blocks or grid.table.y or isinstance(definition.conversion_of(grid.table), States):
        return []
    if not _has_level(grid).any():
        return []
    blocks = _block_line(grid)
    room = layout.columns - 2 * len(_GAP) - len(title)
    return [(f"{_GAP}{blocks}", "")] if len(blocks) <= room else []


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
