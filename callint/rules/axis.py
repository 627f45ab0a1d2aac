"""Rules about the breakpoints of axes that lie in the image."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from callint import fmt
from callint.decoding.layout import Integers
from callint.model.change import AxisChange, Flags, Numbers, OutputShift
from callint.model.definition import StoredAxis
from callint.model.finding import Evidence, Finding, Severity
from callint.rules.context import SUBJECTS, CheckContext, LoadedDefinition
from callint.rules.rule import Scope, rule


@lru_cache(maxsize=SUBJECTS)
def _breakpoints(subject: LoadedDefinition) -> Integers:
    """The cells of all stored axes."""
    items = enumerate(subject.layout.items)
    return subject.layout.cells_of([number for number, item in items if isinstance(item, StoredAxis)])


def _breakpoint_steps(case: CheckContext) -> Iterator[tuple[Integers, Flags, Flags]]:
    """By storage group: breakpoints behind the first of their axis, and whether each is below the one before
    it, or equal to that.

    The order is that of the raw numbers, because that is what a control unit searches (common practice, no
    source).
    """
    groups, present = case.layout.groups, case.new.present
    for group, raw, cells in zip(groups, case.new.raw, _followers(case.subject), strict=True):
        here = present[cells] & present[cells - 1]
        after, before = raw[cells - group.cells.start], raw[cells - group.cells.start - 1]
        yield cells, here & (after < before), here & (after == before)


@lru_cache(maxsize=SUBJECTS)
def _followers(subject: LoadedDefinition) -> tuple[Integers, ...]:
    """By storage group, the cells of breakpoints that have another before them on their axis."""
    layout, every = subject.layout, _breakpoints(subject)
    every = every[layout.item[every] == layout.item[every - 1]]
    return tuple(every[(every > group.cells.start) & (every < group.cells.stop)] for group in layout.groups)


def _kept_pair(case: CheckContext, cell: int) -> bool:
    return bool(case.kept[cell] and case.kept[cell - 1])


@rule("axis/not-increasing", Severity.ERROR, Scope.IMAGE)
def not_increasing(case: CheckContext) -> Iterator[Finding]:
    """A breakpoint is below the one before it.

    Why it matters: the control unit searches an axis from one end and stops at the first breakpoint beyond
    the measured value. If the axis falls somewhere, it never reaches some columns and reads others at the
    wrong operating point.

    Example: 1000, 1250, 1500, 1400, 2000 rpm: the column of 1400 rpm is dead.

    Fix: correct the breakpoint; check its neighbours for a digit too many or too few.
    """
    for cells, falls, _ in _breakpoint_steps(case):
        for cell in cells[falls].tolist():
            item, _, _ = case.layout.place(cell)
            before, after = (case.quantity(item, float(case.new.physical[c])) for c in (cell - 1, cell))
            yield case.about_cell(
                "axis/not-increasing",
                cell,
                f"breakpoint {after} follows {before}: the axis no longer rises",
                f"Correct the breakpoint; it moves {_tables(case, item.name)}.",
                _kept_pair(case, cell),
                judged=(cell - 1, cell),
            )


@rule("axis/repeated-breakpoint", Severity.WARNING, Scope.IMAGE)
def repeated_breakpoint(case: CheckContext) -> Iterator[Finding]:
    """Two neighbouring breakpoints are equal.

    Why it matters: there is nothing to interpolate between them. A control unit that divides by their
    distance divides by zero; at best one of the two columns is dead.

    Example: 2000, 2000, 2500 rpm.

    Fix: give one of them another value. Some factories fill the unused end of an axis this way; if the base
    does, the finding is a note.
    """
    for cells, _, repeats in _breakpoint_steps(case):
        for cell in cells[repeats].tolist():
            item, _, _ = case.layout.place(cell)
            value = case.quantity(item, float(case.new.physical[cell]))
            yield case.about_cell(
                "axis/repeated-breakpoint",
                cell,
                f"breakpoint {value} is repeated: one of its columns or rows has no effect",
                "Give each of the two its own value.",
                _kept_pair(case, cell),
                judged=(cell - 1, cell),
            )


@rule("axis/wrong-count", Severity.ERROR, Scope.IMAGE)
def wrong_count(case: CheckContext) -> Iterator[Finding]:
    """The image stores another number of breakpoints than the definition says.

    Why it matters: the control unit uses the stored count. With another count it reads rows of another
    length, and the whole table is skewed.

    Example: the definition says 11 breakpoints, but the byte before the axis says 10.

    Fix: correct the count in the definition, or the stored byte if it was overwritten.
    """
    for axis in case.definition.stored_axes:
        if axis.stored_count is None:
            continue
        stored = case.new.stored_count(axis.stored_count)
        if stored is None or stored == axis.count:
            continue
        base = None if case.old is None else case.old.stored_count(axis.stored_count)
        yield Finding(
            rule="axis/wrong-count",
            table=axis.name,
            line=axis.line,
            address=axis.stored_count.at,
            size=axis.stored_count.storage.type.size,
            raw=stored,
            message=f"the image stores {fmt.count(stored, 'breakpoint')}, "
            f"but the definition has {axis.count}",
            hint="Correct the count in the definition, or the stored byte if it was overwritten.",
            inherited=base == stored,
            evidence=Evidence(ranges=((axis.stored_count.at, axis.stored_count.storage.type.size),)),
        )


@lru_cache(maxsize=SUBJECTS)
def _plausible(subject: LoadedDefinition) -> tuple[Integers, Numbers, Numbers]:
    """All breakpoints, and between which values the signal of each is plausible."""
    layout, signals = subject.layout, subject.definition.signals
    low, high = (np.full(len(layout.items), bound) for bound in (-np.inf, np.inf))
    for number, item in enumerate(layout.items):
        signal = signals.get(item.signal) if isinstance(item, StoredAxis) else None
        if signal and signal.plausible:
            low[number], high[number] = signal.plausible.low, signal.plausible.high
    cells = _breakpoints(subject)
    return cells, low[layout.item[cells]], high[layout.item[cells]]


@rule("axis/outside-plausible", Severity.WARNING, Scope.IMAGE)
def outside_plausible(case: CheckContext) -> Iterator[Finding]:
    """A breakpoint lies outside the range of a healthy sensor.

    Why it matters: the engine uses only half of its column or row, or none of it. Usually another number was
    intended.

    Example: 7500 rpm on an axis of an engine whose speed signal ends at 6000 rpm.

    Fix: correct the breakpoint, or the signal's plausible range if the sensor really reads that far.
    """
    layout, physical = case.layout, case.new.physical
    cells, low, high = _plausible(case.subject)
    beyond = case.new.present[cells] & ((physical[cells] < low) | (physical[cells] > high))
    for cell in cells[beyond].tolist():
        item, _, _ = layout.place(cell)
        assert isinstance(item, StoredAxis)
        plausible = case.definition.signals[item.signal].plausible
        assert plausible is not None
        value = float(physical[cell])
        side, limit = ("below", plausible.low) if value < plausible.low else ("above", plausible.high)
        yield case.about_cell(
            "axis/outside-plausible",
            cell,
            f"breakpoint {case.beside(item, value, limit)} is {side} {case.limit(item, limit)}, "
            f"the {'lower' if side == 'below' else 'upper'} end of the plausible range of {item.signal}",
            "Correct the breakpoint, or the signal's plausible range.",
            judged=(cell,),
        )


@rule("axis/changed", Severity.WARNING, Scope.CHANGE)
def changed(case: CheckContext) -> Iterator[Finding]:
    """An axis differs from the base, and one table uses it.

    Why it matters: moving a breakpoint moves every cell of its column, although no cell changed. Conversely,
    if the cells were recalculated for new breakpoints, every cell differs, although the engine behaves the
    same. callint therefore compares the outputs of the two tables at every breakpoint of either. Both are
    linear between these breakpoints, so they differ nowhere more. A difference of up to a hundredth of the
    table's span counts as unchanged; the message gives its size.

    Example: a curve has 10, 20 and 60 mg at 1000, 2000 and 3000 rpm, and 2000 rpm became 2200 rpm. At 2000
    rpm it now gives 10 + (20 - 10) * 1000 / 1200 = 18.3 mg, 1.7 mg less; at 2200 rpm it gives 20 mg instead
    of 20 + (60 - 20) * 200 / 1000 = 28 mg. No cell changed, but the output moved by up to -8 mg at 2200 rpm.
    With 28 mg in that cell it would have moved by up to +5 mg at 2000 rpm, where 10 + (28 - 10) * 1000 / 1200
    = 25 mg.

    Fix: if the axis was re-spaced on purpose, make sure that the cells were recalculated for the new
    breakpoints.
    """
    for change in case.changes.axes:
        if len(list(case.definition.tables_on(change.axis.name))) <= 1:
            yield _axis_finding(case, "axis/changed", change)


@rule("axis/shared-axis-changed", Severity.WARNING, Scope.CHANGE)
def shared_axis_changed(case: CheckContext) -> Iterator[Finding]:
    """An axis that several tables share differs from the base.

    Why it matters: the change moves all of these tables, also those that nobody looked at. callint computes
    for each of them how far, as `axis/changed` explains.

    Example: at 1000, 2000 and 3000 rpm the smoke limit has 10, 20 and 60 mg and the torque limit 10, 30 and
    50 mg. For the smoke limit, 2000 rpm became 2500 rpm, and its cell there 40 mg. At 2500 rpm the smoke
    limit gives 40 mg as before, (20 + 60) / 2, but at 2000 rpm 10 + (40 - 10) * 1000 / 1500 = 30 mg, 10 mg
    more. The torque limit, which nobody looked at, gives 30 mg at 2500 rpm instead of (30 + 50) / 2 = 40 mg:
    10 mg less.

    Fix: check every table that the message names, or undo the change of the axis.
    """
    for change in case.changes.axes:
        if len(list(case.definition.tables_on(change.axis.name))) > 1:
            yield _axis_finding(case, "axis/shared-axis-changed", change)


def _axis_finding(case: CheckContext, rule_id: str, change: AxisChange) -> Finding:
    axis = change.axis
    first = int(np.flatnonzero(change.changed)[0])
    cell = case.layout.cells(case.layout.axis_items[axis.name]).start + first
    moved = int(np.count_nonzero(change.changed))
    raws = change.old_raw[first], change.new_raw[first]
    old, new = case.change(axis, float(change.old[first]), float(change.new[first]), raws)
    others = f" and {fmt.count(moved - 1, 'other breakpoint')}" if moved > 1 else ""
    finding = case.about_cell(
        rule_id,
        cell,
        f"{old} became {new}{others}; {_moved(case, axis.name)}",
        "Check that the cells were recalculated for the new breakpoints.",
    )
    moved_tables = tuple(table.name for table in case.definition.tables_on(axis.name))
    return replace(finding, evidence=Evidence(tables=(axis.name, *moved_tables)))


def _moved(case: CheckContext, axis: str) -> str:
    """What becomes of the tables on an axis, those that are moved before those that hardly are."""
    movements = [case.changes.movement_of.get(table.name) for table in case.definition.tables_on(axis)]
    known = [movement for movement in movements if movement is not None]
    if not known or len(known) < len(movements):
        return f"this moves {_tables(case, axis)}"
    if len(known) == 1:
        (only,) = known
        amount = fmt.movement(case.definition, only)
        if only.is_slight or not only.size:
            return f"the output of {fmt.name_with_purpose(only.table)} is {amount}"
        cells = "" if only.in_cells else "cells unchanged, but "
        return f"{cells}the output of {fmt.name_with_purpose(only.table)} moved by {amount}"
    amounts = (
        f"{fmt.name_with_purpose(one.table)} {fmt.movement(case.definition, one)}"
        for one in fmt.in_order_of_weight(known)
    )
    return f"this moves outputs{_cells_words(known)}: {'; '.join(amounts)}"


def _cells_words(movements: Sequence[OutputShift]) -> str:
    return "" if any(movement.in_cells for movement in movements) else ", though no cell changed"


def _tables(case: CheckContext, axis: str) -> str:
    """The tables that an axis moves, with the purposes that must not be overlooked."""
    names = [fmt.name_with_purpose(table) for table in case.definition.tables_on(axis)]
    return ", ".join(names) if names else "no table"
