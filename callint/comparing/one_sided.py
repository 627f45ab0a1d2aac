"""Bytes that only one of two images holds, and tables that cannot be compared because of them."""

from __future__ import annotations

import numpy as np

from callint.decoding.decode import Decoded
from callint.model.change import ChangeSet, Run
from callint.model.image import Image


def one_sided_runs(changes: ChangeSet, old: Image | None) -> tuple[list[Run], list[Run]]:
    """The runs that only the old image holds, and those that only the new one holds."""
    only_old: list[Run] = []
    only_new: list[Run] = []
    for run in changes.missing:
        is_old = old is not None and old.read(run.start, 1) is not None
        (only_old if is_old else only_new).append(run)
    return only_old, only_new


def uncompared_tables(old: Decoded | None, new: Decoded) -> int:
    """The number of tables without a cell that both images hold; 0 without an old image."""
    if old is None:
        return 0
    layout = new.layout
    cells = np.bincount(layout.item[old.present & new.present], minlength=len(layout.items))
    return sum(not cells[number] for number in layout.table_items.values())
