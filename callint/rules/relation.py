"""Rules about what must hold between two tables, judged over operating points."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from callint import fmt
from callint.comparing import relations
from callint.comparing.relations import Point, RelationResult
from callint.decoding.decode import Decoded
from callint.decoding.surfaces import Surface, surface
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


def _breaches(case: CheckContext, kind: str, judge: _Judgement) -> Iterator[_Breach]:
    """The relations of one kind that the image breaks."""
    items, tables = case.layout.table_items, case.definition.tables
    for relation in case.definition.relations:
        if relation.kind != kind or relation.table not in items or relation.other not in items:
            continue
        table, other = tables[relation.table], tables[relation.other]
        standing = _standing(case.new, table, other, relation.amount, judge)
        if standing is None or not standing.is_broken:
            continue
        there = before = None
        if case.old is not None:
            there = _standing(case.old, table, other, relation.amount, judge, standing.at)
            before = _standing(case.old, table, other, relation.amount, judge)
        yield _Breach(relation, table, other, standing, there, before)


def _standing(
    decoded: Decoded, table: Table, other: Table, amount: float, judge: _Judgement, at: Point | None = None
) -> RelationResult | None:
    """How a relation stands; None where a table of it cannot be read as a surface, which other rules say."""
    one, two = surface(decoded, table), surface(decoded, other)
    return None if one is None or two is None else judge(one, two, amount, at)


def _finding(case: CheckContext, rule_id: str, breach: _Breach, words: str, hint: str, base: str) -> Finding:
    """A finding; ``base`` says how the base broke the relation, "" where it did not."""
    measured = breach.other if breach.relation.kind == "inverse" else breach.table
    return Finding(
        rule=rule_id,
        table=breach.table.name,
        other=breach.other.name,
        line=breach.relation.line,
        address=breach.table.at,
        size=case.extent(breach.table),
        at=breach.standing.at,
        physical=breach.standing.value,
        base_physical=breach.there.value if breach.there else None,
        unit=case.definition.unit_of(measured),
        message=words,
        hint=hint,
        base=base,
        inherited=breach.is_inherited,
    )


def _place(case: CheckContext, breach: _Breach, at: Point) -> str:
    """An operating point in words: " at 2200 rpm, 45 mg"; "" for scalars."""
    words = fmt.point(case.definition, (*breach.table.axes, *breach.other.axes), at)
    return f" at {words}" if words else ""


def _values(case: CheckContext, breach: _Breach, standing: RelationResult) -> tuple[str, str]:
    """Both tables' values with their units, in digits that tell them apart."""
    value = case.beside(breach.table, standing.value, standing.other)
    return value, case.beside(breach.other, standing.other, standing.value)


def _here(case: CheckContext, breach: _Breach) -> tuple[str, str]:
    """What the table has, with its operating point, and what the other one has there."""
    value, other = _values(case, breach, breach.standing)
    there = " there" if breach.standing.at else ""
    return (
        f"{value}{_place(case, breach, breach.standing.at)}",
        f"{breach.other.name}, which is {other}{there}",
    )


def _base(case: CheckContext, breach: _Breach) -> str:
    """The values of both in a base that broke the relation, with their operating point."""
    before = breach.broken_before
    if before is None:
        return ""
    value, other = _values(case, breach, before)
    return f"{value} against {other}{_place(case, breach, before.at)}"


def _apart(case: CheckContext, breach: _Breach) -> tuple[str, str]:
    """How far the two are apart, and how far they should be, in digits that tell these apart."""
    distance = abs(breach.standing.value - breach.standing.other)
    digits = case.format_distinct(breach.table, distance, breach.relation.amount)
    return digits[0], case.limit(breach.table, breach.relation.amount)


@rule("relation/exceeds-bound", Severity.ERROR, Scope.IMAGE)
def exceeds_bound(case: CheckContext) -> Iterator[Finding]:
    """A table exceeds the table that bounds it, or violates the margin below it.

    Why it matters: at best, the ceiling cuts off a demand above it. The engine does not do what the demand
    says, and if the ceiling is a protection, it now acts all the time.

    callint compares the outputs of the two tables at every breakpoint of either, within the range that both
    cover. Both are linear between these breakpoints, so no point between them is worse. For a signal that
    only one of them has, the most unfavourable value counts.

    Example: the demand for boost is 1180 mbar at 2000 rpm and 1240 mbar at 3000 rpm; the ceiling has 1300,
    1200 and 1300 mbar at 2000, 2500 and 3000 rpm. At 2500 rpm the demand is (1180 + 1240) / 2 = 1210 mbar,
    which is 10 mbar above the ceiling, although neither cell of the demand is.

    Fix: lower the table, or raise the bound if the maker's limit allows it.
    """
    for breach in _breaches(case, "at-most", relations.at_most):
        value, bound = _here(case, breach)
        distance, margin = _apart(case, breach)
        asked = f"; it must be at least {margin} below" if breach.relation.amount else ""
        if breach.standing.value > breach.standing.other:
            words = f"{value} is above {bound}{asked}"
        else:
            words = f"{value} is only {distance} below {bound}{asked}"
        hint = f"Lower it, or raise {breach.other.name} if the maker's limit allows it."
        yield _finding(case, "relation/exceeds-bound", breach, words, hint, _base(case, breach))


@rule("relation/mirror-differs", Severity.ERROR, Scope.IMAGE)
def mirror_differs(case: CheckContext) -> Iterator[Finding]:
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
    for breach in _breaches(case, "equal", relations.equal):
        value, mirror = _values(case, breach, breach.standing)
        place = _place(case, breach, breach.standing.at)
        there = " there" if place else ""
        accepted = case.limit(breach.table, breach.relation.amount)
        asked = f"; the tolerance is {accepted}" if breach.relation.amount else ""
        words = f"{value}{place} differs from its mirror {breach.other.name}, which is {mirror}{there}{asked}"
        hint = f"Make the same change in {breach.other.name}."
        yield _finding(case, "relation/mirror-differs", breach, words, hint, _base(case, breach))


@rule("relation/not-inverse", Severity.ERROR, Scope.IMAGE)
def not_inverse(case: CheckContext) -> Iterator[Finding]:
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
    for breach in _breaches(case, "inverse", relations.inverse):
        # What is put in is shown as the other table's values are, so that both read alike.
        given, back = case.format_distinct(breach.other, breach.standing.other, breach.standing.value)
        between = case.quantity(breach.table, breach.standing.between)
        shared = {name: at for name, at in breach.standing.at.items() if name in _signals(case, breach.other)}
        accepted = case.limit(breach.other, breach.relation.amount)
        asked = f"; the tolerance is {accepted}" if breach.relation.amount else ""
        words = (
            f"{given}{_place(case, breach, shared)} becomes {between}, "
            f"but {breach.other.name} turns that back into {back}{asked}"
        )
        hint = f"Recalculate {breach.table.name} or {breach.other.name} from the other."
        base = ""
        if before := breach.broken_before:
            given, back = case.format_distinct(breach.other, before.other, before.value)
            shared = {name: before.at[name] for name in shared}
            base = f"{given} came back as {back}{_place(case, breach, shared)}"
        yield _finding(case, "relation/not-inverse", breach, words, hint, base)


def _signals(case: CheckContext, table: Table) -> set[str]:
    return {axis.signal for axis in case.axes_of(table)}


@rule("relation/gap-closed", Severity.ERROR, Scope.IMAGE)
def gap_closed(case: CheckContext) -> Iterator[Finding]:
    """Two thresholds are closer together than they must be, or in the wrong order.

    Why it matters: the distance between switching on and switching off is the hysteresis. Without it a fan
    chatters, a limiter hunts, and a fault is set and cleared many times per second.

    callint compares the outputs of curves and maps, and uses the point where they come closest.

    Example: a fan switches on at 92 °C and off at 90 °C, and the gap must be at least 3 °C: 92 - 90 = 2 °C is
    too little, and off at 89 °C barely passes.

    Fix: move one of the two back.
    """

    for breach in _breaches(case, "gap", relations.gap):
        upper, lower = _here(case, breach)
        distance, smallest = _apart(case, breach)
        if breach.standing.value < breach.standing.other:
            words = f"{upper} is below {lower}; it must be at least {smallest} above"
        elif breach.standing.value == breach.standing.other:
            words = f"{upper} is the same as {lower}; it must be at least {smallest} above"
        else:
            words = f"{upper} is only {distance} above {lower}; the gap must be at least {smallest}"
        hint = f"Restore this threshold or {breach.other.name}."
        yield _finding(case, "relation/gap-closed", breach, words, hint, _base(case, breach))
