"""Rules about the values in cells, each judged by what its table demands.

Off-coded cells hold no value and are passed over, except by the rule about off codes.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from operator import itemgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing.decimal_compare import exceeds
from callint.decoding.conversions import exact_value, largest_step, raw_distances
from callint.decoding.layout import Integers
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.operating_range import operating_cells, operating_share
from callint.decoding.statistics import distinct
from callint.model import rule_ids
from callint.model.cell_demands import Gradient, Monotonic, OffAllowed
from callint.model.change import Flags, Numbers
from callint.model.definition import (
    Conversion,
    Linear,
    States,
    Table,
    decimal,
)
from callint.model.finding import Finding, Severity
from callint.rules.context import KEPT_DEFINITIONS, CheckContext, is_axis
from callint.rules.rule import Scope, rule


@rule(rule_ids.VALUE_OUT_OF_RANGE, Severity.ERROR, Scope.IMAGE)
def out_of_range(context: CheckContext) -> Iterator[Finding]:
    """A cell is outside the limits of its table.

    Why it matters: the limits are what the hardware withstands or the function can use. A value beyond them
    breaks a part or has no effect.

    Example: limits 0 to 1650 bar, and a cell of 2100 bar; a cell of 1650 bar barely passes.

    Fix: correct the cell. If the limit itself is wrong, correct the definition and give the reason in the
    commit.
    """
    for cell in context.new.cells_outside(*context.layout.limits, context.layout.raw_limits).tolist():
        item, _, _ = context.layout.place(cell)
        limits = item.demands.limits if isinstance(item, Table) else None
        assert limits is not None
        value, side, limit = context.texts.limit_violation(cell, limits)
        yield context.about_cell(
            rule_ids.VALUE_OUT_OF_RANGE,
            cell,
            f"{value} is {side} the limit of {limit}",
            "Correct the cell; the limits are what the hardware withstands.",
            judged=(cell,),
        )


@rule(rule_ids.VALUE_UNEXPECTED, Severity.WARNING, Scope.IMAGE)
def unexpected(context: CheckContext) -> Iterator[Finding]:
    """A cell is within the limits of its table, but outside the expected range.

    Why it matters: nothing breaks at once, but somebody who knows the engine would ask.

    Example: expected 4 to 72 mg, and a cell of 75 mg; a cell of 72 mg barely passes.

    Fix: correct the cell, or waive the finding with the reason for the value.
    """
    cells = context.new.cells_outside(*context.layout.expected, context.layout.raw_expected)
    if not len(cells):
        return
    reported = np.zeros(context.layout.size, bool)  # value/out-of-range reports these
    reported[context.new.cells_outside(*context.layout.limits, context.layout.raw_limits)] = True
    for cell in cells[~reported[cells]].tolist():
        item, _, _ = context.layout.place(cell)
        limits = item.demands.expected if isinstance(item, Table) else None
        assert limits is not None
        value, side, limit = context.texts.limit_violation(cell, limits)
        yield context.about_cell(
            rule_ids.VALUE_UNEXPECTED,
            cell,
            f"{value} is {side} the expected {limit}",
            "Correct the cell, or waive the finding with a reason.",
            judged=(cell,),
        )


@rule(rule_ids.VALUE_AT_END_STOP, Severity.WARNING, Scope.IMAGE)
def at_end_stop(context: CheckContext) -> Iterator[Finding]:
    """A cell holds the last number of its storage type, and no limit says that this is intended.

    Why it matters: if a value is scaled up beyond the range of its type, it stops at the end of the range,
    and nobody sees that the intended value was larger. In unsigned types only the upper end counts, because 0
    is an ordinary value.

    Example: 255 in a uint8 cell after "plus 30 %"; a cell of 254 barely passes.

    Fix: enter the intended value; if the type cannot hold it, the table cannot have it. If the end of the
    range is a valid value, give the table limits that include it.
    """
    low, high = context.layout.limits
    groups = zip(
        context.layout.groups, context.new.raw, context.new.raw_extremes, context.layout.masks, strict=True
    )
    for group, raw, (least, greatest), masks in groups:
        if not group.type.is_integer:
            continue
        ends, is_signed = np.iinfo(raw.dtype), group.type.kind == "i"
        if not (greatest.max() == ends.max or (is_signed and least.min() == ends.min)):
            continue
        stopped = (raw == ends.max) | (raw == ends.min) if is_signed else raw == ends.max
        stopped[masks.cells - group.cells.start] = False
        cells = np.flatnonzero(stopped) + group.cells.start
        limit = np.where(
            raw[cells - group.cells.start] == ends.max,
            high[context.layout.item[cells]],
            low[context.layout.item[cells]],
        )
        for cell in cells[context.new.valued[cells] & ~np.isfinite(limit)].tolist():
            item, _, _ = context.layout.place(cell)
            if is_axis(item) or isinstance(context.conversion(item), States):
                continue
            value = context.texts.quantity(item, float(context.new.physical[cell]))
            yield context.about_cell(
                rule_ids.VALUE_AT_END_STOP,
                cell,
                f"{value} is at the end of the {group.type.name} range (raw {context.new.raw_at(cell)})",
                "Set the intended value, or give the table limits that include this one.",
                judged=(cell,),
            )


@rule(rule_ids.VALUE_NOT_A_NUMBER, Severity.ERROR, Scope.IMAGE)
def not_a_number(context: CheckContext) -> Iterator[Finding]:
    """A cell or breakpoint is not a number, or is infinite.

    Why it matters: every comparison with such a value is false and every sum with it is lost, so limiters
    that compare do not limit. The stored number decides, even if a conversion maps it to a finite value.

    Example: the bytes 7F C0 00 00 in a float32 cell; raw 0 for a period from which the speed is computed by
    division.

    Fix: enter a number. Such bytes often come from a part of the image that does not contain floats.
    """
    largest = sys.float_info.max
    cells = context.layout.cells_in(context.new.items_exceeding(-largest, largest))
    for cell in cells[context.new.present[cells] & ~np.isfinite(context.new.physical[cells])].tolist():
        yield context.about_cell(
            rule_ids.VALUE_NOT_A_NUMBER,
            cell,
            f"raw {context.new.raw_at(cell)} {_why_no_number(context, cell)}",
            "Set a number; check that the address and the type are right.",
            judged=(cell,),
        )


def _why_no_number(context: CheckContext, cell: int) -> str:
    """A predicate that says why a raw number has no finite value."""
    raw = context.new.raw_at(cell)
    if not math.isfinite(raw):
        return "is not a number" if math.isnan(raw) else "is infinite"
    return "has no value" if np.isnan(context.new.physical[cell]) else "has a value too large for any number"


@rule(rule_ids.VALUE_UNKNOWN_STATE, Severity.ERROR, Scope.IMAGE)
def unknown_state(context: CheckContext) -> Iterator[Finding]:
    """A cell holds a raw value that is not one of its named states.

    Why it matters: nobody knows how the control unit handles such a value.

    Example: states 0 off and 1 on, and a byte of 3.

    Fix: enter one of the states, or add the state to the definition if it exists.
    """
    for conversion, cells in context.layout.curved:
        if not isinstance(conversion, States):
            continue
        known = _known_states(context, conversion, cells)
        for cell in cells[context.new.present[cells] & ~known].tolist():
            states = ", ".join(f"{raw} {name}" for raw, name in sorted(conversion.names.items())[:8])
            yield context.about_cell(
                rule_ids.VALUE_UNKNOWN_STATE,
                cell,
                f"raw {context.new.raw_at(cell)} is not a state of {conversion.name} ({states})",
                "Set one of the states, or add it to the definition.",
                judged=(cell,),
            )


def _known_states(context: CheckContext, conversion: States, cells: Integers) -> Flags:
    """Which cells hold a number that has a name, shape of ``cells``; exact for 64 bits too."""
    known = np.isin(context.new.physical[cells], np.array(list(conversion.names), np.float64))
    for group, raw in zip(context.layout.groups, context.new.raw, strict=True):
        if group.type.is_integer and group.type.size == 8:
            in_group = (cells >= group.cells.start) & (cells < group.cells.stop)
            ends = np.iinfo(raw.dtype)
            names = [number for number in conversion.names if ends.min <= number <= ends.max]
            known[in_group] = np.isin(raw[cells[in_group] - group.cells.start], np.array(names, raw.dtype))
    return known


# Shape


def _neighbours(vector: NDArray[Any], along: str) -> tuple[NDArray[Any], NDArray[Any]]:
    """Every cell but the last and every cell but the first along an axis; shape (rows, columns) less one."""
    return (vector[:, :-1], vector[:, 1:]) if along == "x" else (vector[:-1], vector[1:])


def _pairs(context: CheckContext, table: Table, along: str, broken: Flags) -> Iterator[tuple[int, int]]:
    """The two cells of every broken pair of neighbours, as numbers in the flat vectors."""
    for y, x in np.argwhere(broken).tolist():
        next_x, next_y = (x + 1, y) if along == "x" else (x, y + 1)
        yield context.cell_number(table, x, y), context.cell_number(table, next_x, next_y)


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _tables_with_gradients(loaded: LoadedDefinition) -> tuple[Table, ...]:
    """The tables whose slope the definition limits."""
    return tuple(item for item in loaded.layout.items if isinstance(item, Table) and item.demands.gradients)


def _is_unchanged_pair(context: CheckContext, table: Table, along: str, first: int, second: int) -> bool:
    """Whether two neighbours and their breakpoints are those of the base; other breakpoints may differ."""
    if not (context.kept[first] and context.kept[second]):
        return False
    change = context.changes.by_axis.get((table.x if along == "x" else table.y) or "")
    if change is None:
        return True
    places = (context.layout.place(cell)[1:] for cell in (first, second))
    return not any(change.changed[x if along == "x" else y] for x, y in places)


def _interval_text(context: CheckContext, table: Table, along: str, cell: int) -> str:
    """The interval from the cell before to a cell: "between 2000 rpm and 2200 rpm"."""
    _, x, y = context.layout.place(cell)
    name, index = (table.x, x) if along == "x" else (table.y, y)
    axis = context.definition.axes[name or ""]
    return f"between {context.texts.breakpoint(axis, index - 1)} and {context.texts.breakpoint(axis, index)}"


@rule(rule_ids.VALUE_TOO_STEEP, Severity.WARNING, Scope.IMAGE)
def too_steep(context: CheckContext) -> Iterator[Finding]:
    """Two neighbouring cells differ more than the table's gradient allows.

    Why it matters: the engine passes from one cell to the next in an instant; a large step in a table is a
    jerk at the shaft, a pressure spike, or a controller that hunts.

    Example: `<gradient along="x" max="0.02"/>` allows 4 mg from 2000 to 2200 rpm; 41.0 to 45.2 mg is too
    steep, and 41.0 to 45.0 mg barely passes.

    Fix: spread the step over more cells, or correct the cell that causes it.
    """
    for table in _tables_with_gradients(context.loaded):
        item = context.layout.table_items[table.name]
        physical = context.new.of_item(context.new.physical, item)
        valued = context.new.of_item(context.new.valued, item)
        for gradient in table.demands.gradients:
            widths = _widths(context, table, gradient)
            before, after = _neighbours(physical, gradient.along)
            near, far = _neighbours(valued, gradient.along)
            steep = exceeds(before, after, gradient.max * widths)
            if context.layout.wide[item]:
                steep = _steep_raw(context, table, gradient, widths)
            broken = near & far & (widths > 0) & steep
            for first, second in _pairs(context, table, gradient.along, broken):
                finding = context.about_cell(
                    rule_ids.VALUE_TOO_STEEP,
                    second,
                    _slope_text(context, table, gradient, first, second),
                    "Spread the step over more cells, or correct the cell that sticks out.",
                    _is_unchanged_pair(context, table, gradient.along, first, second),
                    judged=(first, second),
                )
                yield replace(finding, subject=gradient.along)


def _steep_raw(context: CheckContext, table: Table, gradient: Gradient, widths: Numbers) -> Flags:
    """Which neighbouring raw numbers differ more than the gradient allows; exact for 64 bits too."""
    conversion = context.conversion(table)
    assert isinstance(conversion, Linear)
    before, after = _neighbours(context.new.raw_of(context.layout.table_items[table.name]), gradient.along)
    steps = [decimal(width) for width in widths.ravel().tolist()]
    most = [None if step is None else largest_step(conversion, decimal(gradient.max), step) for step in steps]
    bounds = np.array([_MOST if step is None else min(step, _MOST) for step in most], np.uint64)
    return raw_distances(before, after) > bounds.reshape(widths.shape)


#: The largest difference between two 64-bit numbers.
_MOST = 2**64 - 1


def _widths(context: CheckContext, table: Table, gradient: Gradient) -> Numbers:
    """The distances between neighbouring breakpoints; shape (1, columns - 1) or (rows - 1, 1)."""
    axis = (table.x if gradient.along == "x" else table.y) or ""
    widths: Numbers = np.abs(np.diff(context.new.breakpoints(axis)))
    return widths[None, :] if gradient.along == "x" else widths[:, None]


def _slope_text(context: CheckContext, table: Table, gradient: Gradient, first: int, second: int) -> str:
    """The slope of a pair as a sentence: "the slope between 2000 rpm and 2200 rpm is 0.021 mg ..."."""
    before, after = float(context.new.physical[first]), float(context.new.physical[second])
    axis = context.definition.axes[(table.x if gradient.along == "x" else table.y) or ""]
    _, x, y = context.layout.place(first)
    index = x if gradient.along == "x" else y
    slope = abs(after - before) / float(_widths(context, table, gradient).flat[index])
    conversion = context.conversion(table)
    if context.layout.wide[context.layout.table_items[table.name]] and isinstance(conversion, Linear):
        raw = [int(context.new.raw_at(cell)) for cell in (first, second)]
        step = abs(exact_value(conversion, raw[1]) - exact_value(conversion, raw[0]))
        # Two doubles may lie further apart than the largest double.
        slope = float(min(step, Fraction(sys.float_info.max)))
        slope /= float(_widths(context, table, gradient).flat[index])
    digits = f"{slope:.4g}"
    if float(digits) <= gradient.max:  # the slope needs more digits to differ from the limit
        digits = fmt.plain(slope)
    unit, per = (fmt.unit_word(context.definition.unit_of(item) or "1") for item in (table, axis))
    from_, to = context.texts.cell_values(table, first, second)
    return (
        f"the slope {_interval_text(context, table, gradient.along, second)} is {digits} {unit} per {per}, "
        f"above the limit of {fmt.plain(gradient.max)} ({from_} to {to})"
    )


@rule(rule_ids.VALUE_NOT_MONOTONIC, Severity.ERROR, Scope.IMAGE)
def not_monotonic(context: CheckContext) -> Iterator[Finding]:
    """The values must only rise, or only fall, along an axis, but do not.

    Why it matters: more air must never allow less fuel, and a hotter engine must never allow more. A dent in
    such a table makes the controller oscillate around it.

    Example: `<monotonic along="y" direction="rising"/>`: 40.0, 42.5, 41.0 mg breaks it; 40.0, 42.5, 42.5 mg
    barely passes unless `strict="true"` forbids equal neighbours.

    Fix: correct the cell that breaks the order.
    """
    for _, table, monotonic, broken in sorted(_out_of_order(context), key=itemgetter(0)):
        for first, second in _pairs(context, table, monotonic.along, broken):
            finding = context.about_cell(
                rule_ids.VALUE_NOT_MONOTONIC,
                second,
                _order_text(context, table, monotonic, first, second),
                "Correct the cell that breaks the order.",
                _is_unchanged_pair(context, table, monotonic.along, first, second),
                judged=(first, second),
            )
            yield replace(finding, subject=monotonic.along)


@dataclass(frozen=True, slots=True)
class _Order:
    """Tables of one shape that must have the same order.

    ``numbers`` are the positions of these demands among all, and ``cells`` has the shape
    (tables, rows, columns).
    """

    demand: Monotonic
    tables: tuple[Table, ...]
    numbers: tuple[int, ...]
    cells: NDArray[np.int64]


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _orders(loaded: LoadedDefinition) -> tuple[_Order, ...]:
    layout = loaded.layout
    tables = [item for item in layout.items if isinstance(item, Table)]
    demands = [(table, demand) for table in tables for demand in table.demands.monotonic]
    by_order: dict[tuple[object, ...], list[int]] = {}
    for number, (table, demand) in enumerate(demands):
        key = layout.shape(layout.table_items[table.name]), demand.along, demand.rising, demand.strict
        by_order.setdefault(key, []).append(number)
    orders = []
    for numbers in by_order.values():
        same, demand = tuple(demands[number][0] for number in numbers), demands[numbers[0]][1]
        items = [layout.table_items[table.name] for table in same]
        rows, columns = layout.shape(items[0])
        cells = layout.first[items][:, None, None] + np.arange(rows * columns).reshape(rows, columns)
        orders.append(_Order(demand, same, tuple(numbers), cells))
    return tuple(orders)


def _out_of_order(context: CheckContext) -> Iterator[tuple[int, Table, Monotonic, Flags]]:
    """The position of each broken demand, its table, the demand and the pairs of neighbours that break it."""
    for order in _orders(context.loaded):
        # Shape (tables, rows, columns), less one along the axis.
        near, far = (slice(None, -1), slice(1, None)) if order.demand.rising else (slice(1, None), slice(-1))
        leading = (slice(None), slice(None)) if order.demand.along == "x" else (slice(None),)
        values, valued = context.new.physical[order.cells], context.new.valued
        before, after = values[(*leading, near)], values[(*leading, far)]
        wrong = (before >= after) if order.demand.strict else (before > after)
        for place, table in enumerate(order.tables):
            item = context.layout.table_items[table.name]
            if context.layout.wide[item]:
                raw = context.new.raw_of(item)
                lower, upper = raw[(*leading[1:], near)], raw[(*leading[1:], far)]
                if _falls(context.conversion(table)):
                    lower, upper = upper, lower
                wrong[place] = (lower >= upper) if order.demand.strict else (lower > upper)
        for number in np.flatnonzero(wrong.any(axis=(1, 2))).tolist():
            has_value = valued[order.cells[number]]
            broken = wrong[number] & has_value[(*leading[1:], near)] & has_value[(*leading[1:], far)]
            if broken.any():
                yield order.numbers[number], order.tables[number], order.demand, broken


def _falls(conversion: Conversion) -> bool:
    """Whether larger raw numbers are smaller values."""
    return isinstance(conversion, Linear) and conversion.factor < 0


def _order_text(context: CheckContext, table: Table, monotonic: Monotonic, first: int, second: int) -> str:
    before, after = context.texts.cell_values(table, first, second)
    wanted, unwanted = ("rise", "fall") if monotonic.rising else ("fall", "rise")
    demanded = f"strictly {wanted}" if monotonic.strict else f"not {unwanted}"
    interval = _interval_text(context, table, monotonic.along, second)
    axis = context.definition.axes[(table.x if monotonic.along == "x" else table.y) or ""]
    return f"the values must {demanded} with {axis.signal}, but go from {before} to {after} {interval}"


# Off codes


@rule(rule_ids.VALUE_OFF_IN_OPERATING_RANGE, Severity.ERROR, Scope.IMAGE)
def off_in_operating_range(context: CheckContext) -> Iterator[Finding]:
    """A cell holds the off code where the table does not allow it.

    Why it matters: an off code is a switch, not a small value. Inside the normal operating range it disables
    the function in daily use, which is often unlawful.

    Example: `<off raw="15" allowed="outside-operating"/>` and raw 15 at 30 °C intake air and 85 °C coolant;
    raw 15 at 80 °C intake air, beyond the operating range of 60 °C, barely passes.

    The message gives the lost share of the operating range, by area. An operating point between an off cell
    and its neighbour counts with the weight of the off cell. In a curve with breakpoints 0, 20, 40 and 60 °C,
    let the cell at 40 °C be off, and the operating range be 10 to 60 °C. The loss is a triangle from 20 over
    40 to 60 °C: half of 40 K, out of 50 K, which is 40 %.

    Fix: restore a value in the cell. `allowed="nowhere"` forbids the code in every cell.
    """
    codes = np.flatnonzero(context.new.off)
    for number in distinct(context.layout.item[codes]).tolist():
        table = context.layout.items[number]
        if isinstance(table, Table) and (off := table.demands.off) and off.allowed is not OffAllowed.ANYWHERE:
            forbidden = context.new.grid(table).off
            where = "although the table allows no off cell"
            lost = ""
            if off.allowed is OffAllowed.OUTSIDE_OPERATING:
                x, y = (context.new.breakpoints(name) if name else None for name in (table.x, table.y))
                forbidden = forbidden & operating_cells(context.definition, table, x, y)
                where = "inside the operating range"
                lost = _share_text(context, table)
            moves = [context.changes.by_axis.get(axis) for axis in table.axes]
            for y_index, x_index in np.argwhere(forbidden).tolist():
                cell = context.cell_number(table, x_index, y_index)
                finding = context.about_cell(
                    rule_ids.VALUE_OFF_IN_OPERATING_RANGE,
                    cell,
                    f"raw {off.raw} switches the function off here, {where}",
                    "Set the cell to a value.",
                    inherited=bool(context.kept[cell])
                    and not any(
                        move is not None and move.changed[place]
                        for move, place in zip(moves, (x_index, y_index), strict=False)
                    ),
                    judged=(cell,),
                )
                # The base value of the cell precedes the shares, which are about the table.
                base = (
                    f" (the base has {finding.base} here)" if finding.base and not finding.inherited else ""
                )
                yield replace(finding, message=f"{finding.message}{base}{lost}", base="")


def _share_text(context: CheckContext, table: Table) -> str:
    """The share of the operating range that is off, and that of the base if it differs; "" if unknown."""
    shares = []
    for decoded in (context.new, context.old):
        grid = None if decoded is None else decoded.grid(table)
        shares.append(None if grid is None else operating_share(context.definition, grid, grid.off))
    new, old = shares
    if new is None:
        return ""
    before = "" if old is None or old == new else f", {100 * old:.3g} % in the base"
    return f"; {100 * new:.3g} % of that range is off{before}"
