"""What a merge left open and what it settled, for people: every conflict with all three versions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from callint import fmt
from callint.comparing.merge import (
    AxisConflict,
    AxisVersions,
    BytesConflict,
    CellConflict,
    Conflict,
    Decision,
    IdentityConflict,
    TextConflict,
    Versions,
)
from callint.fmt.raw_bits import with_bits
from callint.model.change import Grid, Numbers
from callint.model.definition import Definition, States
from callint.reporting.findings.text import print_findings
from callint.reporting.merge.json import TITLE, MergeReport
from callint.reporting.tables.grids import breakpoint_texts
from callint.reporting.terminal import QUIET, Terminal, ellipsis, heading, line, width, wrapped

_INDENT = "  "
_SIDES = ("base", "ours", "theirs")
#: Of one table so many cells are shown in a terminal, and of a run of bytes so many bytes.
_MOST_CELLS, _MOST_BYTES = 12, 16


def print_merge(
    report: MergeReport, terminal: Terminal, lists: str = "", commands: Sequence[str] = ()
) -> None:
    """Print what is open, what was settled, and which rules the merged image breaks; nothing if nothing.

    ``lists`` says where all conflicts are listed, ``commands`` are those that settle them.
    """
    merge = report.merge
    for decision in merge.decisions:
        if decision.open:
            _print_conflict(report.definition, decision, terminal, everything=False)
    for decision in merge.settled:
        amount = _amount(decision.conflict)
        words = f": {f'{amount} ' if amount else ''}settled for {decision.side.value}"
        for row in heading(title(decision.conflict), words, width(terminal)):
            terminal.print(row)
    if merge.conflicts:
        words = fmt.count(len(merge.conflicts), "conflict")
        is_one = len(merge.conflicts) == 1
        them = "it" if is_one else "them"
        words += f"; {report.image} has ours there."
        if commands:
            _print_prose(f"{words} {lists} At the top, with ours or theirs, this settles {them}:", terminal)
        else:
            _print_prose(f"{words} Settle {them} with --take. {lists}", terminal)
        for command in commands:
            terminal.print(line(f"{_INDENT}{fmt.clean(command)}"))
    if report.broken.findings:
        _print_prose(f"{report.image}: merged cleanly, but together the edits break:", terminal)
        terminal.print()
        print_findings(report.broken, terminal)


def print_list(report: MergeReport, terminal: Terminal) -> None:
    """Print the list that lies beside a merged image: every open conflict, whole."""
    _print_prose(f"{TITLE}{report.image}", terminal)
    terminal.print()
    for side, name in zip(_SIDES, (report.base, report.ours, report.theirs), strict=True):
        for text in heading(f"{side:<6}", f"  {name}", width(terminal)):
            terminal.print(text)
    terminal.print()
    for decision in report.merge.decisions:
        if decision.open:
            _print_conflict(report.definition, decision, terminal, everything=True)
    _print_prose(f"{report.image} has ours in all of this.", terminal)


def _print_prose(words: str, terminal: Terminal) -> None:
    for text in wrapped(words, width(terminal)):
        terminal.print(line(text))


def title(conflict: Conflict) -> str:
    """What a conflict is about."""
    match conflict:
        case CellConflict():
            return conflict.versions.table.name
        case AxisConflict():
            return f"axis {', '.join(one.axis.name for one in conflict.axes)}"
        case TextConflict():
            return f"text {conflict.text.name}"
        case IdentityConflict():
            return f"identity {conflict.identity.name}"
        case BytesConflict():
            return f"bytes from {fmt.address(conflict.start)}"


def _amount(conflict: Conflict) -> str:
    match conflict:
        case CellConflict():
            return fmt.count(conflict.versions.count, "cell")
        case AxisConflict():
            names = ", ".join(one.table.name for one in conflict.tables)
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
            three = (f'"{one}"' for one in (conflict.base, conflict.ours, conflict.theirs))
            _print_three(title(conflict), f": {conflict.text.title}", list(three), terminal)
        case IdentityConflict():
            three = (fmt.byte_string(one) for one in (conflict.base, conflict.ours, conflict.theirs))
            _print_three(title(conflict), "", list(three), terminal)
        case BytesConflict():
            three = (
                _hex(one, terminal, everything) for one in (conflict.base, conflict.ours, conflict.theirs)
            )
            words = f": {fmt.count(len(conflict.ours), 'byte')} that nothing defines"
            _print_three(title(conflict), words, list(three), terminal)


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
    words = f"{_movers(versions)}; stands or falls with the tables on it: {names}"
    for text in wrapped(words, width(terminal), _INDENT):
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


def _movers(versions: AxisVersions) -> str:
    counts = versions.counts or (0, 0, 0)
    moved = [
        side
        for side, values, count in (
            ("ours", versions.ours, counts[1]),
            ("theirs", versions.theirs, counts[2]),
        )
        if not _same(values, versions.base) or count != counts[0]
    ]
    return f"moved in {' and '.join(moved)}" if moved else "stored differently"


def _same(one: Numbers, other: Numbers) -> bool:
    return bool(np.array_equal(one, other, equal_nan=True))


def _look_alike(definition: Definition, versions: AxisVersions) -> bool:
    """Whether breakpoints that differ would have one text."""
    for one, other in ((versions.base, versions.ours), (versions.ours, versions.theirs)):
        texts = (breakpoint_texts(definition, versions.axis, values.tolist()) for values in (one, other))
        pairs = zip(*texts, one.tolist(), other.tolist(), strict=True)
        if any(before == after and a != b for before, after, a, b in pairs):
            return True
    return False


def _blocks(rows: list[list[str]], room: int) -> Iterator[list[str]]:
    """Rows of equally many texts as lines of aligned columns, in as many blocks as the room asks for."""
    lines, left = [""] * len(rows), room
    for column in zip(*rows, strict=True):
        wide = max(map(len, column)) + 2
        if wide > left and lines[0]:
            yield lines
            lines, left = [""] * len(rows), room
        lines = [f"{text}{one:>{wide}}" for text, one in zip(lines, column, strict=True)]
        left -= wide
    yield lines


# Cells


def _print_cells(
    definition: Definition, versions: Versions, terminal: Terminal, what: str, everything: bool
) -> None:
    table = versions.table
    for title_line in heading(table.name, f": {table.title} ({table.purpose.value})", width(terminal)):
        terminal.print(title_line)
    if table.axes:
        amount = f"{versions.count:,} of {fmt.count(versions.cells.size, 'cell')}"
        terminal.print(line(f"{_INDENT}{amount} {what}"))
    places = np.argwhere(versions.cells).tolist()
    hidden = 0 if everything else max(len(places) - _MOST_CELLS, 0)
    rows = [
        (_place(definition, versions.ours, y, x), _three(definition, versions, y, x))
        for y, x in places[: len(places) - hidden]
    ]
    for row in _cell_lines(fmt.with_unit("", definition.unit_of(table)).strip(), rows, width(terminal)):
        terminal.print(line(row))
    if hidden:
        terminal.print(line((f"{_INDENT}and {fmt.count(hidden, 'more cell')}", QUIET)))
    terminal.print()


def _cell_lines(unit: str, rows: list[tuple[str, list[str]]], columns: int) -> Iterator[str]:
    """A line a cell: its place, and base, ours and theirs in columns, or in prose where they do not fit."""
    lead = max(len(unit), *(len(place) for place, _ in rows))
    widths = [max(len(side), *(len(three[n]) for _, three in rows)) for n, side in enumerate(_SIDES)]
    if len(_INDENT) + lead + sum(widths) + 2 * len(widths) <= columns:
        for place, three in [(unit, list(_SIDES)), *rows]:
            cells = "".join(f"  {text:>{wide}}" for text, wide in zip(three, widths, strict=True))
            yield f"{_INDENT}{place:<{lead}}{cells}"
        return
    for place, three in rows:
        words = ", ".join(
            f"{side} {fmt.with_unit(text, unit)}" for side, text in zip(_SIDES, three, strict=True)
        )
        yield from wrapped(f"{place}: {words}" if place else words, columns, _INDENT)


def _place(definition: Definition, grid: Grid, y: int, x: int) -> str:
    """A cell's breakpoints with their units; "" for a scalar."""
    words = []
    for name, values, index in ((grid.table.x, grid.x, x), (grid.table.y, grid.y, y)):
        if name is not None and values is not None:
            axis = definition.axes[name]
            text = breakpoint_texts(definition, axis, [float(values[index])])[0]
            words.append(fmt.with_unit(text, definition.unit_of(axis)))
    return f"at {', '.join(words)}" if words else ""


def _three(definition: Definition, versions: Versions, y: int, x: int) -> list[str]:
    """A cell in the three images, without its unit; different ones have different texts."""
    conversion = definition.conversion_of(versions.table)
    grids = (versions.base, versions.ours, versions.theirs)
    values = [float(grid.physical[y, x]) for grid in grids]
    raws = [grid.raw[y, x] for grid in grids]
    offs = [bool(grid.off[y, x]) for grid in grids]
    texts = ["off" if off else fmt.number(value, conversion) for value, off in zip(values, offs, strict=True)]
    distinct = len({raw.tobytes() for raw in raws})
    if len(set(texts)) < distinct and not isinstance(conversion, States):
        texts = [
            fmt.exact(value) if np.isfinite(value) and not off else text
            for value, off, text in zip(values, offs, texts, strict=True)
        ]
    if len(set(texts)) < distinct:
        texts = with_bits(texts, raws)
    return texts
