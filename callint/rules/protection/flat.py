"""The rule about protection curves and maps that became flat."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.comparing.decimal_compare import exceeds
from callint.model import rule_ids
from callint.model.change import TableChange
from callint.model.definition import Purpose, States, Table
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.protection.tables import bracketed_title, less_protective_directions, protection_items
from callint.rules.rule import Scope, rule

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
    protections = protection_items(context.loaded)
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
            value = context.texts.quantity(
                table, float(context.new.physical[context.layout.cells(item).start])
            )
            yield context.about_table(
                rule_ids.PROTECTION_FLAT,
                table,
                f"all {present.size} cells of {table.name} are {value}: "
                f"it no longer depends on anything{bracketed_title(table)}",
                "Restore the shape of the table.",
                inherited=context.is_unchanged(table),
            )
    for change in context.changes.tables:
        if change.table.purpose is Purpose.PROTECTION and change.table.axes:
            yield from _nearly_flat(context, change)


def _nearly_flat(context: CheckContext, change: TableChange) -> Iterator[Finding]:
    """The finding about a changed protection without a direction that hardly varies any more."""
    table = change.table
    if any(less_protective_directions(table)) or isinstance(context.conversion(table), States):
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
    low, high = (
        context.texts.quantity(table, float(end(change.new.physical))) for end in (np.nanmin, np.nanmax)
    )
    old_text, text = (
        fmt.with_unit(fmt.plain(float(f"{size:.3g}")), fmt.distance_unit(context.definition.unit_of(table)))
        for size in spans
    )
    yield context.about_table(
        rule_ids.PROTECTION_FLAT,
        table,
        f"the cells of {table.name} span only {text}, {low} to {high}, of {old_text} in the base: "
        f"it hardly depends on anything{bracketed_title(table)}",
        "Restore the shape of the table.",
    )
