"""The change of a decoded table as an edit that slips are looked for in."""

from __future__ import annotations

import numpy as np

from callint import fmt
from callint.comparing.entry_errors.neighbours import TableEdit
from callint.decoding.conversions import physical_limits, to_physical
from callint.model.change import Numbers, TableChange
from callint.model.definition import Constraints, Conversion, Linear, States


def edit_of(change: TableChange, conversion: Conversion) -> TableEdit:
    """The change of one table as an edit; all values of a table of named states are NaN."""
    old, new = change.old, change.new
    numbers = not isinstance(conversion, States)
    before = np.where(old.present & ~old.off & numbers, old.physical, np.nan)
    after = np.where(new.present & ~new.off & numbers, new.physical, np.nan)
    limits = change.table.demands.limits
    stops = [*physical_limits(conversion, change.table.storage)]
    stops += [limits.low, limits.high] if limits else []
    return TableEdit(
        old=before,
        new=after,
        changed=change.changed,
        resolution=_resolution(change, conversion),
        stops=tuple(stop for stop in stops if np.isfinite(stop)),
        x=new.x,
        y=new.y,
        decimals=fmt.decimals(conversion),
    )


def range_broken(demands: Constraints, value: float) -> str:
    """How a physical value breaks the limits of a table or its expected range, as an adjective; else ""."""
    for accepted, name in ((demands.limits, "limit"), (demands.expected, "expected range")):
        if accepted is not None and (value < accepted.low or value > accepted.high):
            return f"{'below' if value < accepted.low else 'above'} the {name}"
    return ""


def _resolution(change: TableChange, conversion: Conversion) -> Numbers:
    """The physical distance from each new value to the next value that can be stored, or is displayed."""
    raw = change.new.raw
    if change.table.storage.type.is_integer:
        if isinstance(conversion, Linear):
            return np.full(raw.shape, abs(conversion.factor))
        numbers = raw.astype(np.float64)
        sides = [np.abs(to_physical(conversion, numbers + step) - change.new.physical) for step in (-1, 1)]
        return np.nan_to_num(np.fmax(*sides))
    steps = np.abs(np.spacing(raw)).astype(np.float64)
    if isinstance(conversion, Linear):
        steps = steps * abs(conversion.factor)
    if conversion.decimals is not None:
        steps = np.maximum(steps, 10.0**-conversion.decimals)
    known_steps: Numbers = np.nan_to_num(steps)
    return known_steps
