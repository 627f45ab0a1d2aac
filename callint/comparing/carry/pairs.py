"""A changed table and the table of the same name in the new software."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from numpy.typing import NDArray

from callint.comparing.carry.causes import AxesDiffer, CarryCause, KindDiffers, ProblemCause, UnitDiffers
from callint.comparing.carry.cell_map import CellMap
from callint.model.change import Flags, Grid, TableChange
from callint.model.definition import Conversion, Definition, States, Storage, Table


@dataclass(frozen=True, slots=True)
class CarryPair:
    """A changed table and its partner.

    ``grid`` is the partner in the new base, on the breakpoints that it will have. ``is_transposed`` if x of
    the old table is y of the new one. ``conversions`` are the old and the new one.
    """

    change: TableChange
    partner: Table
    grid: Grid
    is_transposed: bool
    cell_map: CellMap
    conversions: tuple[Conversion, Conversion]

    @property
    def name(self) -> str:
        return self.partner.name

    def aligned(self, values: NDArray[Any]) -> NDArray[Any]:
        """Values of the old table with the axes in the order of the new table."""
        return values.T if self.is_transposed else values

    @property
    def changed(self) -> Flags:
        """The changed cells, aligned with the new table."""
        return self.aligned(self.change.changed)

    @property
    def has_same_raw_meaning(self) -> bool:
        """Whether one raw value means the same in both versions."""
        return is_same_storage(self.change.table.storage, self.partner.storage) and is_same_conversion(
            *self.conversions
        )


def is_same_storage(old: Storage, new: Storage) -> bool:
    """Whether both storages have the same raw values."""
    return old.type is new.type and old.raw_limits == new.raw_limits


def is_same_conversion(old: Conversion, new: Conversion) -> bool:
    """Whether both conversions give the same value for every raw number, whatever their names."""
    return replace(old, name=new.name, line=new.line) == new


def mismatch(
    old_definition: Definition, table: Table, new_definition: Definition, partner: Table
) -> ProblemCause | None:
    """Why the table of the same name does not hold the same quantity; None if it does."""
    if table.kind is not partner.kind:
        return KindDiffers(table.kind, partner.kind)
    conversions = old_definition.conversion_of(table), new_definition.conversion_of(partner)
    if isinstance(conversions[0], States) != isinstance(conversions[1], States):
        return CarryCause.STATES_AND_NUMBERS
    old_unit, new_unit = old_definition.unit_of(table), new_definition.unit_of(partner)
    if old_unit != new_unit:
        return UnitDiffers(old_unit, new_unit)
    old_axes, new_axes = axis_quantities(old_definition, table), axis_quantities(new_definition, partner)
    if new_axes not in (old_axes, old_axes[::-1]):
        return AxesDiffer(old_axes, new_axes)
    return None


def axis_quantities(definition: Definition, table: Table) -> tuple[tuple[str, str], ...]:
    """Signal and unit of each axis of a table, x before y."""
    axes = [definition.axes[name] for name in table.axes]
    return tuple((axis.signal, definition.unit_of(axis)) for axis in axes)
