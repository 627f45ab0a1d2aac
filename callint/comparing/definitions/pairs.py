"""Two versions of a table, and their numbers in one unit."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import TypeVar

from callint import fmt
from callint.decoding.conversions import exact_terms, physical_limits
from callint.model.definition import Conversion, Definition, Linear, Table, decimal
from callint.model.definition_change import ChangeKind

DemandType = TypeVar("DemandType")


@dataclass(frozen=True)
class TablePair:
    """A table in the old and in the new definition."""

    old_definition: Definition
    new_definition: Definition
    old: Table
    new: Table

    @cached_property
    def conversions(self) -> tuple[Conversion, Conversion]:
        """The old and the new conversion."""
        return self.old_definition.conversion_of(self.old), self.new_definition.conversion_of(self.new)

    @cached_property
    def units(self) -> tuple[str, str]:
        """The old and the new unit."""
        return self.old_definition.unit_of(self.old), self.new_definition.unit_of(self.new)

    @cached_property
    def _terms(self) -> tuple[Fraction, Fraction] | None:
        """Factor and offset from old values to new ones; None if the two units cannot be compared.

        If the unit changed, two values are the same if one raw number means both.
        """
        if fmt.same_unit(*self.units):
            return Fraction(1), Fraction(0)
        old, new = self.conversions
        is_linear = isinstance(old, Linear) and isinstance(new, Linear)
        has_same_raw = self.old.storage.type is self.new.storage.type and self.old.storage.mask == (
            self.new.storage.mask
        )
        if not (is_linear and has_same_raw and isinstance(old, Linear) and isinstance(new, Linear)):
            return None
        old_factor, old_offset = exact_terms(old.factor, old.offset)
        new_factor, new_offset = exact_terms(new.factor, new.offset)
        if old_factor * new_factor <= 0:
            return None
        return new_factor / old_factor, new_offset - new_factor * old_offset / old_factor

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

    @cached_property
    def storable(self) -> tuple[Fraction | None, Fraction | None]:
        """The lowest and the highest new value that the storage holds; None if unknown."""
        conversion, storage = self.conversions[1], self.new.storage
        if isinstance(conversion, Linear) and storage.type.is_integer:
            factor, offset = exact_terms(conversion.factor, conversion.offset)
            low, high = sorted(int(raw) * factor + offset for raw in storage.raw_limits)
            return low, high
        if storage.type.is_integer:
            limits = physical_limits(conversion, storage)
            return decimal(limits[0]), decimal(limits[1])
        return None, None


def is_beyond(bound: Fraction | None, storable: Fraction | None, is_high: bool) -> bool:
    """Whether no number that can be stored breaks a bound."""
    if bound is None:
        return True
    return storable is not None and (bound >= storable if is_high else bound <= storable)


def bound_change(
    old: Fraction | None, new: Fraction | None, is_high: bool, storable: Fraction | None = None
) -> ChangeKind | None:
    """What a change of an upper or a lower bound does; None if both are equal.

    ``storable`` is the furthest number that can be stored on the side of the bound: a bound beyond it asks
    for nothing.
    """
    if old == new:
        return None
    bounds = [bound for bound in (old, new) if not is_beyond(bound, storable, is_high)]
    if not bounds:
        return ChangeKind.WORDING
    if old is None or new is None or len(bounds) == 1:
        return ChangeKind.ASKS_LESS if is_beyond(new, storable, is_high) else ChangeKind.ASKS_MORE
    return ChangeKind.ASKS_LESS if (new > old) == is_high else ChangeKind.ASKS_MORE


def demand_changes(
    old: Sequence[DemandType],
    new: Sequence[DemandType],
    covers: Callable[[DemandType, DemandType], bool],
    same_sort: Callable[[DemandType, DemandType], bool],
) -> Iterator[tuple[ChangeKind, DemandType | None, DemandType | None]]:
    """What became of each demand of two lists, with its old and its new form.

    ``covers(a, b)`` says that whoever keeps a keeps b. A demand that both lists have is left out. The rest is
    paired if it is of the same sort: then it was changed.
    """
    # Demands that cover each other are equal in meaning, whatever their lines.
    gone = [demand for demand in old if not any(_equal(other, demand, covers) for other in new)]
    added = [demand for demand in new if not any(_equal(other, demand, covers) for other in old)]
    for demand in gone:
        successor = next((other for other in added if same_sort(demand, other)), None)
        if successor is not None:
            added.remove(successor)
        if not any(covers(other, demand) for other in new):
            yield ChangeKind.ASKS_LESS, demand, successor
        elif successor is not None and not any(covers(other, successor) for other in old):
            yield ChangeKind.ASKS_MORE, demand, successor
        else:
            yield ChangeKind.WORDING, demand, successor
    for demand in added:
        is_implied = any(covers(other, demand) for other in old)
        yield ChangeKind.WORDING if is_implied else ChangeKind.ASKS_MORE, None, demand


def _equal(first: DemandType, second: DemandType, covers: Callable[[DemandType, DemandType], bool]) -> bool:
    return covers(first, second) and covers(second, first)
