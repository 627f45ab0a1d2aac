"""Sets cells of one table to a value, or changes their values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.comparing.cell_writer import CellWriter, RefusedValueError, WrittenImage
from callint.decoding.decode import Decoded
from callint.decoding.stored_values import WantedValues
from callint.model.change import Flags
from callint.model.errors import InputError


@dataclass(frozen=True, slots=True)
class CellSetting:
    """What becomes of cells: a ``value``, the ``name`` of a state or off code, or a change of their values.

    A change multiplies by ``factor`` and adds ``offset``, which is in the unit of the table, as ``value`` is.
    """

    value: float | None = None
    name: str | None = None
    factor: float = 1.0
    offset: float = 0.0

    @property
    def is_change(self) -> bool:
        """Whether the new values follow from the old ones."""
        return self.value is None and self.name is None


@dataclass(frozen=True, slots=True)
class SetValues:
    """The image with the values; ``off_cells`` are switched off and stay so: they have no value to change."""

    written: WrittenImage
    off_cells: int


def set_values(decoded: Decoded, item: int, cells: Flags, setting: CellSetting) -> SetValues:
    """Set the flagged cells of an item, shape (rows, columns), and those that must equal them.

    InputError if the image lacks one of the cells, or if a value does not fit its storage.
    """
    is_off = decoded.of_item(decoded.off, item)
    off_cells = int(np.count_nonzero(cells & is_off)) if setting.is_change else 0
    index = np.full(cells.shape, -1, np.int64)
    numbers = np.full(cells.shape, np.nan)
    if setting.name is not None:
        index[cells] = 0
    elif setting.value is not None:
        numbers[cells] = setting.value
    else:
        cells = cells & ~is_off
        with np.errstate(all="ignore"):
            values = decoded.of_item(decoded.physical, item) * setting.factor + setting.offset
        if np.isnan(values[cells]).any():
            name = decoded.layout.items[item].name
            raise InputError(f"{name}: a cell holds no number that can be changed; give one with --to")
        numbers[cells] = values[cells]
    writer = CellWriter(decoded)
    try:
        writer.store(item, WantedValues(numbers, index, (setting.name or "",)))
    except RefusedValueError as error:
        raise InputError(str(error)) from None
    return SetValues(writer.image(), off_cells)
