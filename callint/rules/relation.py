"""Rules about relations between two tables, checked at operating points."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from callint import fmt
from callint.comparing import relations
from callint.comparing.relations import Point, Ranges, RelationResult
from callint.decoding.decode import Decoded
from callint.decoding.surfaces import Surface, surface
from callint.model import rule_ids
from callint.model.definition import Relation, Table
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.rule import Scope, rule

_Comparison = Callable[[Surface, Surface, float, Point | None, Ranges], RelationResult | None]


@dataclass(frozen=True, slots=True)
class _Breach:
    """A relation that the image breaks, with its ``result`` at an operating point.

    The point is the worst one, or the one that became worse by the most (``is_further``). ``base_result`` is
    the result of the base at that point, and ``base_worst`` the one at its own worst point; None if there is
    no base or it cannot be read.
    """

    relation: Relation
    table: Table
    other: Table
    result: RelationResult
    base_result: RelationResult | None
    base_worst: RelationResult | None
    is_further: bool = False

    @property
    def is_inherited(self) -> bool:
        """Whether the base breaks the relation at the same operating point, at least as badly."""
        base = self.base_result
        return base is not None and base.is_broken and base.excess >= self.result.excess

    @property
    def broken_in_base(self) -> RelationResult | None:
        """The worst result of the base, if it breaks the relation."""
        return self.base_worst if self.base_worst is not None and self.base_worst.is_broken else None


def _breaches(context: CheckContext, kind: str, compare: _Comparison) -> Iterator[_Breach]:
    """The relations of one kind that the image breaks, each at its worst point.

    If the base breaks the relation at that point too, the point that became worse by the most follows: what
    the base breaks at one point excuses no other.
    """
    items, tables = context.layout.table_items, context.definition.tables
    for relation in context.definition.relations:
        if relation.kind != kind or relation.table not in items or relation.other not in items:
            continue
        pair = tables[relation.table], tables[relation.other]
        ranges = relation.ranges(context.definition.signals)
        new = _surfaces(context.new, pair)
        result = None if new is None else compare(*new, relation.amount, None, ranges)
        if new is None or result is None or not result.is_broken:
            continue
        old = None if context.old is None else _surfaces(context.old, pair)
        if old is None:
            yield _Breach(relation, *pair, result, None, None)
            continue
        base_result = compare(*old, relation.amount, result.at, ranges)
        base_worst = compare(*old, relation.amount, None, ranges)
        worst = _Breach(relation, *pair, result, base_result, base_worst)
        yield worst
        if base_result is None or not base_result.is_broken:
            continue
        at = relations.worst_new_point(kind, new, old, relation.amount, ranges)
        further = None if at is None else compare(*new, relation.amount, at, ranges)
        if further is not None and further.at != result.at:
            base_result = compare(*old, relation.amount, further.at, ranges)
            yield replace(worst, result=further, base_result=base_result, is_further=True)


def _surfaces(decoded: Decoded, pair: tuple[Table, Table]) -> relations.Pair | None:
    """Both tables of a relation; None if one is not readable, which other rules report."""
    first, second = (surface(decoded, table) for table in pair)
    return None if first is None or second is None else (first, second)


def _finding(
    context: CheckContext, rule_id: str, breach: _Breach, message: str, hint: str, base: str
) -> Finding:
    """A finding; ``base`` is a clause that says how the base breaks the relation, "" if it does not."""
    measured = breach.other if breach.relation.kind == "inverse" else breach.table
    subject = ""
    if breach.is_further:
        # Both findings are about the same tables, and the values may be the same.
        subject = f"{breach.other.name} {sorted(breach.result.at.items())}"
        if breach.base_result is None or not breach.base_result.is_broken:
            message, base = f"{message}; the base keeps the relation there", ""
    return Finding(
        rule=rule_id,
        table=breach.table.name,
        other=breach.other.name,
        subject=subject,
        line=breach.relation.line,
        address=breach.table.at,
        size=context.extent(breach.table),
        at=breach.result.at,
        physical=breach.result.value,
        base_physical=breach.base_result.value if breach.base_result else None,
        unit=context.definition.unit_of(measured),
        message=message,
        hint=hint,
        base=base,
        inherited=breach.is_inherited,
    )


def _place(context: CheckContext, breach: _Breach, at: Point) -> str:
    """An operating point as text: " at 2200 rpm, 45 mg"; "" for scalars."""
    point = fmt.point(context.definition, (*breach.table.axes, *breach.other.axes), at)
    return f" at {point}" if point else ""


def _values(context: CheckContext, breach: _Breach, result: RelationResult) -> tuple[str, str]:
    """Both tables' values with their units, in enough digits to differ."""
    value = context.texts.format_near(breach.table, result.value, result.other)
    return value, context.texts.format_near(breach.other, result.other, result.value)


def _values_at_worst(context: CheckContext, breach: _Breach) -> tuple[str, str]:
    """The table's value with its operating point, and the name and value of the other one there."""
    value, other_value = _values(context, breach, breach.result)
    there = " there" if breach.result.at else ""
    return (
        f"{value}{_place(context, breach, breach.result.at)}",
        f"{breach.other.name}, which is {other_value}{there}",
    )


def _base_text(context: CheckContext, breach: _Breach) -> str:
    """Both tables' values in a base that breaks the relation, with their operating point."""
    worst = breach.broken_in_base
    if worst is None:
        return ""
    value, other_value = _values(context, breach, worst)
    return f"{value} against {other_value}{_place(context, breach, worst.at)}"


def _distances(context: CheckContext, breach: _Breach) -> tuple[str, str]:
    """The distance between the two, and the required one, in enough digits to differ."""
    distance = abs(breach.result.value - breach.result.other)
    digits = context.texts.format_distinct(breach.table, distance, breach.relation.amount)
    return digits[0], context.texts.limit(breach.table, breach.relation.amount)


@rule(rule_ids.RELATION_EXCEEDS_BOUND, Severity.ERROR, Scope.IMAGE)
def exceeds_bound(context: CheckContext) -> Iterator[Finding]:
    """A table exceeds the table that bounds it, or violates the margin below it.

    Why it matters: at best, the ceiling cuts off a demand above it. The engine does not do what the demand
    says, and if the ceiling is a protection, it now acts all the time.

    callint compares the outputs of the two tables at every breakpoint of either, within the range that both
    cover. Both are linear between these breakpoints, so no point between them is worse. For a signal that
    only one of them has, the most unfavourable value counts.

    Example: the demand for boost is 1180 mbar at 2000 rpm and 1240 mbar at 3000 rpm; the ceiling has 1300,
    1200 and 1300 mbar at 2000, 2500 and 3000 rpm. At 2500 rpm the demand is (1180 + 1240) / 2 = 1210 mbar,
    which is 10 mbar above the ceiling, although neither cell of the demand is.

    A base that breaks the relation excuses no other point. Let the base have 1310 mbar at 2000 rpm, 10 mbar
    above the ceiling, and 1050 mbar at 3000 rpm; at 2500 rpm it gives (1310 + 1050) / 2 = 1180 mbar. An image
    with the same 1310 mbar, but 1100 mbar at 3000 rpm, gives 1205 mbar at 2500 rpm. The 10 mbar at 2000 rpm
    are a note, as the base has them; the 5 mbar at 2500 rpm are an error of their own.

    With `within="operating"`, a relation must hold only in the operating ranges of the signals. If that of
    speed ends at 2200 rpm, the ceiling ends at 1300 - 100 * 200 / 500 = 1260 mbar there, and a demand of 1310
    mbar at 2000 rpm and 1210 mbar at 3000 rpm gives 1290 mbar, 30 mbar too much.

    Fix: lower the table, or raise the bound if the maker's limit allows it.
    """
    for breach in _breaches(context, "at-most", relations.at_most):
        value, bound = _values_at_worst(context, breach)
        distance, margin = _distances(context, breach)
        required = f"; it must be at least {margin} below" if breach.relation.amount else ""
        if breach.result.value > breach.result.other:
            message = f"{value} is above {bound}{required}"
        else:
            message = f"{value} is only {distance} below {bound}{required}"
        hint = f"Lower {breach.table.name}, or raise {breach.other.name} if the maker's limit allows it."
        yield _finding(
            context, rule_ids.RELATION_EXCEEDS_BOUND, breach, message, hint, _base_text(context, breach)
        )


@rule(rule_ids.RELATION_MIRROR_DIFFERS, Severity.ERROR, Scope.IMAGE)
def mirror_differs(context: CheckContext) -> Iterator[Finding]:
    """Two tables that must be equal differ.

    Why it matters: control units keep second copies of critical tables and compare the copies while running.
    A copy that differs is a fault for the control unit: limp-home at sea, or a monitor that checks against
    another number than the function uses.

    callint compares the outputs of the two tables at every breakpoint of either, within the range that both
    cover, so that a copy may have other breakpoints.

    Example: the overspeed cut is 4550 rpm, its copy 4250 rpm. They are 300 rpm apart, which a tolerance of
    299 rpm does not allow and one of 300 rpm barely does.

    Fix: make the same change in both.
    """
    for breach in _breaches(context, "equal", relations.equal):
        value, mirror = _values(context, breach, breach.result)
        place = _place(context, breach, breach.result.at)
        there = " there" if place else ""
        accepted = context.texts.limit(breach.table, breach.relation.amount)
        required = f"; the tolerance is {accepted}" if breach.relation.amount else ""
        message = (
            f"{value}{place} differs from its mirror {breach.other.name}, which is {mirror}{there}{required}"
        )
        hint = f"Make the same change in {breach.other.name}."
        yield _finding(
            context, rule_ids.RELATION_MIRROR_DIFFERS, breach, message, hint, _base_text(context, breach)
        )


@rule(rule_ids.RELATION_NOT_INVERSE, Severity.ERROR, Scope.IMAGE)
def not_inverse(context: CheckContext) -> Iterator[Finding]:
    """A table is no longer the inverse function of another one.

    Why it matters: the control unit converts torque into fuel and fuel into torque in many places. If the two
    tables contradict each other, the demand, a limiter and a monitor work with three different engines.

    callint puts an input through the table and its output through the other one, and compares the result with
    the input, within the tolerance, in the unit of the input. It tries every breakpoint of the table and
    every value that the other table gives at its breakpoints; the error may be somewhat larger between them.

    Example: one table converts 100 Nm into 25 mg. The other converts 20 mg into 80 Nm and 30 mg into 128 Nm,
    so 25 mg into (80 + 128) / 2 = 104 Nm: 100 Nm comes back as 104 Nm. That is 4 Nm off, which a tolerance of
    2.5 Nm does not allow and one of 4 Nm barely does.

    Fix: recalculate one of the two from the other.
    """
    for breach in _breaches(context, "inverse", relations.inverse):
        # The input has the format of the other table's values, because the two are compared.
        input_text, output_text = context.texts.format_distinct(
            breach.other, breach.result.other, breach.result.value
        )
        intermediate = context.texts.quantity(breach.table, breach.result.between)
        shared = {
            name: at for name, at in breach.result.at.items() if name in _signals(context, breach.other)
        }
        accepted = context.texts.limit(breach.other, breach.relation.amount)
        required = f"; the tolerance is {accepted}" if breach.relation.amount else ""
        message = (
            f"{input_text}{_place(context, breach, shared)} becomes {intermediate}, "
            f"but {breach.other.name} turns that back into {output_text}{required}"
        )
        hint = f"Recalculate {breach.table.name} or {breach.other.name} from the other."
        base = ""
        if worst := breach.broken_in_base:
            input_text, output_text = context.texts.format_distinct(breach.other, worst.other, worst.value)
            shared = {name: worst.at[name] for name in shared}
            base = f"{input_text} came back as {output_text}{_place(context, breach, shared)}"
        yield _finding(context, rule_ids.RELATION_NOT_INVERSE, breach, message, hint, base)


def _signals(context: CheckContext, table: Table) -> set[str]:
    return {axis.signal for axis in context.axes_of(table)}


@rule(rule_ids.RELATION_GAP_CLOSED, Severity.ERROR, Scope.IMAGE)
def gap_closed(context: CheckContext) -> Iterator[Finding]:
    """Two thresholds are closer together than they must be, or in the wrong order.

    Why it matters: the distance between switching on and switching off is the hysteresis. Without it a fan
    chatters, a limiter hunts, and a fault is set and cleared many times per second.

    callint compares the outputs of curves and maps, and uses the point where they come closest.

    Example: a fan switches on at 92 °C and off at 90 °C, and the gap must be at least 3 °C: 92 - 90 = 2 °C is
    too little, and off at 89 °C barely passes.

    Fix: move one of the two back.
    """
    for breach in _breaches(context, "gap", relations.gap):
        upper, lower = _values_at_worst(context, breach)
        distance, smallest = _distances(context, breach)
        if breach.result.value < breach.result.other:
            message = f"{upper} is below {lower}; it must be at least {smallest} above"
        elif breach.result.value == breach.result.other:
            message = f"{upper} is the same as {lower}; it must be at least {smallest} above"
        else:
            message = f"{upper} is only {distance} above {lower}; the gap must be at least {smallest}"
        hint = f"Restore this threshold or {breach.other.name}."
        yield _finding(
            context, rule_ids.RELATION_GAP_CLOSED, breach, message, hint, _base_text(context, breach)
        )
