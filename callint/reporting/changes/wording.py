"""Sentences about a change set, for every format."""

from __future__ import annotations

import math
from collections.abc import Iterator

from callint import fmt
from callint.decoding.operating_range import operating_cells
from callint.fmt.raw_bits import with_bits
from callint.model.change import ChangeSet, TableChange
from callint.model.definition import Definition, States
from callint.reporting.tables.values import cell_place, exact_step


def change_parts(definition: Definition, change: TableChange, arrow: str) -> Iterator[str]:
    """The number of changed cells of a table, the largest change, and if any is in the operating range."""
    table = change.table
    y, x = change.largest
    if table.axes:
        yield f"{change.count:,} of {fmt.count(change.changed.size, 'cell')} changed"
    yield f"{'largest ' if change.count > 1 else ''}{cell_change(definition, change, y, x, arrow)}"
    if table.axes:
        inside = operating_cells(definition, table, change.new.x, change.new.y)
        is_inside = bool((inside & change.changed).any())
        yield "inside the operating range" if is_inside else "outside the operating range"


def cell_change(definition: Definition, change: TableChange, y: int, x: int, arrow: str) -> str:
    """The change of one cell: "41.0 → 44.5 mg/stroke (+3.5, +8.5 %) at 2200 rpm, 45 mg"."""
    conversion = definition.conversion_of(change.table)
    old, new = float(change.old.physical[y, x]), float(change.new.physical[y, x])
    is_off = bool(change.old.off[y, x]), bool(change.new.off[y, x])
    raws = change.old.raw[y, x], change.new.raw[y, x]
    has_difference = not isinstance(conversion, States) and math.isfinite(new - old) and not any(is_off)
    storage = change.table.storage
    texts, difference = fmt.format_distinct((old, new), conversion, storage), ""
    if has_difference:
        *texts, difference = exact_step(conversion, *raws) or fmt.format_change(old, new, conversion, storage)
    if texts[0] == texts[1] and not any(is_off):
        texts, has_difference = with_bits(texts, raws), False
    texts[1] = texts[1] if math.isnan(new) else fmt.with_unit(texts[1], conversion.unit)
    old_text, new_text = ("off" if off else text for off, text in zip(is_off, texts, strict=True))
    parts = [f"{old_text} {arrow} {new_text}"]
    if has_difference:
        percent = fmt.percent(old, new, conversion.unit)
        parts.append(f"({difference}{f', {percent}' if percent else ''})")
    parts.append(cell_place(definition, change.new, y, x))
    return " ".join(filter(None, parts))


def closing_line(changes: ChangeSet) -> str:
    """The counts of a change set in a sentence."""
    if changes.partial:
        return f"{fmt.count(len(changes.tables), 'table')}, {fmt.count(changes.cells, 'cell')} selected."
    unexplained = sum(run.changed for run in changes.unexplained)
    parts = [fmt.count(len(changes.tables), "table"), fmt.count(changes.cells, "cell")]
    if changes.axes:
        parts.append(fmt.count(len(changes.axes), "axis"))
    parts.append(fmt.count(changes.bytes, "byte"))
    explained = f", {unexplained:,} of them unexplained" if unexplained else ", all explained"
    sentence = f"{', '.join(parts)} changed{explained if changes.bytes else ''}"
    if missing := sum(run.size for run in changes.missing):
        sentence += f"; {fmt.count(missing, 'byte')} in one image only"
    return f"{sentence}."
