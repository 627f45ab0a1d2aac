"""The changed neighbourhood of a table as plain HTML, for comments on a server and for notebooks.

It needs no style, class or script: servers strip them from comments. Tags and attributes are those that all
of them keep.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby

from callint import fmt
from callint.reporting.review.changed_cells import ChangedCells

#: The largest number of columns side by side, and of cells of a grid; a larger grid is a list.
_MOST_COLUMNS, _MOST_CELLS = 16, 1_024
#: The largest number of cells in a list.
_MOST_LISTED = 64

#: Turns a text, which may be a stranger's, into HTML.
Escape = Callable[[str], str]


def changed_grid(cells: ChangedCells, escape: Escape) -> str:
    """The rows and columns around the changed cells, with the old value of each below the new one."""
    rows = _neighbours({cell // cells.nx for cell in cells.cells}, cells.ny)
    columns = _neighbours({cell % cells.nx for cell in cells.cells}, cells.nx)
    if len(rows) * len(columns) > _MOST_CELLS:
        return changed_list(cells, escape)
    parts: list[str] = []
    for start in range(0, len(columns), _MOST_COLUMNS):
        parts += _block(cells, rows, columns[start : start + _MOST_COLUMNS], escape)
    omitted = ((cells.ny - len(rows), "row"), (cells.nx - len(columns), "column"))
    if texts := [fmt.count(number, noun) for number, noun in omitted if number]:
        parts.append(f"<p>Left out: {' and '.join(texts)} with no change in or next to them.</p>")
    return "".join(parts)


def changed_list(cells: ChangedCells, escape: Escape, most: int = _MOST_LISTED) -> str:
    """The largest changes as old and new value, a row of the table in a line, and how many more there are."""
    shown = cells.most_changed(most)
    lines = list(row_items(cells, shown, escape))
    if more := len(cells.cells) - len(shown):
        count = fmt.count(more, "more changed cell")
        lines.append(
            f"<li>{count}, each changed less: <code>callint diff OLD NEW --all</code> lists them</li>"
        )
    return f"<ul>{''.join(lines)}</ul>"


def row_items(cells: ChangedCells, shown: Sequence[int], escape: Escape) -> Iterator[str]:
    """Some changed cells as old and new value, an item for each row of the table."""
    for row, members in groupby(shown, key=lambda cell: cell // cells.nx):
        texts = [
            f"{cells.place('x', cell % cells.nx)}: {cells.old[cell]} → {cells.new[cell]}" for cell in members
        ]
        lead = f"<strong>{escape(cells.place('y', row))}</strong> " if cells.ny > 1 else ""
        yield f"<li>{lead}{'; '.join(map(escape, texts))}</li>"


def _neighbours(changed: set[int], size: int) -> list[int]:
    near = {index + step for index in changed for step in (-1, 0, 1)}
    return sorted(index for index in near if 0 <= index < size)


def _block(cells: ChangedCells, rows: Sequence[int], columns: Sequence[int], escape: Escape) -> Iterator[str]:
    """A table of some of the columns with the breakpoints of both axes."""
    yield "<table>"
    if "x" in cells.table:
        signals = [cells.table[side]["signal"] for side in ("y", "x") if side in cells.table]
        heads = "".join(f"<th>{escape(cells.place('x', column))}</th>" for column in columns)
        yield f"<tr><th>{escape(' / '.join(signals))}</th>{heads}</tr>"
    for row in rows:
        lead = cells.place("y", row) or "Value"
        yield f"<tr><th>{escape(lead)}</th>"
        yield from (_cell(cells, row * cells.nx + column, escape) for column in columns)
        yield "</tr>"
    yield "</table>"


def _cell(cells: ChangedCells, cell: int, escape: Escape) -> str:
    old = escape(cells.old[cell])
    if cell not in cells.new:
        return f"<td>{old}</td>"
    return f"<td><b>{cells.direction(cell)} {escape(cells.new[cell])}</b><br><del>{old}</del></td>"
