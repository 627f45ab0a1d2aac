"""Writes values in engineering units into cells of an image."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing.compare import changed_cells
from callint.comparing.mirrors import mirrored_cells
from callint.decoding.conversions import quantise, to_physical
from callint.decoding.decode import Decoded, decode
from callint.decoding.encode import encode
from callint.decoding.layout import Item, Layout
from callint.model.change import Flags, Numbers
from callint.model.definition import PLAIN, Conversion, States, Table
from callint.model.errors import InputError
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

    @property
    def is_arithmetic(self) -> bool:
        """Whether the new values follow from the old ones."""
        return self.value is None and self.raw is None


@dataclass(frozen=True, slots=True)
class SetValues:
    """The image with the values, and what else to say about them.

    ``rounded`` has the wanted value and the stored one if people see that they differ.
    ``mirrors`` are the names of tables that were changed with it. ``off_cells`` is the number of cells that
    are switched off and stay so, as there is no value to calculate with.
    """

    image: Image
    rounded: tuple[tuple[float, float], ...]
    mirrors: tuple[str, ...]
    off_cells: int


def set_values(decoded: Decoded, item: int, cells: Flags, setting: Setting) -> SetValues:
    """Set the flagged cells of an item, shape (rows, columns), and those that must equal them.

    InputError if the image lacks one of the cells, if a value does not fit its storage, or if another table
    that is not changed shares the bytes.
    """
    target = replace(decoded, raw=tuple(raw.copy() for raw in decoded.raw))
    layout, written = decoded.layout, np.zeros(decoded.layout.size, bool)
    is_off = decoded.of_item(decoded.off, item)
    off_cells = int(np.count_nonzero(cells & is_off)) if setting.is_arithmetic else 0
    if setting.is_arithmetic:
        cells = cells & ~is_off
    wanted = _wanted(decoded, item, setting)
    _write(target, item, cells, wanted, setting.raw, written)
    rounded = _rounded(target, item, cells, wanted) if setting.value is not None else ()
    mirrors = _mirrors(layout, item)
    for mirror in mirrors:
        raw = _raw_in(layout, item, mirror, setting.raw)
        _write(target, mirror, cells, wanted, raw, written)
    image = encode(decoded, target.raw, written, {})
    _require_alone(target, decode(layout, image), written)
    names = tuple(layout.items[mirror].name for mirror in mirrors)
    return SetValues(image, rounded, names, off_cells)


def _wanted(decoded: Decoded, item: int, setting: Setting) -> Numbers:
    """The wanted values of all cells of an item, shape (rows, columns)."""
    present = decoded.of_item(decoded.physical, item)
    if setting.value is not None:
        return np.full(present.shape, setting.value)
    with np.errstate(all="ignore"):
        wanted: Numbers = present * setting.factor + setting.offset
    return wanted


def _write(
    target: Decoded, item: int, cells: Flags, wanted: Numbers, raw: int | None, written: Flags
) -> None:
    """Write into the flagged cells of an item, and flag them in ``written``."""
    layout = target.layout
    name, storage = layout.items[item].name, layout.items[item].storage
    if not target.of_item(target.present, item)[cells].all():
        raise InputError(f"{name}: the image does not hold all of these cells; use a whole image")
    conversion = _conversion(target, item)
    if raw is None:
        quantised = quantise(conversion, storage, wanted)
        if not quantised.fits[cells].all():
            first = float(wanted[cells & ~quantised.fits][0])
            value = fmt.quantity(first, conversion)
            raise InputError(f"{name}: {value} does not fit the {storage.type.name} that it is stored in")
        _require_value(layout.items[item], conversion, wanted, cells, quantised.raw)
        target.raw_of(item)[cells] = quantised.raw[cells]
    else:
        low, high = storage.raw_limits
        if not low <= raw <= high:
            raise InputError(f"{name}: raw {raw} does not fit the {storage.type.name} that it is stored in")
        target.raw_of(item)[cells] = raw
    target.of_item(written, item)[cells] = True


def _require_value(
    item: Item, conversion: Conversion, wanted: Numbers, cells: Flags, raw: NDArray[Any]
) -> None:
    """InputError if a value would be stored as the off code of its table."""
    off = item.demands.off if isinstance(item, Table) else None
    if off is None:
        return
    is_off = cells & (raw == off.raw)
    if is_off.any():
        value = fmt.quantity(float(wanted[is_off][0]), conversion)
        raise InputError(
            f"{item.name}: {value} would be stored as the off code {off.raw}; write off to mean it"
        )


def _conversion(decoded: Decoded, item: int) -> Conversion:
    conversion = decoded.layout.definition.conversion_of(decoded.layout.items[item])
    return PLAIN if isinstance(conversion, States) else conversion


def _rounded(target: Decoded, item: int, cells: Flags, wanted: Numbers) -> tuple[tuple[float, float], ...]:
    """The pairs of wanted and stored values that differ as people read them."""
    layout = target.layout
    conversion, storage = layout.definition.conversion_of(layout.items[item]), layout.items[item].storage
    stored = to_physical(conversion, target.raw_of(item)[cells])
    pairs = dict.fromkeys(zip(wanted[cells].tolist(), stored.tolist(), strict=True))
    return tuple(
        (asked, value)
        for asked, value in pairs
        if not math.isclose(asked, value, rel_tol=_SLACK)
        and not math.isclose(asked, float(fmt.number(value, conversion, storage)), rel_tol=_SLACK)
    )


def _mirrors(layout: Layout, item: int) -> list[int]:
    """The other tables that must equal an item, cell by cell."""
    own, pairs = [item], mirrored_cells(layout)
    for number in own:
        for first, second in pairs:
            for mine, other in ((first, second), (second, first)):
                if mine == layout.cells(number):
                    mirror = int(layout.item[other.start])
                    if mirror not in own:
                        own.append(mirror)
    return own[1:]


def _raw_in(layout: Layout, item: int, mirror: int, raw: int | None) -> int | None:
    """The raw number that means in a mirror what ``raw`` means in the item: its own off code or state."""
    if raw is None:
        return None
    definition, (mine, other) = layout.definition, (layout.items[item], layout.items[mirror])
    if not isinstance(mine, Table) or not isinstance(other, Table):
        return raw
    if mine.demands.off is not None and mine.demands.off.raw == raw:
        if other.demands.off is None:
            raise InputError(f"{other.name} must equal {mine.name}, but has no off code; set each by itself")
        return other.demands.off.raw
    states, others = definition.conversion_of(mine), definition.conversion_of(other)
    if isinstance(states, States) and isinstance(others, States) and raw in states.names:
        code = others.raw_of(states.names[raw])
        if code is None:
            raise InputError(f"{other.name} must equal {mine.name}, but has no state {states.names[raw]!r}")
        return code
    return raw


def _require_alone(target: Decoded, result: Decoded, written: Flags) -> None:
    """InputError if a written cell did not get its number, or if another cell changed with it."""
    changed = changed_cells(target, result)
    if not changed.any():
        return
    layout = target.layout
    names = dict.fromkeys(
        layout.items[number].name for number in layout.item[np.flatnonzero(changed)].tolist()
    )
    written_names = {layout.items[number].name for number in layout.item[np.flatnonzero(written)].tolist()}
    others = [name for name in names if name not in written_names] or list(names)
    raise InputError(
        f"{fmt.list_names(others, 3)} shares these bytes; correct the addresses in the definition"
    )
