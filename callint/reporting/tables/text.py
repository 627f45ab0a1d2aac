"""Whole tables of one image."""

from __future__ import annotations

from collections.abc import Iterable

from callint import fmt
from callint.decoding.decode import Decoded
from callint.decoding.digest import axis_digest, table_digest, whole_digest
from callint.decoding.log_residency import LogSummary
from callint.model.definition import Axis, Kind, StoredAxis, Table, Text
from callint.reporting.tables.grids import GridLayout, breakpoint_texts, grid_lines, marked_lines
from callint.reporting.tables.log_text import MARKS, log_sentences, share_marks
from callint.reporting.terminal import QUIET, Terminal, arrow, beside, ellipsis, heading, line, width, wrapped

_INDENT = "  "


def print_tables(
    decoded: Decoded, tables: Iterable[Table | Text], terminal: Terminal, logged: LogSummary | None = None
) -> None:
    """Each table with its axes, units, notes, and the digest that a waiver of it needs.

    With a driving log, the share of its time stands behind each value.
    """
    for table in tables:
        for text in heading(table.name, f": {table.title} ({table.purpose.value})", width(terminal)):
            terminal.print(text)
        for words in wrapped(_details(decoded, table), width(terminal), _INDENT):
            terminal.print(line((words, QUIET)))
        if isinstance(table, Table):
            layout = GridLayout(width(terminal) - len(_INDENT), arrow(terminal), ellipsis(terminal))
            marks = share_marks(logged, table.name, layout.quiet) if logged else None
            grid, definition = decoded.grid(table), decoded.layout.definition
            lines = (
                grid_lines(definition, grid, layout)
                if marks is None
                else marked_lines(definition, grid, marks, layout)
            )
            for pieces in lines:
                terminal.print(line(_INDENT, *pieces) if pieces else "")
        else:
            content = decoded.text(table)
            shown_text = "-" if content is None else f'"{content}"'
            for words in wrapped(shown_text, width(terminal), _INDENT):
                terminal.print(line(words))
        for note in table.notes:
            for words in wrapped(note, width(terminal), _INDENT):
                terminal.print(line((words, QUIET)))
        terminal.print()
    if logged:
        for sentence in (*log_sentences(logged), MARKS):
            for words in wrapped(sentence, width(terminal)):
                terminal.print(line((words, QUIET)))
        terminal.print()


def print_axes(decoded: Decoded, axes: Iterable[Axis], terminal: Terminal) -> None:
    """Each axis with its breakpoints and the tables that use it."""
    definition = decoded.layout.definition
    for axis in axes:
        unit = fmt.with_unit("", definition.unit_of(axis)).strip()
        signal = f": axis of {axis.signal}{f', {unit}' if unit else ''}"
        for words in heading(axis.name, signal, width(terminal)):
            terminal.print(words)
        where = "fixed"
        if isinstance(axis, StoredAxis):
            digest = axis_digest(decoded, axis.name)
            where = f"{axis.storage.type.name} at {fmt.address(axis.at)}, {digest}"
        tables = ", ".join(table.name for table in definition.tables_on(axis.name)) or "no table"
        for text in wrapped(f"{where}; used by {tables}", width(terminal), _INDENT):
            terminal.print(line((text, QUIET)))
        values = breakpoint_texts(definition, axis, decoded.breakpoints(axis.name).tolist())
        for text in wrapped("  ".join(values), width(terminal), _INDENT):
            terminal.print(line(text))
        terminal.print()


def _details(decoded: Decoded, table: Table | Text) -> str:
    """Where and how a table lies in the image, and its digest."""
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
    """The whole image's digest, then one line a table, under the titles of their groups."""
    definition = decoded.layout.definition
    terminal.print(line((f"whole image: {whole_digest(decoded.image, definition)}", QUIET)))
    terminal.print()
    found = list(tables)
    names = max((len(table.name) for table in found), default=0)
    group = None
    for table in found:
        if table.group != group:
            if group is not None:
                terminal.print()
            group = table.group
            title = definition.groups[group].title if group in definition.groups else "No group"
            terminal.print(line((title, "bold")))
        kind = table.kind.value if isinstance(table, Table) else Kind.TEXT.value
        lead = f"  {table.name:<{names}}  {kind:<6}  {table.purpose.value:<10}"
        for row in beside(lead, table.title, width(terminal)):
            terminal.print(row)
