"""Rules about tables that protect the engine or the people around it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from callint import fmt
from callint.comparing.weakening import Weakening, shift_along_axis, weakening
from callint.decoding.layout import Integers
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.signal_graph import CycleError, reached_tables, signals_of
from callint.decoding.surfaces import Surface, surface
from callint.model import rule_ids
from callint.model.change import Flags, Numbers, TableChange
from callint.model.definition import Definition, Guard, Kind, Purpose, Range, Signal, States, Table, decimal
from callint.model.finding import Evidence, Finding, Severity
from callint.rules.context import KEPT_DEFINITIONS, CheckContext
from callint.rules.rule import Scope, rule

#: The most protections that a message names.
_MOST_NAMES = 8


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _protections(loaded: LoadedDefinition) -> Integers:
    """The numbers of the protections in the layout."""
    items = enumerate(loaded.layout.items)
    protections = [n for n, item in items if isinstance(item, Table) and item.purpose is Purpose.PROTECTION]
    return np.array(protections, np.int64)


@dataclass(frozen=True, slots=True)
class _GuardBounds:
    """What the guards of protections look for, by item, all of shape (items,).

    A guard may match a cell of a ``guarded`` item that is below ``low``, above ``high`` or off. It may match
    any cell if the item has ``raw_guards``, which look for raw numbers or states.
    """

    low: Numbers
    high: Numbers
    guarded: Flags
    raw_guards: Flags


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _guard_bounds(loaded: LoadedDefinition) -> _GuardBounds:
    layout = loaded.layout
    low, high = (np.full(len(layout.items), bound) for bound in (-np.inf, np.inf))
    guarded, raw_guards = (np.zeros(len(layout.items), bool) for _ in range(2))
    for item in _protections(loaded).tolist():
        table = layout.items[item]
        assert isinstance(table, Table)
        guards = table.demands.guards
        guarded[item] = bool(guards)
        raw_guards[item] = any(guard.raw is not None or guard.state is not None for guard in guards)
        low[item] = max((guard.below for guard in guards if guard.below is not None), default=-np.inf)
        high[item] = min((guard.above for guard in guards if guard.above is not None), default=np.inf)
    return _GuardBounds(low, high, guarded, raw_guards)


def _suspect_protections(context: CheckContext) -> Iterator[Table]:
    """The protections in which a guard may match a cell: no other can be disabled."""
    bounds = _guard_bounds(context.loaded)
    suspect = context.new.items_exceeding(bounds.low, bounds.high) | bounds.raw_guards
    suspect[context.layout.item[np.flatnonzero(context.new.off)]] = True
    suspect |= context.layout.wide  # their extremes are not exact
    for number in np.flatnonzero(suspect & bounds.guarded).tolist():
        table = context.layout.items[number]
        assert isinstance(table, Table)
        yield table


def _cells_matching(context: CheckContext, table: Table, guard: Guard) -> Flags | None:
    """Which cells match a guard; None for a guard that does not look at single cells.

    A cell that is off matches every guard, because it does not protect either.
    """
    item = context.layout.table_items[table.name]
    valued: Flags = context.new.of_item(context.new.valued, item)
    present: Flags = context.new.of_item(context.new.present, item)
    off: Flags = context.new.of_item(context.new.off, item)
    if guard.above is not None:
        return off | valued & context.new.is_outside(item, None, decimal(guard.above, guard.text))
    if guard.below is not None:
        return off | valued & context.new.is_outside(item, decimal(guard.below, guard.text), None)
    raw = guard.raw
    if guard.state is not None:
        conversion = context.conversion(table)
        raw = conversion.raw_of(guard.state) if isinstance(conversion, States) else None
    if raw is None:
        return None
    cells: Flags = off | present & (context.new.raw_of(item) == raw)
    return cells


def _condition_text(context: CheckContext, table: Table, guard: Guard) -> str:
    """What a guard looks for, as a predicate: "above 5000 rpm"."""
    is_off: Flags = context.new.of_item(context.new.off, context.layout.table_items[table.name])
    off = " or off" if is_off.any() else ""
    if guard.above is not None:
        return f"above {context.limit(table, guard.above)}{off}"
    if guard.below is not None:
        return f"below {context.limit(table, guard.below)}{off}"
    return (f'"{guard.state}"' if guard.state is not None else f"raw {guard.raw}") + off


def _scalar_texts(
    context: CheckContext, table: Table, cell: int, guard: Guard, condition: str
) -> tuple[str, str]:
    """The value of a scalar and what the guard looks for, in enough digits to differ."""
    exact = context.new.exact_at(cell)
    limit = guard.below if guard.above is None else guard.above
    bound = None if limit is None else decimal(limit, guard.text)
    if exact is None or bound is None:
        return context.format_near(table, float(context.new.physical[cell]), limit or 0.0), condition
    unit = context.definition.unit_of(table)
    value, bound_text = (fmt.with_unit(fmt.decimal_digits(number), unit) for number in (exact, bound))
    return value, f"{'below' if guard.above is None else 'above'} {bound_text}"


def _matching_guard(context: CheckContext, table: Table) -> tuple[Guard, Flags] | None:
    """The first guard that enough cells match, and these cells; None if the table protects."""
    for guard in table.demands.guards:
        cells = _cells_matching(context, table, guard)
        if cells is not None and cells.any() and cells.mean() >= guard.share:
            return guard, cells
    return None


def _title(table: Table) -> str:
    """The title of a table in brackets, to follow its name; "" if it has none."""
    return f" ({table.title})" if table.title not in ("", table.name) else ""


@rule(rule_ids.PROTECTION_DISABLED, Severity.ERROR, Scope.IMAGE)
def disabled(context: CheckContext) -> Iterator[Finding]:
    """A protection table matches its guard: it no longer protects.

    Why it matters: the limiter is still there but limits nothing. Nobody notices until the day on which it
    should have saved the engine.

    Example: `<guard above="5000"/>` on an overspeed cut of 6000 rpm; 5000 rpm barely passes. With
    `share="0.5"`, half of a map's cells are enough.

    Fix: restore the protection. No wish of a customer justifies an unprotected engine.
    """
    for table in _suspect_protections(context):
        match = _matching_guard(context, table)
        if match is None:
            continue
        guard, cells = match
        condition = _condition_text(context, table, guard)
        hint = "Restore a value that the maker allows."
        if not table.axes:
            cell = context.cell_number(table, 0, 0)
            value, condition = _scalar_texts(context, table, cell, guard, condition)
            has_limit = guard.above is not None or guard.below is not None
            state = f"{value}, {condition}" if has_limit else condition
            message = f"{table.name} is {state}: it no longer protects{_title(table)}"
            yield context.about_cell(rule_ids.PROTECTION_DISABLED, cell, message, hint)
        else:
            count, size = int(np.count_nonzero(cells)), cells.size
            amount = f"all {size}" if count == size else f"{count} of {size}"
            message = f"{amount} cells of {table.name} are {condition}: it no longer protects{_title(table)}"
            inherited = context.is_unchanged(table)
            yield context.about_table(rule_ids.PROTECTION_DISABLED, table, message, hint, inherited)


@rule(rule_ids.PROTECTION_WEAKENED, Severity.WARNING, Scope.CHANGE)
def weakened(context: CheckContext) -> Iterator[Finding]:
    """A protection table still protects, but later than in the base.

    Why it matters: every step towards the guard reduces the margin between the limiter and the damage.

    callint compares outputs, so a moved axis counts as much as a changed cell. For a curve that only rises or
    only falls, the message also says how much later the protection sets in: how far along the axis the curve
    reaches its old level.

    Example: the guard of a torque derating lies above 100 %. In the base the derating falls from 100 % at 100
    °C to 60 % at 120 °C, which is 2 % per K. Its cell at 120 °C is raised to 76 %: at 120 °C that is 16 %
    more, or +26.7 % of 60 %. The old curve reaches 76 % at 100 + (100 - 76) / 2 = 112 °C, the new one at 120
    °C: it sets in up to 8 °C later. For a ceiling that rises along its axis, the message instead says how
    much earlier on the axis it reaches its old output.

    Named states and texts have no order, and a guard may match a single number. callint then reports any
    change, and a person must decide whether the table protects less.

    Fix: restore the table, or waive the finding with the reason for the smaller margin: the maker's own
    limit, or a measurement.
    """
    changes = context.changes
    for name in dict.fromkeys([*changes.by_table, *changes.output_shift_of]):
        table = context.definition.tables[name]
        if table.purpose is not Purpose.PROTECTION or _matching_guard(context, table) is not None:
            continue
        cells = changes.by_table.get(name)
        upward = any(guard.above is not None for guard in table.demands.guards)
        downward = any(guard.below is not None for guard in table.demands.guards)
        if not (upward or downward):
            if cells is not None:
                yield _changed_protection(context, cells)
            continue
        assert context.old is not None
        old, new = surface(context.old, table), surface(context.new, table)
        if old is None or new is None:
            continue  # the rules about axes report why
        weakest = weakening(old, new, upward, downward)
        if weakest is None:
            continue
        before, after = context.format_distinct(table, weakest.old, weakest.new)
        relative = fmt.percent(weakest.old, weakest.new, context.definition.unit_of(table))
        message = f"the table protects later than the base: {before} became {after}"
        message += f" ({relative})" if relative else ""
        delay = _delay_text(context, table, old, new, upward, downward)
        hint = "Restore it, or waive the finding and say why the smaller margin is acceptable."
        count = _count_weakened(cells, upward, downward)
        if count > 1:
            delay += f"; {fmt.count(count, 'cell')} changed in this direction, this one the most"
        yield _about_point(context, rule_ids.PROTECTION_WEAKENED, new, weakest.at, (message, delay), hint)
    yield from context.about_texts(
        rule_ids.PROTECTION_WEAKENED,
        Purpose.PROTECTION,
        "Restore it, or waive the finding and say why the change is acceptable.",
    )


def _about_point(
    context: CheckContext, rule_id: str, new: Surface, at: dict[str, float], texts: tuple[str, str], hint: str
) -> Finding:
    """A finding about one operating point: about the cell there, or about the table if there is none.

    Then the message names the point between the two parts of ``texts``.
    """
    table = new.grid.table
    place = _cell_at(table, new, at)
    if place is not None:
        return context.about_cell(
            rule_id, context.cell_number(table, *place), "".join(texts), hint, inherited=False
        )
    point = fmt.point(context.definition, table.axes, at)
    return replace(context.about_table(rule_id, table, f"{texts[0]} at {point}{texts[1]}", hint), at=at)


def _changed_protection(context: CheckContext, change: TableChange) -> Finding:
    """A finding about a changed protection whose guards do not say which direction protects less."""
    table = change.table
    y, x = change.largest
    before, after = context.cell_change(change, y, x)
    others = f", and {fmt.count(change.count - 1, 'other cell')} changed" if change.count > 1 else ""
    return context.about_cell(
        rule_ids.PROTECTION_WEAKENED,
        context.cell_number(table, x, y),
        f"{before} became {after}{others}; no guard says which direction protects less",
        "Restore it, or waive the finding and say why the change is acceptable.",
        inherited=False,
    )


def _delay_text(
    context: CheckContext, table: Table, old: Surface, new: Surface, upward: bool, downward: bool
) -> str:
    """How much later a scalar or curve sets in, as a clause: ", so that it sets in 100 rpm later"."""
    if upward and downward:
        return ""
    signal = context.definition.signals.get(table.signal or "")
    if not table.axes and signal is not None:
        distance = abs(float(new.grid.physical[0, 0]) - float(old.grid.physical[0, 0]))
        return f", so that it sets in {context.quantity(table, distance)} later"
    delay = shift_along_axis(old, new, upward)
    if not delay or table.x is None:
        return ""
    unit = context.definition.unit_of(context.definition.axes[table.x])
    shift = fmt.with_unit(fmt.plain(float(f"{abs(delay):.3g}")), unit)
    if delay > 0:
        return f", so that it sets in up to {shift} later"
    return f", so that it reaches its old output up to {shift} further down the axis"


def _cell_at(table: Table, new: Surface, at: dict[str, float]) -> tuple[int, int] | None:
    """The x and y of the cell at an operating point; None if the point lies between breakpoints."""
    indexes = [0, 0]
    for number, (signal, breakpoints) in enumerate(new.breakpoints.items()):
        equal = np.flatnonzero(breakpoints == at[signal])
        if not len(equal):
            return None
        indexes[number] = int(equal[0])
    return indexes[0], indexes[1]


def _count_weakened(change: TableChange | None, upward: bool, downward: bool) -> int:
    """The number of cells that moved towards a guard."""
    if change is None:
        return 0
    steps = change.new.physical - change.old.physical
    usable = change.changed & ~change.new.off & ~change.old.off & np.isfinite(steps)
    return int(np.count_nonzero(usable & ((steps > 0) & upward | (steps < 0) & downward)))


@rule(rule_ids.PROTECTION_READING_CHANGED, Severity.WARNING, Scope.CHANGE)
def reading_changed(context: CheckContext) -> Iterator[Finding]:
    """A table that converts a sensor into a signal of protections differs from the base.

    Why it matters: a limiter is only as good as its reading. If the curve of a sensor reads low, every
    protection that uses the signal sets in late, though none of them has changed.

    The rule applies to a table with `produces` if protections use the produced signal, directly or through
    other tables. The message gives the largest errors of the reading, too high and too low, with their
    places, and names the protections, directly fed ones first.

    Example: a coolant curve reads 110 °C at 0.5 V, and all of its cells are lowered by 4 °C. At 110 °C the
    control unit reads 106 °C. A torque derating that falls from 100 % at 100 °C to 60 % at 120 °C, 2 % per K,
    gives 100 - 2 * 6 = 88 % there instead of 100 - 2 * 10 = 80 %.

    Fix: restore the maker's curve for that sensor. If another sensor was fitted on purpose, waive the finding
    with the data sheet of that sensor; `callint whatif` shows what a reading does to every table.
    """
    for name in {**context.changes.by_table, **context.changes.output_shift_of}:
        table = context.definition.tables[name]
        if table.produces is None:
            continue
        assert context.old is not None
        old, new = surface(context.old, table), surface(context.new, table)
        protections = _protections_behind(context.definition, table.produces)
        if old is None or new is None or not protections:
            continue
        too_high, too_low = weakening(old, new, True, False), weakening(old, new, False, True)
        both = (too_high, "high"), (too_low, "low")
        shifts = [(shift, direction) for shift, direction in both if shift is not None]
        if not shifts:
            continue
        shifts.sort(key=lambda item: -abs(item[0].new - item[0].old))
        (worst, direction), *others = shifts
        before, after = context.format_distinct(table, worst.old, worst.new)
        distance = _distance(context, worst, table)
        message = f"{table.produces} reads up to {distance} too {direction}: {before} became {after}"
        rest = "".join(
            f", elsewhere up to {_distance(context, shift, table)} too {direction}"
            for shift, direction in others
        )
        names = fmt.list_names([table.name for table in protections], _MOST_NAMES)
        rest += f"; protections that use it: {names}"
        hint = "Restore the curve, or waive the finding and cite the data sheet of the fitted sensor."
        yield _about_point(context, rule_ids.PROTECTION_READING_CHANGED, new, worst.at, (message, rest), hint)


def _protections_behind(definition: Definition, signal: str) -> list[Table]:
    """The protections that a signal affects, those that read it directly first."""
    try:
        reached = reached_tables(definition, signal)
    except CycleError:
        return []  # tables that feed each other in a circle; callint whatif names them
    signals = {signal, *reached.producers}
    compared = [table for table in definition.tables.values() if table.signal in signals]
    protections = {
        table.name: table for table in (*compared, *reached.tables) if table.purpose is Purpose.PROTECTION
    }
    direct = {
        name
        for name, table in protections.items()
        if signal in (table.signal, *signals_of(definition, table))
    }
    return sorted(protections.values(), key=lambda table: table.name not in direct)


def _distance(context: CheckContext, shift: Weakening, table: Table) -> str:
    """The distance between two outputs with its unit."""
    _, _, difference = fmt.format_change(shift.old, shift.new, context.conversion(table), table.storage)
    return fmt.with_unit(difference.lstrip("+-"), fmt.distance_unit(context.definition.unit_of(table)))


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _thresholds(loaded: LoadedDefinition) -> tuple[tuple[Table, Signal], ...]:
    """The protections and monitors that are compared with a signal, each with that signal."""
    signals, layout = loaded.definition.signals, loaded.layout
    tables = [
        item
        for item in layout.items
        if isinstance(item, Table) and item.purpose in (Purpose.PROTECTION, Purpose.DIAGNOSIS)
    ]
    return tuple(
        (table, signals[table.signal]) for table in tables if table.signal and table.signal in signals
    )


@rule(rule_ids.PROTECTION_UNREACHABLE_THRESHOLD, Severity.ERROR, Scope.IMAGE)
def unreachable_threshold(context: CheckContext) -> Iterator[Finding]:
    """The signal that is compared with a threshold never reaches it.

    Why it matters: a cut-off at a value that no healthy sensor reads never cuts off; a monitor with such a
    threshold never reports.

    A signal stays within its plausible range, and within the range of the curve in the image that converts
    the sensor's voltage into it.

    Example: an overspeed cut at 6500 rpm with a speed signal whose plausible range ends at 6000 rpm; 6000 rpm
    barely passes. Or a cut at 135 °C, with a plausible range up to 140 °C, but a sensor curve whose highest
    cell is 130 °C.

    Fix: set the threshold to a value that the sensor reads, or correct the range if the sensor reads further.
    """
    for table, signal in _thresholds(context.loaded):
        signal_range = _signal_range(context, signal)
        guards = table.demands.guards
        upward = any(guard.above is not None for guard in guards)
        downward = any(guard.below is not None for guard in guards)
        item = context.layout.table_items[table.name]
        values: Numbers = context.new.of_item(context.new.physical, item)
        valued: Flags = context.new.of_item(context.new.valued, item)
        # Without a guard it is unknown from which side the signal comes, so both ends count.
        unreachable = np.zeros(values.shape, bool)
        if upward or not downward:
            unreachable |= context.new.is_outside(item, None, decimal(signal_range.high))
        if downward or not upward:
            unreachable |= context.new.is_outside(item, decimal(signal_range.low), None)
        for y, x in np.argwhere(unreachable & valued).tolist():
            value = float(values[y, x])
            side, end, extreme = "below", signal_range.low, "lowest"
            if value > signal_range.high:
                side, end, extreme = "above", signal_range.high, "highest"
            finding = context.about_cell(
                rule_ids.PROTECTION_UNREACHABLE_THRESHOLD,
                context.cell_number(table, x, y),
                f"{context.format_near(table, value, end)} is {side} "
                f"{fmt.with_unit(fmt.plain(end), signal.unit)}, "
                f"the {extreme} value of {signal.name}{signal_range.source(end)}: "
                "the signal never reaches this threshold",
                "Set the threshold within the range of the signal.",
            )
            judged = (table.name, signal_range.curve) if signal_range.curve else (table.name,)
            yield replace(finding, evidence=Evidence(tables=judged))


@dataclass(frozen=True, slots=True)
class _SignalRange:
    """The values that a signal can have: its plausible range, within the range of its sensor's curve.

    ``curve`` is the name of the curve in the image, "" if there is none.
    """

    low: float
    high: float
    curve: str
    curve_low: float
    curve_high: float

    def source(self, end: float) -> str:
        """The curve that sets an end of the range, as a clause; "" if the plausible range sets it."""
        return f" from {self.curve}" if end in (self.curve_low, self.curve_high) else ""


def _signal_range(context: CheckContext, signal: Signal) -> _SignalRange:
    plausible = signal.plausible or Range(-np.inf, np.inf)
    for table in context.definition.tables.values():
        if table.produces == signal.name and table.name in context.layout.table_items:
            item = context.layout.table_items[table.name]
            values = context.new.of_item(context.new.physical, item)
            values = values[context.new.of_item(context.new.valued, item) & np.isfinite(values)]
            if len(values) and table.kind is Kind.CURVE:
                low, high = float(values.min()), float(values.max())
                return _SignalRange(max(low, plausible.low), min(high, plausible.high), table.name, low, high)
    return _SignalRange(plausible.low, plausible.high, "", np.nan, np.nan)


@rule(rule_ids.PROTECTION_FLAT, Severity.ERROR, Scope.IMAGE)
def flat(context: CheckContext) -> Iterator[Finding]:
    """A protection curve or map has one value everywhere.

    Why it matters: a limit that depended on speed, air or temperature now depends on nothing. People who want
    to hide that they switched off a limiter do it this way.

    Example: a derating curve of 100 % at every coolant temperature. A curve with one cell of 99 % barely
    passes. callint reports a flat table if its guard says so (`<guard flat="true"/>`) or if it was not flat
    in the base.

    Fix: restore the shape.
    """
    protections = _protections(context.loaded)
    for item in protections[context.new.uniform[protections]].tolist():
        table = context.layout.items[item]
        assert isinstance(table, Table)
        if not table.axes:
            continue
        present = context.new.present[context.layout.cells(item)]
        if present.size < 2 or not present.all():
            continue
        guarded = any(guard.flat for guard in table.demands.guards)
        if guarded or (context.old is not None and not context.old.uniform[item]):
            value = context.quantity(table, float(context.new.physical[context.layout.cells(item).start]))
            yield context.about_table(
                rule_ids.PROTECTION_FLAT,
                table,
                f"all {present.size} cells of {table.name} are {value}: "
                f"it no longer depends on anything{_title(table)}",
                "Restore the shape of the table.",
                inherited=context.is_unchanged(table),
            )
