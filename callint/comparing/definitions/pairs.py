"""Two versions of a table, and their numbers in one unit."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache
from typing import TypeVar

from callint import fmt
from callint.decoding.conversions import exact_terms, physical_limits
from callint.model.definition import Conversion, Definition, Linear, Storage, Table, decimal
from callint.model.definition_change import ChangeKind

DemandType = TypeVar("DemandType")


@dataclass(frozen=True)
class ConversionPair:
    """The old and the new conversion of a table; most tables share theirs with others."""

    conversions: tuple[Conversion, Conversion]
    units: tuple[str, str]
    has_same_unit: bool

    @staticmethod
    def of(old: Conversion, new: Conversion) -> ConversionPair:
        return ConversionPair((old, new), (old.unit, new.unit), old.unit == new.unit)

    @cached_property
    def has_alike_unit(self) -> bool:
        """Whether both units are the same, however they are spelled."""
        return fmt.same_unit(*self.units)

    @cached_property
    def raw_terms(self) -> tuple[Fraction, Fraction] | None:
        """Factor and offset from old values to new ones of the same raw number; None if there are none."""
        old, new = self.conversions
        if not (isinstance(old, Linear) and isinstance(new, Linear)):
            return None
        old_factor, old_offset = exact_terms(old.factor, old.offset)
        new_factor, new_offset = exact_terms(new.factor, new.offset)
        if old_factor * new_factor <= 0:
            return None
        return new_factor / old_factor, new_offset - new_factor * old_offset / old_factor


@dataclass(slots=True)
class TablePair:
    """A table in the old and in the new definition."""

    old_definition: Definition
    new_definition: Definition
    old: Table
    new: Table
    by_conversion: ConversionPair

    @property
    def conversions(self) -> tuple[Conversion, Conversion]:
        """The old and the new conversion."""
        return self.by_conversion.conversions

    @property
    def units(self) -> tuple[str, str]:
        """The old and the new unit."""
        return self.by_conversion.units

    @property
    def has_same_unit(self) -> bool:
        return self.by_conversion.has_same_unit

    @property
    def _terms(self) -> tuple[Fraction, Fraction] | None:
        """Factor and offset from old values to new ones; None if the two units cannot be compared.

        If the unit changed, two values are the same if one raw number means both.
        """
        if self.by_conversion.has_alike_unit:
            return Fraction(1), Fraction(0)
        old, new = self.old.storage, self.new.storage
        return self.by_conversion.raw_terms if old.type is new.type and old.mask == new.mask else None

    @property
    def has_same_axis_units(self) -> bool:
        """Whether the breakpoints of both tables are in the same units."""
        before, after = (
            [definition.unit_of(definition.axes[axis]) for axis in table.axes if axis in definition.axes]
            for definition, table in ((self.old_definition, self.old), (self.new_definition, self.new))
        )
        return before == after

    def in_new_unit(self, value: Fraction | None) -> Fraction | None:
        """An old value in the new unit; None if there is none, or if the units cannot be compared."""
        if value is None or self._terms is None:
            return None
        factor, offset = self._terms
        return factor * value + offset

    def distance_in_new_unit(self, value: float) -> Fraction | None:
        """An old difference of two values in the new unit; None if the units cannot be compared."""
        exact = decimal(value)
        return None if self._terms is None or exact is None else self._terms[0] * exact

    @property
    def has_comparable_units(self) -> bool:
        return self._terms is not None

    @property
    def storable(self) -> tuple[Fraction | None, Fraction | None]:
        """The lowest and the highest new value that the storage holds; None if unknown."""
        conversion, storage = self.conversions[1], self.new.storage
        if not storage.type.is_integer:
            return None, None
        if isinstance(conversion, Linear):
            return _linear_storable(conversion, storage)
        low, high = physical_limits(conversion, storage)
        return decimal(low), decimal(high)


class TablePairs:
    """Makes pairs of the tables of two definitions."""

    def __init__(self, old: Definition, new: Definition):
        self._old, self._new = old, new
        self._by_conversion: dict[tuple[str | None, str | None], ConversionPair] = {}

    def pair(self, old: Table, new: Table) -> TablePair:
        names = old.conversion, new.conversion
        by_conversion = self._by_conversion.get(names)
        if by_conversion is None:
            conversions = self._old.conversion_of(old), self._new.conversion_of(new)
            by_conversion = self._by_conversion[names] = ConversionPair.of(*conversions)
        return TablePair(self._old, self._new, old, new, by_conversion)


@lru_cache(maxsize=4096)
def _linear_storable(conversion: Linear, storage: Storage) -> tuple[Fraction, Fraction]:
    factor, offset = exact_terms(conversion.factor, conversion.offset)
    low, high = sorted(int(raw) * factor + offset for raw in storage.raw_limits)
    return low, high


#: A bound: the decimal number, or the double that is nearest to it. Doubles are faster, and sorted alike.
Bound = Fraction | float | None


def _is_beyond(bound: Bound, storable: Fraction | None, is_high: bool) -> bool:
    """Whether no number that can be stored breaks a bound."""
    if bound is None:
        return True
    if storable is None:
        return False
    limit: Fraction | float = storable
    if isinstance(bound, float):
        limit = float(storable)
        if bound == limit:
            exact = decimal(bound)
            return exact is not None and (exact >= storable if is_high else exact <= storable)
    return bound >= limit if is_high else bound <= limit


def bound_change(
    old: Bound, new: Bound, is_high: bool, storable: Fraction | None = None
) -> ChangeKind | None:
    """What a change of an upper or a lower bound does; None if both are equal.

    ``storable`` is the furthest number that can be stored on the side of the bound: a bound beyond it asks
    for nothing.
    """
    if old == new:
        return None
    is_lost = _is_beyond(new, storable, is_high)
    if _is_beyond(old, storable, is_high):
        return ChangeKind.DOCUMENTATION if is_lost else ChangeKind.TIGHTENED
    if is_lost:
        return ChangeKind.LOOSENED
    assert old is not None and new is not None
    return ChangeKind.LOOSENED if (new > old) == is_high else ChangeKind.TIGHTENED


def demand_changes(
    old: Sequence[DemandType],
    new: Sequence[DemandType],
    covers: Callable[[DemandType, DemandType], bool],
    same_sort: Callable[[DemandType, DemandType], bool],
) -> Iterator[tuple[ChangeKind, DemandType | None, DemandType | None]]:
    """What became of each demand of two lists, with its old and its new form.

    ``covers(a, b)`` says that every table that meets a meets b. A demand that both lists have is left out.
    Others are paired if they are of the same sort: then one was changed into the other.
    """
    # Demands that cover each other are equal in meaning, whatever their lines.
    gone = [demand for demand in old if not any(_equal(other, demand, covers) for other in new)]
    added = [demand for demand in new if not any(_equal(other, demand, covers) for other in old)]
    for demand in gone:
        successor = next((other for other in added if same_sort(demand, other)), None)
        if successor is not None:
            added.remove(successor)
        if not any(covers(other, demand) for other in new):
            yield ChangeKind.LOOSENED, demand, successor
        elif successor is not None and not any(covers(other, successor) for other in old):
            yield ChangeKind.TIGHTENED, demand, successor
        else:
            yield ChangeKind.DOCUMENTATION, demand, successor
    for demand in added:
        is_implied = any(covers(other, demand) for other in old)
        yield ChangeKind.DOCUMENTATION if is_implied else ChangeKind.TIGHTENED, None, demand


def _equal(first: DemandType, second: DemandType, covers: Callable[[DemandType, DemandType], bool]) -> bool:
    return covers(first, second) and covers(second, first)
