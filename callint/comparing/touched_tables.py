"""The tables that a change touches, and how large the change of each is."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from callint.decoding.decode import Decoded
from callint.model.change import ChangeSet, OutputShift, TableChange
from callint.model.definition import Definition, States


def touched_changes(changes: ChangeSet, old: Decoded | None, new: Decoded) -> Iterator[TableChange]:
    """The changes of all tables with changed cells or moved axes.

    A table that only moved with its axes has a change without changed cells. ``old`` and ``new`` are the
    images that were compared.
    """
    for table in changes.touched_tables:
        change = changes.by_table.get(table.name)
        if change is None:
            assert old is not None  # nothing moved without an old image
            old_grid, new_grid = old.grid(table), new.grid(table)
            change = TableChange(table, old_grid, new_grid, np.zeros(old_grid.physical.shape, bool))
        yield change


def relative_size(definition: Definition, change: TableChange, shift: OutputShift | None) -> float:
    """The largest change of a table as a share of the old table's span, or of its only value.

    ``shift`` is the movement of the output with the axes; it counts if no cell changed. The size is 1 if a
    state or the off code is involved, and if there is no scale.
    """
    if not change.changed.any():
        return 1.0 if shift is None or shift.switched else _ratio(shift.size, shift.span)
    y, x = change.largest
    has_states = isinstance(definition.conversion_of(change.table), States)
    if has_states or change.old.off[y, x] != change.new.off[y, x]:
        return 1.0
    values = change.old.physical[np.isfinite(change.old.physical) & ~change.old.off]
    old, new = float(change.old.physical[y, x]), float(change.new.physical[y, x])
    span = float(values.max()) - float(values.min()) if len(values) else 0.0
    return _ratio(abs(new - old), span or abs(old))


def _ratio(amount: float, scale: float) -> float:
    """An amount as a share of a scale, in four digits; 1 if there is no finite share."""
    ratio = amount / scale if scale else math.nan
    return float(f"{ratio:.4g}") if math.isfinite(ratio) else 1.0
