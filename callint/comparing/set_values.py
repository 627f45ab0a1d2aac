"""Sets cells of one table to a value, or changes their values."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from callint import fmt
from callint.comparing.cell_writer import CellWriter
from callint.decoding.conversions import to_physical
from callint.decoding.decode import Decoded
from callint.model.change import Flags, Numbers
from callint.model.image import Image

#: Values that differ by less, as a share, are one value to people.
_SLACK = 1e-9


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

    ``rounded`` has the wanted value and the stored one if people see that they differ. ``mirrors`` are the
    names of tables that were changed with it. ``off_cells`` is the number of cells that are switched off and
    stay so, as there is no value to calculate with.
    """

    image: Image
    rounded: tuple[tuple[float, float], ...]
    mirrors: tuple[str, ...]
    off_cells: int


def set_values(decoded: Decoded, item: int, cells: Flags, setting: Setting) -> SetValues:
    """Set the flagged cells of an item, shape (rows, columns), and those that must equal them.

    InputError if the image lacks one of the cells, if a value does not fit its storage, or if another cell
    shares the bytes.
    """
    writer = CellWriter(decoded)
    rounded: tuple[tuple[float, float], ...] = ()
    off_cells = 0
    present = decoded.of_item(decoded.physical, item)
    if setting.raw is not None:
        writer.write_raw(item, cells, setting.raw)
    elif setting.value is not None:
        writer.write_values(item, cells, np.full(present.shape, setting.value))
        rounded = _rounded(writer.target, item, cells, setting.value)
    else:
        is_off = decoded.of_item(decoded.off, item)
        off_cells = int(np.count_nonzero(cells & is_off))
        with np.errstate(all="ignore"):
            changed: Numbers = present * setting.factor + setting.offset
        writer.write_values(item, cells & ~is_off, changed)
    image, mirrors = writer.image()
    return SetValues(image, rounded, mirrors, off_cells)


def _rounded(target: Decoded, item: int, cells: Flags, wanted: float) -> tuple[tuple[float, float], ...]:
    """The wanted value and the stored one if they differ as people read them."""
    layout = target.layout
    conversion, storage = layout.definition.conversion_of(layout.items[item]), layout.items[item].storage
    stored = float(to_physical(conversion, target.raw_of(item)[cells])[0])
    shown = float(fmt.number(stored, conversion, storage))
    if math.isclose(wanted, stored, rel_tol=_SLACK) or math.isclose(wanted, shown, rel_tol=_SLACK):
        return ()
    return ((wanted, stored),)
