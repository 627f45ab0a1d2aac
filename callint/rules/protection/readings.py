"""The rule about sensor curves that protections depend on."""

from __future__ import annotations

from collections.abc import Iterator

from callint import fmt
from callint.comparing.weakening import (
    Weakening,
    weakening,
)
from callint.decoding.signal_graph import CycleError, reached_tables, signals_of
from callint.decoding.surfaces import surface
from callint.model import rule_ids
from callint.model.definition import Definition, Purpose, Table
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.protection.operating_points import about_point
from callint.rules.rule import Scope, rule

#: The most protections that a message names.
_MOST_NAMES = 8


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
        before, after = context.texts.format_distinct(table, worst.old, worst.new)
        distance = _distance(context, worst, table)
        message = f"{table.produces} reads up to {distance} too {direction}: {before} became {after}"
        details = "".join(
            f", elsewhere up to {_distance(context, shift, table)} too {direction}"
            for shift, direction in others
        )
        names = fmt.list_names([table.name for table in protections], _MOST_NAMES)
        details += f"; protections that use it: {names}"
        hint = "Restore the curve, or waive the finding and cite the data sheet of the fitted sensor."
        yield about_point(
            context, rule_ids.PROTECTION_READING_CHANGED, new, worst.at, (message, details), hint
        )


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
