"""Rules about the breakpoints of axes that lie in the image, or follow from a curve there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from callint import fmt
from callint.decoding.layout import Integers
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model import rule_ids
from callint.model.change import AxisChange, Flags, Numbers, OutputShift, by_importance
from callint.model.definition import StoredAxis, Table
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.finding import Evidence, Finding, Severity
from callint.rules.context import KEPT_DEFINITIONS, CheckContext
from callint.rules.rule import Scope, rule

#: So many breakpoints must be below the one before them, and all of an axis, to say that the axis falls.
_LEAST_FALLS = 3


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _breakpoints(loaded: LoadedDefinition) -> Integers:
    """The cells of all stored axes."""
    items = enumerate(loaded.layout.items)
    return loaded.layout.cells_of([number for number, item in items if isinstance(item, StoredAxis)])


def _breakpoint_steps(context: CheckContext) -> Iterator[tuple[Integers, Flags, Flags]]:
    """By storage group: the breakpoints after the first of their axis, compared with the one before them.

    The flags say which are below the one before, and which are equal to it. The order is that of the raw
    numbers, because a control unit searches these (common practice, no source).
    """
    groups, present = context.layout.groups, context.new.present
    for group, raw, cells in zip(groups, context.new.raw, _followers(context.loaded), strict=True):
        both = present[cells] & present[cells - 1]
        after, before = raw[cells - group.cells.start], raw[cells - group.cells.start - 1]
        yield cells, both & (after < before), both & (after == before)


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _followers(loaded: LoadedDefinition) -> tuple[Integers, ...]:
    """By storage group, the cells of all breakpoints but the first of each axis."""
    layout, every = loaded.layout, _breakpoints(loaded)
    every = every[layout.item[every] == layout.item[every - 1]]
    return tuple(every[(every > group.cells.start) & (every < group.cells.stop)] for group in layout.groups)


def _derived_findings(context: CheckContext, rule_id: str) -> Iterator[Finding]:
    """For each axis that follows from a curve, its first breakpoint that breaks one of the two rules here."""
    is_repetition = rule_id == rule_ids.AXIS_REPEATED_BREAKPOINT
    for axis in context.definition.derived_axes:
        curve = context.definition.curve_of(axis)
        if curve is None or curve.name not in context.layout.table_items:
            continue
        numbers = context.layout.sources_of(axis.name)
        if not context.new.present[context.layout.cells_of(numbers)].all():
            continue
        values = context.new.breakpoints(axis.name)
        if not np.isfinite(values).all():
            if not is_repetition:
                yield _about_derived(context, rule_id, curve, _no_breakpoints(axis))
            continue
        wrong = values[1:] == values[:-1] if is_repetition else values[1:] < values[:-1]
        if wrong.any():
            last = int(np.argmax(wrong)) + 1
            before, after = (context.texts.axis_value(axis, float(values[n])) for n in (last - 1, last))
            clause = f"breakpoint {after} follows {before}: the axis no longer rises"
            if is_repetition:
                clause = f"breakpoint {after} is repeated: one of its columns or rows has no effect"
            yield _about_derived(context, rule_id, curve, f"axis {axis.name}: {clause}")


def _about_derived(context: CheckContext, rule_id: str, curve: Table, message: str) -> Finding:
    hint = f"Correct {curve.name}, which the breakpoints follow from."
    return context.about_table(rule_id, curve, message, hint, context.is_unchanged(curve))


def _no_breakpoints(axis: DerivedAxis) -> str:
    if axis.derivation is Derivation.RESCALED:
        return f"axis {axis.name} has no breakpoints, because the breakpoints of {axis.curve} do not rise"
    return (
        f"axis {axis.name} has no breakpoints, because {axis.curve} does not give each of the cell numbers "
        f"0 to {axis.count - 1} at one place"
    )


def _is_unchanged_pair(context: CheckContext, cell: int) -> bool:
    return bool(context.kept[cell] and context.kept[cell - 1])


@rule(rule_ids.AXIS_NOT_INCREASING, Severity.ERROR, Scope.IMAGE)
def not_increasing(context: CheckContext) -> Iterator[Finding]:
    """A breakpoint is below the one before it.

    Why it matters: the control unit searches an axis from one end and stops at the first breakpoint beyond
    the measured value. If the axis falls somewhere, it never reaches some columns and reads others at the
    wrong operating point.

    Example: 1000, 1250, 1500, 1400, 2000 rpm: the column of 1400 rpm is dead. An axis that is derived from a
    curve is reported at the curve, also if the curve gives it no breakpoints at all.

    If every breakpoint is below the one before it, that is one finding: the control unit may store the axis
    with the highest breakpoint first.

    Fix: correct the breakpoint, or the curve that it follows from; check its neighbours for a digit too many
    or too few. If the control unit stores the highest breakpoint first, write `order="falling"` for the axis.
    """
    yield from _derived_findings(context, rule_ids.AXIS_NOT_INCREASING)
    for cells, falls, _ in _breakpoint_steps(context):
        falling = cells[falls]
        counts = Counter(context.layout.item[falling].tolist())
        for cell in falling.tolist():
            item, number, _ = context.layout.place(cell)
            axis = context.layout.cells(int(context.layout.item[cell]))
            if counts[int(context.layout.item[cell])] == axis.stop - axis.start - 1 >= _LEAST_FALLS:
                if number == 1:
                    yield _falling_axis(context, axis)
                continue
            before, after = (
                context.texts.quantity(item, float(context.new.physical[c])) for c in (cell - 1, cell)
            )
            yield context.about_cell(
                rule_ids.AXIS_NOT_INCREASING,
                cell,
                f"breakpoint {after} follows {before}: the axis no longer rises",
                f"Correct the breakpoint; it moves {_table_names(context, item.name)}.",
                _is_unchanged_pair(context, cell),
                judged=(cell - 1, cell),
            )


def _falling_axis(context: CheckContext, cells: slice) -> Finding:
    """The finding about an axis whose breakpoints all fall."""
    item, _, _ = context.layout.place(cells.start)
    first, last = (
        context.texts.quantity(item, float(context.new.physical[cell]))
        for cell in (cells.start, cells.stop - 1)
    )
    is_kept = bool(context.kept[cells].all())
    hint = "Correct the breakpoints."
    if is_kept or context.old is None:
        hint = 'Write order="falling" for it if the control unit stores it so, or correct its address.'
    return context.about_cell(
        rule_ids.AXIS_NOT_INCREASING,
        cells.start + 1,
        f"the axis falls from {first} to {last}",
        hint,
        is_kept,
        judged=tuple(range(cells.start, cells.stop)),
    )


@rule(rule_ids.AXIS_REPEATED_BREAKPOINT, Severity.WARNING, Scope.IMAGE)
def repeated_breakpoint(context: CheckContext) -> Iterator[Finding]:
    """Two neighbouring breakpoints are equal.

    Why it matters: there is nothing to interpolate between them. A control unit that divides by their
    distance divides by zero; at best one of the two columns is dead.

    Example: 2000, 2000, 2500 rpm.

    Fix: give one of them another value. Some factories fill the unused end of an axis this way; if the base
    does, the finding is a note.
    """
    yield from _derived_findings(context, rule_ids.AXIS_REPEATED_BREAKPOINT)
    for cells, _, repeats in _breakpoint_steps(context):
        for cell in cells[repeats].tolist():
            item, _, _ = context.layout.place(cell)
            value = context.texts.quantity(item, float(context.new.physical[cell]))
            yield context.about_cell(
                rule_ids.AXIS_REPEATED_BREAKPOINT,
                cell,
                f"breakpoint {value} is repeated: one of its columns or rows has no effect",
                "Give each of the two its own value.",
                _is_unchanged_pair(context, cell),
                judged=(cell - 1, cell),
            )


@rule(rule_ids.AXIS_WRONG_COUNT, Severity.ERROR, Scope.IMAGE)
def wrong_count(context: CheckContext) -> Iterator[Finding]:
    """The image stores another number of breakpoints than the definition says.

    Why it matters: the control unit uses the stored count. With another count it reads rows of another
    length, and the whole table is skewed.

    Example: the definition says 11 breakpoints, but the byte before the axis says 10.

    Fix: correct the count in the definition, or the stored byte if it was overwritten.
    """
    for axis in context.definition.stored_axes:
        if axis.stored_count is None:
            continue
        stored = context.new.stored_count(axis.stored_count)
        if stored is None or stored == axis.count:
            continue
        base = None if context.old is None else context.old.stored_count(axis.stored_count)
        yield Finding(
            rule=rule_ids.AXIS_WRONG_COUNT,
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


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _plausible(loaded: LoadedDefinition) -> tuple[Integers, Numbers, Numbers]:
    """The cells of all breakpoints, and the plausible range of the signal of each."""
    layout, signals = loaded.layout, loaded.definition.signals
    low, high = (np.full(len(layout.items), bound) for bound in (-np.inf, np.inf))
    for number, item in enumerate(layout.items):
        signal = signals.get(item.signal) if isinstance(item, StoredAxis) else None
        if signal and signal.plausible:
            low[number], high[number] = signal.plausible.low, signal.plausible.high
    cells = _breakpoints(loaded)
    return cells, low[layout.item[cells]], high[layout.item[cells]]


@rule(rule_ids.AXIS_OUTSIDE_PLAUSIBLE, Severity.WARNING, Scope.IMAGE)
def outside_plausible(context: CheckContext) -> Iterator[Finding]:
    """A breakpoint lies outside the range of a healthy sensor.

    Why it matters: the engine uses only half of its column or row, or none of it. Usually another number was
    intended.

    Example: 7500 rpm on an axis of an engine whose speed signal ends at 6000 rpm.

    Fix: correct the breakpoint, or the signal's plausible range if the sensor really reads that far.
    """
    yield from _implausible_derived(context)
    layout, physical = context.layout, context.new.physical
    cells, low, high = _plausible(context.loaded)
    outside = context.new.present[cells] & ((physical[cells] < low) | (physical[cells] > high))
    for cell in cells[outside].tolist():
        item, _, _ = layout.place(cell)
        assert isinstance(item, StoredAxis)
        plausible = context.definition.signals[item.signal].plausible
        assert plausible is not None
        value = float(physical[cell])
        side, limit = ("below", plausible.low) if value < plausible.low else ("above", plausible.high)
        text, limit_text = context.texts.format_near(item, value, limit), context.texts.limit(item, limit)
        yield context.about_cell(
            rule_ids.AXIS_OUTSIDE_PLAUSIBLE,
            cell,
            f"breakpoint {text} is {side} {limit_text}, "
            f"the {'lower' if side == 'below' else 'upper'} end of the plausible range of {item.signal}",
            "Correct the breakpoint, or the signal's plausible range.",
            judged=(cell,),
        )


def _implausible_derived(context: CheckContext) -> Iterator[Finding]:
    """For each axis that follows from a curve, its breakpoint that lies furthest outside."""
    for axis in context.definition.derived_axes:
        curve, signal = context.definition.curve_of(axis), context.definition.signals.get(axis.signal)
        if curve is None or curve.name not in context.layout.table_items or not (signal and signal.plausible):
            continue
        values, plausible = context.new.breakpoints(axis.name), signal.plausible
        beyond = np.maximum(plausible.low - values, values - plausible.high)
        if not (beyond > 0).any():
            continue
        value = float(values[int(np.nanargmax(beyond))])
        side, limit = ("below", plausible.low) if value < plausible.low else ("above", plausible.high)
        unit = context.definition.unit_of(axis)
        text, limit_text = (
            fmt.with_unit(text, unit)
            for text in fmt.format_breakpoints(context.definition, axis, (value, limit))
        )
        end = "lower" if side == "below" else "upper"
        message = (
            f"axis {axis.name}: breakpoint {text} is {side} {limit_text}, the {end} end of the plausible "
            f"range of {axis.signal}"
        )
        yield _about_derived(context, rule_ids.AXIS_OUTSIDE_PLAUSIBLE, curve, message)


@rule(rule_ids.AXIS_CHANGED, Severity.WARNING, Scope.CHANGE)
def changed(context: CheckContext) -> Iterator[Finding]:
    """An axis differs from the base, and one table uses it.

    Why it matters: moving a breakpoint moves every cell of its column, although no cell changed. Conversely,
    if the cells were recalculated for new breakpoints, all of them differ although the output stays the same.
    callint therefore compares the outputs of the two tables, at every breakpoint of either. Both are linear
    between these breakpoints, so the difference is nowhere larger. The message calls an output unchanged, and
    gives its difference, if that is within a hundredth of the table's span.

    Example: a curve has 10, 20 and 60 mg at 1000, 2000 and 3000 rpm, and 2000 rpm became 2200 rpm. At
    2000 rpm it now gives 10 + (20 - 10) * 1000 / 1200 = 18.3 mg, 1.7 mg less; at 2200 rpm it gives 20 mg
    where it gave 20 + (60 - 20) * 200 / 1000 = 28 mg. No cell changed, but the output moved by up to -8 mg
    at 2200 rpm. With 28 mg in that cell it would have moved by up to +5 mg at 2000 rpm, where
    10 + (28 - 10) * 1000 / 1200 = 25 mg.

    Fix: if the axis was re-spaced on purpose, make sure that the cells were recalculated for the new
    breakpoints.
    """
    for change in context.changes.axes:
        if len(list(context.definition.tables_on(change.axis.name))) <= 1:
            yield _axis_finding(context, rule_ids.AXIS_CHANGED, change)


@rule(rule_ids.AXIS_SHARED_AXIS_CHANGED, Severity.WARNING, Scope.CHANGE)
def shared_axis_changed(context: CheckContext) -> Iterator[Finding]:
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
    for change in context.changes.axes:
        if len(list(context.definition.tables_on(change.axis.name))) > 1:
            yield _axis_finding(context, rule_ids.AXIS_SHARED_AXIS_CHANGED, change)


def _axis_finding(context: CheckContext, rule_id: str, change: AxisChange) -> Finding:
    axis = change.axis
    first = int(np.flatnonzero(change.changed)[0])
    subject, sources = "", context.definition.axis_sources(axis.name)
    if isinstance(axis, DerivedAxis):
        cells = context.layout.cells_of(context.layout.sources_of(axis.name))
        cell, subject = int(cells[~context.kept[cells]][0]), f"axis {axis.name}: "
    else:
        cell = context.layout.cells(context.layout.axis_items[axis.name]).start + first
    moved = int(np.count_nonzero(change.changed))
    raws = change.old_raw[first], change.new_raw[first]
    old, new = context.texts.format_change(axis, float(change.old[first]), float(change.new[first]), raws)
    others = f" and {fmt.count(moved - 1, 'other breakpoint')}" if moved > 1 else ""
    finding = context.about_cell(
        rule_id,
        cell,
        f"{subject}{old} became {new}{others}; {_output_text(context, axis.name)}",
        "Check that the cells were recalculated for the new breakpoints.",
    )
    moved_tables = tuple(table.name for table in context.definition.tables_on(axis.name))
    return replace(finding, evidence=Evidence(tables=(*sources, *moved_tables)))


def _output_text(context: CheckContext, axis: str) -> str:
    """A clause about the outputs of the tables on an axis, the most important first."""
    tables = list(context.definition.tables_on(axis))
    shifts = context.changes.output_shift_of
    known = [shifts[table.name] for table in tables if table.name in shifts]
    if not known or len(known) < len(tables):
        return f"this moves {_table_names(context, axis)}"
    if len(known) == 1:
        (only,) = known
        amount = fmt.output_shift(context.definition, only)
        if only.is_slight or not only.size:
            return f"the output of {fmt.name_with_purpose(only.table)} is {amount}"
        cells = "" if only.in_cells else "cells unchanged, but "
        return f"{cells}the output of {fmt.name_with_purpose(only.table)} moved by {amount}"
    amounts = (
        f"{fmt.name_with_purpose(shift.table)} {fmt.output_shift(context.definition, shift)}"
        for shift in by_importance(known)
    )
    return f"this moves outputs{_no_cells_text(known)}: {'; '.join(amounts)}"


def _no_cells_text(shifts: Sequence[OutputShift]) -> str:
    return "" if any(shift.in_cells for shift in shifts) else ", though no cell changed"


def _table_names(context: CheckContext, axis: str) -> str:
    """The names of the tables on an axis, with the purpose of protections and emissions tables."""
    names = [fmt.name_with_purpose(table) for table in context.definition.tables_on(axis)]
    return ", ".join(names) if names else "no table"
