"""Describes how a definition stores its axes and tables, to judge items that it does not describe."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from callint.model.definition import ByteOrder, Definition, Kind, NumberType, Storage, StoredAxis, Table
from callint.model.definition_counts import usual_byte_order

Floats = NDArray[np.float64]

#: The types that are tried if a definition describes nothing, and the prior count of each type.
_USUAL = (NumberType.uint8, NumberType.int8, NumberType.uint16, NumberType.int16, NumberType.float32)
_SEEN_BEFORE = 0.5
#: The least number of described items that show that there is only one byte order.
_TELLING = 4
_OTHER_SIGN = str.maketrans("ui", "iu")
#: The number of shapes of described tables that are tried without their axes.
_MOST_SHAPES = 24


class StorageStyle:
    """The frequencies of types, aligned addresses, stored counts and shapes, as bits of information."""

    def __init__(self, definition: Definition) -> None:
        tables = [table for table in definition.tables.values() if table.axes and not table.storage.mask]
        self._tables = Counter(_plain(table.storage) for table in tables)
        self._axes = Counter(_plain(axis.storage) for axis in definition.stored_axes)
        self.storages = _storages(definition, [*self._tables, *self._axes])
        self._aligned = {
            (is_axis, size): _share_aligned(items, size)
            for is_axis, items in ((True, definition.stored_axes), (False, tables))
            for size in (2, 4, 8)
        }
        counted = sum(axis.stored_count is not None for axis in definition.stored_axes)
        self.share_counted = (counted + 1) / (len(definition.stored_axes) + 2)
        maps = [table for table in tables if table.kind is Kind.MAP]
        self.is_y_first = 2 * sum(table.y_first for table in maps) > len(maps)
        shapes = Counter(definition.shape_of(table) for table in tables)
        total = sum(shapes.values())
        self.shape_bits = {
            (shape[::-1] if self.is_y_first and shape[0] > 1 else shape): math.log2(total / number)
            for shape, number in shapes.most_common(_MOST_SHAPES)
        }

    def type_bits(self, storage: Storage, is_axis: bool) -> float:
        """The bits that encode the storage of an axis or of a table."""
        counts = self._axes if is_axis else self._tables
        total = sum(counts.values()) + _SEEN_BEFORE * len(self.storages)
        return math.log2(total / (counts[storage] + _SEEN_BEFORE))

    def place_bits(self, storage: Storage, is_axis: bool, addresses: NDArray[np.int64]) -> Floats:
        """The bits that encode the alignment of each address; negative if aligned addresses are expected."""
        size = storage.type.size
        if size == 1:
            return np.zeros(len(addresses))
        share = self._aligned[is_axis, size]
        return np.where(
            addresses % size == 0, -math.log2(share * size), -math.log2((1 - share) * size / (size - 1))
        )


def other_sign(storage: Storage) -> Storage | None:
    """The same storage with the other sign, None for floating-point numbers."""
    if not storage.type.is_integer:
        return None
    name = storage.type.name
    return replace(storage, type=NumberType[name[1:] if name.startswith("u") else f"u{name}"])


def _plain(storage: Storage) -> Storage:
    """The storage without gaps between numbers; numbers of one byte have one byte order."""
    size = storage.type.size
    order = ByteOrder.BIG if size == 1 else storage.byte_order
    return Storage(storage.type, order, size)


def _storages(definition: Definition, described: Sequence[Storage]) -> tuple[Storage, ...]:
    """The described storages with either sign; without any, usual ones in both byte orders."""
    wide = [item for item in described if item.type.size > 1]
    if len(definition.tables) + len(definition.axes) < _TELLING or not described:
        orders = (usual_byte_order(definition), ByteOrder.BIG, ByteOrder.LITTLE)
        described = [
            *described, *(_plain(Storage(kind, order, kind.size)) for order in orders for kind in _USUAL)
        ]  # fmt: skip
    elif not wide:
        described = [*described, *(Storage(kind, order, 2) for order in ByteOrder for kind in _USUAL[2:4])]
    both = [other for item in described for other in (item, other_sign(item)) if other is not None]
    return tuple(dict.fromkeys(both))


def _share_aligned(items: Sequence[StoredAxis | Table], size: int) -> float:
    places = [item.at % size == 0 for item in items if item.storage.type.size == size]
    return (sum(places) + 1) / (len(places) + 1 + size)
