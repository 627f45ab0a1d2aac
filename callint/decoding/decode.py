"""Decodes images into arrays: all cells of one storage type at once."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding import derived_axes
from callint.decoding.conversions import exact_value, is_large, raw_bounds, to_physical
from callint.decoding.layout import ByteRanges, Integers, Layout, RawBounds, StorageGroup
from callint.decoding.word_order import unsigned_number
from callint.model.change import Flags, Grid, Numbers
from callint.model.definition import FixedAxis, Linear, StoredCount, Table, Text
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.image import Image


@dataclass(frozen=True)
class Decoded:
    """One image, decoded with one layout.

    ``raw`` has one array per storage group, in native byte order, masked and shifted down;
    ``present`` (cells) flags the cells that the image holds; absent ones are 0 in ``raw``.
    """

    layout: Layout
    image: Image
    raw: tuple[NDArray[Any], ...]
    present: Flags

    @cached_property
    def physical(self) -> Numbers:
        """All cells in engineering units, shape (cells,); NaN if absent or not a number."""
        with np.errstate(all="ignore"):
            if self.raw:
                physical = np.concatenate(self.raw, dtype=np.float64, casting="unsafe")
            else:
                physical = np.empty(0, np.float64)
            curved = [
                (cells, to_physical(conversion, physical[cells])) for conversion, cells in self.layout.curved
            ]
            for scale in self.layout.scales:
                scaled = physical[scale.cells]
                scaled *= scale.a
                scaled += scale.b
                scaled /= scale.q
        for cells, values in curved:
            physical[cells] = values
        if not self.present.all():
            physical[~self.present] = np.nan
        return physical

    @cached_property
    def off(self) -> Flags:
        """The cells that hold the off code of their table, shape (cells,)."""
        off = self.layout.has_off.copy()
        for group, raw, codes in zip(self.layout.groups, self.raw, self.layout.off_codes, strict=True):
            off[group.cells] &= raw == codes
        return off & self.present

    @cached_property
    def valued(self) -> Flags:
        """The cells that hold a value: present and not off; shape (cells,)."""
        return self.present & ~self.off

    @cached_property
    def raw_extremes(self) -> tuple[tuple[NDArray[Any], NDArray[Any]], ...]:
        """By storage group, the least and greatest raw value of each of its items; NaN if any cell is NaN."""
        starts = [self.layout.first[group.items] - group.cells.start for group in self.layout.groups]
        return tuple(
            (np.minimum.reduceat(raw, start), np.maximum.reduceat(raw, start))
            for raw, start in zip(self.raw, starts, strict=True)
        )

    @cached_property
    def uniform(self) -> Flags:
        """The items with the same raw value in all their cells, shape (items,); NaN equals nothing."""
        same = [least == greatest for least, greatest in self.raw_extremes]
        return np.concatenate(same) if same else np.zeros(0, bool)

    @cached_property
    def extremes(self) -> tuple[Numbers, Numbers]:
        """The least and greatest physical value of each item, shape (items,) each; NaN if any cell is NaN."""
        if not self.layout.items:
            return np.empty(0, np.float64), np.empty(0, np.float64)
        first = self.layout.first[:-1]
        return np.minimum.reduceat(self.physical, first), np.maximum.reduceat(self.physical, first)

    def items_exceeding(self, low: Numbers | float, high: Numbers | float) -> Flags:
        """The items with a cell below ``low``, above ``high`` or NaN; all shapes are (items,)."""
        least, greatest = self.extremes
        return ~((least >= low) & (greatest <= high))

    def cells_outside(self, low: Numbers, high: Numbers, raw: RawBounds | None = None) -> Integers:
        """The cells with values below ``low`` or above ``high`` of their item, rising; never off cells.

        The bounds have the shape (items,). Items with ``raw`` bounds are compared with these instead. Mostly
        no item exceeds its bounds, which its extremes show.
        """
        suspect = self.items_exceeding(low, high)
        suspect[list(raw or ())] = False
        cells = self.layout.cells_in(suspect)
        item, values = self.layout.item[cells], self.physical[cells]
        cells = cells[(values < low[item]) | (values > high[item])]
        if raw:
            further = [self._cells_outside_raw(number, *bounds) for number, bounds in raw.items()]
            cells = np.sort(np.concatenate([cells, *further]))
        return cells[self.valued[cells]]

    def _cells_outside_raw(self, item: int, least: int | None, greatest: int | None) -> Integers:
        """The cells of an item whose whole raw numbers are outside the bounds, rising."""
        flags = _outside(self.raw_of(item), least, greatest)
        return np.flatnonzero(flags) + int(self.layout.first[item])

    def is_outside(self, item: int, low: Fraction | None, high: Fraction | None) -> Flags:
        """The cells of an item with values below ``low`` or above ``high``, shape (rows, columns).

        Exact for whole raw numbers. None is an open end.
        """
        conversion = self.layout.definition.conversion_of(self.layout.items[item])
        if self.layout.wide[item] and isinstance(conversion, Linear):
            return _outside(self.raw_of(item), *raw_bounds(conversion, low, high))
        values = self.of_item(self.physical, item)
        flags = np.zeros(values.shape, bool)
        if low is not None:
            flags |= values < float(low)
        if high is not None:
            flags |= values > float(high)
        return flags

    def exact_at(self, cell: int) -> Fraction | None:
        """The exact value of a cell if doubles cannot distinguish it from its neighbours, otherwise None."""
        number = int(self.layout.item[cell])
        conversion = self.layout.definition.conversion_of(self.layout.items[number])
        raw = self.raw_at(cell)
        if not self.layout.wide[number] or not isinstance(conversion, Linear) or not isinstance(raw, int):
            return None
        return exact_value(conversion, raw) if is_large(conversion, raw) else None

    def raw_at(self, cell: int) -> int | float:
        """The raw value of one cell."""
        group = self.layout.group_of(cell)
        value: int | float = self.raw[group][cell - self.layout.groups[group].cells.start].item()
        return value

    def raw_of(self, item: int) -> NDArray[Any]:
        """The raw values of an item, shape (rows, columns)."""
        cells = self.layout.cells(item)
        group = self.layout.group_of(cells.start)
        start = self.layout.groups[group].cells.start
        raw = self.raw[group][cells.start - start : cells.stop - start]
        return raw.reshape(self.layout.shape(item))

    def of_item(self, vector: NDArray[Any], item: int) -> NDArray[Any]:
        """The part of a flat vector that belongs to an item, shape (rows, columns)."""
        return vector[self.layout.cells(item)].reshape(self.layout.shape(item))

    def breakpoints(self, axis: str) -> Numbers:
        """The physical breakpoints of an axis, shape (count,)."""
        if axis not in self._breakpoints:
            defined_axis = self.layout.definition.axes[axis]
            if isinstance(defined_axis, FixedAxis):
                self._breakpoints[axis] = np.array(defined_axis.values, np.float64)
            elif isinstance(defined_axis, DerivedAxis):
                self._breakpoints[axis] = self._derived(defined_axis)
            else:
                self._breakpoints[axis] = self.physical[self.layout.cells(self.layout.axis_items[axis])]
        return self._breakpoints[axis]

    def _derived(self, axis: DerivedAxis) -> Numbers:
        """The breakpoints of an axis that follow from its curve; NaN where the image has none."""
        definition = self.layout.definition
        curve = definition.curve_of(axis)
        if curve is None or curve.name not in self.layout.table_items:
            return np.full(axis.count, np.nan)  # definition/unknown-reference reports it
        grid = self.grid(curve)
        assert grid.x is not None
        if axis.derivation is Derivation.RESCALED:
            conversion = definition.conversion_of(curve)
            values = derived_axes.rescaled(grid.x, grid.raw[0], axis.count)
            values = to_physical(conversion, values) if grid.present.all() else np.full(axis.count, np.nan)
        else:
            values = derived_axes.inverted(grid.x, grid.physical[0], axis.count)
        return values[::-1] if axis.falling else values

    @cached_property
    def _breakpoints(self) -> dict[str, Numbers]:
        return {}

    def grid(self, table: Table) -> Grid:
        """The cells of one table with its breakpoints."""
        item = self.layout.table_items[table.name]
        return Grid(
            table=table,
            raw=self.raw_of(item),
            physical=self.of_item(self.physical, item),
            present=self.of_item(self.present, item),
            off=self.of_item(self.off, item),
            x=self.breakpoints(table.x) if table.x else None,
            y=self.breakpoints(table.y) if table.y else None,
        )

    def text(self, text: Text) -> str | None:
        """A text without its padding, or None if the image does not hold all of it."""
        data = self.image.read(text.at, text.length)
        if data is None:
            return None
        fill = bytes([self.layout.definition.memory.fill])
        return data.rstrip(b"\0" + fill + b" ").decode(text.encoding, "replace")

    def stored_count(self, count: StoredCount) -> int | None:
        """The stored number of breakpoints, or None if the image does not hold it."""
        data = self.image.read(count.at, count.storage.type.size)
        return None if data is None else unsigned_number(data, count.storage.byte_order)


def _outside(raw: NDArray[Any], least: int | None, greatest: int | None) -> Flags:
    """Which whole numbers are outside the bounds, which may be outside the type; any shape."""
    flags = np.zeros(raw.shape, bool)
    if least is not None:
        flags |= raw < least
    if greatest is not None:
        flags |= raw > greatest
    return flags


def decode(layout: Layout, image: Image) -> Decoded:
    """Read every cell of the layout from the image."""
    present = np.ones(layout.size, bool)
    raw = []
    for group, byte_ranges in zip(layout.groups, layout.byte_ranges, strict=True):
        numbers = None if byte_ranges is None else _read_ranges(image, group, byte_ranges)
        if numbers is None:
            numbers, present[group.cells] = _gather(image, group, layout.address[group.cells])
        raw.append(numbers)
    _apply_masks(layout, raw)
    return Decoded(layout, image, tuple(raw), present)


def _read_ranges(image: Image, group: StorageGroup, byte_ranges: ByteRanges) -> NDArray[Any] | None:
    """The numbers of a group from long byte ranges, which is several times as fast as by address.

    None if the image has gaps, or ends too early.
    """
    if len(image.segments) != 1:
        return None
    (segment,) = image.segments
    if byte_ranges.low < segment.start or segment.end < byte_ranges.high:
        return None
    data, first = segment.data, segment.start
    data_in_ranges = b"".join([data[start - first : end - first] for start, end in byte_ranges.pairs])
    numbers = group.native(np.frombuffer(data_in_ranges, group.dtype))
    return numbers if byte_ranges.rank is None else numbers.take(byte_ranges.rank)


def _gather(image: Image, group: StorageGroup, addresses: Integers) -> tuple[NDArray[Any], Flags]:
    """The numbers of a group by their addresses, 0 if the image lacks one, and which ones it holds."""
    buffer, size, native = image.content, group.type.size, group.dtype.newbyteorder("=")
    positions = image.positions(addresses, size)
    present = positions >= 0
    if not present.any():
        return np.zeros(len(positions), native), present
    # Every byte offset as the start of a number: the gather reads unaligned, in stored byte order.
    everywhere: NDArray[Any] = np.ndarray((len(buffer) - size + 1,), group.dtype, buffer, strides=(1,))
    numbers = group.native(everywhere[positions])
    numbers[~present] = 0
    return numbers, present


def _apply_masks(layout: Layout, raw: list[NDArray[Any]]) -> None:
    """Reduce the masked cells to their bits, in place; only unsigned types have masks."""
    for group, numbers, masks in zip(layout.groups, raw, layout.masks, strict=True):
        if len(masks.cells):
            positions = masks.cells - group.cells.start
            bits = numbers.view(masks.masks.dtype)
            bits[positions] = (bits[positions] & masks.masks) >> masks.shifts
