"""Lays out the cells of a definition in flat vectors, once for all of its images.

All stored axes and tables are *items*. Their cells follow one another in flat vectors, sorted by storage
type, so that each type is one contiguous range that is filled at once, and within it by conversion, so that
all cells with one conversion are converted at once. Within an item the cells are in logical order, x fastest,
whatever their order in memory.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby, pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding.conversions import is_wide, linear_terms, raw_bounds
from callint.decoding.word_order import stored_bytes, with_swapped_words
from callint.model.definition import (
    ByteOrder,
    Conversion,
    Definition,
    FixedAxis,
    Linear,
    NumberType,
    Range,
    StoredAxis,
    Table,
)
from callint.model.derived_axis import DerivedAxis

Item = Table | StoredAxis
Integers = NDArray[np.int64]
Numbers = NDArray[np.float64]
#: By item, the least and the greatest raw number within some bounds; None for an open end.
RawBounds = dict[int, tuple[int | None, int | None]]

_OPEN = Range(float("-inf"), float("inf"))

#: From this number of cells, a conversion is worth a call of its own.
_LARGE_CONVERSION = 256
#: This number of cells fits into the cache of the processor.
_CACHE_CELLS = 2**16
#: Ranges of fewer cells on average are not faster to join than a lookup of each cell.
_LEAST_RANGE_CELLS = 24


@dataclass(frozen=True, slots=True)
class StorageGroup:
    """All cells of one storage type: the range ``cells`` of the flat vectors, read as ``dtype``.

    If ``has_swapped_words``, the 16-bit words of each number are swapped before.
    """

    dtype: np.dtype[Any]
    type: NumberType
    cells: slice
    items: slice
    has_swapped_words: bool = False

    def native(self, stored: NDArray[Any]) -> NDArray[Any]:
        """Numbers as memory holds them in the byte order of the processor."""
        numbers = with_swapped_words(stored) if self.has_swapped_words else stored
        return numbers.astype(self.dtype.newbyteorder("="))

    def stored(self, numbers: NDArray[Any]) -> NDArray[np.uint8]:
        """The bytes of numbers, or of bits of their size, as memory holds them; shape (numbers, size)."""
        return stored_bytes(numbers, self.dtype, self.has_swapped_words)


@dataclass(frozen=True, slots=True)
class Masks:
    """The masked cells of a storage group with their masks and shifts, shape (cells,) each."""

    cells: Integers
    masks: NDArray[np.unsignedinteger[Any]]
    shifts: NDArray[np.unsignedinteger[Any]]


@dataclass(frozen=True, slots=True)
class Scale:
    """The linear conversion (raw * a + b) / q of some cells; terms are scalars or of shape (cells,)."""

    cells: slice
    a: float | Numbers
    b: float | Numbers
    q: float | Numbers


@dataclass(frozen=True, slots=True)
class ByteRanges:
    """The address ranges of a storage group: ``pairs`` of the first address and the address after the last.

    The joined bytes of the ranges are the numbers of the group; cell n is at the index ``rank[n]``, or at n
    if ``rank`` is None. ``low`` is the lowest address of all, ``high`` the address after the highest.
    """

    pairs: tuple[tuple[int, int], ...]
    low: int
    high: int
    rank: Integers | None


@dataclass(frozen=True)
class Layout:
    """The flat layout of one definition.

    ``first`` (items + 1) has the index of the first cell of each item; ``shapes`` (items, 2) has rows and
    columns. ``item`` and ``address`` (cells) have the item of each cell and the address of its first byte.
    """

    definition: Definition
    items: tuple[Item, ...]
    shapes: Integers
    first: Integers
    item: Integers
    address: Integers
    groups: tuple[StorageGroup, ...]

    @property
    def size(self) -> int:
        """The number of cells."""
        return int(self.first[-1])

    @cached_property
    def table_items(self) -> dict[str, int]:
        """The item number of each table."""
        return {item.name: n for n, item in enumerate(self.items) if isinstance(item, Table)}

    @cached_property
    def axis_items(self) -> dict[str, int]:
        """The item number of each stored axis."""
        return {item.name: n for n, item in enumerate(self.items) if isinstance(item, StoredAxis)}

    def sources_of(self, axis: str) -> list[int]:
        """The numbers of the items in which the breakpoints of an axis lie; none for a fixed axis."""
        if axis in self.axis_items:
            return [self.axis_items[axis]]
        names = self.definition.axis_sources(axis)
        numbers = (self.table_items.get(name, self.axis_items.get(name)) for name in names)
        return [number for number in numbers if number is not None]

    @cached_property
    def table_cells(self) -> int:
        """The number of cells of all tables, without those of axes."""
        return int(self.shapes.prod(axis=1)[list(self.table_items.values())].sum())

    def cells(self, item: int) -> slice:
        """The cells of an item."""
        return slice(int(self.first[item]), int(self.first[item + 1]))

    def shape(self, item: int) -> tuple[int, int]:
        """Rows and columns of an item."""
        rows, columns = self.shapes[item].tolist()
        return rows, columns

    def place(self, cell: int) -> tuple[Item, int, int]:
        """The item, x and y of a cell."""
        number = int(self.item[cell])
        y, x = divmod(cell - int(self.first[number]), int(self.shapes[number, 1]))
        return self.items[number], x, y

    def group_of(self, cell: int) -> int:
        """The number of the storage group that a cell belongs to."""
        return bisect_right(self._group_starts, cell) - 1

    @cached_property
    def _group_starts(self) -> list[int]:
        return [group.cells.start for group in self.groups]

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """Repeat one value per item, shape (items,), to one value per cell, shape (cells,)."""
        return np.repeat(values, np.diff(self.first))

    def bounds(self, of: Callable[[Table], Range | None]) -> tuple[Numbers, Numbers]:
        """Lower and upper bounds of every item, shape (items,) each; infinite if there are none."""
        ranges = [(of(item) if isinstance(item, Table) else None) or _OPEN for item in self.items]
        low = np.array([limits.low for limits in ranges])
        high = np.array([limits.high for limits in ranges])
        return low, high

    @cached_property
    def limits(self) -> tuple[Numbers, Numbers]:
        """The hard limits of every item."""
        return self.bounds(lambda table: table.demands.limits)

    @cached_property
    def expected(self) -> tuple[Numbers, Numbers]:
        """The soft limits of every item."""
        return self.bounds(lambda table: table.demands.expected)

    @cached_property
    def wide(self) -> NDArray[np.bool_]:
        """The items with whole numbers that doubles cannot all distinguish, shape (items,)."""
        is_wide_by_type: dict[tuple[str | None, NumberType, int | None], bool] = {}
        wide = np.zeros(len(self.items), bool)
        for number, item in enumerate(self.items):
            key = item.conversion, item.storage.type, item.storage.mask
            if key not in is_wide_by_type:
                is_wide_by_type[key] = is_wide(self.definition.conversion_of(item), item.storage)
            wide[number] = is_wide_by_type[key]
        return wide

    def is_wide(self, item: Item) -> bool:
        """Whether doubles cannot distinguish all values of an item."""
        return bool(self.wide[(self.table_items if isinstance(item, Table) else self.axis_items)[item.name]])

    def raw_bounds(self, of: Callable[[Table], Range | None]) -> RawBounds:
        """The least and the greatest raw number within bounds, for ``wide`` items that have bounds."""
        bounds: RawBounds = {}
        for number in np.flatnonzero(self.wide).tolist():
            item = self.items[number]
            conversion = self.definition.conversion_of(item)
            if (
                isinstance(item, Table)
                and isinstance(conversion, Linear)
                and (limits := of(item)) is not None
            ):
                bounds[number] = raw_bounds(conversion, *limits.exact)
        return bounds

    @cached_property
    def raw_limits(self) -> RawBounds:
        """The hard limits of wide items, as raw numbers."""
        return self.raw_bounds(lambda table: table.demands.limits)

    @cached_property
    def raw_expected(self) -> RawBounds:
        """The soft limits of wide items, as raw numbers."""
        return self.raw_bounds(lambda table: table.demands.expected)

    @cached_property
    def scales(self) -> tuple[Scale, ...]:
        """The linear conversion of every cell, rising; the identity for cells with other conversions."""
        if not self.items:
            return ()
        terms = np.array([_terms(self.definition.conversion_of(item)) for item in self.items])
        starts = np.flatnonzero(np.append(True, (terms[1:] != terms[:-1]).any(axis=1)))
        is_large = np.diff(np.append(self.first[starts], self.size)) >= _LARGE_CONVERSION
        # Neighbouring conversions of few cells are taken together.
        parts = np.flatnonzero(np.append(True, is_large[1:] | is_large[:-1]))
        scales = []
        for part, after in pairwise([*parts.tolist(), len(starts)]):
            item, stop = int(starts[part]), int(starts[after]) if after < len(starts) else len(self.items)
            cells = slice(int(self.first[item]), int(self.first[stop]))
            if is_large[part]:
                a, b, q = terms[item].tolist()
                scales += [Scale(piece, a, b, q) for piece in _pieces(cells)]
            else:
                sizes = np.diff(self.first[item : stop + 1])
                scales.append(Scale(cells, *np.repeat(terms[item:stop].T, sizes, axis=1)))
        return tuple(scales)

    @cached_property
    def curved(self) -> tuple[tuple[Conversion, Integers], ...]:
        """Every conversion that is not linear, with its cells."""
        items: dict[str, tuple[Conversion, list[int]]] = {}
        for number, item in enumerate(self.items):
            conversion = self.definition.conversion_of(item)
            if not isinstance(conversion, Linear):
                items.setdefault(conversion.name, (conversion, []))[1].append(number)
        return tuple((conversion, self.cells_of(numbers)) for conversion, numbers in items.values())

    def cells_of(self, items: Sequence[int]) -> Integers:
        """The cells of several items, one after another."""
        if not items:
            return np.empty(0, np.int64)
        return np.concatenate([np.arange(self.first[n], self.first[n + 1]) for n in items])

    def cells_in(self, items: NDArray[np.bool_]) -> Integers:
        """The cells of the flagged items, rising; ``items`` has the shape (items,)."""
        return np.flatnonzero(self.spread(items)) if items.any() else np.empty(0, np.int64)

    @cached_property
    def byte_ranges(self) -> tuple[ByteRanges | None, ...]:
        """The byte ranges of each group; None if its cells are too scattered."""
        return tuple(self._byte_ranges(group) for group in self.groups)

    def _byte_ranges(self, group: StorageGroup) -> ByteRanges | None:
        addresses, item, size = self.address[group.cells], self.item[group.cells], group.type.size
        rank = None
        if ((np.diff(addresses) < 0) & (np.diff(item) == 0)).any():  # a table that is stored y first
            by_address = np.lexsort((addresses, item))
            addresses, rank = addresses[by_address], np.empty_like(by_address)
            rank[by_address] = np.arange(len(by_address))
        breaks = np.flatnonzero(np.diff(addresses) != size) + 1
        if len(addresses) < _LEAST_RANGE_CELLS * (len(breaks) + 1):
            return None
        starts, ends = addresses[[0, *breaks]], addresses[[*(breaks - 1), -1]] + size
        pairs = tuple(zip(starts.tolist(), ends.tolist(), strict=True))
        return ByteRanges(pairs, int(starts.min()), int(ends.max()), rank)

    @cached_property
    def masks(self) -> tuple[Masks, ...]:
        """The masked cells of each group."""
        return tuple(self._masks(group) for group in self.groups)

    def _masks(self, group: StorageGroup) -> Masks:
        numbers = range(group.items.start, group.items.stop)
        masked = [number for number in numbers if self.items[number].storage.mask]
        storages = [self.items[number].storage for number in masked]
        sizes = [int(self.first[number + 1] - self.first[number]) for number in masked]
        unsigned = np.dtype(f"u{group.type.size}")
        return Masks(
            cells=self.cells_of(masked),
            masks=np.repeat(np.array([storage.mask for storage in storages], unsigned), sizes),
            shifts=np.repeat(np.array([storage.shift for storage in storages], unsigned), sizes),
        )

    @cached_property
    def is_masked(self) -> NDArray[np.bool_]:
        """The cells that are only some bits of their bytes, shape (cells,)."""
        return self.spread(np.array([bool(item.storage.mask) for item in self.items], bool))

    @cached_property
    def off_codes(self) -> tuple[NDArray[Any], ...]:
        """By group, the off code of each cell in the group's type; meaningless where ``has_off`` is False."""
        codes = []
        for group in self.groups:
            items = self.items[group.items]
            values = [_off_code(item) or 0 for item in items]
            sizes = np.diff(self.first[group.items.start : group.items.stop + 1])
            codes.append(np.repeat(np.array(values, group.dtype.newbyteorder("=")), sizes))
        return tuple(codes)

    @cached_property
    def has_off(self) -> NDArray[np.bool_]:
        """The cells that have an off code, shape (cells,)."""
        return self.spread(np.array([_off_code(item) is not None for item in self.items], bool))


def _off_code(item: Item) -> int | None:
    off = item.demands.off if isinstance(item, Table) else None
    return off.raw if off else None


def _terms(conversion: Conversion) -> tuple[float, float, float]:
    """a, b and q of a linear conversion; 1, 0, 1 for the others."""
    if isinstance(conversion, Linear):
        return linear_terms(conversion.factor, conversion.offset)
    return 1.0, 0.0, 1.0


def _pieces(cells: slice) -> Iterator[slice]:
    for start in range(cells.start, cells.stop, _CACHE_CELLS):
        yield slice(start, min(start + _CACHE_CELLS, cells.stop))


def make_layout(definition: Definition) -> Layout:
    """The layout of everything in the definition that can be decoded.

    Items with an unknown reference are left out; ``definition/unknown-reference`` reports them.
    """
    items = _resolved_items(definition)
    conversion_order: dict[str | None, int] = {}
    for item in items:
        conversion_order.setdefault(item.conversion, len(conversion_order))
    items.sort(key=lambda item: (_storage_key(item), conversion_order[item.conversion]))
    counts: dict[str | None, int] = {name: axis.count for name, axis in definition.axes.items()}
    shapes = np.array([_shape(counts, item) for item in items], np.int64).reshape(-1, 2)
    sizes = shapes.prod(axis=1)
    first = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    # Repeating is several times as fast as indexing by ``item``.
    local = np.arange(first[-1]) - np.repeat(first[:-1], sizes)
    if any(axis.falling for axis in definition.axes.values()):
        _turn_falling(local, shapes, [falls_in_memory(definition, item) for item in items])
    y_first = np.array([isinstance(item, Table) and item.y_first for item in items], bool)
    if y_first.any():
        transposed = np.repeat(y_first, sizes)
        rows, columns = np.repeat(shapes[y_first], sizes[y_first], axis=0).T
        local[transposed] = local[transposed] % columns * rows + local[transposed] // columns
    at = np.array([item.at for item in items], np.int64)
    stride = np.array([item.storage.stride for item in items], np.int64)
    return Layout(
        definition=definition,
        items=tuple(items),
        shapes=shapes,
        first=first,
        item=np.repeat(np.arange(len(items)), sizes),
        address=np.repeat(at, sizes) + np.repeat(stride, sizes) * local,
        groups=tuple(_groups(items, first)),
    )


def falls_in_memory(definition: Definition, item: Item) -> tuple[bool, bool]:
    """Whether the last cell comes first in memory, along x and along y."""
    if isinstance(item, StoredAxis):
        return item.falling, False
    axes = definition.axes
    x, y = (name is not None and name in axes and axes[name].falling for name in (item.x, item.y))
    return x, y


def _turn_falling(local: Integers, shapes: Integers, falling: Sequence[tuple[bool, bool]]) -> None:
    """Count the cells along falling axes from their other end, in place.

    ``local`` (cells) has the number of each cell within its item, ``shapes`` (items, 2) rows and columns, and
    ``falling`` which of x and y fall, by item.
    """
    along_x, along_y = np.array(falling, bool).reshape(-1, 2).T
    is_turned = along_x | along_y
    sizes = shapes.prod(axis=1)
    cells = np.repeat(is_turned, sizes)
    rows, columns, x_falls, y_falls = np.repeat(
        np.column_stack([shapes, along_x, along_y])[is_turned], sizes[is_turned], axis=0
    ).T
    y, x = np.divmod(local[cells], columns)
    x = np.where(x_falls, columns - 1 - x, x)
    y = np.where(y_falls, rows - 1 - y, y)
    local[cells] = y * columns + x


def _resolved_items(definition: Definition) -> list[Item]:
    """The stored axes and tables without unknown references, as in ``Definition.is_resolved``."""
    axes = {name for name, axis in definition.axes.items() if isinstance(axis, FixedAxis)}
    stored = [axis for axis in definition.stored_axes if definition.is_resolved(axis)]
    axes.update(axis.name for axis in stored)
    axes.update(axis.name for axis in definition.derived_axes if _is_derivable(definition, axis))
    axes_or_none, conversions = {None, *axes}, {None, *definition.conversions}
    tables = (
        table
        for table in definition.tables.values()
        if table.conversion in conversions and table.x in axes_or_none and table.y in axes_or_none
    )
    return [*stored, *tables]


def _is_derivable(definition: Definition, axis: DerivedAxis) -> bool:
    curve = definition.curve_of(axis)
    return curve is not None and definition.is_resolved(curve)


#: Reading the value of an enumeration takes longer than everything else here.
_BIG = {order for order in ByteOrder if order.in_word == "big"}
_SWAPPED = {ByteOrder.BIG_SWAPPED, ByteOrder.LITTLE_SWAPPED}
_TYPE_KEYS = {number_type: number_type.value for number_type in NumberType}


def _storage_key(item: Item) -> tuple[str, int, bool, bool]:
    storage = item.storage
    is_swapped = storage.byte_order in _SWAPPED and storage.type.size > 2
    return *_TYPE_KEYS[storage.type], storage.byte_order in _BIG, is_swapped


def _shape(counts: Mapping[str | None, int], item: Item) -> tuple[int, int]:
    """Rows and columns of an item, as in ``Definition.shape_of``, from the counts of all axes."""
    if isinstance(item, Table):
        return counts.get(item.y, 1), counts.get(item.x, 1)
    return 1, item.count


def _groups(items: Sequence[Item], first: Integers) -> list[StorageGroup]:
    groups = []
    start = 0
    for _, same in groupby(items, key=_storage_key):
        storage, stop = items[start].storage, start + sum(1 for _ in same)
        cells = slice(int(first[start]), int(first[stop]))
        part = slice(start, stop)
        groups.append(StorageGroup(storage.dtype, storage.type, cells, part, storage.has_swapped_words))
        start = stop
    return groups


def make_table_layout(definition: Definition, table: Table) -> Layout:
    """The layout of one table with its axes and their curves, by which it is decoded fast."""
    names = {name for axis in table.axes for name in definition.axis_sources(axis)}
    curves = {name: definition.tables[name] for name in names if name in definition.tables}
    tables = {**curves, table.name: table}
    axes = {name: definition.axes[name] for item in tables.values() for name in item.axes}
    return make_layout(replace(definition, tables=tables, axes=axes))
