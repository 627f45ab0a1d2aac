"""The open and the settled conflicts of a merge for people, each with all three versions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from callint import fmt
from callint.checking.merge_report import MergeReport
from callint.comparing.merge import (
    AxisConflict,
    AxisVersions,
    BytesConflict,
    CellConflict,
    Conflict,
    Decision,
    IdentityConflict,
    TableVersions,
    TextConflict,
)
from callint.comparing.merge_sides import moved_sides
from callint.fmt.raw_bits import with_bits
from callint.model.definition import Definition, States
from callint.reporting.merge.outcome import print_broken, print_list_head, print_remedy, print_sentence
from callint.reporting.tables.values import breakpoint_texts, cell_place, table_column
from callint.reporting.terminal import QUIET, Terminal, ellipsis, heading, line, width, wrapped

_INDENT = "  "
_SIDES = ("base", "ours", "theirs")
#: The largest number of cells of a table, and of bytes of a run, that are printed in a terminal.
_MOST_CELLS, _MOST_BYTES = 12, 16


def print_merge(
    report: MergeReport, terminal: Terminal, lists: str = "", commands: Sequence[str] = ()
) -> None:
    """Print the open and the settled conflicts, and the rules that the merged image breaks, if there are any.

    ``lists`` is a sentence that says where all conflicts are listed; ``commands`` settle them.
    """
    for decision in report.open_decisions:
        _print_conflict(report.definition, decision, terminal, everything=False)
    for decision in report.merge.settled:
        size = _size(decision.conflict)
        outcome = f": {f'{size} ' if size else ''}resolved with {decision.side.value}"
        for row in heading(title(decision.conflict), outcome, width(terminal)):
            terminal.print(row)
    print_remedy(report.image, len(report.merge.conflicts), lists, commands, terminal)
    print_broken(report.image, report.broken, terminal)


def print_list(report: MergeReport, terminal: Terminal) -> None:
    """Print the list that callint writes next to a merged image: every open conflict in full."""
    print_list_head(report.image, (report.base, report.ours, report.theirs), terminal)
    for decision in report.open_decisions:
        _print_conflict(report.definition, decision, terminal, everything=True)
    print_sentence(f"{report.image} keeps ours in all of these.", terminal)


def title(conflict: Conflict) -> str:
    """The name of the item in conflict."""
    match conflict:
        case CellConflict():
            return conflict.versions.table.name
        case AxisConflict():
            return f"axis {', '.join(versions.axis.name for versions in conflict.axes)}"
        case TextConflict():
            return f"text {conflict.text.name}"
        case IdentityConflict():
            return f"identity {conflict.identity.name}"
        case BytesConflict():
            return f"bytes from {fmt.address(conflict.start)}"


def _size(conflict: Conflict) -> str:
    match conflict:
        case CellConflict():
            return fmt.count(conflict.versions.count, "cell")
        case AxisConflict():
            names = ", ".join(versions.table.name for versions in conflict.tables)
            return f"with {names}," if names else ""
        case BytesConflict():
            return fmt.count(len(conflict.ours), "byte")
        case _:
            return ""


def _print_conflict(
    definition: Definition, decision: Decision, terminal: Terminal, *, everything: bool
) -> None:
    conflict = decision.conflict
    match conflict:
        case CellConflict():
            _print_cells(definition, conflict.versions, terminal, "in conflict", everything)
        case AxisConflict():
            for axis in conflict.axes:
                _print_axis(definition, axis, terminal)
            for versions in conflict.tables:
                _print_cells(definition, versions, terminal, "differ", everything)
        case TextConflict():
            texts = [f'"{text}"' for text in (conflict.base, conflict.ours, conflict.theirs)]
            _print_three(title(conflict), f": {conflict.text.title}", texts, terminal)
        case IdentityConflict():
            texts = [fmt.byte_string(content) for content in (conflict.base, conflict.ours, conflict.theirs)]
            _print_three(title(conflict), "", texts, terminal)
        case BytesConflict():
            contents = (conflict.base, conflict.ours, conflict.theirs)
            texts = [_hex(content, terminal, everything) for content in contents]
            size = f": {fmt.count(len(conflict.ours), 'byte')} that the definition does not describe"
            _print_three(title(conflict), size, texts, terminal)


def _hex(content: bytes, terminal: Terminal, everything: bool) -> str:
    if everything or len(content) <= _MOST_BYTES:
        return content.hex(" ")
    return f"{content[:_MOST_BYTES].hex(' ')} {ellipsis(terminal)}"


def _print_three(name: str, rest: str, versions: Sequence[str], terminal: Terminal) -> None:
    for row in heading(name, rest, width(terminal)):
        terminal.print(row)
    for side, version in zip(_SIDES, versions, strict=True):
        first, *more = wrapped(version, width(terminal), " " * 10)
        terminal.print(line(f"{_INDENT}{side:<6}  ", first.lstrip()))
        for text in more:
            terminal.print(line(text))
    terminal.print()


# Axes


def _print_axis(definition: Definition, versions: AxisVersions, terminal: Terminal) -> None:
    axis = versions.axis
    unit = fmt.with_unit("", definition.unit_of(axis)).strip()
    signal = f": {axis.signal}{f', {unit}' if unit else ''}"
    for title_line in heading(f"axis {axis.name}", signal, width(terminal)):
        terminal.print(title_line)
    names = ", ".join(table.name for table in definition.tables_on(axis.name))
    moved = " and ".join(moved_sides(versions))
    change = f"moved in {moved}" if moved else "stored differently"
    prose = f"{change}; merged together with the tables on it: {names}"
    for text in wrapped(prose, width(terminal), _INDENT):
        terminal.print(line(text))
    exact = _look_alike(definition, versions)
    sides = (versions.base, versions.ours, versions.theirs)
    rows = [breakpoint_texts(definition, axis, values.tolist(), exact) for values in sides]
    for block in _blocks(rows, width(terminal) - 10):
        for side, row in zip(_SIDES, block, strict=True):
            terminal.print(line(f"{_INDENT}{side:<6}", row))
    if versions.counts and len(set(versions.counts)) > 1:
        base, ours, theirs = versions.counts
        terminal.print(line(f"{_INDENT}stored count: base {base}, ours {ours}, theirs {theirs}"))
    terminal.print()


def _look_alike(definition: Definition, versions: AxisVersions) -> bool:
    """Whether different breakpoints have the same text."""
    for first, second in ((versions.base, versions.ours), (versions.ours, versions.theirs)):
        texts = (breakpoint_texts(definition, versions.axis, values.tolist()) for values in (first, second))
        pairs = zip(*texts, first.tolist(), second.tolist(), strict=True)
        if any(text_a == text_b and a != b for text_a, text_b, a, b in pairs):
            return True
    return False


def _blocks(rows: list[list[str]], room: int) -> Iterator[list[str]]:
    """Rows of texts, all of one length, as lines of aligned columns, in blocks that fit into ``room``."""
    lines, left = [""] * len(rows), room
    for column in zip(*rows, strict=True):
        column_width = max(map(len, column)) + 2
        if column_width > left and lines[0]:
            yield lines
            lines, left = [""] * len(rows), room
        lines = [f"{text}{cell:>{column_width}}" for text, cell in zip(lines, column, strict=True)]
        left -= column_width
    yield lines


# Cells


def _print_cells(
    definition: Definition, versions: TableVersions, terminal: Terminal, state: str, everything: bool
) -> None:
    table = versions.table
    for title_line in heading(table.name, f": {table.title} ({table.purpose.value})", width(terminal)):
        terminal.print(title_line)
    if table.axes:
        amount = f"{versions.count:,} of {fmt.count(versions.cells.size, 'cell')}"
        terminal.print(line(f"{_INDENT}{amount} {state}"))
    places = np.argwhere(versions.cells).tolist()
    hidden = 0 if everything else max(len(places) - _MOST_CELLS, 0)
    rows = [
        (cell_place(definition, versions.ours, y, x), _three(definition, versions, y, x))
        for y, x in places[: len(places) - hidden]
    ]
    for row in _cell_lines(fmt.with_unit("", definition.unit_of(table)).strip(), rows, width(terminal)):
        terminal.print(line(row))
    if hidden:
        terminal.print(line((f"{_INDENT}and {fmt.count(hidden, 'more cell')}", QUIET)))
    terminal.print()


def _cell_lines(unit: str, rows: list[tuple[str, list[str]]], columns: int) -> Iterator[str]:
    """A line for each cell: its place, then base, ours and theirs in columns, or in prose if too wide."""
    lead = max(len(unit), *(len(place) for place, _ in rows))
    widths = [max(len(side), *(len(three[n]) for _, three in rows)) for n, side in enumerate(_SIDES)]
    if len(_INDENT) + lead + sum(widths) + 2 * len(widths) <= columns:
        for place, three in [(unit, list(_SIDES)), *rows]:
            cells = "".join(f"  {text:>{size}}" for text, size in zip(three, widths, strict=True))
            yield f"{_INDENT}{place:<{lead}}{cells}"
        return
    for place, three in rows:
        values = ", ".join(
            f"{side} {fmt.with_unit(text, unit)}" for side, text in zip(_SIDES, three, strict=True)
        )
        yield from wrapped(f"{place}: {values}" if place else values, columns, _INDENT)


def _three(definition: Definition, versions: TableVersions, y: int, x: int) -> list[str]:
    """A cell in the three images, without its unit; different values have different texts."""
    conversion = definition.conversion_of(versions.table)
    grids = (versions.base, versions.ours, versions.theirs)
    values = [float(grid.physical[y, x]) for grid in grids]
    raws = [grid.raw[y, x] for grid in grids]
    offs = [bool(grid.off[y, x]) for grid in grids]
    storage = versions.table.storage
    column = table_column(definition, *grids)
    texts = ["off" if off else column.text(value) for value, off in zip(values, offs, strict=True)]
    distinct = len({raw.tobytes() for raw in raws})
    if len(set(texts)) < distinct and not isinstance(conversion, States):
        texts = [
            fmt.exact(value, conversion, storage) if np.isfinite(value) and not off else text
            for value, off, text in zip(values, offs, texts, strict=True)
        ]
    if len(set(texts)) < distinct:
        texts = with_bits(texts, raws)
    return texts
