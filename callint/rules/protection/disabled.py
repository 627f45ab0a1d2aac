"""The rule about protections that match a guard, so that they no longer protect."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from callint import fmt
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model import rule_ids
from callint.model.change import Flags, Numbers
from callint.model.definition import Guard, States, Table, decimal
from callint.model.finding import Finding, Severity
from callint.rules.context import KEPT_DEFINITIONS, CheckContext
from callint.rules.protection.tables import bracketed_title, protection_items
from callint.rules.rule import Scope, rule


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
        match = matching_guard(context, table)
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
            message = f"{table.name} is {state}: it no longer protects{bracketed_title(table)}"
            yield context.about_cell(rule_ids.PROTECTION_DISABLED, cell, message, hint)
        else:
            count, size = int(np.count_nonzero(cells)), cells.size
            amount = f"all {size}" if count == size else f"{count} of {size}"
            message = f"{amount} cells of {table.name} are {condition}: it no longer protects"
            inherited = context.is_unchanged(table)
            message += bracketed_title(table)
            yield context.about_table(rule_ids.PROTECTION_DISABLED, table, message, hint, inherited)


def matching_guard(context: CheckContext, table: Table) -> tuple[Guard, Flags] | None:
    """The first guard that enough cells match, and these cells; None if the table protects."""
    for guard in table.demands.guards:
        cells = _cells_matching(context, table, guard)
        if cells is not None and cells.any() and cells.mean() >= guard.share:
            return guard, cells
    return None


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
    for item in protection_items(loaded).tolist():
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
        return f"above {context.texts.limit(table, guard.above)}{off}"
    if guard.below is not None:
        return f"below {context.texts.limit(table, guard.below)}{off}"
    return (f'"{guard.state}"' if guard.state is not None else f"raw {guard.raw}") + off


def _scalar_texts(
    context: CheckContext, table: Table, cell: int, guard: Guard, condition: str
) -> tuple[str, str]:
    """The value of a scalar and what the guard looks for, in enough digits to differ."""
    exact = context.new.exact_at(cell)
    limit = guard.below if guard.above is None else guard.above
    bound = None if limit is None else decimal(limit, guard.text)
    if exact is None or bound is None:
        return context.texts.format_near(table, float(context.new.physical[cell]), limit or 0.0), condition
    unit = context.definition.unit_of(table)
    value, bound_text = (fmt.with_unit(fmt.decimal_digits(number), unit) for number in (exact, bound))
    return value, f"{'below' if guard.above is None else 'above'} {bound_text}"
