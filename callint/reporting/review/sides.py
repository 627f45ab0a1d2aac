"""What only one of two images holds, and what can therefore not be compared."""

from __future__ import annotations

import numpy as np

from callint.model.change import Run
from callint.rules.context import CheckContext


def held_alone(case: CheckContext) -> tuple[list[Run], list[Run]]:
    """The stretches that the old image alone holds, and those that the new one does."""
    old: list[Run] = []
    new: list[Run] = []
    for run in case.changes.missing:
        is_old = case.base is not None and case.base.read(run.start, 1) is not None
        (old if is_old else new).append(run)
    return old, new


def uncompared(case: CheckContext) -> int:
    """How many tables have no cell that both images hold; 0 without an old image."""
    if case.old is None:
        return 0
    both = case.old.present & case.new.present
    cells = np.bincount(case.layout.item[both], minlength=len(case.layout.items))
    return sum(not cells[number] for number in case.layout.table_items.values())
