"""Selects the cells and breakpoints at which the engine normally runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from callint.decoding.interpolation import lookup
from callint.decoding.statistics import distinct
from callint.decoding.surfaces import is_readable
from callint.model.change import Flags, Grid, Numbers
from callint.model.definition import Definition, Table


def operating_cells(definition: Definition, table: Table, x: Numbers | None, y: Numbers | None) -> Flags:
    """The cells at breakpoints inside the operating ranges of their signals; shape (rows, columns).

    ``x`` and ``y`` are the table's breakpoints. A signal without an operating range has no limits.
    """
    columns, rows = (
        operating_breakpoints(definition, axis, breakpoints)
        for axis, breakpoints in ((table.x, x), (table.y, y))
    )
    return rows[:, None] & columns[None, :]


def operating_share(definition: Definition, grid: Grid, flags: Flags) -> float | None:
    """The share of the operating range that flagged cells account for, by area; ``flags`` (rows, columns).

    A cell accounts for an operating point by its weight there, so the share is the integral of the bilinear
    surface that is 1 at flagged cells and 0 at the others, divided by the area: the trapezoidal rule on the
    breakpoints and the ends of the range is exact for it. A signal without an operating range has the range
    of its axis. None if an axis does not rise or fall strictly.
    """
    along = []
    for name, axis in ((grid.table.x, grid.x), (grid.table.y, grid.y)):
        if name is None or axis is None:
            along.append(np.zeros(1))
            continue
        if not is_readable(axis):
            return None
        low, high = float(axis.min()), float(axis.max())
        signal = definition.signals.get(definition.axes[name].signal)
        if signal is not None and signal.operating is not None:
            low, high = signal.operating.low, signal.operating.high
        along.append(distinct([low, *axis[(axis > low) & (axis < high)], high]))
    share = replace(grid, physical=flags.astype(np.float64))
    values = lookup(share, along[0][None, :], along[1][:, None])
    return float(_mean(_mean(values, along[0]), along[1]))


def _mean(values: Numbers, points: Numbers) -> Numbers:
    """The mean over the last dimension of values that are linear between points."""
    if len(points) == 1:
        return values[..., 0]
    whole: Numbers = np.trapezoid(values, points) / (points[-1] - points[0])
    return whole


def operating_breakpoints(definition: Definition, axis: str | None, breakpoints: Numbers | None) -> Flags:
    """The breakpoints of an axis in the operating range of its signal, shape (count,); (1,) without an axis.

    A signal without an operating range has no limits.
    """
    if axis is None or breakpoints is None:
        return np.ones(1, bool)
    signal = definition.signals.get(definition.axes[axis].signal)
    if signal is None or signal.operating is None:
        return np.ones(len(breakpoints), bool)
    with np.errstate(invalid="ignore"):
        return (breakpoints >= signal.operating.low) & (breakpoints <= signal.operating.high)
