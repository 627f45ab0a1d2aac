"""A change set as a good code review reads it: what changed, how much, where on the engine, and the cells."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.decoding.checksums import written
from callint.decoding.log_residency import LogSummary
from callint.decoding.operating_range import operating_cells
from callint.fmt.raw_bits import with_bits
from callint.model.change import AxisChange, ChangeSet, Run, TableChange, by_importance
from callint.model.definition import Definition, Purpose, States
from callint.model.image import Image
from callint.reporting.tables.grids import GridLayout, StyledLine, breakpoint_texts, change_lines
from callint.reporting.tables.log_text import axis_log_words, change_log_words, log_sentences
from callint.reporting.tables.stored_numbers import exact_step
from callint.reporting.terminal import (
    CHANGED,
    QUIET,
    Terminal,
    arrow,
    beside,
    ellipsis,
    heading,
    line,
    width,
    wrapped,
)

_INDENT = "  "
#: Of unexplained runs so many bytes and so many runs are spelled out.
_MOST_BYTES, _MOST_RUNS = 10, 10


def print_changes(
    changes: ChangeSet,
    old: Image,
    new: Image,
    terminal: Terminal,
    everything: bool = False,
    logged: LogSummary | None = None,
) -> None:
    """Print every change, protection first, and a closing line; nothing where nothing changed.

    With a driving log also how much of its time they concern.
    """
    if changes.is_empty:
        return
    columns = width(terminal) - len(_INDENT)
    layout = GridLayout(columns, arrow(terminal), ellipsis(terminal), CHANGED, QUIET, everything)
    for change in _in_reading_order(changes):
        _print_table(changes.definition, change, layout, terminal, logged)
    for axis in changes.axes:
        _print_axis(changes, axis, layout, terminal, logged)
    for name, words in _small_changes(changes, layout.arrow):
        for title in heading(name, f": {words}", width(terminal)):
            terminal.print(title)
    if changes.counts or changes.texts or changes.identities or changes.checksums:
        terminal.print()
    _print_runs(changes, old, new, layout, terminal)
    for sentence in log_sentences(logged) if logged else ():
        for text in wrapped(sentence, width(terminal)):
            terminal.print(line((text, QUIET)))
    for text in wrapped(closing_line(changes), width(terminal)):
        terminal.print(line(text))


def print_table_change(definition: Definition, change: TableChange, terminal: Terminal) -> None:
    """Print the change of one table."""
    columns = width(terminal) - len(_INDENT)
    layout = GridLayout(columns, arrow(terminal), ellipsis(terminal), CHANGED, QUIET)
    _print_table(definition, change, layout, terminal, None)


def _in_reading_order(changes: ChangeSet) -> list[TableChange]:
    """Protection first, general last; within a purpose as the definition has them."""
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
    words = list(change_words(definition, change, layout.arrow))
    if logged and (concerned := change_log_words(change, logged)):
        words.append(concerned)
    for text in wrapped("; ".join(words), width(terminal), _INDENT):
        terminal.print(line(text))
    if table.axes:
        _print_lines(change_lines(definition, change, layout), terminal)
    terminal.print()


def _print_lines(lines: Iterator[StyledLine], terminal: Terminal) -> None:
    for pieces in lines:
        terminal.print(line(_INDENT, *pieces) if pieces else "")


def change_words(definition: Definition, change: TableChange, arrow: str) -> Iterator[str]:
    """How many cells of a table changed, the largest change, and where it lies."""
    table = change.table
    y, x = change.largest
    if table.axes:
        yield f"{change.count:,} of {fmt.count(change.changed.size, 'cell')} changed"
    yield f"{'largest ' if change.count > 1 else ''}{_step(definition, change, y, x, arrow)}"
    if table.axes:
        inside = operating_cells(definition, table, change.new.x, change.new.y)
        yield "inside the operating range" if inside[y, x] else "outside the operating range"


def _step(definition: Definition, change: TableChange, y: int, x: int, arrow: str) -> str:
    """One cell's change in words: 41.0 → 44.5 mg/stroke (+3.5, +8.5 %) at 2200 rpm, 45 mg."""
    conversion = definition.conversion_of(change.table)
    before, after = float(change.old.physical[y, x]), float(change.new.physical[y, x])
    offs = bool(change.old.off[y, x]), bool(change.new.off[y, x])
    raws = change.old.raw[y, x], change.new.raw[y, x]
    is_number = not isinstance(conversion, States) and math.isfinite(after - before) and not any(offs)
    texts, difference = fmt.format_distinct((before, after), conversion), ""
    if is_number:
        *texts, difference = exact_step(conversion, *raws) or fmt.format_change(before, after, conversion)
    if texts[0] == texts[1] and not any(offs):
        texts, is_number = with_bits(texts, raws), False
    texts[1] = texts[1] if math.isnan(after) else fmt.with_unit(texts[1], conversion.unit)
    olds, news = ("off" if off else text for off, text in zip(offs, texts, strict=True))
    words = f"{olds} {arrow} {news}"
    if is_number:
        relative = fmt.percent(before, after, conversion.unit)
        words += f" ({difference}{f', {relative}' if relative else ''})"
    place = _place(definition, change, y, x)
    return f"{words} {place}" if place else words


def _place(definition: Definition, change: TableChange, y: int, x: int) -> str:
    words = []
    for name, values, index in ((change.table.x, change.new.x, x), (change.table.y, change.new.y, y)):
        if name is not None and values is not None:
            axis = definition.axes[name]
            text = breakpoint_texts(definition, axis, [float(values[index])])[0]
            words.append(fmt.with_unit(text, definition.unit_of(axis)))
    return f"at {', '.join(words)}" if words else ""


def _print_axis(
    changes: ChangeSet, change: AxisChange, layout: GridLayout, terminal: Terminal, logged: LogSummary | None
) -> None:
    definition, axis = changes.definition, change.axis
    unit = fmt.with_unit("", definition.unit_of(axis)).strip()
    tables = [table.name for table in definition.tables_on(axis.name)]
    signal = f": {axis.signal}{f', {unit}' if unit else ''}"
    for title in heading(f"axis {axis.name}", signal, width(terminal)):
        terminal.print(title)
    moved = int(np.count_nonzero(change.changed))
    words = f"{moved} of {fmt.count(len(change.changed), 'breakpoint')} changed; this moves "
    known = [changes.output_shift_of[name] for name in tables if name in changes.output_shift_of]
    unknown = [name for name in tables if name not in changes.output_shift_of]
    words += ", ".join(unknown) if unknown else "what the tables on it put out"
    for text in wrapped(words, width(terminal), _INDENT):
        terminal.print(line(text))
    for one in by_importance(known):
        words = f"{fmt.name_with_purpose(one.table)}: {fmt.output_shift(definition, one)}"
        words += "; its cells changed too" if one.in_cells else ""
        if logged and (concerned := axis_log_words(change, one.table, logged)):
            words += f"; {concerned}"
        for text in wrapped(words, width(terminal), 2 * _INDENT):
            terminal.print(line(text))
    olds, news = (breakpoint_texts(definition, axis, values.tolist()) for values in (change.old, change.new))
    _tell_apart(change, olds, news)
    texts = [
        f"{old} {layout.arrow} {new}" if is_changed else new
        for old, new, is_changed in zip(olds, news, change.changed.tolist(), strict=True)
    ]
    row: StyledLine = []
    length = 0
    for text, is_changed in zip(texts, change.changed.tolist(), strict=True):
        if length and length + len(text) + 2 > layout.columns:
            _print_lines(iter([row]), terminal)
            row, length = [], 0
        row += [("  " if length else "", ""), (text, CHANGED if is_changed else "")]
        length += len(text) + (2 if length else 0)
    _print_lines(iter([row]), terminal)
    terminal.print()


def _tell_apart(change: AxisChange, olds: list[str], news: list[str]) -> None:
    """Give breakpoints that changed and look alike more digits, or their bits."""
    for place in np.flatnonzero(change.changed).tolist():
        if olds[place] != news[place]:
            continue
        old, new = float(change.old[place]), float(change.new[place])
        if math.isfinite(old) and math.isfinite(new):
            olds[place], news[place] = fmt.exact(old), fmt.exact(new)
        if olds[place] == news[place]:
            raws = change.old_raw[place], change.new_raw[place]
            olds[place], news[place] = with_bits((olds[place], news[place]), raws)


def _small_changes(changes: ChangeSet, arrow: str) -> Iterator[tuple[str, str]]:
    """Counts, texts, identities and checksums: a heading and what became of it."""
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
        words = f": {fmt.count(total, 'byte')} that belong to nothing that is defined"
        terminal.print(line(("unexplained", "bold"), words))
        for run in runs if layout.everything else runs[:_MOST_RUNS]:
            _print_lines(_run_lines(changes.definition, run, old, new, layout), terminal)
        if len(runs) > _MOST_RUNS and not layout.everything:
            rest = fmt.count(len(runs) - _MOST_RUNS, "more run")
            terminal.print(line((f"{_INDENT}and {rest}; --all shows them", QUIET)))
        terminal.print()
    if changes.missing:
        total = sum(run.size for run in changes.missing)
        terminal.print(line(("missing", "bold"), f": {fmt.count(total, 'byte')} that only one image holds"))
        for run in changes.missing[:_MOST_RUNS]:
            stretch = f"{fmt.address(run.start)} to {fmt.address(run.start + run.size - 1)}"
            terminal.print(line(f"{_INDENT}{stretch}"))
        terminal.print()


def _run_lines(
    definition: Definition, run: Run, old: Image, new: Image, layout: GridLayout
) -> Iterator[StyledLine]:
    region = definition.memory.region_of(run.start)
    where = f"in region {region.name}" if region else "outside every region"
    size = min(run.size, _MOST_BYTES)
    before, after = ((image.read(run.start, size) or b"").hex(" ") for image in (old, new))
    more = f" {layout.cut}" if run.size > size else ""
    yield [(f"{fmt.address(run.start)}, {fmt.count(run.size, 'byte')}, {where}", "")]
    yield [(f"  {before}{more} {layout.arrow} {after}{more}", "")]


def closing_line(changes: ChangeSet) -> str:
    """The counts of a change set in a sentence."""
    if changes.partial:
        return f"{fmt.count(len(changes.tables), 'table')}, {fmt.count(changes.cells, 'cell')} selected."
    unexplained = sum(run.changed for run in changes.unexplained)
    parts = [fmt.count(len(changes.tables), "table"), fmt.count(changes.cells, "cell")]
    if changes.axes:
        parts.append(fmt.count(len(changes.axes), "axis"))
    parts.append(fmt.count(changes.bytes, "byte"))
    tail = f", {unexplained:,} of them unexplained" if unexplained else ", all explained"
    words = f"{', '.join(parts)} changed{tail if changes.bytes else ''}"
    if missing := sum(run.size for run in changes.missing):
        words += f"; {fmt.count(missing, 'byte')} in one image only"
    return f"{words}."


def print_statistics(changes: ChangeSet, terminal: Terminal) -> None:
    """One line a table: what it is for, how many cells changed, and the largest change."""
    if changes.is_empty:
        return
    definition, sign = changes.definition, arrow(terminal)
    rows = []
    for change in _in_reading_order(changes):
        y, x = change.largest
        cells = f"{change.count}/{change.changed.size}"
        rows.append(
            (change.table.name, change.table.purpose.value, cells, _step(definition, change, y, x, sign))
        )
    names, purposes, counts = (max((len(row[n]) for row in rows), default=0) for n in range(3))
    for name, purpose, cells, words in rows:
        lead = f"{name:<{names}}  {purpose:<{purposes}}  {cells:>{counts}}"
        for row in beside(lead, words, width(terminal), len(name)):
            terminal.print(row)
    for axis in changes.axes:
        terminal.print(
            line((f"axis {axis.axis.name}", "bold"), f"  {fmt.count(int(axis.changed.sum()), 'breakpoint')}")
        )
    for name, words in _small_changes(changes, sign):
        for title in heading(name, f"  {words}", width(terminal)):
            terminal.print(title)
    for run in changes.unexplained[:_MOST_RUNS]:
        stretch = f"{fmt.address(run.start)}, {fmt.count(run.size, 'byte')}"
        terminal.print(line(("unexplained", "bold"), f"  {stretch}"))
    for text in wrapped(closing_line(changes), width(terminal)):
        terminal.print(line(text))
