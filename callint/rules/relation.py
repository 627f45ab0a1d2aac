"""Rules about what must hold between two tables, judged over operating points."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from callint.comparing import relations
from callint.comparing.relations import Standing
from callint.decoding.decode import Decoded
from callint.decoding.surfaces import Surface, surface
from callint.model.definition import Relation, Table
from callint.model.finding import Finding, Severity
from callint.rules.case import Case
from callint.rules.rule import Scope, rule

_Judgement = Callable[[Surface, Surface, float], Standing | None]


def _broken(case: Case, kind: str, judge: _Judgement) -> Iterator[tuple[Relation, Standing, bool]]:
    """The relations of one kind that the image breaks, and whether the base broke them at least as badly."""
    for relation in case.definition.relations:
        if relation.kind != kind:
            continue
        standing = _standing(case.new, relation, judge)
        if standing is None or not standing.is_broken:
            continue
        before = None if case.old is None else _standing(case.old, relation, judge)
        inherited = before is not None and before.is_broken and before.excess >= standing.excess
        yield relation, standing, inherited


def _standing(decoded: Decoded, relation: Relation, judge: _Judgement) -> Standing | None:
    """How a relation stands; None where a table of it cannot be read as a surface, which other rules say."""
    items, tables = decoded.plan.table_items, decoded.plan.definition.tables
    if relation.table not in items or relation.other not in items:
        return None
    one, other = (surface(decoded, tables[name]) for name in (relation.table, relation.other))
    return None if one is None or other is None else judge(one, other, relation.amount)


def _finding(
    case: Case, rule_id: str, relation: Relation, standing: Standing, inherited: bool, words: str, hint: str
) -> Finding:
    tables = case.definition.tables
    table, other = tables[relation.table], tables[relation.other]
    place = _place(case, (table, other), standing.at)
    return Finding(
        rule=rule_id,
        table=table.name,
        other=other.name,
        line=relation.line,
        address=table.at,
        at=standing.at,
        physical=standing.value,
        unit=case.definition.unit_of(table),
        message=f"{words}, {place}" if place else words,
        hint=hint,
        inherited=inherited,
    )


def _place(case: Case, tables: tuple[Table, ...], at: dict[str, float]) -> str:
    """An operating point in words: "at 2200 rpm, 45 mg"."""
    axes = {axis.signal: axis for table in tables for axis in case.axes_of(table)}
    words = [case.axis_value(axes[signal], value) for signal, value in at.items()]
    return f"at {', '.join(words)}" if words else ""


def _values(case: Case, relation: Relation, standing: Standing) -> tuple[str, str]:
    """Both tables' values with their units, in digits that tell them apart."""
    table, other = (case.definition.tables[name] for name in (relation.table, relation.other))
    value = case.beside(table, standing.value, standing.other)
    return value, case.beside(other, standing.other, standing.value)


def _less(case: Case, relation: Relation) -> str:
    if not relation.amount:
        return ""
    amount = case.limit(case.definition.tables[relation.table], relation.amount)
    return f" less the margin of {amount}"


@rule("relation/exceeds-bound", Severity.ERROR, Scope.IMAGE)
def exceeds_bound(case: Case) -> Iterator[Finding]:
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
    for relation, standing, inherited in _broken(case, "at-most", relations.at_most):
        value, bound = _values(case, relation, standing)
        yield _finding(
            case,
            "relation/exceeds-bound",
            relation,
            standing,
            inherited,
            f"{value} is above {relation.other}, {bound}{_less(case, relation)}",
            f"Lower it, or raise {relation.other} if the maker's limit allows it.",
        )


@rule("relation/mirror-differs", Severity.ERROR, Scope.IMAGE)
def mirror_differs(case: Case) -> Iterator[Finding]:
    """Two tables that must be equal differ.

    Why it matters: control units keep second copies of what must not go wrong, and compare them while
    running. A copy that differs is taken for a fault: limp-home at sea, or a monitor that looks at another
    number than the function that it watches.

    Example: overspeed cut 4250 rpm, its copy 4550 rpm; with equal numbers it barely passes.

    Fix: make the same change in both.
    """
    for relation, standing, inherited in _broken(case, "equal", relations.equal):
        value, mirror = _values(case, relation, standing)
        yield _finding(
            case,
            "relation/mirror-differs",
            relation,
            standing,
            inherited,
            f"{value} is not what {relation.other} has, {mirror}",
            f"Make the same change in {relation.other}.",
        )


@rule("relation/not-inverse", Severity.ERROR, Scope.IMAGE)
def not_inverse(case: Case) -> Iterator[Finding]:
    """A table no longer undoes what another one does.

    Why it matters: torque is turned into fuel and fuel into torque in many places. Where the two tables
    contradict each other, what the driver asks for, what a limiter allows and what a monitor believes are
    three different engines.

    What goes in is put through the table and through the other one, and should come back, within the
    tolerance, in the unit of what goes in. That is tried at every breakpoint of the table and at every value
    that the other gives at its breakpoints; in between a somewhat larger error may hide.

    Example: 100 Nm becomes 25 mg by the one table, and 25 mg becomes 104 Nm by the other: the round trip is
    4 Nm off, which a tolerance of 2.5 Nm does not allow and one of 4 Nm barely does.

    Fix: work one of the two out anew from the other.
    """
    for relation, standing, inherited in _broken(case, "inverse", relations.inverse):
        other = case.definition.tables[relation.other]
        given, back = (case.quantity(other, value) for value in (standing.other, standing.value))
        accepted = case.limit(other, relation.amount)
        yield _finding(
            case,
            "relation/not-inverse",
            relation,
            standing,
            inherited,
            f"{given} comes back from {relation.other} as {back}; {accepted} off is accepted",
            f"Work {relation.table} or {relation.other} out anew from the other.",
        )


@rule("relation/gap-closed", Severity.ERROR, Scope.IMAGE)
def gap_closed(case: Case) -> Iterator[Finding]:
    """Two thresholds are closer together than they must be, or have changed sides.

    Why it matters: between switching on and switching off lies the hysteresis. Without it a fan chatters, a
    limiter hunts, and a fault is set and cleared many times a second.

    Example: fan on at 92 °C, off at 90 °C, and at least 3 K must lie between; 89 °C barely passes.

    Fix: move one of the two back.
    """

    def judge(upper: Surface, lower: Surface, smallest: float) -> Standing | None:
        found = relations.at_most(lower, upper, smallest)
        return None if found is None else Standing(found.other, found.value, found.at, found.excess)

    for relation, standing, inherited in _broken(case, "gap", judge):
        upper, lower = _values(case, relation, standing)
        smallest = case.limit(case.definition.tables[relation.table], relation.amount)
        yield _finding(
            case,
            "relation/gap-closed",
            relation,
            standing,
            inherited,
            f"{upper} is less than {smallest} above {relation.other}, {lower}",
            f"Move it or {relation.other} back.",
        )
