"""Sets cells of one table to a value, or changes their values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.comparing.cell_writer import CellWriter, RoundedValue
from callint.decoding.decode import Decoded
from callint.model.change import Flags, Numbers
from callint.model.image import Image


@dataclass(frozen=True, slots=True)
class Setting:
    """What becomes of cells: a ``value``, a ``raw`` number, or their own values times and plus something.

    ``value`` and ``offset`` are in the unit of the table.
    """

    value: float | None = None
    raw: int | None = None
    factor: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class SetValues:
    """The image with the values, and what else to say about them.

    ``rounded`` are the values that are stored as others, ``mirrors`` the tables that were changed with it.
    ``off_cells`` is the number of cells that are switched off and stay so: they have no value to change.
    """

    image: Image
    rounded: tuple[RoundedValue, ...]
    mirrors: tuple[str, ...]
    off_cells: int


def set_values(decoded: Decoded, item: int, cells: Flags, setting: Setting) -> SetValues:
    """Set the flagged cells of an item, shape (rows, columns), and those that must equal them.

    InputError if the image lacks one of the cells, if a value does not fit its storage, or if another cell
    shares the bytes.
    """
    writer = CellWriter(decoded)
    off_cells = 0
    present = decoded.of_item(decoded.physical, item)
    if setting.raw is not None:
        writer.write_raw(item, cells, setting.raw)
    elif setting.value is not None:
        writer.write_values(item, cells, np.full(present.shape, setting.value))
    else:
        is_off = decoded.of_item(decoded.off, item)
        off_cells = int(np.count_nonzero(cells & is_off))
        with np.errstate(all="ignore"):
            changed: Numbers = present * setting.factor + setting.offset
        writer.write_values(item, cells & ~is_off, changed)
    rounded = tuple(writer.rounded) if setting.value is not None else ()
    image, mirrors = writer.image()
    return SetValues(image, rounded, mirrors, off_cells)
