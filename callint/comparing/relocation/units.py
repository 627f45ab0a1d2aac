"""The units of an alignment: the items of a definition, and the bytes between them in pieces."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.result import ItemKind
from callint.comparing.relocation.shared_ranges import Bytes
from callint.decoding.checksums import stored_size
from callint.decoding.conversions import to_raw_numbers
from callint.decoding.word_order import with_swapped_words
from callint.model.definition import Definition, Kind, States, StoredAxis, Table

#: The size of a piece between items in bytes, and the largest distance at which it helps to place an item.
_PIECE, _REACH = 32, 256
#: The alignments of items in bytes, and the least number of items that show one: 10 items lie at even offsets
#: by chance once in 1,000 times.
ALIGNMENTS, _ENOUGH = (1, 2, 4, 8, 16), 10


@dataclass(frozen=True, slots=True)
class PlacementUnit:
    """A block of bytes of the old image; ``at`` counts from the start of its bytes.

    ``kind`` is None for bytes that no item covers. ``cells``, ``dtype`` and ``stride`` describe its numbers;
    ``limits`` are raw bounds on them, and ``row`` has the sizes in bytes of a row and of a column.
    ``shape`` has the numbers of cells of an axis or table along the slow and the fast axis of memory.
    ``count`` is the distance from an axis to its stored count, with the type of the count; ``axes`` are the
    stored axes of a table, and ``along`` the axes of both sides of its shape, "" for none.
    """

    kind: ItemKind | None
    name: str
    at: int
    size: int
    cells: int = 0
    dtype: np.dtype[Any] | None = None
    stride: int = 0
    limits: tuple[float, float] | None = None
    row: tuple[int, ...] = ()
    count: tuple[int, np.dtype[Any]] | None = None
    axes: tuple[str, ...] = ()
    shape: tuple[int, int] = (0, 0)
    along: tuple[str, str] = ("", "")
    has_swapped_words: bool = False

    @property
    def alignment_group(self) -> tuple[bool, int]:
        """Whether the unit has one cell, and the size of a cell in bytes, 0 without alignment.

        Units of one group often begin at multiples of one size.
        """
        return self.cells == 1, 0 if self.dtype is None or self.kind is ItemKind.AXIS else self.dtype.itemsize

    def numbers(self, content: Bytes, at: int) -> NDArray[np.float64] | None:
        """The numbers at an offset of some bytes, shape (cells,); None without numbers or enough bytes."""
        if self.dtype is None or at < 0 or at + self.size > len(content):
            return None
        raw: NDArray[Any] = np.ndarray((self.cells,), self.dtype, content, at, (self.stride,))
        if self.has_swapped_words:
            raw = with_swapped_words(raw)
        with np.errstate(invalid="ignore"):  # bytes that are not floats
            return raw.astype(np.float64)


def alignments(units: Sequence[PlacementUnit]) -> dict[tuple[bool, int], int]:
    """The greatest alignment in bytes that all units of a group have, if they are enough to show it."""
    groups: dict[tuple[bool, int], list[int]] = {}
    for unit in units:
        if unit.alignment_group[1]:
            groups.setdefault(unit.alignment_group, []).append(unit.at)
    return {
        group: max(size for size in ALIGNMENTS if not any(at % size for at in offsets))
        for group, offsets in groups.items()
        if len(offsets) >= _ENOUGH
    }


def new_shape(unit: PlacementUnit, counts: Mapping[str, int]) -> tuple[int, int]:
    """The shape of a unit whose axes have new numbers of points."""
    slow, fast = (counts.get(axis, n) for axis, n in zip(unit.along, unit.shape, strict=True))
    return slow, fast


def resized_unit(unit: PlacementUnit, rows: int, columns: int) -> PlacementUnit:
    """A unit with another shape."""
    cells = rows * columns
    size = unit.size + (cells - unit.cells) * unit.stride
    return replace(unit, cells=cells, size=size, shape=(rows, columns))


def item_units(definition: Definition, start: int, size: int) -> list[PlacementUnit]:
    """The items within ``size`` bytes from the address ``start``, sorted by offset."""
    units = [
        *(_axis(definition, axis, start) for axis in definition.stored_axes),
        *(
            _table(definition, table, start)
            for table in definition.tables.values()
            if definition.is_resolved(table)
        ),
        *(
            PlacementUnit(ItemKind.TEXT, text.name, text.at - start, text.length)
            for text in definition.texts.values()
        ),
        *(
            PlacementUnit(ItemKind.IDENTITY, identity.name, identity.at - start, len(identity.content))
            for identity in definition.memory.identities
        ),
        *(
            PlacementUnit(ItemKind.CHECKSUM, checksum.name, checksum.stored_at - start, stored_size(checksum))
            for checksum in definition.memory.checksums
        ),
    ]
    inside = [unit for unit in units if unit.at >= 0 and unit.size and unit.at + unit.size <= size]
    return sorted(inside, key=lambda unit: (unit.at, unit.size))


def _axis(definition: Definition, axis: StoredAxis, start: int) -> PlacementUnit:
    storage = axis.storage
    stored = axis.stored_count
    count = None if stored is None else (stored.at - axis.at, stored.storage.dtype)
    size = (axis.count - 1) * storage.stride + storage.type.size
    return PlacementUnit(
        ItemKind.AXIS, axis.name, axis.at - start, size, axis.count, storage.dtype, storage.stride,
        row=(storage.stride,), count=count, shape=(1, axis.count), along=("", axis.name),
        has_swapped_words=storage.has_swapped_words,
    )  # fmt: skip


def _table(definition: Definition, table: Table, start: int) -> PlacementUnit:
    rows, columns = definition.shape_of(table)
    storage, cells = table.storage, rows * columns
    conversion = definition.conversion_of(table)
    kind = ItemKind(table.kind.value)
    if kind is ItemKind.SCALAR and (isinstance(conversion, States) or storage.mask):
        kind = ItemKind.SWITCH
    limits = None
    if isinstance(conversion, States) and conversion.names:
        limits = float(min(conversion.names)), float(max(conversion.names))
    elif table.demands.limits is not None and not storage.mask:
        ends = np.array([table.demands.limits.low, table.demands.limits.high])
        raw = to_raw_numbers(conversion, ends)
        if np.isfinite(raw).all():
            limits = float(raw.min()), float(raw.max())
    row = () if table.kind is Kind.SCALAR else (storage.stride * columns, storage.stride * rows)
    size = (cells - 1) * storage.stride + storage.type.size
    stored = tuple(axis for axis in table.axes if isinstance(definition.axes.get(axis), StoredAxis))
    return PlacementUnit(
        kind,
        table.name,
        table.at - start,
        size,
        cells,
        storage.dtype,
        storage.stride,
        limits,
        row,
        axes=stored,
        shape=(columns, rows) if table.y_first else (rows, columns),
        along=(table.x or "", table.y or "") if table.y_first else (table.y or "", table.x or ""),
        has_swapped_words=storage.has_swapped_words,
    )


def with_pieces(items: list[PlacementUnit], content: Bytes) -> list[PlacementUnit]:
    """The items, and pieces of the bytes near and between them; pieces of one repeated byte are left out."""
    return sorted([*items, *_pieces(items, content)], key=lambda unit: (unit.at, unit.size))


def _padding(content: Bytes) -> int:
    """The number of equal bytes at the end, 0 if only one; less than the greatest alignment."""
    other = np.flatnonzero(content[-max(ALIGNMENTS) :] != content[-1])
    size = min(len(content), max(ALIGNMENTS)) - 1 - int(other[-1]) if len(other) else 0
    return size if size > 1 else 0


def _pieces(items: list[PlacementUnit], content: Bytes) -> Iterator[PlacementUnit]:
    end = 0
    for at, size in [*((unit.at, unit.size) for unit in items), (len(content), 0)]:
        near = [(end, min(at, end + _REACH)), (max(end + _REACH, at - _REACH), at)]
        for first, last in near:
            for start in range(first, last, _PIECE):
                stop = min(start + _PIECE, last)
                if stop == at:
                    stop -= _padding(content[start:stop])
                if (content[start:stop] != content[start]).any():
                    yield PlacementUnit(None, "", start, stop - start)
        end = max(end, at + size)
