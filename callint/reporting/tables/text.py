"""Whole tables of one image for people."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from callint import fmt
from callint.decoding.decode import Decoded
from callint.decoding.digest import axis_digest, table_digest, whole_digest
from callint.decoding.log_residency import LogSummary
from callint.model.change import Grid, TableChange
from callint.model.definition import Axis, Definition, Kind, StoredAxis, Table, Text
from callint.model.derived_axis import DerivedAxis
from callint.reporting.log.wording import log_sentences, share_text
from callint.reporting.tables.grids import (
    GridLayout,
    StyledRow,
    StyledText,
    direction_of,
    grid_lines,
    marked_lines,
    shaded_lines,
    with_marks,
)
from callint.reporting.tables.values import breakpoint_texts, cell_texts
from callint.reporting.terminal import (
    QUIET,
    Terminal,
    arrow,
    directions,
    ellipsis,
    has_blocks,
    heading,
    line,
    row_with_prose,
    width,
    wrapped,
)

_INDENT = "  "
#: The mark of a cell that the logged engine never reached.
_NEVER = "-"
#: The sentence that explains the marks.
_MARKS = (
    "The share of the logged time, by weight, follows each value; - means that the engine was never there."
)


@dataclass(frozen=True, slots=True)
class BaseMarks:
    """The changes against a base, whose name the closing sentence gives.

    With ``is_only``, unchanged cells are left out.
    """

    name: str
    changes: Mapping[str, TableChange]
    is_only: bool = False


def print_tables(
    decoded: Decoded,
    tables: Iterable[Table | Text],
    terminal: Terminal,
    logged: LogSummary | None = None,
    marks: BaseMarks | None = None,
    is_shaded: bool = False,
) -> None:
    """Print each table with its axes, units, notes, and the digest that a waiver for it needs.

    With a driving log, print behind each value its share of the logged time. ``marks`` sign the cells that
    differ from the base; ``is_shaded`` shows maps as shades.
    """
    has_signs = False
    for table in tables:
        has_signs |= marks is not None and table.name in marks.changes
        for title in heading(table.name, f": {table.title} ({table.purpose.value})", width(terminal)):
            terminal.print(title)
        for text in wrapped(_details(decoded, table), width(terminal), _INDENT):
            terminal.print(line((text, QUIET)))
        if isinstance(table, Table):
            rows = _table_rows(decoded, table, terminal, logged, marks, is_shaded)
            for cells in rows:
                terminal.print(line(_INDENT, *cells).stripped() if cells else "")
        else:
            content = decoded.text(table)
            quoted = "-" if content is None else f'"{content}"'
            for text in wrapped(quoted, width(terminal), _INDENT):
                terminal.print(line(text))
        for note in table.notes:
            for text in wrapped(note, width(terminal), _INDENT):
                terminal.print(line((text, QUIET)))
        terminal.print()
    sentences = [_signs_sentence(marks, terminal)] if marks and has_signs else []
    for sentence in (*sentences, *((*log_sentences(logged), _MARKS) if logged else ())):
        for text in wrapped(sentence, width(terminal)):
            terminal.print(line((text, QUIET)))
    if sentences or logged:
        terminal.print()


def _signs_sentence(marks: BaseMarks, terminal: Terminal) -> str:
    raised, lowered, other = directions(terminal)
    return f"Compared with {marks.name}: {raised} raised, {lowered} lowered, {other} changed in another way."


def _table_rows(
    decoded: Decoded,
    table: Table,
    terminal: Terminal,
    logged: LogSummary | None,
    marks: BaseMarks | None,
    is_shaded: bool,
) -> Iterator[StyledRow]:
    """The lines of a table's cells."""
    layout = GridLayout(
        width(terminal) - len(_INDENT),
        arrow(terminal),
        ellipsis(terminal),
        directions=directions(terminal),
        has_blocks=has_blocks(terminal),
    )
    grid, definition = decoded.grid(table), decoded.layout.definition
    shares = _share_marks(logged, table.name, layout.quiet) if logged else None
    change = marks.changes.get(table.name) if marks else None
    is_only = marks is not None and marks.is_only
    if is_shaded and table.y and layout.has_blocks:
        return shaded_lines(definition, grid, layout)
    if shares is None and change is None:
        return grid_lines(definition, grid, layout)
    cells = _signed_cells(definition, grid, change, layout, is_only)
    if shares is not None:
        cells = with_marks(cells, shares)
    return marked_lines(definition, grid, cells, layout, change.changed if change and is_only else None)


def _signed_cells(
    definition: Definition, grid: Grid, change: TableChange | None, layout: GridLayout, is_only: bool
) -> list[list[StyledText]]:
    """The cells of a table, a changed one with a sign behind it; with ``is_only``, others are points."""
    cells: list[list[StyledText]] = [[(text, "") for text in row] for row in cell_texts(definition, grid)]
    if change is None:
        return cells
    signed = change.changed.any(axis=0).tolist()
    for row in cells:
        for x in np.flatnonzero(signed).tolist():
            row[x] = f"{layout.cut if is_only else row[x][0]}  ", layout.quiet if is_only else ""
    texts = cell_texts(definition, grid)
    for y, x in np.argwhere(change.changed).tolist():
        direction = direction_of(definition, change, y, x)
        cells[y][x] = f"{texts[y][x]} {layout.directions[direction]}", layout.styles[direction]
    return cells


def _share_marks(log: LogSummary, table: str, quiet: str) -> list[list[StyledText]] | None:
    """A mark for each cell of a table: its share of the logged time, or a dash if it was never reached.

    None if the log cannot tell.
    """
    shares = log.shares(table)
    if shares is None:
        return None
    texts = [[share_text(share) if share else _NEVER for share in row] for row in shares.tolist()]
    longest = max(len(text) for row in texts for text in row)
    return [
        [(f"{text:>{longest}}", "" if share else quiet) for text, share in zip(*row, strict=True)]
        for row in zip(texts, shares.tolist(), strict=True)
    ]


def print_axes(decoded: Decoded, axes: Iterable[Axis], terminal: Terminal) -> None:
    """Print each axis with its breakpoints and the tables that use it."""
    definition = decoded.layout.definition
    for axis in axes:
        unit = fmt.with_unit("", definition.unit_of(axis)).strip()
        signal = f": axis of {axis.signal}{f', {unit}' if unit else ''}"
        for title in heading(axis.name, signal, width(terminal)):
            terminal.print(title)
        storage = "fixed"
        if isinstance(axis, DerivedAxis):
            storage = f"{axis.derivation} from {axis.curve}"
        elif isinstance(axis, StoredAxis):
            digest = axis_digest(decoded, axis.name)
            storage = f"{axis.storage.type.name} at {fmt.address(axis.at)}, {digest}"
        tables = ", ".join(table.name for table in definition.tables_on(axis.name)) or "no table"
        for text in wrapped(f"{storage}; used by {tables}", width(terminal), _INDENT):
            terminal.print(line((text, QUIET)))
        values = breakpoint_texts(definition, axis, decoded.breakpoints(axis.name).tolist())
        for text in wrapped("  ".join(values), width(terminal), _INDENT):
            terminal.print(line(text))
        terminal.print()


def _details(decoded: Decoded, table: Table | Text) -> str:
    """The storage of a table in the image, and its digest."""
    if isinstance(table, Text):
        return f"text of {fmt.count(table.length, 'byte')} at {fmt.address(table.at)}"
    definition = decoded.layout.definition
    rows, columns = definition.shape_of(table)
    shape = {Kind.SCALAR: "", Kind.CURVE: f" of {columns}", Kind.MAP: f" of {rows} by {columns}"}[table.kind]
    unit = fmt.with_unit("", definition.unit_of(table)).strip()
    parts = [
        f"{table.kind.value}{shape}",
        *([unit] if unit else []),
        f"{table.storage.type.name} at {fmt.address(table.at)}",
        str(table_digest(decoded, table)),
    ]
    return ", ".join(parts)


def print_table_list(decoded: Decoded, tables: Iterable[Table | Text], terminal: Terminal) -> None:
    """Print the digest of the whole image, then a line for each table, under the titles of the groups."""
    definition = decoded.layout.definition
    terminal.print(line((f"whole image: {whole_digest(decoded.image, definition)}", QUIET)))
    terminal.print()
    listed = list(tables)
    names = max((len(table.name) for table in listed), default=0)
    group = None
    for table in listed:
        if table.group != group:
            if group is not None:
                terminal.print()
            group = table.group
            title = definition.groups[group].title if group in definition.groups else "No group"
            terminal.print(line((title, "bold")))
        kind = table.kind.value if isinstance(table, Table) else Kind.TEXT.value
        lead = f"  {table.name:<{names}}  {kind:<6}  {table.purpose.value:<10}"
        for row in row_with_prose(lead, table.title, width(terminal)):
            terminal.print(row)
