"""Rules about tables that protect the engine or the people around it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from callint import fmt
from callint.comparing.decimal_compare import exceeds
from callint.comparing.weakening import (
    LostEffect,
    Weakening,
    lost_effect,
    shift_along_axis,
    weakening,
)
from callint.decoding.decode import Decoded
from callint.decoding.layout import Integers
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.signal_graph import CycleError, reached_tables, signals_of
from callint.decoding.statistics import distinct
from callint.decoding.surfaces import Surface, grid_points, surface
from callint.model import rule_ids
from callint.model.change import Flags, Numbers, TableChange
from callint.model.definition import Definition, Guard, Kind, Purpose, Range, Signal, States, Table, decimal
from callint.model.finding import Evidence, Finding, Severity
from callint.rules.context import KEPT_DEFINITIONS, CheckContext
from callint.rules.rule import Scope, rule

#: The most protections that a message names.
_MOST_NAMES = 8

#: The share of the effect that a protection may lose before protection/weakened is an error.
_MOST_LOST = 0.5
#: The share of its largest effect that a protection has at the places where lost effect counts.
_LEAST_EFFECT = 0.5


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


@rule(rule_ids.PROTECTION_WEAKENED, Severity.WARNING, Scope.CHANGE, if_severe=Severity.ERROR)
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

    What a curve or map takes away is the distance from its highest output in the base, or from its lowest one
    if its guard is below. In the example the base takes away 100 - 60 = 40 % at 120 °C, and 16 / 40 = 40 % of
    that is lost; the message says so from 10 % on. callint looks where the base takes away at least half of
    the most that it takes away anywhere. If more than half is lost there, the finding is an error: with 81 %
    at 120 °C, 21 / 40 = 52.5 % is lost; 80 % barely remains a warning. A cell that is switched off has lost
    everything. A loss within one stored step does not count.

    If an axis got other breakpoints, the cells were recalculated for them and rounded to what the table can
    store. At a breakpoint that is not in both images, callint therefore accepts one stored step. Take the
    derating in steps of 1 %: at a new breakpoint of 109 °C it should have 100 - 2 * 9 = 82 %, and 83 % barely
    passes. At a breakpoint that is in both images, every step counts.

    Named states and texts have no order, and a guard may match a single number or only say `flat`. callint
    then reports any change, and a person must decide whether the table protects less;
    `definition/undirected-protection` reports such tables. One of them is certain: a table in % that is 100 %
    in the base throughout the operating range of its signals, but lower beyond it, protects less if it rises.
    It may already be below 100 % there by a tenth of what it takes away at most.

    Fix: restore the table, or waive the finding with the reason for the smaller margin: the maker's own
    limit, or a measurement.
    """
    changes = context.changes
    for name in dict.fromkeys([*changes.by_table, *changes.output_shift_of]):
        table = context.definition.tables[name]
        if table.purpose is Purpose.PROTECTION and _matching_guard(context, table) is None:
            yield from _weakened_table(context, table)
    yield from context.about_texts(rule_ids.PROTECTION_WEAKENED, Purpose.PROTECTION, _CHANGED_HINT)


def _directions(table: Table) -> tuple[bool, bool]:
    """Whether a table protects less if it rises, and if it falls; neither if no guard says so."""
    guards = table.demands.guards
    return any(guard.above is not None for guard in guards), any(guard.below is not None for guard in guards)


def _weakened_table(context: CheckContext, table: Table) -> Iterator[Finding]:
    """The finding about a table that protects later, or of which nobody knows whether it does."""
    cells = context.changes.by_table.get(table.name)
    assert context.old is not None
    old, new = surface(context.old, table), surface(context.new, table)
    upward, downward = _directions(table)
    implied = ""
    if not (upward or downward) and old is not None and _is_derating(context, table, old):
        upward, implied = True, "; the base is 100 % in the operating range, and lower beyond it"
    if not (upward or downward):
        yield from _undirected(context, table, old, new)
        return
    if old is None or new is None:
        return  # the rules about axes report why
    steps = context.stored_steps(table)
    weakest = weakening(old, new, upward, downward, steps)
    lost = None if upward and downward else lost_effect(old, new, upward, _LEAST_EFFECT, _MOST_LOST, steps)
    severe = lost is not None and lost.is_large
    hint = "Restore it, or waive the finding and say why the smaller margin is acceptable."
    if weakest is None:
        if cells is not None and (cells.changed & cells.new.off & ~cells.old.off).any():
            yield _switched_off(context, cells, severe, _lost_text(context, table, lost) + implied, hint)
        return
    before, after = context.format_distinct(table, weakest.old, weakest.new)
    relative = fmt.percent(weakest.old, weakest.new, context.definition.unit_of(table))
    message = f"the table protects later than the base: {before} became {after}"
    message += f" ({relative})" if relative else ""
    rest = _delay_text(context, table, old, new, upward, downward)
    count = 0 if _has_moved(context, table) else _count_weakened(cells, upward, downward)
    if count > 1:
        rest += f"; {fmt.count(count, 'cell')} changed in this direction, this one the most"
    rest += _lost_text(context, table, lost) + implied
    finding = _about_point(context, rule_ids.PROTECTION_WEAKENED, new, weakest.at, (message, rest), hint)
    yield replace(finding, severe=severe)


#: The share of the span of a derating by which it may already act in the operating range.
_SLIGHT_DERATING = 0.1


def _is_derating(context: CheckContext, table: Table, base: Surface) -> bool:
    """Whether a share in % takes away from 100 %, but not in the operating range: a larger one protects less.

    Only that is certain: a share of 100 % beyond the operating range may be the least at which a fan runs.
    """
    ranges = {signal: context.definition.signals.get(signal) for signal in base.signals}
    limits = {name: signal.operating for name, signal in ranges.items() if signal and signal.operating}
    values = base.grid.physical[np.isfinite(base.grid.physical)]
    if context.definition.unit_of(table) != "%" or not limits or not values.size or values.max() != _ALL:
        return False
    points = dict(base.breakpoints)
    for name, limit in limits.items():
        inside = points[name][(points[name] > limit.low) & (points[name] < limit.high)]
        points[name] = distinct([limit.low, *inside, limit.high])
    usual, lowest = base.at(grid_points(points, base.signals)), float(values.min())
    return bool((usual >= _ALL - _SLIGHT_DERATING * (_ALL - lowest)).all()) and lowest < float(usual.min())


#: A share that takes nothing away, in %.
_ALL = 100.0


def _has_moved(context: CheckContext, table: Table) -> bool:
    """Whether an axis of a table changed, so that its cells have other operating points than before."""
    return any(axis in context.changes.by_axis for axis in table.axes)


def _lost_text(context: CheckContext, table: Table, lost: LostEffect | None) -> str:
    """The lost share of what a table takes away, as a clause; "" if a small share was lost."""
    if lost is None or lost.share < _LEAST_SHARE:
        return ""
    effect = context.quantity(table, lost.effect)
    verb = "adds" if _directions(table)[1] else "takes away"
    point = fmt.point(context.definition, table.axes, lost.at)
    limit = f", above the limit of {100 * _MOST_LOST:.0f} %" if lost.is_large else ""
    return f"; of the {effect} that the base {verb} at {point}, {100 * lost.share:.3g} % is lost{limit}"


#: The smallest lost share that a message names.
_LEAST_SHARE = 0.1


def _switched_off(context: CheckContext, change: TableChange, severe: bool, lost: str, hint: str) -> Finding:
    """A finding about a protection that was switched off in some cells, and else moved nowhere."""
    y, x = change.largest
    before, after = context.cell_change(change, y, x)
    count = int(np.count_nonzero(change.changed & change.new.off & ~change.old.off))
    others = f", and {fmt.count(count - 1, 'other cell')} too" if count > 1 else ""
    cell = context.cell_number(change.table, x, y)
    message = f"the table no longer protects here: {before} became {after}{others}{lost}"
    finding = context.about_cell(rule_ids.PROTECTION_WEAKENED, cell, message, hint, inherited=False)
    return replace(finding, severe=severe)


def _undirected(
    context: CheckContext, table: Table, old: Surface | None, new: Surface | None
) -> Iterator[Finding]:
    """The finding about a changed protection whose guards do not say which direction protects less.

    If an axis moved, the outputs decide whether the table changed.
    """
    cells = context.changes.by_table.get(table.name)
    is_state = isinstance(context.conversion(table), States)
    if is_state or old is None or new is None or not _has_moved(context, table):
        if cells is not None:
            yield _changed_protection(context, cells)
        return
    furthest = weakening(old, new, True, True, context.stored_steps(table))
    switched = cells is not None and bool((cells.changed & (cells.new.off != cells.old.off)).any())
    if cells is not None and (furthest is not None or switched):
        yield _changed_protection(context, cells)
    elif furthest is not None:
        before, after = context.format_distinct(table, furthest.old, furthest.new)
        texts = f"{before} became {after}", f"; {_NO_DIRECTION}"
        yield _about_point(context, rule_ids.PROTECTION_WEAKENED, new, furthest.at, texts, _CHANGED_HINT)


_NO_DIRECTION = "no guard says which direction protects less"
_CHANGED_HINT = "Restore it, or waive the finding and say why the change is acceptable."


def _about_point(
    context: CheckContext, rule_id: str, new: Surface, at: dict[str, float], texts: tuple[str, str], hint: str
) -> Finding:
    """A finding about one operating point: about the cell there, or about the table if there is none.

    Then the message names the point between the two parts of ``texts``.
    """
    table = new.grid.table
    place = _cell_at(table, new, at)
    if place is not None:
        finding = context.about_cell(
            rule_id, context.cell_number(table, *place), "".join(texts), hint, inherited=False
        )
        # If an axis moved, the cell of the base belongs to another operating point.
        return replace(finding, base="") if _has_moved(context, table) else finding
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
        f"{before} became {after}{others}; {_NO_DIRECTION}",
        _CHANGED_HINT,
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
        steps = context.stored_steps(table)
        too_high = weakening(old, new, True, False, steps)
        too_low = weakening(old, new, False, True, steps)
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
    cell is 130 °C. If the curve of the base went up to 140 °C, the finding is an error, although the cut
    itself is unchanged.

    Fix: set the threshold to a value that the sensor reads, or correct the range if the sensor reads further.
    """
    for table, signal in _thresholds(context.loaded):
        signal_range = _signal_range(context.new, signal)
        unreachable = _unreachable_cells(context.new, table, signal_range)
        if not unreachable.any():
            continue
        item = context.layout.table_items[table.name]
        values: Numbers = context.new.of_item(context.new.physical, item)
        in_base = np.zeros(values.shape, bool)
        if context.old is not None:
            # The cell may be the same, but the curve that the signal comes from need not be.
            in_base = _unreachable_cells(context.old, table, _signal_range(context.old, signal))
        for y, x in np.argwhere(unreachable).tolist():
            value = float(values[y, x])
            side, end, extreme = "below", signal_range.low, "lowest"
            if value > signal_range.high:
                side, end, extreme = "above", signal_range.high, "highest"
            cell = context.cell_number(table, x, y)
            finding = context.about_cell(
                rule_ids.PROTECTION_UNREACHABLE_THRESHOLD,
                cell,
                f"{context.format_near(table, value, end)} is {side} "
                f"{fmt.with_unit(fmt.plain(end), signal.unit)}, "
                f"the {extreme} value of {signal.name}{signal_range.source(end)}: "
                "the signal never reaches this threshold",
                "Set the threshold within the range of the signal.",
                inherited=bool(context.kept[cell] and in_base[y, x]),
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


def _unreachable_cells(decoded: Decoded, table: Table, signal_range: _SignalRange) -> Flags:
    """The thresholds of a table that a signal never reaches; shape (rows, columns)."""
    upward, downward = _directions(table)
    item = decoded.layout.table_items[table.name]
    values: Numbers = decoded.of_item(decoded.physical, item)
    valued: Flags = decoded.of_item(decoded.valued, item)
    # Without a guard it is unknown from which side the signal comes, so both ends count.
    unreachable = np.zeros(values.shape, bool)
    if upward or not downward:
        unreachable |= decoded.is_outside(item, None, decimal(signal_range.high))
    if downward or not upward:
        unreachable |= decoded.is_outside(item, decimal(signal_range.low), None)
    return unreachable & valued


def _signal_range(decoded: Decoded, signal: Signal) -> _SignalRange:
    plausible = signal.plausible or Range(-np.inf, np.inf)
    for table in decoded.layout.definition.tables.values():
        if table.produces == signal.name and table.name in decoded.layout.table_items:
            item = decoded.layout.table_items[table.name]
            values = decoded.of_item(decoded.physical, item)
            values = values[decoded.of_item(decoded.valued, item) & np.isfinite(values)]
            if len(values) and table.kind is Kind.CURVE:
                low, high = float(values.min()), float(values.max())
                return _SignalRange(max(low, plausible.low), min(high, plausible.high), table.name, low, high)
    return _SignalRange(plausible.low, plausible.high, "", np.nan, np.nan)


#: The share of the base's span of values up to which a changed protection counts as flat.
_FLAT_SPAN = 0.1


@rule(rule_ids.PROTECTION_FLAT, Severity.ERROR, Scope.IMAGE)
def flat(context: CheckContext) -> Iterator[Finding]:
    """A protection curve or map has one value everywhere, or nearly so.

    Why it matters: a limit that depended on speed, air or temperature now depends on nothing. People who want
    to hide that they switched off a limiter do it this way.

    Example: a derating curve of 100 % at every coolant temperature. A curve with one cell of 99 % barely
    passes. callint reports a flat table if its guard says so (`<guard flat="true"/>`) or if it was not flat
    in the base.

    If no guard is above or below, `protection/weakened` cannot tell how much was lost, and one cell that
    differs would hide a flat table. callint then compares the spans of the values. The base's derating from
    100 % to 30 % spans 70 points; a changed table that spans at most a tenth of that, 7 points, counts as
    flat. 100 % to 93 % is reported, and 100 % to 92.9 % barely passes.

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
    for change in context.changes.tables:
        if change.table.purpose is Purpose.PROTECTION and change.table.axes:
            yield from _nearly_flat(context, change)


def _nearly_flat(context: CheckContext, change: TableChange) -> Iterator[Finding]:
    """The finding about a changed protection without a direction that hardly varies any more."""
    table = change.table
    if any(_directions(table)) or isinstance(context.conversion(table), States):
        return
    spans = []
    for grid in (change.old, change.new):
        values = grid.physical[np.isfinite(grid.physical) & ~grid.off]
        spans.append(float(values.max()) - float(values.min()) if values.size > 1 else np.nan)
    old_span, span = spans
    # exceeds() is False for spans that are not numbers.
    if not span or not np.isfinite(span) or exceeds(np.zeros(1), np.array([span]), _FLAT_SPAN * old_span)[0]:
        return
    if not span <= old_span:
        return
    low, high = (context.quantity(table, float(end(change.new.physical))) for end in (np.nanmin, np.nanmax))
    old_text, text = (
        fmt.with_unit(fmt.plain(float(f"{size:.3g}")), fmt.distance_unit(context.definition.unit_of(table)))
        for size in spans
    )
    yield context.about_table(
        rule_ids.PROTECTION_FLAT,
        table,
        f"the cells of {table.name} span only {text}, {low} to {high}, of {old_text} in the base: "
        f"it hardly depends on anything{_title(table)}",
        "Restore the shape of the table.",
    )
