"""The rule about thresholds that their signal never reaches."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from callint import fmt
from callint.decoding.decode import Decoded
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model import rule_ids
from callint.model.change import Flags, Numbers
from callint.model.definition import Kind, Purpose, Range, Signal, Table, decimal
from callint.model.finding import Evidence, Finding, Severity
from callint.rules.context import KEPT_DEFINITIONS, CheckContext
from callint.rules.protection.tables import less_protective_directions
from callint.rules.rule import Scope, rule


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
                f"{context.texts.format_near(table, value, end)} is {side} "
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
    upward, downward = less_protective_directions(table)
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
