"""Writes numbers into cells of an image, and into the cells that must equal them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing.compare import changed_cells
from callint.comparing.mirrors import mirrored_cells
from callint.decoding.conversions import quantise, to_physical
from callint.decoding.decode import Decoded, decode
from callint.decoding.encode import UnstorableTextError, encode, text_content
from callint.decoding.layout import Item
from callint.model.change import Flags, Numbers
from callint.model.definition import PLAIN, Conversion, States, Table, Text
from callint.model.errors import InputError
from callint.model.image import Image

#: Values that differ by less, as a share, are one value to people.
_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class RoundedValue:
    """A wanted value, and the nearest one that its item can store if people see that they differ."""

    item: Item
    wanted: float
    stored: float


class CellWriter:
    """Collects new numbers and texts for an image.

    ``target`` is the image as it will be, without the mirrors. ``rounded`` are the written values that are
    stored as others, each once. Every method raises InputError for what cannot be stored.
    """

    def __init__(self, decoded: Decoded) -> None:
        self._decoded = decoded
        self._texts: dict[str, bytes] = {}
        self.target = replace(decoded, raw=tuple(raw.copy() for raw in decoded.raw))
        self.rounded: list[RoundedValue] = []
        self.written: Flags = np.zeros(decoded.layout.size, bool)

    def write_values(self, item: int, cells: Flags, values: Numbers) -> None:
        """Store values in engineering units in flagged cells of an item; both of shape (rows, columns)."""
        what, conversion = self.target.layout.items[item], self._conversion(item)
        quantised = quantise(conversion, what.storage, values)
        misfits = cells & ~quantised.fits
        if misfits.any():
            value = fmt.quantity(float(values[misfits][0]), conversion)
            raise InputError(
                f"{what.name}: {value} does not fit the {what.storage.type.name} that it is stored in"
            )
        off = _off_code(what)
        if off is not None and (is_off := cells & (quantised.raw == off)).any():
            value = fmt.quantity(float(values[is_off][0]), conversion)
            raise InputError(
                f"{what.name}: {value} would be stored as the off code {off}; write off to mean it"
            )
        self._write(item, cells, quantised.raw)
        self.rounded += _rounded(what, conversion, values[cells], quantised.raw[cells])

    def write_raw(self, item: int, cells: Flags, raw: int | float) -> None:
        """Store a raw number in flagged cells of an item, shape (rows, columns)."""
        what = self.target.layout.items[item]
        if not what.storage.holds(raw):
            raise InputError(f"{what.name}: raw {raw} does not fit the {what.storage.type.name} of its cells")
        numbers = self.target.raw_of(item)
        self._write(item, cells, np.full(numbers.shape, raw, numbers.dtype))

    def write_text(self, text: Text, value: str) -> None:
        """Store a text, padded as it is now."""
        if self._decoded.text(text) is None:
            raise InputError(f"{text.name}: the image does not hold all of it; use a whole image")
        try:
            self._texts[text.name] = text_content(self._decoded, text, value)
        except UnstorableTextError as error:
            raise InputError(f"{text.name}: {error}") from None

    def _write(self, item: int, cells: Flags, raw: NDArray[Any]) -> None:
        target, name = self.target, self.target.layout.items[item].name
        if not target.of_item(target.present, item)[cells].all():
            raise InputError(f"{name}: the image does not hold all of these cells; use a whole image")
        target.raw_of(item)[cells] = raw[cells]
        target.of_item(self.written, item)[cells] = True

    def _conversion(self, item: int) -> Conversion:
        layout = self.target.layout
        conversion = layout.definition.conversion_of(layout.items[item])
        return PLAIN if isinstance(conversion, States) else conversion

    def image(self) -> tuple[Image, tuple[str, ...]]:
        """The image with everything that was written, and the names of the mirrors that follow it.

        A cell that must equal a written one gets the same value, unless it was written too.
        """
        names = tuple(dict.fromkeys(self._write_mirrors()))
        image = encode(self._decoded, self.target.raw, self.written, self._texts)
        self._require_alone(decode(self._decoded.layout, image))
        return image, names

    # Mirrors

    def _write_mirrors(self) -> Iterator[str]:
        """Write the mirrors of written cells, and those of the mirrors; yields the names of their tables."""
        pairs, layout = mirrored_cells(self.target.layout), self.target.layout
        is_going_on = True
        while is_going_on:
            is_going_on = False
            for first, second in pairs:
                for source, mirror in ((first, second), (second, first)):
                    cells = self.written[source] & ~self.written[mirror]
                    if cells.any():
                        is_going_on = True
                        items = int(layout.item[source.start]), int(layout.item[mirror.start])
                        self._write_mirror(*items, cells.reshape(layout.shape(items[1])))
                        yield layout.items[items[1]].name

    def _write_mirror(self, item: int, mirror: int, cells: Flags) -> None:
        raw = self.target.raw_of(item)
        codes = np.zeros(raw.shape, bool)
        for code, other in self._codes(item, mirror):
            holds = cells & (raw == code)
            if holds.any():
                self.write_raw(mirror, holds, other)
                codes |= holds
        rest = cells & ~codes
        if rest.any():
            self.write_values(mirror, rest, to_physical(self._conversion(item), raw))

    def _codes(self, item: int, mirror: int) -> Iterator[tuple[int, int]]:
        """The raw numbers of an item that are no values, with those that mean the same in its mirror."""
        layout = self.target.layout
        mine, other = layout.items[item], layout.items[mirror]
        off, other_off = _off_code(mine), _off_code(other)
        if off is not None and other_off is not None:
            yield off, other_off
        states, others = (layout.definition.conversion_of(one) for one in (mine, other))
        if isinstance(states, States) and isinstance(others, States):
            for code, name in states.names.items():
                if (number := others.raw_of(name)) is not None:
                    yield code, number

    def _require_alone(self, result: Decoded) -> None:
        """InputError if a written cell did not get its number, or if another cell changed with it."""
        layout, changed = self.target.layout, changed_cells(self.target, result)
        numbers, own = (
            dict.fromkeys(layout.item[np.flatnonzero(flags)].tolist()) for flags in (changed, self.written)
        )
        names = [layout.items[number].name for number in numbers if number not in own]
        names = names or [layout.items[number].name for number in numbers]
        if names:
            raise InputError(
                f"{fmt.list_names(names, 3)}: it shares these bytes; correct the addresses in the definition"
            )


def _rounded(
    item: Item, conversion: Conversion, values: Numbers, raw: NDArray[Any]
) -> Iterator[RoundedValue]:
    """The values that differ from the stored ones as people read them; each once."""
    stored = to_physical(conversion, raw)
    differs = ~np.isclose(values, stored, rtol=_SLACK, atol=0.0)
    pairs = dict.fromkeys(zip(values[differs].tolist(), stored[differs].tolist(), strict=True))
    for wanted, value in pairs:
        shown = float(fmt.number(value, conversion, item.storage))
        if not math.isclose(wanted, shown, rel_tol=_SLACK):
            yield RoundedValue(item, wanted, value)


def _off_code(item: Item) -> int | None:
    off = item.demands.off if isinstance(item, Table) else None
    return None if off is None else off.raw
