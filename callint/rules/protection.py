"""Rules about tables that protect the engine or the people around it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from callint import fmt
from callint.comparing.weakening import Weakening, later, weakening
from callint.decoding.layout import Integers
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.signal_graph import CycleError, reach, signals_of
from callint.decoding.surfaces import Surface, surface
from callint.model import rule_ids
from callint.model.change import Flags, Numbers, TableChange
from callint.model.definition import Definition, Guard, Kind, Purpose, Range, Signal, States, Table, decimal
from callint.model.finding import Evidence, Finding, Severity
from callint.rules.context import KEPT_DEFINITIONS, CheckContext
from callint.rules.rule import Scope, rule

#: So many protections behind one reading are named.
_MOST_NAMES = 8


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _protections(loaded: LoadedDefinition) -> Integers:
    """The item numbers of the protections."""
    items = enumerate(loaded.layout.items)
    protections = [n for n, one in items if isinstance(one, Table) and one.purpose is Purpose.PROTECTION]
    return np.array(protections, np.int64)


@dataclass(frozen=True, slots=True)
class _Alarms:
    """Which items are guarded protections, all of shape (items,).

    A guard may find a cell of one unprotective if it is below ``low``, above ``high`` or switched off, and
    any cell where the item is ``numbered``: its guards look for numbers.
    """

    low: Numbers
    high: Numbers
    guarded: Flags
    numbered: Flags


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _alarms(loaded: LoadedDefinition) -> _Alarms:
    layout = loaded.layout
    low, high = (np.full(len(layout.items), bound) for bound in (-np.inf, np.inf))
    guarded, numbered = (np.zeros(len(layout.items), bool) for _ in range(2))
    for item in _protections(loaded).tolist():
        table = layout.items[item]
        assert isinstance(table, Table)
        guards = table.demands.guards
        guarded[item] = bool(guards)
        numbered[item] = any(guard.raw is not None or guard.state is not None for guard in guards)
        low[item] = max((guard.below for guard in guards if guard.below is not None), default=-np.inf)
        high[item] = min((guard.above for guard in guards if guard.above is not None), default=np.inf)
    return _Alarms(low, high, guarded, numbered)


def _doubtful(context: CheckContext) -> Iterator[Table]:
    """The protections of which some cell may look as a guard says: no other can be disabled."""
    alarms = _alarms(context.loaded)
    suspect = context.new.items_exceeding(alarms.low, alarms.high) | alarms.numbered
    suspect[context.layout.item[np.flatnonzero(context.new.off)]] = True
    suspect |= context.layout.wide  # of which the extremes are not exact
    for number in np.flatnonzero(suspect & alarms.guarded).tolist():
        table = context.layout.items[number]
        assert isinstance(table, Table)
        yield table


def _unprotective(context: CheckContext, table: Table, guard: Guard) -> Flags | None:
    """Which cells look as the guard says; None for a guard that does not look at single cells.

    A cell that is switched off does not protect either, whatever the guard looks for.
    """
    item = context.layout.table_items[table.name]
    valued: Flags = context.new.of_item(context.new.valued, item)
    present: Flags = context.new.of_item(context.new.present, item)
    off: Flags = context.new.of_item(context.new.off, item)
    if guard.above is not None:
        return off | valued & context.new.passes(item, None, decimal(guard.above, guard.text))
    if guard.below is not None:
        return off | valued & context.new.passes(item, decimal(guard.below, guard.text), None)
    raw = guard.raw
    if guard.state is not None:
        conversion = context.conversion(table)
        raw = conversion.raw_of(guard.state) if isinstance(conversion, States) else None
    if raw is None:
        return None
    cells: Flags = off | present & (context.new.raw_of(item) == raw)
    return cells


def _condition(context: CheckContext, table: Table, guard: Guard) -> str:
    """What the guard looks for, in words that follow a count of cells."""
    off = (
        " or off"
        if bool(context.new.of_item(context.new.off, context.layout.table_items[table.name]).any())
        else ""
    )
    if guard.above is not None:
        return f"above {context.limit(table, guard.above)}{off}"
    if guard.below is not None:
        return f"below {context.limit(table, guard.below)}{off}"
    return (f'"{guard.state}"' if guard.state is not None else f"raw {guard.raw}") + off


def _beside(context: CheckContext, table: Table, cell: int, guard: Guard, condition: str) -> tuple[str, str]:
    """The value of a scalar and what the guard looks for, in digits that tell them apart."""
    exact = context.new.exact_at(cell)
    limit = guard.below if guard.above is None else guard.above
    bound = None if limit is None else decimal(limit, guard.text)
    if exact is None or bound is None:
        return context.format_near(table, float(context.new.physical[cell]), limit or 0.0), condition
    unit = context.definition.unit_of(table)
    value, number = (fmt.with_unit(fmt.decimal_digits(one), unit) for one in (exact, bound))
    return value, f"{'below' if guard.above is None else 'above'} {number}"


def _disabling(context: CheckContext, table: Table) -> tuple[Guard, Flags] | None:
    """The first guard that finds the table unprotective, and the cells that it found."""
    for guard in table.demands.guards:
        cells = _unprotective(context, table, guard)
        if cells is not None and cells.any() and cells.mean() >= guard.share:
            return guard, cells
    return None


def _title(table: Table) -> str:
    """The title of a table in brackets, behind its name; "" where it has none."""
    return f" ({table.title})" if table.title not in ("", table.name) else ""


@rule(rule_ids.PROTECTION_DISABLED, Severity.ERROR, Scope.IMAGE)
def disabled(context: CheckContext) -> Iterator[Finding]:
    """A protection table looks the way its guard says it looks when it no longer protects.

    Why it matters: the limiter is still there and limits nothing. Nobody notices until the day on which
    it would have saved the engine.

    Example: `<guard above="5000"/>` on an overspeed cut of 6000 rpm; 5000 rpm barely passes. With
    `share="0.5"` half of a map's cells are enough.

    Fix: set the protection back. Nothing that a customer wants is worth an unprotected engine.
    """
    for table in _doubtful(context):
        found = _disabling(context, table)
        if found is None:
            continue
        guard, cells = found
        condition = _condition(context, table, guard)
        hint = "Restore a value that the maker allows."
        if not table.axes:
            cell = context.cell_number(table, 0, 0)
            value, condition = _beside(context, table, cell, guard, condition)
            state = f"{value}, {condition}" if condition.startswith(("above", "below")) else condition
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

    Why it matters: every step towards the guard eats from the margin between the limiter and the damage.

    The outputs are compared as the control unit reads them, so that an axis that was moved under a limit
    counts as much as a cell. Of a curve that only rises or only falls the message also says how much later it
    sets in: how far along the axis it comes to the level that it came to before.

    Example: the guard of a torque derating lies above 100 %. In the base it falls from 100 % at 100 °C to
    60 % at 120 °C, which is 2 % per K. The cell at 120 °C is raised to 76 %: at 120 °C that is 16 % more, or
    +26.7 % of 60 %. The old curve comes to 76 % at 100 + (100 - 76) / 2 = 112 °C, the new one at 120 °C: it
    sets in up to 8 °C later. Of a ceiling that rises along its axis the message says instead how much further
    down the axis it already gives what it gave before.

    Named states and texts have no order, and a guard may look for one number alone: then any change is
    reported, for somebody to say whether it protects less.

    Fix: set it back, or waive the finding with what makes the smaller margin acceptable: the maker's
    own limit, or a measurement.
    """
    changes = context.changes
    for name in dict.fromkeys([*changes.by_table, *changes.movement_of]):
        table = context.definition.tables[name]
        if table.purpose is not Purpose.PROTECTION or _disabling(context, table) is not None:
            continue
        cells = changes.by_table.get(name)
        upward = any(guard.above is not None for guard in table.demands.guards)
        downward = any(guard.below is not None for guard in table.demands.guards)
        if not (upward or downward):
            if cells is not None:
                yield _altered(context, cells)
            continue
        assert context.old is not None
        old, new = surface(context.old, table), surface(context.new, table)
        if old is None or new is None:
            continue  # the rules about axes say so
        found = weakening(old, new, upward, downward)
        if found is None:
            continue
        before, after = context.format_distinct(table, found.old, found.new)
        relative = fmt.percent(found.old, found.new, context.definition.unit_of(table))
        words = f"the table protects later than the base: {before} became {after}"
        words += f" ({relative})" if relative else ""
        setting_in = _later_words(context, table, old, new, upward, downward)
        hint = "Restore it, or waive the finding and say why the smaller margin is acceptable."
        count = _count_loosened(cells, upward, downward)
        if count > 1:
            setting_in += f"; {fmt.count(count, 'cell')} changed in this direction, this one the most"
        yield _about_point(context, rule_ids.PROTECTION_WEAKENED, new, found.at, (words, setting_in), hint)
    yield from context.about_texts(
        rule_ids.PROTECTION_WEAKENED,
        Purpose.PROTECTION,
        "Restore it, or waive the finding and say why the change is acceptable.",
    )


def _about_point(
    context: CheckContext, rule_id: str, new: Surface, at: dict[str, float], words: tuple[str, str], hint: str
) -> Finding:
    """A finding about one operating point: about the cell there, or between cells about the table.

    The point is named between the two parts of ``words`` where there is no cell to name it.
    """
    table = new.grid.table
    place = _cell_at(table, new, at)
    if place is not None:
        return context.about_cell(
            rule_id, context.cell_number(table, *place), "".join(words), hint, inherited=False
        )
    here = fmt.point(context.definition, table.axes, at)
    return replace(context.about_table(rule_id, table, f"{words[0]} at {here}{words[1]}", hint), at=at)


def _altered(context: CheckContext, change: TableChange) -> Finding:
    """A changed protection of which no guard says which way protects less."""
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


def _later_words(
    context: CheckContext, table: Table, old: Surface, new: Surface, upward: bool, downward: bool
) -> str:
    """How much later a scalar or a curve sets in: ", 100 rpm later"."""
    if upward and downward:
        return ""
    signal = context.definition.signals.get(table.signal or "")
    if not table.axes and signal is not None:
        distance = abs(float(new.grid.physical[0, 0]) - float(old.grid.physical[0, 0]))
        return f", so that it sets in {context.quantity(table, distance)} later"
    found = later(old, new, upward)
    if not found or table.x is None:
        return ""
    unit = context.definition.unit_of(context.definition.axes[table.x])
    shift = fmt.with_unit(fmt.plain(float(f"{abs(found):.3g}")), unit)
    if found > 0:
        return f", so that it sets in up to {shift} later"
    return f", so that it reaches its old output up to {shift} further down the axis"


def _cell_at(table: Table, new: Surface, at: dict[str, float]) -> tuple[int, int] | None:
    """The x and y of the cell at an operating point; None where it lies between breakpoints."""
    found = [0, 0]
    for place, (signal, axis) in enumerate(new.breakpoints.items()):
        here = np.flatnonzero(axis == at[signal])
        if not len(here):
            return None
        found[place] = int(here[0])
    return found[0], found[1]


def _count_loosened(change: TableChange | None, upward: bool, downward: bool) -> int:
    """How many cells moved towards a guard."""
    if change is None:
        return 0
    steps = change.new.physical - change.old.physical
    usable = change.changed & ~change.new.off & ~change.old.off & np.isfinite(steps)
    return int(np.count_nonzero(usable & ((steps > 0) & upward | (steps < 0) & downward)))


@rule(rule_ids.PROTECTION_READING_CHANGED, Severity.WARNING, Scope.CHANGE)
def reading_changed(context: CheckContext) -> Iterator[Finding]:
    """A table that turns a sensor into the signal of protections reads otherwise than in the base.

    Why it matters: a limiter is only as good as its reading. Where the curve behind a sensor reads low, every
    protection that looks at that signal sets in late, though none of them has changed.

    The table `produces` a signal, and protections look at it, be it through other tables. The message says
    how far it reads too high and too low, where that is most, and names the protections, directly fed ones
    first.

    Example: a coolant curve reads 110 °C at 0.5 V, and all of its cells are lowered by 4 °C. At 110 °C the
    control unit reads 106 °C. A torque derating that falls from 100 % at 100 °C to 60 % at 120 °C, 2 % per
    K, gives 100 - 2 * 6 = 88 % there in place of 100 - 2 * 10 = 80 %.

    Fix: set the curve back to the maker's of that sensor. If another sensor was fitted on purpose, waive it
    with that sensor's data sheet; `callint whatif` shows what a reading does to every table.
    """
    for name in {**context.changes.by_table, **context.changes.movement_of}:
        table = context.definition.tables[name]
        if table.produces is None:
            continue
        assert context.old is not None
        old, new = surface(context.old, table), surface(context.new, table)
        protections = _protections_behind(context.definition, table.produces)
        if old is None or new is None or not protections:
            continue
        too_high, too_low = weakening(old, new, True, False), weakening(old, new, False, True)
        ways = [(found, way) for found, way in ((too_high, "high"), (too_low, "low")) if found is not None]
        if not ways:
            continue
        ways.sort(key=lambda one: -abs(one[0].new - one[0].old))
        (worst, way), *others = ways
        before, after = context.format_distinct(table, worst.old, worst.new)
        distance = _distance(context, worst, table)
        words = f"{table.produces} reads up to {distance} too {way}: {before} became {after}"
        rest = "".join(
            f", elsewhere up to {_distance(context, found, table)} too {way}" for found, way in others
        )
        rest += f"; protections that use it: {_names(protections)}"
        hint = "Restore the curve, or waive the finding and cite the data sheet of the fitted sensor."
        yield _about_point(context, rule_ids.PROTECTION_READING_CHANGED, new, worst.at, (words, rest), hint)


def _protections_behind(definition: Definition, signal: str) -> list[Table]:
    """The protections that a signal reaches, those that read it themselves first."""
    try:
        reached = reach(definition, signal)
    except CycleError:
        return []  # callint whatif names the tables that feed each other in a circle
    signals = {signal, *reached.makers}
    compared = [table for table in definition.tables.values() if table.signal in signals]
    found = {one.name: one for one in (*compared, *reached.tables) if one.purpose is Purpose.PROTECTION}
    direct = {
        name for name, table in found.items() if signal in (table.signal, *signals_of(definition, table))
    }
    return sorted(found.values(), key=lambda table: table.name not in direct)


def _distance(context: CheckContext, found: Weakening, table: Table) -> str:
    """How far two outputs are apart, in as few digits as that takes."""
    _, _, difference = fmt.format_change(found.old, found.new, context.conversion(table))
    return fmt.with_unit(difference.lstrip("+-"), fmt.distance_unit(context.definition.unit_of(table)))


def _names(tables: Sequence[Table]) -> str:
    """The names of tables, of many the first."""
    names = ", ".join(table.name for table in tables[:_MOST_NAMES])
    more = len(tables) - _MOST_NAMES
    return f"{names} and {more} more" if more > 0 else names


@lru_cache(maxsize=KEPT_DEFINITIONS)
def _thresholds(loaded: LoadedDefinition) -> tuple[tuple[Table, Signal], ...]:
    """The protections and monitors that are compared with a signal, and the signal."""
    signals, layout = loaded.definition.signals, loaded.layout
    tables = [
        item
        for item in layout.items
        if isinstance(item, Table) and item.purpose in (Purpose.PROTECTION, Purpose.DIAGNOSIS)
    ]
    return tuple((one, signals[one.signal]) for one in tables if one.signal and one.signal in signals)


@rule(rule_ids.PROTECTION_UNREACHABLE_THRESHOLD, Severity.ERROR, Scope.IMAGE)
def unreachable_threshold(context: CheckContext) -> Iterator[Finding]:
    """A threshold lies where the signal that it is compared with never gets.

    Why it matters: a cut-off that is compared with a reading no healthy sensor gives never cuts off; a
    monitor with such a threshold never reports.

    A signal gets no further than its plausible range, and no further than the curve in the image that turns
    the sensor's voltage into it.

    Example: an overspeed cut at 6500 rpm with a speed signal whose plausible range ends at 6000 rpm;
    6000 rpm barely passes. Or a cut at 135 °C, with a plausible range up to 140 °C, but a sensor curve whose
    highest cell reads 130 °C.

    Fix: set the threshold where the sensor reads, or correct the range if the sensor reads further.
    """
    for table, signal in _thresholds(context.loaded):
        reach = _reach(context, signal)
        guards = table.demands.guards
        upward = any(guard.above is not None for guard in guards)
        downward = any(guard.below is not None for guard in guards)
        item = context.layout.table_items[table.name]
        values: Numbers = context.new.of_item(context.new.physical, item)
        valued: Flags = context.new.of_item(context.new.valued, item)
        # Without a guard there is no telling from which side the signal comes, so both ends count.
        beyond = np.zeros(values.shape, bool)
        if upward or not downward:
            beyond |= context.new.passes(item, None, decimal(reach.high))
        if downward or not upward:
            beyond |= context.new.passes(item, decimal(reach.low), None)
        for y, x in np.argwhere(beyond & valued).tolist():
            value = float(values[y, x])
            side, end = ("above", reach.high) if value > reach.high else ("below", reach.low)
            extreme = "highest" if side == "above" else "lowest"
            finding = context.about_cell(
                rule_ids.PROTECTION_UNREACHABLE_THRESHOLD,
                context.cell_number(table, x, y),
                f"{context.format_near(table, value, end)} is {side} "
                f"{fmt.with_unit(fmt.plain(end), signal.unit)}, "
                f"the {extreme} value of {signal.name}{reach.words(end)}: "
                "the signal never reaches this threshold",
                "Set the threshold within the range of the signal.",
            )
            judged = (table.name, reach.curve) if reach.curve else (table.name,)
            yield replace(finding, evidence=Evidence(tables=judged))


@dataclass(frozen=True, slots=True)
class _Reach:
    """How far a signal gets: its plausible range, cut down to what its sensor's curve in the image reads."""

    low: float
    high: float
    curve: str
    curve_low: float
    curve_high: float

    def words(self, end: float) -> str:
        """What ends it there, if that is the curve."""
        return f" from {self.curve}" if end in (self.curve_low, self.curve_high) else ""


def _reach(context: CheckContext, signal: Signal) -> _Reach:
    plausible = signal.plausible or Range(-np.inf, np.inf)
    for table in context.definition.tables.values():
        if table.produces == signal.name and table.name in context.layout.table_items:
            item = context.layout.table_items[table.name]
            values = context.new.of_item(context.new.physical, item)
            values = values[context.new.of_item(context.new.valued, item) & np.isfinite(values)]
            if len(values) and table.kind is Kind.CURVE:
                low, high = float(values.min()), float(values.max())
                return _Reach(max(low, plausible.low), min(high, plausible.high), table.name, low, high)
    return _Reach(plausible.low, plausible.high, "", np.nan, np.nan)


@rule(rule_ids.PROTECTION_FLAT, Severity.ERROR, Scope.IMAGE)
def flat(context: CheckContext) -> Iterator[Finding]:
    """A protection curve or map has one value everywhere.

    Why it matters: a limit that depends on speed, air or temperature has been made to depend on
    nothing; that is how limiters are switched off by those who do not want it to show.

    Example: a derating curve of 100 % at every coolant temperature. A curve with one cell of 99 %
    barely passes. Reported where a guard asks for it (`<guard flat="true"/>`) or where the base had a shape.

    Fix: put the shape back.
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
