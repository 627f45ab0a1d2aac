"""Carries tables of numbers: differences, ratios or new values, between the old breakpoints."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.carry.causes import (
    CarryCause,
    DoesNotFit,
    EqualsOffCode,
    Flattened,
    HeldOutside,
    LosesResolution,
    NoteCause,
)
from callint.comparing.carry.pairs import CarryPair
from callint.comparing.carry.result import CarriedQuantity
from callint.comparing.carry.rounding import equal_bits, step_at
from callint.comparing.carry.state import CarryState, CellCheck
from callint.comparing.decimal_compare import exceeds
from callint.decoding.conversions import physical_limits, quantise, to_physical
from callint.model.change import Flags, Numbers


@dataclass(frozen=True, slots=True)
class _Rework:
    """What the rework did to a table; arrays in the shape of the old table, aligned with the new one.

    ``switched`` flags the changed cells that were or are off.
    """

    old: Numbers
    new: Numbers
    was_off: Flags
    is_off: Flags
    switched: Flags

    @staticmethod
    def of(pair: CarryPair) -> _Rework:
        old, new = (pair.aligned(grid.physical) for grid in (pair.change.old, pair.change.new))
        was_off, is_off = (pair.aligned(grid.off) for grid in (pair.change.old, pair.change.new))
        return _Rework(old, new, was_off, is_off, pair.changed & (was_off | is_off))


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What the new cells should hold; all arrays have the shape of the new table.

    ``touched`` flags the cells that the rework reaches, and ``values`` are their physical values. Cells in
    ``as_stored`` take the raw number of the rework. Cells that were switched off or on are carried only to
    the very same breakpoints (``exact``): ``to_off`` is switched off there, ``between`` lies between such
    cells and others. ``undefined`` flags cells without an old value to take a difference or ratio from.
    """

    touched: Flags
    values: Numbers
    as_stored: Flags
    exact: Flags
    to_off: Flags
    between: Flags
    undefined: Flags


@dataclass(frozen=True, slots=True)
class _Stored:
    """The raw numbers for the wanted values, whether they fit the type, and the values that they mean."""

    raw: NDArray[Any]
    fits: Flags
    values: Numbers


def carry_numbers(state: CarryState, pair: CarryPair) -> None:
    """Carry a table of numbers."""
    rework = _Rework.of(pair)
    wanted = _wanted(state, pair, rework)
    stored = _stored(pair, wanted)
    good = state.checked(pair, wanted.touched, _checks(state, pair, wanted, stored))
    raw, code = stored.raw, pair.partner.demands.off
    if code is not None:
        raw = np.where(wanted.to_off, np.asarray(code.raw).astype(raw.dtype), raw)
    target = state.target_of(pair)
    target[good] = raw[good]
    differing = good & ~equal_bits(target, pair.grid.raw)
    failed = wanted.touched & ~good
    effective = differing | (wanted.exact & ~failed) | (good & (state.how is CarriedQuantity.VALUE))
    lost = pair.changed & ~pair.cell_map.sources_of(effective | failed)
    state.report_lost(pair, lost, rework.new - rework.old)
    is_rounded = good & exceeds(wanted.values, stored.values, 0.0)
    deviation = np.where(is_rounded, np.abs(stored.values - wanted.values), 0.0)
    state.report_table(pair, differing, deviation)
    if good.any():
        _note_shape(state, pair, rework, good, lost)


# Wanted values


def _wanted(state: CarryState, pair: CarryPair, rework: _Rework) -> _Wanted:
    grid, cell_map, how = pair.grid, pair.cell_map, state.how
    reworked = cell_map.at_same(rework.new)
    same = cell_map.flags_at_same(pair.changed & ~rework.switched)
    touched, values = _interpolated(state, pair, rework)

    # Where the new base has the value of the old base, all three ways give the reworked value;
    # taking it directly avoids the rounding of sums and products.
    equal = same & (grid.physical == cell_map.at_same(rework.old))
    if how is CarriedQuantity.RATIO:
        equal &= cell_map.at_same(rework.old) != 0
    if how is not CarriedQuantity.VALUE:
        values = np.where(equal, reworked, values)
    as_stored = same & (how is CarriedQuantity.VALUE)
    as_stored |= same & equal_bits(grid.raw, cell_map.at_same(pair.aligned(pair.change.old.raw)))
    as_stored &= pair.has_same_raw_meaning
    values = np.where(as_stored, reworked, values)
    touched |= as_stored

    # Cells that were switched off or on are carried only to the very same breakpoints.
    exact = cell_map.flags_at_same(rework.switched)
    to_off = exact & cell_map.at_same(rework.is_off)
    to_on = exact & ~cell_map.at_same(rework.is_off)
    between = cell_map.reached_from(rework.switched) & ~exact
    undefined = to_on & ~grid.off & (how is not CarriedQuantity.VALUE)
    return _Wanted(
        touched=(touched | exact | between) & ~(to_off & grid.off),
        values=np.where(to_on, reworked, values),
        as_stored=as_stored | (to_on & ~undefined & pair.has_same_raw_meaning),
        exact=exact,
        to_off=to_off,
        between=between,
        undefined=undefined,
    )


def _interpolated(state: CarryState, pair: CarryPair, rework: _Rework) -> tuple[Flags, Numbers]:
    """The new cells that the change reaches, and the values wanted there; NaN next to switched cells."""
    grid, cell_map, changed = pair.grid, pair.cell_map, pair.changed
    old, reworked, switched = rework.old, rework.new, rework.switched
    base = grid.physical
    reached = cell_map.reached_from(changed)
    if state.how is CarriedQuantity.VALUE:
        return reached, cell_map.read(grid, np.where(rework.is_off | switched, np.nan, reworked))
    delta = np.where(changed, reworked - old, 0.0)
    delta = cell_map.read(grid, np.where(switched, np.nan, delta))
    if state.how is CarriedQuantity.DELTA:
        return reached & (delta != 0), base + delta
    zero = changed & ~switched & (old == 0)
    ratio = np.where(changed, reworked / old, 1.0)
    ratio = cell_map.read(grid, np.where(switched | zero, np.nan, ratio))
    by_delta = cell_map.reached_from(zero)
    for y, x in np.argwhere(zero & cell_map.sources_of(by_delta)).tolist():
        state.add_note(pair, NoteCause.ZERO_HAS_NO_RATIO, state.old_cell(pair, y, x))
    touched = reached & np.where(by_delta, delta != 0, ratio != 1)
    return touched, np.where(by_delta, base + delta, base * ratio)


def _stored(pair: CarryPair, wanted: _Wanted) -> _Stored:
    conversion, storage = pair.conversions[1], pair.partner.storage
    quantised = quantise(conversion, storage, wanted.values)
    copied = quantised.raw
    if pair.has_same_raw_meaning:
        copied = pair.cell_map.at_same(pair.aligned(pair.change.new.raw))
    raw = np.where(wanted.as_stored, copied, quantised.raw)
    return _Stored(raw, quantised.fits | wanted.as_stored, to_physical(conversion, raw))


# Checks and notes


def _checks(state: CarryState, pair: CarryPair, wanted: _Wanted, stored: _Stored) -> list[CellCheck]:
    """Everything that can prevent a cell from being carried, in the order in which it is reported."""
    grid, values, is_number = pair.grid, wanted.values, ~wanted.to_off
    code = pair.partner.demands.off
    unit = state.new_definition.unit_of(pair.partner)
    low, high = (float(end) for end in physical_limits(pair.conversions[1], pair.partner.storage))
    equals_code = stored.raw == code.raw if code else np.zeros(stored.raw.shape, bool)
    half_step = step_at(pair.conversions[0], pair.change.table.storage, values) / 2
    limits = state.limit_check(pair, stored.values)
    return [
        CellCheck.of(~grid.present, CarryCause.CELL_MISSING),
        CellCheck.of(wanted.between, CarryCause.NEXT_TO_SWITCHED_CELL),
        CellCheck.of(wanted.to_off & (code is None), CarryCause.NO_OFF_CODE),
        CellCheck.of(wanted.undefined, CarryCause.OLD_BASE_IS_OFF),
        CellCheck.of(grid.off & ~wanted.exact, CarryCause.NEW_BASE_IS_OFF),
        CellCheck.of(~np.isfinite(values) & is_number, CarryCause.NOT_A_NUMBER),
        CellCheck(~stored.fits & is_number, lambda y, x: DoesNotFit(float(values[y, x]), low, high, unit)),
        CellCheck(equals_code & is_number, lambda y, x: EqualsOffCode(float(values[y, x]), unit)),
        replace(limits, failing=limits.failing & is_number),
        CellCheck(
            exceeds(values, stored.values, half_step) & is_number,
            lambda y, x: LosesResolution(float(values[y, x]), float(stored.values[y, x]), unit),
        ),
    ]


def _note_shape(state: CarryState, pair: CarryPair, rework: _Rework, good: Flags, lost: Flags) -> None:
    """Add notes if other breakpoints change the shape of the change."""
    cell_map, changed = pair.cell_map, pair.changed & ~rework.switched & ~lost
    outside = int(np.count_nonzero(good & cell_map.outside))
    if outside:
        state.add_note(pair, HeldOutside(outside))
    surface = (
        rework.new
        if state.how is CarriedQuantity.VALUE
        else np.where(pair.changed, rework.new - rework.old, 0.0)
    )
    surface = np.where(rework.is_off | rework.was_off, np.nan, surface)
    back = cell_map.read_back(pair.grid, cell_map.read(pair.grid, surface))
    if back is None:
        return
    half_step = step_at(pair.conversions[0], pair.change.table.storage, rework.new) / 2
    flattened = changed & exceeds(surface, back, half_step)
    if flattened.any():
        losses = np.where(flattened, np.abs(surface - back), -1.0)
        y, x = (int(index) for index in np.unravel_index(np.argmax(losses), losses.shape))
        unit = state.old_definition.unit_of(pair.change.table)
        state.add_note(pair, Flattened(float(losses[y, x]), unit), state.old_cell(pair, y, x))
