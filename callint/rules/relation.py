"""Rules about what must hold between two tables, judged over operating points."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from callint import fmt
from callint.comparing import relations
from callint.comparing.relations import Point, RelationResult
from callint.decoding.decode import Decoded
from callint.decoding.surfaces import Surface, surface
from callint.model import rule_ids
from callint.model.definition import Relation, Table
from callint.model.finding import Finding, Severity
from callint.rules.context import CheckContext
from callint.rules.rule import Scope, rule

_Judgement = Callable[[Surface, Surface, float, Point | None], RelationResult | None]


@dataclass(frozen=True, slots=True)
class _Breach:
    """A relation that the image breaks, at its most unfavourable operating point.

    ``there`` is how the base stood at that point, and ``before`` at its own most unfavourable one; None
    where there is no base or it cannot be read.
    """

    relation: Relation
    table: Table
    other: Table
    standing: RelationResult
    there: RelationResult | None
    before: RelationResult | None

    @property
    def is_inherited(self) -> bool:
        """Whether the base broke the relation at the same operating point, at least as badly."""
        there = self.there
        return there is not None and there.is_broken and there.excess >= self.standing.excess

    @property
    def broken_before(self) -> RelationResult | None:
        """How the base stood, if it broke the relation."""
        return self.before if self.before is not None and self.before.is_broken else None


def _breaches(context: CheckContext, kind: str, judge: _Judgement) -> Iterator[_Breach]:
    """The relations of one kind that the image breaks."""
    items, tables = context.layout.table_items, context.definition.tables
    for relation in context.definition.relations:
        if relation.kind != kind or relation.table not in items or relation.other not in items:
            continue
        table, other = tables[relation.table], tables[relation.other]
        standing = _standing(context.new, table, other, relation.amount, judge)
        if standing is None or not standing.is_broken:
            continue
        there = before = None
        if context.old is not None:
            there = _standing(context.old, table, other, relation.amount, judge, standing.at)
            before = _standing(context.old, table, other, relation.amount, judge)
        yield _Breach(relation, table, other, standing, there, before)


def _standing(
    decoded: Decoded, table: Table, other: Table, amount: float, judge: _Judgement, at: Point | None = None
) -> RelationResult | None:
    """How a relation stands; None where a table of it cannot be read as a surface, which other rules say."""
    one, two = surface(decoded, table), surface(decoded, other)
    return None if one is None or two is None else judge(one, two, amount, at)


def _finding(
    context: CheckContext, rule_id: str, breach: _Breach, words: str, hint: str, base: str
) -> Finding:
    """A finding; ``base`` says how the base broke the relation, "" where it did not."""
    measured = breach.other if breach.relation.kind == "inverse" else breach.table
    return Finding(
        rule=rule_id,
        table=breach.table.name,
        other=breach.other.name,
        line=breach.relation.line,
        address=breach.table.at,
        size=context.extent(breach.table),
        at=breach.standing.at,
        physical=breach.standing.value,
        base_physical=breach.there.value if breach.there else None,
        unit=context.definition.unit_of(measured),
        message=words,
        hint=hint,
        base=base,
        inherited=breach.is_inherited,
    )


def _place(context: CheckContext, breach: _Breach, at: Point) -> str:
    """An operating point in words: " at 2200 rpm, 45 mg"; "" for scalars."""
    words = fmt.point(context.definition, (*breach.table.axes, *breach.other.axes), at)
    return f" at {words}" if words else ""


def _values(context: CheckContext, breach: _Breach, standing: RelationResult) -> tuple[str, str]:
    """Both tables' values with their units, in digits that tell them apart."""
    value = context.format_near(breach.table, standing.value, standing.other)
    return value, context.format_near(breach.other, standing.other, standing.value)


def _here(context: CheckContext, breach: _Breach) -> tuple[str, str]:
    """What the table has, with its operating point, and what the other one has there."""
    value, other = _values(context, breach, breach.standing)
    there = " there" if breach.standing.at else ""
    return (
        f"{value}{_place(context, breach, breach.standing.at)}",
        f"{breach.other.name}, which is {other}{there}",
    )


def _base(context: CheckContext, breach: _Breach) -> str:
    """The values of both in a base that broke the relation, with their operating point."""
    before = breach.broken_before
    if before is None:
        return ""
    value, other = _values(context, breach, before)
    return f"{value} against {other}{_place(context, breach, before.at)}"


def _apart(context: CheckContext, breach: _Breach) -> tuple[str, str]:
    """How far the two are apart, and how far they should be, in digits that tell these apart."""
    distance = abs(breach.standing.value - breach.standing.other)
    digits = context.format_distinct(breach.table, distance, breach.relation.amount)
    return digits[0], context.limit(breach.table, breach.relation.amount)


@rule(rule_ids.RELATION_EXCEEDS_BOUND, Severity.ERROR, Scope.IMAGE)
def exceeds_bound(context: CheckContext) -> Iterator[Finding]:
    """A table lies above the table that bounds it, or closer below it than the margin.

    Why it matters: a demand above its ceiling is cut off there, at best. The engine does not do what the
    demand says, and where the ceiling is a protection, it now works all the time.

    The two are compared as the control unit reads them, at every breakpoint of either within the range that
    both cover: linear between breakpoints as they are, they can be no worse in between. Over a signal that
    only one of them has, its most unfavourable value counts.

    Example: boost is demanded up to 1180 mbar at 2000 rpm and 1240 mbar at 3000 rpm; the ceiling has
    breakpoints at 2000, 2500 and 3000 rpm with 1300, 1200 and 1300 mbar. At 2500 rpm the demand is
    (1180 + 1240) / 2 = 1210 mbar, which is 10 mbar above the ceiling, although neither breakpoint of the
    demand is.

    Fix: lower the table, or raise the bound if the maker's limit allows it.
    """
    for breach in _breaches(context, "at-most", relations.at_most):
        value, bound = _here(context, breach)
        distance, margin = _apart(context, breach)
        asked = f"; it must be at least {margin} below" if breach.relation.amount else ""
        if breach.standing.value > breach.standing.other:
            words = f"{value} is above {bound}{asked}"
        else:
            words = f"{value} is only {distance} below {bound}{asked}"
        hint = f"Lower it, or raise {breach.other.name} if the maker's limit allows it."
        yield _finding(context, rule_ids.RELATION_EXCEEDS_BOUND, breach, words, hint, _base(context, breach))


@rule(rule_ids.RELATION_MIRROR_DIFFERS, Severity.ERROR, Scope.IMAGE)
def mirror_differs(context: CheckContext) -> Iterator[Finding]:
    """Two tables that must be equal differ.

    Why it matters: control units keep second copies of what must not go wrong, and compare them while
    running. A copy that differs is taken for a fault: limp-home at sea, or a monitor that looks at another
    number than the function that it watches.

    The two are compared as the control unit reads them, at every breakpoint of either within the range that
    both cover, so that a copy may have other breakpoints.

    Example: the overspeed cut is 4550 rpm, its copy 4250 rpm: they are 300 rpm apart, which a tolerance of
    299 rpm does not allow and one of 300 rpm barely does.

    Fix: make the same change in both.
    """
    for breach in _breaches(context, "equal", relations.equal):
        value, mirror = _values(context, breach, breach.standing)
        place = _place(context, breach, breach.standing.at)
        there = " there" if place else ""
        accepted = context.limit(breach.table, breach.relation.amount)
        asked = f"; the tolerance is {accepted}" if breach.relation.amount else ""
        words = f"{value}{place} differs from its mirror {breach.other.name}, which is {mirror}{there}{asked}"
        hint = f"Make the same change in {breach.other.name}."
        yield _finding(context, rule_ids.RELATION_MIRROR_DIFFERS, breach, words, hint, _base(context, breach))


@rule(rule_ids.RELATION_NOT_INVERSE, Severity.ERROR, Scope.IMAGE)
def not_inverse(context: CheckContext) -> Iterator[Finding]:
    """A table no longer undoes what another one does.

    Why it matters: torque is turned into fuel and fuel into torque in many places. Where the two tables
    contradict each other, what the driver asks for, what a limiter allows and what a monitor believes are
    three different engines.

    What goes in is put through the table and through the other one, and should come back, within the
    tolerance, in the unit of what goes in. That is tried at every breakpoint of the table and at every value
    that the other gives at its breakpoints; in between a somewhat larger error may hide.

    Example: one table makes 25 mg of 100 Nm. The other makes 80 Nm of 20 mg and 128 Nm of 30 mg, so of 25 mg
    (80 + 128) / 2 = 104 Nm: 100 Nm comes back as 104 Nm. That is 4 Nm off, which a tolerance of 2.5 Nm does
    not allow and one of 4 Nm barely does.

    Fix: work one of the two out anew from the other.
    """
    for breach in _breaches(context, "inverse", relations.inverse):
        # What is put in is shown as the other table's values are, so that both read alike.
        given, back = context.format_distinct(breach.other, breach.standing.other, breach.standing.value)
        between = context.quantity(breach.table, breach.standing.between)
        shared = {
            name: at for name, at in breach.standing.at.items() if name in _signals(context, breach.other)
        }
        accepted = context.limit(breach.other, breach.relation.amount)
        asked = f"; the tolerance is {accepted}" if breach.relation.amount else ""
        words = (
            f"{given}{_place(context, breach, shared)} becomes {between}, "
            f"but {breach.other.name} turns that back into {back}{asked}"
        )
        hint = f"Recalculate {breach.table.name} or {breach.other.name} from the other."
        base = ""
        if before := breach.broken_before:
            given, back = context.format_distinct(breach.other, before.other, before.value)
            shared = {name: before.at[name] for name in shared}
            base = f"{given} came back as {back}{_place(context, breach, shared)}"
        yield _finding(context, rule_ids.RELATION_NOT_INVERSE, breach, words, hint, base)


def _signals(context: CheckContext, table: Table) -> set[str]:
    return {axis.signal for axis in context.axes_of(table)}


@rule(rule_ids.RELATION_GAP_CLOSED, Severity.ERROR, Scope.IMAGE)
def gap_closed(context: CheckContext) -> Iterator[Finding]:
    """Two thresholds are closer together than they must be, or have changed sides.

    Why it matters: between switching on and switching off lies the hysteresis. Without it a fan chatters, a
    limiter hunts, and a fault is set and cleared many times a second.

    Curves and maps are compared as the control unit reads them, where they come closest.

    Example: a fan goes on at 92 °C and off at 90 °C, and at least 3 °C must lie between: 92 - 90 = 2 °C is
    too little, and off at 89 °C barely passes.

    Fix: move one of the two back.
    """

    for breach in _breaches(context, "gap", relations.gap):
        upper, lower = _here(context, breach)
        distance, smallest = _apart(context, breach)
        if breach.standing.value < breach.standing.other:
            words = f"{upper} is below {lower}; it must be at least {smallest} above"
        elif breach.standing.value == breach.standing.other:
            words = f"{upper} is the same as {lower}; it must be at least {smallest} above"
        else:
            words = f"{upper} is only {distance} above {lower}; the gap must be at least {smallest}"
        hint = f"Restore this threshold or {breach.other.name}."
        yield _finding(context, rule_ids.RELATION_GAP_CLOSED, breach, words, hint, _base(context, breach))
