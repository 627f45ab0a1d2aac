"""Carries stored axes whose breakpoints the rework changed."""

from __future__ import annotations

import numpy as np

from callint.comparing.carry.causes import (
    AxisCause,
    AxisObstacle,
    AxisRespaced,
    BreakpointDoesNotFit,
    MovesLeftOut,
    OmittedBreakpoints,
    TablesDiffer,
)
from callint.comparing.carry.pairs import is_same_conversion, is_same_storage
from callint.comparing.carry.result import CarriedItem
from callint.comparing.carry.rounding import step_at
from callint.comparing.carry.state import CarryState
from callint.comparing.decimal_compare import exceeds
from callint.decoding.conversions import quantise, to_physical
from callint.decoding.surfaces import is_readable
from callint.model.change import Flags, Numbers
from callint.model.definition import StoredAxis
from callint.model.derived_axis import DerivedAxis


def carry_axis(state: CarryState, name: str, is_recounted: bool) -> None:
    """Carry the changed breakpoints of an axis; ``is_recounted`` if its stored count changed too."""
    axis = state.old_definition.axes[name]
    assert isinstance(axis, StoredAxis)
    item = state.old.layout.axis_items[name]
    old, reworked = state.old.breakpoints(name), state.reworked.breakpoints(name)
    changed = state.old.raw_of(item)[0] != state.reworked.raw_of(item)[0]
    tables = tuple(table.name for table in state.old_definition.tables_on(name))
    if name in state.left_out_names:
        state.skipped_axes.add(name)
        state.leave_out(name, OmittedBreakpoints(int(np.count_nonzero(changed)), tables))
        return
    obstacle = AxisCause.COUNT_CHANGED if is_recounted else _obstacle(state, axis, old, reworked)
    partner = state.new_definition.axes.get(name)
    if obstacle is None and isinstance(partner, StoredAxis):
        obstacle = _write_axis(state, axis, partner, reworked, changed)
    if obstacle is not None:
        state.skipped_axes.add(name)
        state.add_problem(name, AxisRespaced(tables, obstacle))


def check_derived_axis(state: CarryState, name: str) -> None:
    """Check that a derived axis gets the breakpoints of the rework from its curve, which is carried before.

    If the curve is left out or has a problem of its own, the tables on the axis say so.
    """
    axis = state.old_definition.axes[name]
    assert isinstance(axis, DerivedAxis)
    old, reworked = state.old.breakpoints(name), state.reworked.breakpoints(name)
    tables = tuple(table.name for table in state.old_definition.tables_on(name))
    sources = {*state.old_definition.axis_sources(name)}
    is_left = not sources.isdisjoint({*state.left_out_names, *(problem.name for problem in state.problems)})
    obstacle = None if is_left else _obstacle(state, axis, old, reworked)
    if obstacle is None and not is_left and not np.array_equal(state.target_breakpoints(name), reworked):
        obstacle = AxisCause.BREAKPOINTS_DIFFER
    if is_left or obstacle is not None:
        state.skipped_axes.add(name)
    if obstacle is not None:
        state.add_problem(name, AxisRespaced(tables, obstacle))


def _obstacle(
    state: CarryState, axis: StoredAxis | DerivedAxis, old: Numbers, reworked: Numbers
) -> AxisObstacle | None:
    """Why the new axis cannot take the breakpoints of the rework; None if it can."""
    partner = state.new_definition.axes.get(axis.name)
    if partner is None or type(partner) is not type(axis) or not state.new.layout.sources_of(axis.name):
        return AxisCause.NO_SUCH_AXIS
    old_unit, new_unit = state.old_definition.unit_of(axis), state.new_definition.unit_of(partner)
    if partner.signal != axis.signal or new_unit != old_unit:
        return AxisCause.SIGNAL_OR_UNIT_DIFFERS
    if not np.array_equal(state.new.breakpoints(axis.name), old):
        return AxisCause.BREAKPOINTS_DIFFER
    old_tables, new_tables = (
        {table.name for table in definition.tables_on(axis.name)}
        for definition in (state.old_definition, state.new_definition)
    )
    if old_tables != new_tables:
        return TablesDiffer(tuple(sorted(old_tables ^ new_tables)))
    if left_out := old_tables & state.left_out_names:
        return MovesLeftOut(tuple(sorted(left_out)))
    if not np.isfinite(reworked).all():
        return AxisCause.NOT_A_NUMBER
    return None


def _write_axis(
    state: CarryState, axis: StoredAxis, partner: StoredAxis, reworked: Numbers, changed: Flags
) -> AxisObstacle | None:
    """Write the breakpoints of the rework to the target; returns why not if they do not fit."""
    old, new = state.old_definition.conversion_of(axis), state.new_definition.conversion_of(partner)
    unit = state.new_definition.unit_of(partner)
    item = state.new.layout.axis_items[axis.name]
    if is_same_storage(axis.storage, partner.storage) and is_same_conversion(old, new):
        raw = state.reworked.raw_of(state.old.layout.axis_items[axis.name])[0]
        fits = np.ones(len(raw), bool)
    else:
        quantised = quantise(new, partner.storage, reworked)
        raw, fits = quantised.raw, quantised.fits
    stored = to_physical(new, raw)
    is_near = fits & ~exceeds(reworked, stored, step_at(old, axis.storage, reworked) / 2)
    if not is_near[changed].all():
        return BreakpointDoesNotFit(float(reworked[changed & ~is_near][0]), unit)
    if is_readable(reworked) and not is_readable(np.where(changed, stored, reworked)):
        return AxisCause.BREAKPOINTS_COINCIDE
    target = state.target.raw_of(item)[0]
    target[changed] = raw[changed]
    state.carried_axes.add(axis.name)
    differing = target != state.new.raw_of(item)[0]
    deviation = np.where(changed, np.abs(stored - reworked), 0.0)
    state.items.append(
        CarriedItem(
            name=axis.name,
            kind="axis",
            title=axis.signal,
            unit=unit,
            cells=int(np.count_nonzero(differing)),
            deviation=float(deviation.max()),
        )
    )
    return None
