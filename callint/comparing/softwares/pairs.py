"""Pairs a table with the same table of the other software version, and their axes by signal."""

from __future__ import annotations

from dataclasses import dataclass

from callint.comparing.carry.pairs import is_same_conversion, is_same_storage
from callint.comparing.softwares.causes import Obstacle, Quantity, UncomparedCause, UnknownUnits, UnlikeAxes
from callint.decoding.unit_conversions import UnitConversion, unit_conversion
from callint.model.definition import Definition, States, Table


@dataclass(frozen=True, slots=True)
class AxisPair:
    """An axis of the comparison: the index of the axis in each table, 0 for x; None if the table lacks it.

    Breakpoints are compared in ``unit``; ``conversion`` converts those of the old table to it.
    """

    signal: str
    unit: str
    old: int | None
    new: int | None
    conversion: UnitConversion


@dataclass(frozen=True, slots=True)
class SoftwareTables:
    """A table of the old software and the same table of the new one.

    ``axes`` are the axes of the comparison, x before y. Values are compared in the unit of the new table;
    ``conversion`` converts values of the old table to it.
    """

    old: Table
    new: Table
    axes: tuple[AxisPair, ...]
    conversion: UnitConversion
    units: tuple[str, str]
    shapes: tuple[tuple[int, ...], tuple[int, ...]]
    has_same_raw_meaning: bool

    @property
    def is_renamed(self) -> bool:
        return self.old.name != self.new.name


def table_pair(
    old_definition: Definition, old: Table, new_definition: Definition, new: Table
) -> SoftwareTables | UncomparedCause:
    """The pair of both tables, or the cause if they do not hold the same quantity over the same signals."""
    if not (old_definition.is_resolved(old) and new_definition.is_resolved(new)):
        return Obstacle.NOT_DESCRIBED
    conversions = old_definition.conversion_of(old), new_definition.conversion_of(new)
    if isinstance(conversions[0], States) != isinstance(conversions[1], States):
        return Obstacle.STATES_AND_NUMBERS
    units = old_definition.unit_of(old), new_definition.unit_of(new)
    conversion = unit_conversion(*units)
    if conversion is None:
        return UnknownUnits(*units)
    old_axes, new_axes = _quantities(old_definition, old), _quantities(new_definition, new)
    axes = _axis_pairs(old_axes, new_axes)
    if axes is None:
        return UnlikeAxes(old_axes, new_axes)
    counts = [
        tuple(definition.axes[name].count for name in table.axes)
        for definition, table in ((old_definition, old), (new_definition, new))
    ]
    is_same_meaning = is_same_storage(old.storage, new.storage) and is_same_conversion(*conversions)
    return SoftwareTables(old, new, axes, conversion, units, (counts[0], counts[1]), is_same_meaning)


def _quantities(definition: Definition, table: Table) -> tuple[Quantity, ...]:
    axes = [definition.axes[name] for name in table.axes]
    return tuple((axis.signal, definition.unit_of(axis)) for axis in axes)


def _axis_pairs(old: tuple[Quantity, ...], new: tuple[Quantity, ...]) -> tuple[AxisPair, ...] | None:
    """The axes of the comparison in the order of the table that has more; None if they do not match.

    A table that lacks an axis of the other is constant along it.
    """
    if len(old) > len(new):
        swapped = _axis_pairs(new, old)
        if swapped is None:
            return None
        # The unit is that of the old axis if the new table has no such axis.
        return tuple(
            AxisPair(pair.signal, pair.unit, pair.new, None, UnitConversion())
            if pair.old is None or pair.new is None
            else _axis_pair(pair.new, old, pair.old, new)
            for pair in swapped
        )
    for order in _orders(len(old), len(new)):
        conversions = [_conversion(old[index], new[place]) for index, place in enumerate(order)]
        if all(conversion is not None for conversion in conversions):
            by_place = {place: index for index, place in enumerate(order)}
            return tuple(
                _axis_pair(by_place[place], old, place, new)
                if place in by_place
                else AxisPair(*new[place], None, place, UnitConversion())
                for place in range(len(new))
            )
    return None


def _orders(old: int, new: int) -> list[tuple[int, ...]]:
    """The ways to assign the axes of the old table to those of the new table, which has at least as many."""
    if old == 2:
        return [(0, 1), (1, 0)]
    return [(place,) for place in range(new)] if old else [()]


def _axis_pair(
    old_index: int, old: tuple[Quantity, ...], new_index: int, new: tuple[Quantity, ...]
) -> AxisPair:
    conversion = _conversion(old[old_index], new[new_index])
    assert conversion is not None  # only matching axes are paired
    return AxisPair(*new[new_index], old_index, new_index, conversion)


def _conversion(old: Quantity, new: Quantity) -> UnitConversion | None:
    return unit_conversion(old[1], new[1]) if old[0] == new[0] else None
