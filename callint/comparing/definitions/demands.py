"""What the newer of two definitions asks of a table, compared with the older one.

Demands are compared by their effect: a limit beyond what the storage holds asks for nothing, a state is the
raw number that it names, and if a unit changed, the raw numbers decide.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from math import isfinite

from callint import fmt
from callint.comparing.definitions.pairs import Bound, TablePair, bound_change, demand_changes
from callint.model.cell_demands import Gradient, Monotonic, OffAllowed, OffCode
from callint.model.definition import (
    Definition,
    Guard,
    Purpose,
    Range,
    States,
    Table,
    Text,
    decimal,
)
from callint.model.definition_change import (
    ChangeKind,
    DefinitionChange,
    ElementKind,
    Value,
    most_important,
)

_GUARDED = (Purpose.PROTECTION, Purpose.EMISSIONS)
_OFF_RANKS = {OffAllowed.ANYWHERE: 0, OffAllowed.OUTSIDE_OPERATING: 1, OffAllowed.NOWHERE: 2}


def item_change(
    kind: ChangeKind,
    old: Table | Text,
    new: Table | Text,
    attribute: str,
    values: tuple[Value, Value],
    units: tuple[str, str] = ("", ""),
    lines: tuple[int | None, int | None] = (None, None),
) -> DefinitionChange:
    """A change of an attribute of a table or text; ``lines`` are those of the attribute, if it has some."""
    return DefinitionChange(
        kind=kind,
        element=ElementKind.TEXT if isinstance(new, Text) else ElementKind.TABLE,
        name=new.name,
        attribute=attribute,
        old=values[0],
        new=values[1],
        old_unit=units[0] if values[0] is not None else "",
        new_unit=units[1] if values[1] is not None else "",
        old_line=lines[0] or old.line,
        new_line=lines[1] or new.line,
        tables=(new.name,),
        purpose=most_important((old.purpose, new.purpose)),
    )


def purpose_change(old: Table | Text, new: Table | Text) -> Iterator[DefinitionChange]:
    """The change of what a table or text is for, and of whether it holds the number of a unit."""
    if old.purpose is not new.purpose:
        if old.purpose in _GUARDED:
            kind = ChangeKind.LOOSENED
        else:
            kind = ChangeKind.TIGHTENED if new.purpose in _GUARDED else ChangeKind.DOCUMENTATION
        yield item_change(kind, old, new, "purpose", (old.purpose.value, new.purpose.value))
    if old.unit_own != new.unit_own:
        kind = ChangeKind.LOOSENED if old.unit_own else ChangeKind.TIGHTENED
        yield item_change(kind, old, new, "unit-own", (old.unit_own, new.unit_own))


def table_demands(pair: TablePair) -> Iterator[DefinitionChange]:
    """The changes of what is demanded of a table's cells."""
    old, new = pair.old.demands, pair.new.demands
    if old is new:  # neither has any
        return
    yield from _range_changes(pair, "limits", old.limits, new.limits)
    yield from _range_changes(pair, "expected", old.expected, new.expected)
    yield from _off_changes(pair, old.off, new.off)
    if old.monotonic or new.monotonic:
        yield from _monotonic_changes(pair)
    if old.gradients or new.gradients:
        yield from _gradient_changes(pair)
    yield from _change_changes(pair, old.change, new.change)
    if old.guards or new.guards:
        yield from _guard_changes(pair)


def _range_changes(
    pair: TablePair, name: str, old: Range | None, new: Range | None
) -> Iterator[DefinitionChange]:
    if old == new and pair.has_same_unit:
        return
    given = _ends(old), _ends(new)
    for side, end in enumerate(("min", "max")):
        values = given[0][side], given[1][side]
        if values[0] == values[1] and pair.has_same_unit:
            continue
        kind = _bound_kind(pair, values[0], values[1], bool(side))
        if kind is not None:
            yield item_change(kind, pair.old, pair.new, f"{name} {end}", values, pair.units)


def _bound_kind(pair: TablePair, old: Bound, new: Bound, is_high: bool) -> ChangeKind | None:
    """What a change of an end of a range does."""
    storable = pair.storable[is_high]
    if pair.has_same_unit and not (isinstance(old, Fraction) or isinstance(new, Fraction)):
        return bound_change(old, new, is_high, storable)
    before, after = _exact(old), _exact(new)
    if before is not None and not pair.has_comparable_units:
        # Nobody can tell that another number asks as much as before.
        return None if before == after else ChangeKind.LOOSENED
    return bound_change(pair.in_new_unit(before), after, is_high, storable)


def _exact(value: Bound) -> Fraction | None:
    return decimal(value) if isinstance(value, float) else value


def _ends(given: Range | None) -> tuple[Bound, Bound]:
    """Both ends of a range, None for an open end; a fraction if no double equals the number."""
    if given is None:
        return None, None
    low: Bound = given.low if isfinite(given.low) else None
    high: Bound = given.high if isfinite(given.high) else None
    if given.low_text or given.high_text:
        exact = given.exact
        low = exact[0] if given.low_text else low
        high = exact[1] if given.high_text else high
    return low, high


def _off_changes(pair: TablePair, old: OffCode | None, new: OffCode | None) -> Iterator[DefinitionChange]:
    lines = (old.line if old else None, new.line if new else None)
    if old is None or new is None:
        if new is not None:
            allows = new.allowed is not OffAllowed.NOWHERE
            kind = ChangeKind.LOOSENED if allows else ChangeKind.TIGHTENED
            yield item_change(kind, pair.old, pair.new, "off", (None, new.raw), lines=lines)
        elif old is not None:
            # Nobody recognises a cell any more that is switched off.
            yield item_change(ChangeKind.LOOSENED, pair.old, pair.new, "off", (old.raw, None), lines=lines)
        return
    if old.raw != new.raw:
        yield item_change(ChangeKind.LOOSENED, pair.old, pair.new, "off", (old.raw, new.raw), lines=lines)
    if old.allowed is not new.allowed:
        is_less = _OFF_RANKS[new.allowed] < _OFF_RANKS[old.allowed]
        kind = ChangeKind.LOOSENED if is_less else ChangeKind.TIGHTENED
        values = old.allowed.value, new.allowed.value
        yield item_change(kind, pair.old, pair.new, "off allowed", values, lines=lines)


def _monotonic_changes(pair: TablePair) -> Iterator[DefinitionChange]:
    def covers(first: Monotonic, second: Monotonic) -> bool:
        is_same = first.along == second.along and first.rising == second.rising
        return is_same and (first.strict or not second.strict)

    def same_sort(first: Monotonic, second: Monotonic) -> bool:
        return first.along == second.along

    old, new = pair.old.demands.monotonic, pair.new.demands.monotonic
    if [(m.along, m.rising, m.strict) for m in old] == [(m.along, m.rising, m.strict) for m in new]:
        return
    for kind, before, after in demand_changes(old, new, covers, same_sort):
        demand = before or after
        assert demand is not None
        yield item_change(
            kind,
            pair.old,
            pair.new,
            f"monotonic {demand.along}",
            (_direction(before) if before else None, _direction(after) if after else None),
            lines=(before.line if before else None, after.line if after else None),
        )


def _direction(demand: Monotonic) -> str:
    direction = "rising" if demand.rising else "falling"
    return f"strictly {direction}" if demand.strict else direction


@dataclass(frozen=True, slots=True)
class _Slope:
    """A gradient, and its limit in the new unit; None if the units cannot be compared."""

    demand: Gradient
    most: Fraction | None

    def covers(self, other: _Slope) -> bool:
        if self.demand.along != other.demand.along:
            return False
        if self.most is None or other.most is None:
            return self.demand.max == other.demand.max
        return self.most <= other.most

    def is_along(self, other: _Slope) -> bool:
        return self.demand.along == other.demand.along


def _gradient_changes(pair: TablePair) -> Iterator[DefinitionChange]:
    old_demands, new_demands = pair.old.demands.gradients, pair.new.demands.gradients
    is_same = [(g.along, g.max) for g in old_demands] == [(g.along, g.max) for g in new_demands]
    if is_same and pair.has_same_unit and pair.has_same_axis_units:
        return
    old = [_Slope(demand, _old_slope(pair, demand)) for demand in old_demands]
    new = [_Slope(demand, decimal(demand.max)) for demand in new_demands]
    for kind, before, after in demand_changes(old, new, _Slope.covers, _Slope.is_along):
        gradient = before or after
        assert gradient is not None
        along = gradient.demand.along
        yield item_change(
            kind,
            pair.old,
            pair.new,
            f"gradient {along}",
            (before.demand.max if before else None, after.demand.max if after else None),
            (
                _slope_unit(pair.old_definition, pair.old, pair.units[0], along),
                _slope_unit(pair.new_definition, pair.new, pair.units[1], along),
            ),
            (before.demand.line if before else None, after.demand.line if after else None),
        )


def _old_slope(pair: TablePair, demand: Gradient) -> Fraction | None:
    """An old gradient in the new unit; None if one of its units cannot be compared."""
    units = (
        _axis_unit(definition, table, demand.along)
        for definition, table in ((pair.old_definition, pair.old), (pair.new_definition, pair.new))
    )
    return pair.distance_in_new_unit(demand.max) if fmt.same_unit(*units) else None


def _axis_unit(definition: Definition, table: Table, along: str) -> str:
    axis = definition.axes.get((table.x if along == "x" else table.y) or "")
    return definition.unit_of(axis) if axis else ""


def _slope_unit(definition: Definition, table: Table, unit: str, along: str) -> str:
    """The unit of a slope: "mg per rpm"."""
    axis_unit = _axis_unit(definition, table, along)
    return f"{fmt.distance_unit(unit)} per {axis_unit}" if axis_unit else unit


def _change_changes(pair: TablePair, old: float | None, new: float | None) -> Iterator[DefinitionChange]:
    if old == new and pair.has_same_unit:
        return
    before = None if old is None else pair.distance_in_new_unit(old)
    after = None if new is None else decimal(new)
    if old is not None and before is None:
        kind = None if old == new else ChangeKind.LOOSENED
    else:
        kind = bound_change(before, after, True)
    if kind is not None:
        units = fmt.distance_unit(pair.units[0]), fmt.distance_unit(pair.units[1])
        yield item_change(kind, pair.old, pair.new, "change max", (old, new), units)


@dataclass(frozen=True, slots=True)
class _GuardCondition:
    """A guard by what it matches; ``sort`` is above, below, raw or flat, ``bound`` the number."""

    guard: Guard
    sort: str
    bound: Fraction | str | None

    def covers(self, other: _GuardCondition) -> bool:
        """Whether this guard matches every table that the other one matches."""
        if self.sort != other.sort or Fraction(self.guard.share) > Fraction(other.guard.share):
            return self.sort == other.sort == "flat"
        if isinstance(self.bound, Fraction) and isinstance(other.bound, Fraction):
            if self.sort == "above":
                return self.bound <= other.bound
            if self.sort == "below":
                return self.bound >= other.bound
        return self.bound == other.bound

    def is_like(self, other: _GuardCondition) -> bool:
        return self.sort == other.sort


def _guard_changes(pair: TablePair) -> Iterator[DefinitionChange]:
    if pair.has_same_unit and pair.conversions[0] == pair.conversions[1] and _same_guards(pair):
        return
    old = [_condition(pair, guard, is_old=True) for guard in pair.old.demands.guards]
    new = [_condition(pair, guard, is_old=False) for guard in pair.new.demands.guards]
    # A guard asks for something in a protection only.
    is_judged = {
        ChangeKind.LOOSENED: pair.old.purpose is Purpose.PROTECTION,
        ChangeKind.TIGHTENED: pair.new.purpose is Purpose.PROTECTION,
        ChangeKind.DOCUMENTATION: True,
    }
    for kind, before, after in demand_changes(old, new, _GuardCondition.covers, _GuardCondition.is_like):
        yield item_change(
            kind if is_judged[kind] else ChangeKind.DOCUMENTATION,
            pair.old,
            pair.new,
            "guard",
            (before.guard if before else None, after.guard if after else None),
            pair.units,
            (before.guard.line if before else None, after.guard.line if after else None),
        )


def _same_guards(pair: TablePair) -> bool:
    """Whether both lists of guards are the same but for their lines."""
    old, new = pair.old.demands.guards, pair.new.demands.guards
    return len(old) == len(new) and all(
        replace(before, line=after.line) == after for before, after in zip(old, new, strict=True)
    )


def _condition(pair: TablePair, guard: Guard, is_old: bool) -> _GuardCondition:
    """A guard with its number in the new unit, or its raw number."""
    conversion = pair.conversions[0 if is_old else 1]
    if guard.flat:
        return _GuardCondition(guard, "flat", None)
    if guard.raw is not None or guard.state is not None:
        raw = guard.raw
        if guard.state is not None and isinstance(conversion, States):
            raw = conversion.raw_of(guard.state)
        return _GuardCondition(guard, "raw", guard.state if raw is None else Fraction(raw))
    sort = "above" if guard.above is not None else "below"
    given = guard.above if guard.above is not None else guard.below
    bound = None if given is None else decimal(given, guard.text)
    translated = pair.in_new_unit(bound) if is_old else bound
    if bound is not None and translated is None:
        return _GuardCondition(guard, sort, f"{given} {pair.units[0]}")  # comparable with no other
    return _GuardCondition(guard, sort, translated)
