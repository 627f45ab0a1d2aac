"""Carries a whole rework and writes the image."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace

import numpy as np

from callint.comparing.carry.axes import carry_axis, check_derived_axis
from callint.comparing.carry.axis_map import AxisMap
from callint.comparing.carry.causes import (
    AxisNotCarried,
    CarryCause,
    OmittedCells,
    ProblemCause,
    UndefinedBytes,
)
from callint.comparing.carry.cell_map import CellMap
from callint.comparing.carry.number_tables import carry_numbers
from callint.comparing.carry.pairs import CarryPair, axis_quantities, mismatch
from callint.comparing.carry.result import UNEXPLAINED, CarriedQuantity, CarryProblem, CarryResult
from callint.comparing.carry.state import CarryState
from callint.comparing.carry.state_tables import carry_states
from callint.comparing.carry.texts import carry_text
from callint.comparing.compare import changed_cells, compare
from callint.decoding.checksum_update import Renewal, seal
from callint.decoding.decode import Decoded, decode
from callint.decoding.encode import encode
from callint.model.change import Numbers, Run, TableChange
from callint.model.definition import States, Table
from callint.model.derived_axis import DerivedAxis
from callint.model.image import Image


def carry(
    old: Decoded,
    reworked: Decoded,
    new: Decoded,
    how: CarriedQuantity = CarriedQuantity.DELTA,
    left_out: Collection[str] = (),
) -> CarryResult:
    """The new base with the rework of the old one.

    ``old`` and ``reworked`` are decoded with one layout, ``new`` with that of the new software. ``left_out``
    names the tables, axes and texts that are not carried, and UNEXPLAINED. Raises UnsealableError if a
    checksum of the new definition cannot be computed.
    """
    # Values from strangers' images may be infinite or no numbers; they become problems.
    with np.errstate(all="ignore"):
        state = CarryState(old, reworked, new, how, left_out)
        _carry_changes(state)
        return _result(state)


def _carry_changes(state: CarryState) -> None:
    changes = compare(state.old, state.reworked)
    recounted = {count.axis.name for count in changes.counts}
    # Axes first: a table needs to know the breakpoints that it will have.
    stored = [name for name in changes.by_axis if name in state.old.layout.axis_items]
    for name in dict.fromkeys([*stored, *sorted(recounted)]):
        carry_axis(state, name, name in recounted)
    # Then the curves that other axes follow from, which decide what breakpoints these will have.
    curves = {axis.curve for axis in state.old_definition.derived_axes}
    for change in changes.tables:
        if change.table.name in curves:
            _carry_table(state, change)
    for name in changes.by_axis:
        if name not in stored:
            check_derived_axis(state, name)
    for change in changes.tables:
        if change.table.name not in curves:
            _carry_table(state, change)
    for text in changes.texts:
        carry_text(state, text)
    for run in changes.unexplained:
        _report_bytes(state, run)


def _carry_table(state: CarryState, change: TableChange) -> None:
    name = change.table.name
    if name in state.left_out_names:
        state.leave_out(name, OmittedCells(change.count))
        return
    pair = _pair(state, change)
    if not isinstance(pair, CarryPair):
        state.add_problem(name, pair)
    elif isinstance(pair.conversions[0], States):
        carry_states(state, pair)
    else:
        carry_numbers(state, pair)


def _report_bytes(state: CarryState, run: Run) -> None:
    changed = UndefinedBytes(run.changed, run.start)
    if UNEXPLAINED in state.left_out_names:
        state.leave_out(UNEXPLAINED, changed)
    else:
        state.add_problem(UNEXPLAINED, changed)


# Pairs


def _pair(state: CarryState, change: TableChange) -> CarryPair | ProblemCause:
    """A changed table with its partner; the cause of the problem if it has none."""
    table = change.table
    partner = state.new_definition.tables.get(table.name)
    if skipped := tuple(name for name in table.axes if name in state.skipped_axes):
        return AxisNotCarried(skipped)
    if partner is None or table.name not in state.new.layout.table_items:
        return CarryCause.NO_SUCH_TABLE
    if cause := mismatch(state.old_definition, table, state.new_definition, partner):
        return cause
    return _matched(state, change, partner)


def _matched(state: CarryState, change: TableChange, partner: Table) -> CarryPair | ProblemCause:
    old_axes, new_axes = (
        axis_quantities(state.old_definition, change.table),
        axis_quantities(state.new_definition, partner),
    )
    is_transposed = old_axes != new_axes
    old_x, old_y = change.new.x, change.new.y
    if is_transposed:
        old_x, old_y = old_y, old_x
    grid = state.new.grid(partner)
    grid = replace(
        grid,
        x=_final_breakpoints(state, partner.x, grid.x),
        y=_final_breakpoints(state, partner.y, grid.y),
    )
    x, y = _axis_map(old_x, grid.x), _axis_map(old_y, grid.y)
    if x is None or y is None:
        return CarryCause.AXES_NOT_MONOTONIC
    conversions = (
        state.old_definition.conversion_of(change.table),
        state.new_definition.conversion_of(partner),
    )
    return CarryPair(change, partner, grid, is_transposed, CellMap(x, y), conversions)


def _axis_map(source: Numbers | None, target: Numbers | None) -> AxisMap | None:
    none = np.zeros(1)
    return AxisMap.between(none if source is None else source, none if target is None else target)


def _final_breakpoints(state: CarryState, axis: str | None, values: Numbers | None) -> Numbers | None:
    """The breakpoints that a new table will have: those of the rework if its axis is carried."""
    if axis is not None and isinstance(state.new_definition.axes[axis], DerivedAxis):
        return state.target_breakpoints(axis)
    return state.reworked.breakpoints(axis) if axis in state.carried_axes and axis else values


# The image


def _result(state: CarryState) -> CarryResult:
    image: Image | None = None
    renewals: tuple[Renewal, ...] = ()
    if not state.problems:
        image = _written(state)
        state.problems += _collisions(state, image)
    if state.problems:
        image = None
    elif image is not None and not np.array_equal(image.content, state.new.image.content):
        # If nothing is carried, even a base with a stale checksum stays as it is.
        sealed = seal(image, state.new_definition.memory)
        image, renewals = sealed.image, sealed.renewals
    return CarryResult(
        how=state.how,
        items=tuple(state.items),
        left_out=tuple(state.left_out),
        notes=tuple(state.notes),
        problems=tuple(state.problems),
        image=image,
        renewals=renewals,
    )


def _written(state: CarryState) -> Image:
    """The new base with everything that was carried."""
    differing = changed_cells(state.new, state.target)
    return encode(state.new, state.target.raw, differing, state.texts)


def _collisions(state: CarryState, image: Image) -> Iterator[CarryProblem]:
    """Everything whose content in the written image is not the intended one, because it shares bytes."""
    layout, base = state.new.layout, state.new.image
    result = decode(layout, image)
    for number in np.unique(layout.item[changed_cells(state.target, result)]).tolist():
        yield CarryProblem(layout.items[number].name, CarryCause.SHARES_BYTES)
    for identity in state.new_definition.memory.identities:
        if _differs(image, base, identity.at, len(identity.content)):
            yield CarryProblem(identity.name, CarryCause.SHARES_BYTES)
    for text in state.new_definition.texts.values():
        if text.name in state.texts:
            if image.read(text.at, text.length) != state.texts[text.name]:
                yield CarryProblem(text.name, CarryCause.SHARES_BYTES)
        elif _differs(image, base, text.at, text.length):
            yield CarryProblem(text.name, CarryCause.SHARES_BYTES)


def _differs(first: Image, second: Image, start: int, size: int) -> bool:
    return first.read(start, size) != second.read(start, size)
