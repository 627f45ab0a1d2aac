"""What the cells of a table or an axis would store for wanted values, and writing it into an image.

A wanted value becomes the nearest number that the storage holds. A value that is already there keeps its
bits, also if several raw numbers have this value, so writing what was read changes no byte.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import IntEnum
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding.conversions import exact_terms, exact_value, is_wide, quantise, to_physical
from callint.decoding.decode import Decoded, decode
from callint.decoding.encode import encode
from callint.model.change import Flags, Numbers
from callint.model.definition import PLAIN, Conversion, Linear, States, Storage, Table
from callint.model.image import Image

#: The name of the off code of a table.
OFF = "off"


class Outcome(IntEnum):
    """What became of a wanted value; from UNKNOWN_NAME on, the cell keeps its number."""

    KEPT = 0  # nothing is wanted, or the value is there already
    STORED = 1
    UNKNOWN_NAME = 2
    UNSTORABLE = 3  # the storage or the conversion has no such value
    OFF_CODE = 4  # the nearest number would switch the function off
    MISSING = 5  # the image lacks the cell


@dataclass(frozen=True, slots=True)
class WantedValues:
    """Values for the cells of an item, shape (rows, columns).

    ``numbers`` are physical values. A cell with a ``name_index`` from 0 gets the state or off code of that
    index in ``names``; a cell with neither (NaN and -1) is to stay. ``exact`` has numbers that doubles cannot
    tell apart, by the index of the cell in the flattened array.
    """

    numbers: Numbers
    name_index: NDArray[np.int64]
    names: tuple[str, ...] = ()
    exact: Mapping[int, Fraction] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StoredValues:
    """The ``raw`` numbers that an item would store, their ``physical`` values and the ``outcomes`` by cell.

    All have the shape (rows, columns). ``differs`` flags the stored cells whose value is not the wanted one.
    """

    raw: NDArray[Any]
    physical: Numbers
    outcomes: NDArray[np.int8]
    differs: Flags

    @property
    def stored(self) -> Flags:
        """The cells that get another number."""
        stored: Flags = self.outcomes == Outcome.STORED
        return stored

    @property
    def refused(self) -> Flags:
        """The cells whose wanted value cannot be stored."""
        refused: Flags = self.outcomes > Outcome.STORED
        return refused


@np.errstate(all="ignore")  # an image may hold any bits, also those of no number
def stored_values(decoded: Decoded, item: int, wanted: WantedValues) -> StoredValues:
    """What an item of the layout would store for the wanted values of its cells."""
    definition, target = decoded.layout.definition, decoded.layout.items[item]
    conversion, storage = definition.conversion_of(target), target.storage
    raw, present = decoded.raw_of(item), decoded.of_item(decoded.present, item)
    off = target.demands.off if isinstance(target, Table) else None
    off_code = None if off is None else off.raw
    is_named = wanted.name_index >= 0
    is_number = ~np.isnan(wanted.numbers) & ~is_named
    outcomes = np.zeros(raw.shape, np.int8)

    new, fits = _nearest(conversion, storage, np.where(is_number, wanted.numbers, 0.0), wanted.exact)
    outcomes[is_number] = np.where(fits, Outcome.STORED, Outcome.UNSTORABLE)[is_number]
    if off_code is not None:
        outcomes[is_number & fits & (new == off_code)] = Outcome.OFF_CODE
    is_equal = is_number & _equal(decoded, item, wanted) & ~decoded.of_item(decoded.off, item)
    outcomes[is_equal] = Outcome.KEPT

    for index, name in enumerate(wanted.names):
        chosen = wanted.name_index == index
        codes = _codes(conversion, name, off_code)
        outcomes[chosen] = Outcome.STORED if codes else Outcome.UNKNOWN_NAME
        if codes:
            new[chosen] = codes[0]
        for code in codes:
            outcomes[chosen & (raw == code)] = Outcome.KEPT

    outcomes[(is_number | is_named) & ~present] = Outcome.MISSING
    new = np.where(outcomes == Outcome.STORED, new, raw)
    outcomes[(outcomes == Outcome.STORED) & (new == raw)] = Outcome.KEPT
    physical = to_physical(conversion, new)
    is_rounded = is_number & (outcomes <= Outcome.STORED) & (physical != wanted.numbers)
    for cell in wanted.exact:
        if isinstance(conversion, Linear) and np.issubdtype(new.dtype, np.integer):
            is_rounded.flat[cell] = exact_value(conversion, int(new.flat[cell])) != wanted.exact[cell]
    return StoredValues(new, physical, outcomes, is_rounded & (outcomes <= Outcome.STORED))


def write_values(
    decoded: Decoded, values: Mapping[int, StoredValues], texts: Mapping[str, bytes] | None = None
) -> tuple[Image, tuple[int, ...]]:
    """The image with the stored values by item, and the items whose cells another item overwrote.

    ``texts`` are the contents of texts by name, of full length.
    """
    target = replace(decoded, raw=tuple(raw.copy() for raw in decoded.raw))
    cells = np.zeros(decoded.layout.size, bool)
    for item, stored in values.items():
        target.raw_of(item)[...] = stored.raw
        cells[decoded.layout.cells(item)] = stored.stored.ravel()
    image = encode(decoded, target.raw, cells, texts or {})
    result = decode(decoded.layout, image)
    overwritten = (
        item for item, stored in values.items() if result.raw_of(item).tobytes() != stored.raw.tobytes()
    )
    return image, tuple(overwritten)


def _nearest(
    conversion: Conversion, storage: Storage, numbers: Numbers, exact: Mapping[int, Fraction]
) -> tuple[NDArray[Any], Flags]:
    """The nearest raw numbers, and which of them the storage holds."""
    # A raw number without a state name is valid too.
    quantised = quantise(PLAIN if isinstance(conversion, States) else conversion, storage, numbers)
    raw, fits = quantised.raw.copy(), quantised.fits.copy()
    if isinstance(conversion, Linear) and is_wide(conversion, storage):
        factor, offset = exact_terms(conversion.factor, conversion.offset)
        low, high = storage.raw_limits
        for cell, value in exact.items():
            number = round((value - offset) / factor)
            fits.flat[cell] = low <= number <= high
            raw.flat[cell] = number if fits.flat[cell] else 0
    return raw, fits


def _equal(decoded: Decoded, item: int, wanted: WantedValues) -> Flags:
    """The cells that have the wanted number already."""
    conversion = decoded.layout.definition.conversion_of(decoded.layout.items[item])
    equal: Flags = decoded.of_item(decoded.physical, item) == wanted.numbers
    if decoded.layout.wide[item] and isinstance(conversion, Linear):
        raw = decoded.raw_of(item)
        for cell, value in wanted.exact.items():
            equal.flat[cell] = exact_value(conversion, int(raw.flat[cell])) == value
    return equal


def _codes(conversion: Conversion, name: str, off_code: int | float | None) -> list[int | float]:
    """The raw numbers that a name stands for; the first is the one to write."""
    if name == OFF and off_code is not None:
        return [off_code]
    return (
        [raw for raw, state in conversion.names.items() if state == name]
        if isinstance(conversion, States)
        else []
    )
