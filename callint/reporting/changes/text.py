"""A change set for people: what changed, by how much, at which operating point, and the cells."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.comparing.compare import differing_addresses, runs
from callint.decoding.checksums import written
from callint.decoding.log_residency import LogSummary
from callint.fmt.raw_bits import with_bits
from callint.model.change import AxisChange, ChangeSet, Run, TableChange, by_importance
from callint.model.definition import Definition, Purpose
from callint.model.image import Image
from callint.reporting.changes.wording import cell_change, change_parts, closing_line
from callint.reporting.log.wording import axis_use_text, change_use_text, log_sentences
from callint.reporting.tables.grids import GridLayout, StyledRow, change_lines
from callint.reporting.tables.values import breakpoint_texts
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
#: The largest number of unexplained runs that are printed, and of bytes of each.
_MOST_RUNS, _MOST_BYTES = 10, 10
#: The largest number of runs that are printed if there is no definition.
_MOST_UNDEFINED_RUNS = 8


def print_changes(
    changes: ChangeSet,
    old: Image,
    new: Image,
    terminal: Terminal,
    everything: bool = False,
    logged: LogSummary | None = None,
) -> None:
    """Print every change, protection first, and a closing line; print nothing if nothing changed.

    With a driving log, also print the share of its time in which the changes count.
    """
    if changes.is_empty:
        return
    columns = width(terminal) - len(_INDENT)
    layout = grid_layout(terminal, columns, everything)
    for change in in_reading_order(changes):
        _print_table(changes.definition, change, layout, terminal, logged)
    print_other_changes(changes, old, new, terminal, everything, logged)


def print_other_changes(
    changes: ChangeSet,
    old: Image,
    new: Image,
    terminal: Terminal,
    everything: bool = False,
    logged: LogSummary | None = None,
) -> None:
    """Print every change outside the cells of tables, and the closing line."""
    layout = grid_layout(terminal, width(terminal) - len(_INDENT), everything)
    for axis in changes.axes:
        _print_axis(changes, axis, layout, terminal, logged)
    for name, change_text in _small_changes(changes, layout.arrow):
        for title in heading(name, f": {change_text}", width(terminal)):
            terminal.print(title)
    if changes.counts or changes.texts or changes.identities or changes.checksums:
        terminal.print()
    _print_runs(changes, old, new, layout, terminal)
    for sentence in log_sentences(logged) if logged else ():
        for text in wrapped(sentence, width(terminal)):
            terminal.print(line((text, QUIET)))
    for text in wrapped(closing_line(changes), width(terminal)):
        terminal.print(line(text))


def grid_layout(terminal: Terminal, columns: int, everything: bool = False) -> GridLayout:
    """The layout of grids of changes on a terminal; ``columns`` is their width."""
    return GridLayout(
        columns,
        arrow(terminal),
        ellipsis(terminal),
        everything=everything,
        directions=directions(terminal),
        has_blocks=has_blocks(terminal),
    )


def in_reading_order(changes: ChangeSet) -> list[TableChange]:
    """Protection first, general last; tables of one purpose in the order of the definition."""
    purposes = list(Purpose)
    return sorted(changes.tables, key=lambda change: purposes.index(change.table.purpose))


def _print_table(
    definition: Definition,
    change: TableChange,
    layout: GridLayout,
    terminal: Terminal,
    logged: LogSummary | None,
) -> None:
    table = change.table
    for heading_line in heading(table.name, f": {table.title} ({table.purpose.value})", width(terminal)):
        terminal.print(heading_line)
    parts = list(change_parts(definition, change, layout.arrow))
    if logged and (use := change_use_text(change, logged)):
        parts.append(use)
    for text in wrapped("; ".join(parts), width(terminal), _INDENT):
        terminal.print(line(text))
    if table.axes:
        print_lines(change_lines(definition, change, layout), terminal)
    terminal.print()


def print_lines(rows: Iterator[StyledRow], terminal: Terminal) -> None:
    """Print the lines of a grid, indented."""
    for cells in rows:
        terminal.print(line(_INDENT, *cells) if cells else "")


def _print_axis(
    changes: ChangeSet, change: AxisChange, layout: GridLayout, terminal: Terminal, logged: LogSummary | None
) -> None:
    definition, axis = changes.definition, change.axis
    unit = fmt.with_unit("", definition.unit_of(axis)).strip()
    signal = f": {axis.signal}{f', {unit}' if unit else ''}"
    for title in heading(f"axis {axis.name}", signal, width(terminal)):
        terminal.print(title)
    tables = [table.name for table in definition.tables_on(axis.name)]
    unknown = ", ".join(name for name in tables if name not in changes.output_shift_of)
    moved = int(np.count_nonzero(change.changed))
    sentence = f"{moved} of {fmt.count(len(change.changed), 'breakpoint')} changed; this moves the output of "
    sentence += unknown or "the tables on it"
    for text in wrapped(sentence, width(terminal), _INDENT):
        terminal.print(line(text))
    shifts = [changes.output_shift_of[name] for name in tables if name in changes.output_shift_of]
    for shift in by_importance(shifts):
        sentence = f"{fmt.name_with_purpose(shift.table)}: {fmt.output_shift(definition, shift)}"
        sentence += "; its cells changed too" if shift.in_cells else ""
        if logged and (use := axis_use_text(change, shift.table, logged)):
            sentence += f"; {use}"
        for text in wrapped(sentence, width(terminal), 2 * _INDENT):
            terminal.print(line(text))
    _print_breakpoints(definition, change, layout, terminal)
    terminal.print()


def _print_breakpoints(
    definition: Definition, change: AxisChange, layout: GridLayout, terminal: Terminal
) -> None:
    old_texts, new_texts = (
        breakpoint_texts(definition, change.axis, values.tolist()) for values in (change.old, change.new)
    )
    _make_distinct(definition, change, old_texts, new_texts)
    row: StyledRow = []
    length = 0
    numbers = zip(change.old.tolist(), change.new.tolist(), change.changed.tolist(), strict=True)
    for old, new, (before, after, is_changed) in zip(old_texts, new_texts, numbers, strict=True):
        direction = 0 if after > before else 1 if after < before else 2
        sign = layout.arrow if direction == len(layout.directions) - 1 else layout.directions[direction]
        text = f"{old} {sign} {new}" if is_changed else new
        if length and length + len(text) + 2 > layout.columns:
            print_lines(iter([row]), terminal)
            row, length = [], 0
        row += [("  " if length else "", ""), (text, layout.styles[direction] if is_changed else "")]
        length += len(text) + (2 if length else 0)
    print_lines(iter([row]), terminal)


def _make_distinct(
    definition: Definition, change: AxisChange, old_texts: list[str], new_texts: list[str]
) -> None:
    """Replace equal texts of a changed breakpoint by texts with more digits, or with the bits."""
    for index in np.flatnonzero(change.changed).tolist():
        if old_texts[index] != new_texts[index]:
            continue
        old, new = float(change.old[index]), float(change.new[index])
        if math.isfinite(old) and math.isfinite(new):
            old_texts[index], new_texts[index] = breakpoint_texts(
                definition, change.axis, [old, new], exact=True
            )
        if old_texts[index] == new_texts[index]:
            raws = change.old_raw[index], change.new_raw[index]
            old_texts[index], new_texts[index] = with_bits((old_texts[index], new_texts[index]), raws)


def _small_changes(changes: ChangeSet, arrow: str) -> Iterator[tuple[str, str]]:
    """Counts, texts, identities and checksums: a heading and the change."""
    for count in changes.counts:
        yield f"stored count of axis {count.axis.name}", f"{count.old} {arrow} {count.new}"
    for text in changes.texts:
        yield f"text {text.text.name}", fmt.text_change(text, arrow)
    for identity in changes.identities:
        old, new = identity.old.decode("latin-1"), identity.new.decode("latin-1")
        yield f"identity {identity.identity.name}", f'"{old}" {arrow} "{new}"'
    for checksum in changes.checksums:
        old, new = (written(checksum.checksum, value) for value in (checksum.old, checksum.new))
        yield f"checksum {checksum.checksum.name}", f"{old} {arrow} {new}"


def _print_runs(changes: ChangeSet, old: Image, new: Image, layout: GridLayout, terminal: Terminal) -> None:
    runs = changes.unexplained
    if runs:
        total = sum(run.changed for run in runs)
        size = f": {fmt.count(total, 'byte')} that the definition does not describe"
        terminal.print(line(("unexplained", "bold"), size))
        for run in runs if layout.everything else runs[:_MOST_RUNS]:
            print_lines(_run_lines(changes.definition, run, old, new, layout), terminal)
        if len(runs) > _MOST_RUNS and not layout.everything:
            rest = fmt.count(len(runs) - _MOST_RUNS, "more run")
            terminal.print(line((f"{_INDENT}and {rest}; --all shows them", QUIET)))
        terminal.print()
    if changes.missing:
        total = sum(run.size for run in changes.missing)
        terminal.print(line(("missing", "bold"), f": {fmt.count(total, 'byte')} that only one image holds"))
        for run in changes.missing[:_MOST_RUNS]:
            addresses = f"{fmt.address(run.start)} to {fmt.address(run.start + run.size - 1)}"
            terminal.print(line(f"{_INDENT}{addresses}"))
        terminal.print()


def _run_lines(
    definition: Definition, run: Run, old: Image, new: Image, layout: GridLayout
) -> Iterator[StyledRow]:
    region = definition.memory.region_of(run.start)
    where = f"in region {region.name}" if region else "outside every region"
    size = min(run.size, _MOST_BYTES)
    old_bytes, new_bytes = ((image.read(run.start, size) or b"").hex(" ") for image in (old, new))
    more = f" {layout.cut}" if run.size > size else ""
    yield [(f"{fmt.address(run.start)}, {fmt.count(run.size, 'byte')}, {where}", "")]
    yield [(f"  {old_bytes}{more} {layout.arrow} {new_bytes}{more}", "")]


def print_statistics(changes: ChangeSet, terminal: Terminal, logged: LogSummary | None = None) -> None:
    """Print a line for each table: its purpose, the number of changed cells, and the largest change.

    With a driving log, also print the share of its time in which the changes count.
    """
    if changes.is_empty:
        return
    definition, sign = changes.definition, arrow(terminal)
    rows = []
    for change in in_reading_order(changes):
        y, x = change.largest
        cells = f"{change.count}/{change.changed.size}"
        largest = cell_change(definition, change, y, x, sign)
        if logged and (use := change_use_text(change, logged)):
            largest += f"; {use}"
        rows.append((change.table.name, change.table.purpose.value, cells, largest))
    names, purposes, counts = (max((len(row[n]) for row in rows), default=0) for n in range(3))
    for name, purpose, cells, largest in rows:
        lead = f"{name:<{names}}  {purpose:<{purposes}}  {cells:>{counts}}"
        for row in row_with_prose(lead, largest, width(terminal), len(name)):
            terminal.print(row)
    for axis in changes.axes:
        terminal.print(
            line((f"axis {axis.axis.name}", "bold"), f"  {fmt.count(int(axis.changed.sum()), 'breakpoint')}")
        )
    for name, change_text in _small_changes(changes, sign):
        for title in heading(name, f"  {change_text}", width(terminal)):
            terminal.print(title)
    for run in changes.unexplained[:_MOST_RUNS]:
        size = fmt.count(run.size, "byte")
        terminal.print(line(("unexplained", "bold"), f"  {fmt.address(run.start)}, {size}"))
    for sentence in log_sentences(logged) if logged else ():
        for text in wrapped(sentence, width(terminal)):
            terminal.print(line((text, QUIET)))
    for text in wrapped(closing_line(changes), width(terminal)):
        terminal.print(line(text))


def undefined_changes(old: bytes, new: bytes) -> Iterator[str]:
    """The differences between two files that no definition describes, in lines."""
    if len(old) != len(new):
        yield f"{len(old):,} bytes became {len(new):,}"
    differing = differing_addresses(Image.raw(old), Image.raw(new))
    if not len(differing):
        yield "all bytes that both files have are equal"
        return
    yield f"{fmt.count(len(differing), 'byte')} differ" + ("s" if len(differing) == 1 else "")
    changed_runs = list(runs(np.asarray(differing)))
    for run in changed_runs[:_MOST_UNDEFINED_RUNS]:
        size = fmt.count(run.size, "byte")
        yield f"  {fmt.address(run.start)}, {size}, {run.changed:,} of them changed"
    if len(changed_runs) > _MOST_UNDEFINED_RUNS:
        yield f"  and {fmt.count(len(changed_runs) - _MOST_UNDEFINED_RUNS, 'more run')}"
