"""The share of the logged time in which changed cells and moved breakpoints count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.decoding.log_residency import LogSummary
from callint.model.change import AxisChange, TableChange
from callint.model.definition import Table


@dataclass(frozen=True, slots=True)
class ChangeUse:
    """The use of the changed cells of a table in a driving log.

    ``in_use`` is the share of the logged time in which any of them counts, ``weighted_share`` the share of
    the time by the weights of the cells. ``never_reached`` is the number of changed cells that never count,
    and ``is_largest_reached`` says whether the cell with the largest change does.
    """

    in_use: float
    weighted_share: float
    never_reached: int
    is_largest_reached: bool


def change_use(change: TableChange, log: LogSummary) -> ChangeUse | None:
    """The use of the changed cells of a table, none of which there may be.

    None if the log lacks a signal of the table, or a time with readings of all its signals.
    """
    shares = log.shares(change.table.name)
    in_use = log.share_in_use(change.table.name, change.changed)
    if shares is None or in_use is None:
        return None
    never = change.changed & (shares == 0)
    return ChangeUse(
        in_use,
        float(shares[change.changed].sum()),
        int(np.count_nonzero(never)),
        bool(change.changed.any() and not never[change.largest]),
    )


def axis_use(change: AxisChange, table: Table, log: LogSummary) -> float | None:
    """The share of the logged time in which a moved breakpoint counts in a table on the axis.

    None as for ``change_use``.
    """
    times = log.dwell.of(table.name)
    if times is None:
        return None
    moved = np.zeros(times.shape, bool)
    if table.x == change.axis.name:
        moved[:, change.changed] = True
    if table.y == change.axis.name:
        moved[change.changed] = True
    return log.share_in_use(table.name, moved)
