"""The numbers in an image that belong to one unit alone, such as hull and serial numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.decoding.conversions import to_physical
from callint.decoding.word_order import with_swapped_words
from callint.model.definition import Definition, Table, Text
from callint.model.image import Image


@dataclass(frozen=True, slots=True)
class UnitNumber:
    """A number of a unit: its stored content, without filling, and its ``text`` for people."""

    content: bytes
    text: str = field(compare=False)


def unit_items(definition: Definition) -> Iterator[Table | Text]:
    """The scalars and texts that hold the unit's own numbers."""
    yield from (table for table in definition.tables.values() if table.unit_own)
    yield from (text for text in definition.texts.values() if text.unit_own)


def unit_number(definition: Definition, item: Table | Text, image: Image) -> UnitNumber | None:
    """The number in an image; None if the image lacks it, or if only filling is there."""
    size = item.length if isinstance(item, Text) else item.storage.type.size
    data, fill = image.read(item.at, size), bytes([definition.memory.fill])
    if data is None or not data.strip(fill):
        return None
    if isinstance(item, Text):
        content = data.rstrip(b"\0" + fill + b" ")
        return UnitNumber(content, f'"{content.decode(item.encoding, "replace")}"') if content else None
    raw: NDArray[Any] = np.frombuffer(data, item.storage.dtype)
    if item.storage.has_swapped_words:
        raw = with_swapped_words(raw)
    if item.storage.mask:
        raw = (raw & item.storage.mask) >> item.storage.shift
    conversion = definition.conversion_of(item)
    value = float(to_physical(conversion, raw)[0])
    return UnitNumber(raw.tobytes(), fmt.quantity(value, conversion, definition.unit_of(item)))


def unit_numbers(definition: Definition, image: Image, base: Image | None) -> dict[str, UnitNumber]:
    """The numbers of an image by the name of their items, without those that nobody entered.

    A number that equals the base's is the factory's filling.
    """
    numbers = {}
    for item in unit_items(definition):
        number = unit_number(definition, item, image)
        if number is not None and (base is None or number != unit_number(definition, item, base)):
            numbers[item.name] = number
    return numbers
