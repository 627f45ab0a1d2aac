"""What a conflict concerns: its tables, and the sides that moved an axis."""

from __future__ import annotations

import numpy as np

from callint.comparing.merge import AxisConflict, AxisVersions, CellConflict, Conflict, TableVersions


def conflict_tables(conflict: Conflict) -> tuple[TableVersions, ...]:
    """The tables with cells in a conflict."""
    match conflict:
        case CellConflict():
            return (conflict.versions,)
        case AxisConflict():
            return conflict.tables
        case _:
            return ()


def moved_sides(versions: AxisVersions) -> list[str]:
    """The sides, ``ours`` and ``theirs``, whose breakpoints or stored count differ from the base."""
    counts = versions.counts or (0, 0, 0)
    sides = (("ours", versions.ours, counts[1]), ("theirs", versions.theirs, counts[2]))
    return [
        side
        for side, values, count in sides
        if count != counts[0] or not np.array_equal(values, versions.base, equal_nan=True)
    ]
