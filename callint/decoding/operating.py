"""Where the engine normally runs."""

from __future__ import annotations

import numpy as np

from callint.model.change import Flags, Numbers
from callint.model.definition import Definition, Table


def operating_cells(definition: Definition, table: Table, x: Numbers | None, y: Numbers | None) -> Flags:
    """Which cells stand at breakpoints inside their signals' operating ranges; shape (rows, columns).

    ``x`` and ``y`` are the table's breakpoints. A signal without an operating range restricts nothing.
    """
    columns, rows = (
        _operating(definition, axis, breakpoints) for axis, breakpoints in ((table.x, x), (table.y, y))
    )
    return rows[:, None] & columns[None, :]


def _operating(definition: Definition, axis: str | None, breakpoints: Numbers | None) -> Flags:
    if axis is None or breakpoints is None:
        return np.ones(1, bool)
    signal = definition.signals.get(definition.axes[axis].signal)
    if signal is None or signal.operating is None:
        return np.ones(len(breakpoints), bool)
    with np.errstate(invalid="ignore"):
        return (breakpoints >= signal.operating.low) & (breakpoints <= signal.operating.high)
