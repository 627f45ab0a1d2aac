"""The rule about protections that set in later than in the base."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from callint import fmt
from callint.comparing.weakening import (
    LostEffect,
    lost_effect,
    shift_along_axis,
    weakening,
)
from callint.decoding.statistics import distinct
from callint.decoding.surfaces import Surface, grid_points, surface
from callint.model import rule_ids
from callint.model.change import TableChange
from callint.model.definition import Purpose, States, Table
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.protection.disabled import matching_guard
from callint.rules.protection.operating_points import about_point, has_moved_axis
from callint.rules.protection.tables import less_protective_directions
from callint.rules.rule import Scope, rule

#: The share of its effect or its margin that a protection may lose before protection/weakened is an error.
_MOST_LOST = 0.5
#: The share of its largest effect that a protection has at the places where lost effect counts.
_LEAST_EFFECT = 0.5
#: The share of the span of a derating by which it may already act in the operating range.
_SLIGHT_DERATING = 0.1
#: A share that takes nothing away, in %.
_ALL = 100.0
#: The smallest lost share that a message names.
_LEAST_SHARE = 0.1

_NO_DIRECTION = "no guard says which direction protects less"
_CHANGED_HINT = "Restore the table, or waive the finding and say why the change is acceptable."


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

    A scalar has no other cells to compare with. Its margin is the distance from the base to the guard, and
    the finding is an error if more than half of it is lost: with a guard above 250 ms, a delay of 40 ms may
    become 145 ms, and 146 ms is an error.

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
        if table.purpose is Purpose.PROTECTION and matching_guard(context, table) is None:
            yield from _weakened_table(context, table)
    yield from context.about_texts(rule_ids.PROTECTION_WEAKENED, Purpose.PROTECTION, _CHANGED_HINT)


def _weakened_table(context: CheckContext, table: Table) -> Iterator[Finding]:
    """The finding about a table that protects later, or of which nobody knows whether it does."""
    cells = context.changes.by_table.get(table.name)
    assert context.old is not None
    old, new = surface(context.old, table), surface(context.new, table)
    upward, downward = less_protective_directions(table)
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
    margin_text = _lost_margin_text(context, table, old, new)
    severe = bool(margin_text) or (lost is not None and lost.is_large)
    hint = "Restore the table, or waive the finding and say why the smaller margin is acceptable."
    if weakest is None:
        if cells is not None and (cells.changed & cells.new.off & ~cells.old.off).any():
            yield _switched_off(context, cells, severe, _lost_text(context, table, lost) + implied, hint)
        return
    before, after = context.texts.format_distinct(table, weakest.old, weakest.new)
    relative = fmt.percent(weakest.old, weakest.new, context.definition.unit_of(table))
    message = f"the table protects later than the base: {before} became {after}"
    message += f" ({relative})" if relative else ""
    details = _delay_text(context, table, old, new, upward, downward)
    count = 0 if has_moved_axis(context, table) else _count_weakened(cells, upward, downward)
    if count > 1:
        details += f"; {fmt.count(count, 'cell')} changed in this direction, this one the most"
    details += _lost_text(context, table, lost) + margin_text + implied
    finding = about_point(context, rule_ids.PROTECTION_WEAKENED, new, weakest.at, (message, details), hint)
    yield replace(finding, severe=severe)


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


def _lost_text(context: CheckContext, table: Table, lost: LostEffect | None) -> str:
    """The lost share of what a table takes away, as a clause; "" if a small share was lost."""
    if lost is None or lost.share < _LEAST_SHARE:
        return ""
    effect = context.texts.quantity(table, lost.effect)
    verb = "adds" if less_protective_directions(table)[1] else "takes away"
    point = fmt.point(context.definition, table.axes, lost.at)
    limit = f", above the limit of {100 * _MOST_LOST:.0f} %" if lost.is_large else ""
    return f"; of the {effect} that the base {verb} at {point}, {100 * lost.share:.3g} % is lost{limit}"


def _lost_margin_text(context: CheckContext, table: Table, old: Surface, new: Surface) -> str:
    """How much of its distance from a guard a scalar lost, as a clause; "" if it kept half of it."""
    if table.axes:
        return ""
    before, after = float(old.grid.physical[0, 0]), float(new.grid.physical[0, 0])
    for guard in table.demands.guards:
        limit = guard.below if guard.above is None else guard.above
        if limit is None:
            continue
        direction = 1.0 if guard.above is not None else -1.0
        margin, lost = direction * (limit - before), direction * (after - before)
        if margin > 0 and lost > _MOST_LOST * margin:
            distance, at = context.texts.quantity(table, margin), context.texts.quantity(table, limit)
            share = f"{100 * lost / margin:.3g} % is lost, above the limit of {100 * _MOST_LOST:.0f} %"
            return f"; of the {distance} between the base and the guard at {at}, {share}"
    return ""


def _switched_off(context: CheckContext, change: TableChange, severe: bool, lost: str, hint: str) -> Finding:
    """A finding about a protection that was switched off in some cells, and else moved nowhere."""
    y, x = change.largest
    before, after = context.texts.cell_change(change, y, x)
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
    if is_state or old is None or new is None or not has_moved_axis(context, table):
        if cells is not None:
            yield _changed_protection(context, cells)
        return
    furthest = weakening(old, new, True, True, context.stored_steps(table))
    switched = cells is not None and bool((cells.changed & (cells.new.off != cells.old.off)).any())
    if cells is not None and (furthest is not None or switched):
        yield _changed_protection(context, cells)
    elif furthest is not None:
        before, after = context.texts.format_distinct(table, furthest.old, furthest.new)
        texts = f"{before} became {after}", f"; {_NO_DIRECTION}"
        yield about_point(context, rule_ids.PROTECTION_WEAKENED, new, furthest.at, texts, _CHANGED_HINT)


def _changed_protection(context: CheckContext, change: TableChange) -> Finding:
    """A finding about a changed protection whose guards do not say which direction protects less."""
    table = change.table
    y, x = change.largest
    before, after = context.texts.cell_change(change, y, x)
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
        return f", so that it sets in {context.texts.quantity(table, distance)} later"
    delay = shift_along_axis(old, new, upward)
    if not delay or table.x is None:
        return ""
    unit = context.definition.unit_of(context.definition.axes[table.x])
    shift = fmt.with_unit(fmt.plain(float(f"{abs(delay):.3g}")), unit)
    if delay > 0:
        return f", so that it sets in up to {shift} later"
    return f", so that it reaches its old output up to {shift} further down the axis"


def _count_weakened(change: TableChange | None, upward: bool, downward: bool) -> int:
    """The number of cells that moved towards a guard."""
    if change is None:
        return 0
    steps = change.new.physical - change.old.physical
    usable = change.changed & ~change.new.off & ~change.old.off & np.isfinite(steps)
    return int(np.count_nonzero(usable & ((steps > 0) & upward | (steps < 0) & downward)))
