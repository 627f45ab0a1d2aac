"""The rule about axes and the operating ranges of their signals."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

from callint import fmt
from callint.model import rule_ids
from callint.model.definition import Axis, FixedAxis, Range, Signal, StoredAxis
from callint.model.derived_axis import DerivedAxis
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.definition.finding import definition_finding
from callint.rules.definition.values import ALL_VALUES, storable
from callint.rules.rule import Scope, rule


@rule(rule_ids.DEFINITION_UNCOVERED_OPERATING_RANGE, Severity.WARNING, Scope.DEFINITION)
def uncovered_operating_range(context: CheckContext) -> Iterator[Finding]:
    """The axes of a signal miss the signal's operating range.

    Why it matters: beyond its last breakpoint an axis gives no new values, so the engine would run where its
    tables have no cells. The type, the conversion or the signal of the axis is wrong, or the operating range.

    Example: an axis of engine speed as uint8 with a factor of 0.25 rpm ends at 63.75 rpm, but the engine
    operates at 700 to 3700 rpm; a type that reaches 2200 rpm, half of that range, barely passes. Fixed axes
    may cover any part of the range, such as idle speeds. They are reported if no axis of the signal reaches
    the operating range at all: breakpoints of 0.7 to 3.7 for a signal in rpm.

    A single axis may end short, as a derating does. It is a note if a signal has several axes and all of them
    end, or begin, at least 5 % of the operating range short of the same end: three fixed axes of engine speed
    that end at 3000 rpm, while the engine operates up to 3700 rpm. It needs two axes; stored axes count with
    what their storage holds.

    Fix: correct the type, conversion, signal or values of the axis, or the operating range of the signal.
    """
    by_signal: dict[str, list[Axis]] = {}
    for axis in context.definition.axes.values():
        by_signal.setdefault(axis.signal, []).append(axis)
    findings: list[tuple[Axis, Finding]] = []
    for name, axes in by_signal.items():
        signal = context.definition.signals.get(name)
        if signal is not None and signal.operating is not None and not signal.operating.is_inverted:
            findings += _uncovered(context, signal, signal.operating, axes)
    yield from _by_conversion(context, findings)


def _uncovered(
    context: CheckContext, signal: Signal, operating: Range, axes: Sequence[Axis]
) -> Iterator[tuple[Axis, Finding]]:
    """The axes of a signal that miss its operating range, each with its finding."""
    # definition/unit-differs reports axes in another unit.
    reaches = [
        (axis, _reach(context, axis))
        for axis in axes
        if fmt.same_unit(context.definition.unit_of(axis) or signal.unit, signal.unit)
    ]
    none_meets = not any(covers(reach, operating, 0.0) for _, reach in reaches)
    are_sound = True
    for axis, reach in reaches:
        if none_meets if isinstance(axis, FixedAxis) else not covers(reach, operating, _LEAST_COVERED):
            yield axis, _finding(context, signal, operating, axis, reach)
            are_sound = False
    # Axes that miss more have findings of their own.
    if len(reaches) >= _LEAST_SHORT and are_sound:
        yield from _short(context, signal, operating, reaches)


#: The number of axes from which all of them ending short is no derating, and the least share that they miss.
_LEAST_SHORT, _LEAST_MISSED = 2, 0.05


def _short(
    context: CheckContext, signal: Signal, operating: Range, reaches: Sequence[tuple[Axis, Range]]
) -> Iterator[tuple[Axis, Finding]]:
    """The finding about a signal all of whose axes end short of one end of its operating range."""
    missed = _LEAST_MISSED * (operating.high - operating.low)
    low, high = min(reach.low for _, reach in reaches), max(reach.high for _, reach in reaches)
    for end, is_short, verb, nearest in (
        (operating.high, high <= operating.high - missed, "end below", high),
        (operating.low, low >= operating.low + missed, "begin above", low),
    ):
        if is_short and math.isfinite(end):
            axis = reaches[0][0]
            names = fmt.list_names([axis.name for axis, _ in reaches], _MOST_NAMES)
            finding = definition_finding(
                rule_ids.DEFINITION_UNCOVERED_OPERATING_RANGE,
                signal.line,
                f"signal {signal.name} {verb}",
                f"all {len(reaches)} axes of {signal.name} {verb} "
                f"{fmt.with_unit(fmt.plain(end), signal.unit)}, an end of its operating range; the nearest "
                f"one is at {fmt.with_unit(fmt.plain(nearest), signal.unit)}: {names}",
                "Correct the axes or the operating range.",
            )
            yield axis, replace(finding, unsure=True)


#: The number of axes of one conversion from which the conversion is blamed if it has no other axes.
_LEAST_AXES = 3
#: The most axes that a message names.
_MOST_NAMES = 4


def _by_conversion(context: CheckContext, findings: Sequence[tuple[Axis, Finding]]) -> Iterator[Finding]:
    """The findings, with one in place of those about all axes of a conversion."""
    axes = Counter(axis.conversion for axis in context.definition.stored_axes)
    wrong: dict[str, list[StoredAxis]] = {}
    for axis, finding in findings:
        if not finding.unsure and isinstance(axis, StoredAxis) and axis.conversion is not None:
            wrong.setdefault(axis.conversion, []).append(axis)
    blamed = [name for name, wrong_axes in wrong.items() if len(wrong_axes) == axes[name] >= _LEAST_AXES]
    for axis, finding in findings:
        if finding.unsure or not (isinstance(axis, StoredAxis) and axis.conversion in blamed):
            yield finding
    for name in blamed:
        yield definition_finding(
            rule_ids.DEFINITION_UNCOVERED_OPERATING_RANGE,
            context.definition.conversions[name].line,
            f"conversion {name}",
            f"with conversion {name}, none of its {len(wrong[name])} axes covers the operating range of its "
            f"signal: {fmt.list_names([axis.name for axis in wrong[name]], _MOST_NAMES)}",
            "Correct the conversion.",
        )


#: The smallest share of an operating range that the storage of an axis should be able to cover.
_LEAST_COVERED = 0.5


def covers(reach: Range, operating: Range, share: float) -> bool:
    """Whether a range covers at least a share of the operating range; 0 if one point is enough."""
    covered = min(reach.high, operating.high) - max(reach.low, operating.low)
    return covered >= share * (operating.high - operating.low)


def _reach(context: CheckContext, axis: Axis) -> Range:
    """The values that the breakpoints of an axis can have; ALL_VALUES if nobody knows."""
    if isinstance(axis, FixedAxis):
        return Range(min(axis.values), max(axis.values))
    if isinstance(axis, DerivedAxis):
        return ALL_VALUES
    if axis.conversion is not None and axis.conversion not in context.definition.conversions:
        return ALL_VALUES
    return storable(context, axis)


def _finding(context: CheckContext, signal: Signal, operating: Range, axis: Axis, reach: Range) -> Finding:
    unit = signal.unit
    if isinstance(axis, FixedAxis):
        extent = f"axis {axis.name} reaches from {_span(reach, unit)}"
    else:
        assert isinstance(axis, StoredAxis)  # a derived axis may reach all values
        own_unit = context.definition.unit_of(axis)
        extent = f"the {axis.storage.type.name} of axis {axis.name} holds {_span(reach, own_unit)}"
    return definition_finding(
        rule_ids.DEFINITION_UNCOVERED_OPERATING_RANGE,
        axis.line,
        f"axis {axis.name}",
        f"{extent}, but its signal {signal.name} operates at {_span(operating, unit)}",
        "Correct the axis, its signal or the operating range.",
    )


def _span(values: Range, unit: str) -> str:
    return f"{fmt.plain(values.low)} to {fmt.with_unit(fmt.plain(values.high), unit)}"
