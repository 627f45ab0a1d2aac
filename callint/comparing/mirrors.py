"""Tables that must be equal, cell by cell."""

from __future__ import annotations

import numpy as np

from callint.decoding.layout import Layout
from callint.model.change import Flags


def mirrored_cells(layout: Layout) -> list[tuple[slice, slice]]:
    """The cells of both tables of each relation that demands equal tables of one shape."""
    pairs = []
    for relation in layout.definition.relations:
        first, second = (layout.table_items.get(name) for name in (relation.table, relation.other))
        if relation.kind != "equal" or first is None or second is None or first == second:
            continue
        if layout.shape(first) == layout.shape(second):
            pairs.append((layout.cells(first), layout.cells(second)))
    return pairs


def with_mirrors(layout: Layout, cells: Flags) -> Flags:
    """The flagged cells and the cells that must be equal to them; shape (cells,)."""
    pairs, flags = mirrored_cells(layout), cells.copy()
    while True:
        before = np.count_nonzero(flags)
        for first, second in pairs:
            both = flags[first] | flags[second]
            flags[first] = flags[second] = both
        if np.count_nonzero(flags) == before:
            return flags
