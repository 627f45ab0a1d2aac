"""Suggests axes, curves and maps for the undescribed ranges of a memory."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from callint.decoding.coverage import is_described, memory_bytes
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.table_suggestions.certainty import confident
from callint.decoding.table_suggestions.readings import ItemReading, KnownAxis, RangeReader
from callint.decoding.table_suggestions.style import StorageStyle, other_sign
from callint.model.definition import (
    NO_CONSTRAINTS,
    ByteOrder,
    Definition,
    Kind,
    NumberType,
    Purpose,
    Storage,
    StoredAxis,
    StoredCount,
    Table,
)
from callint.model.definition_counts import usual_byte_order
from callint.model.image import Image

#: Longer ranges are read in windows that overlap, and at most this number of bytes is read.
_WINDOW, _OVERLAP, MOST_BYTES = 8192, 1024, 2**21
#: The largest number of fill bytes between two ranges that are read as one.
_MOST_FILL = 64
#: The least number of bytes in which anything can be recognized.
_LEAST_BYTES = 6
#: The number of axes whose counts are tried for a range, and of axis uses before and after it that are read.
_NEAREST, _USES = 24, 64
#: The number of found axes whose counts are tried, and their least probability.
_FOUND, _LEAST_FOUND = 64, 0.3
#: The signal of suggested axes, which a person replaces.
UNKNOWN_SIGNAL = "unknown"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """An axis, curve or map that may lie in undescribed bytes.

    ``confidence`` is the share of such suggestions that are right. ``low`` and ``high`` are the least and the
    greatest raw number; ``step`` is the mean distance of neighbours along a row in parts of that range.
    ``users`` are the suggested tables that use an axis, ``other_type`` the type of the other sign if it reads
    the same numbers, and ``changed`` the number of cells that differ from the base, by the images that were
    compared with it.
    """

    item: StoredAxis | Table
    rows: int
    columns: int
    confidence: float
    low: float
    high: float
    step: float
    users: int
    other_type: str | None
    changed: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Suggestions:
    """The suggestions for the undescribed bytes, sorted by address, and the definition with all of them.

    ``unread`` is the number of undescribed bytes beyond the first ``MOST_BYTES``, and ``unread_from`` the
    address of the first of them, None if all were read.
    """

    items: tuple[Suggestion, ...]
    definition: Definition
    unread: int = 0
    unread_from: int | None = None


def suggest_tables(
    loaded: LoadedDefinition,
    ranges: Sequence[tuple[int, int]],
    images: Sequence[Image],
    base: Image | None,
    step: Callable[[int], None] = lambda done: None,
) -> Suggestions:
    """The confident suggestions for some ranges, each given by its first address and its size.

    The base is read if there is one, otherwise the first image. ``step`` is called with the number of bytes
    read so far.
    """
    image = images[0] if base is None else base
    ranges, unread, unread_from = _within_bound(ranges)
    readings = read_ranges(loaded, image, ranges, step)
    chosen = sorted(confident(readings, image, loaded.definition.memory.fill), key=lambda pair: pair[0].at)
    result = _Describer(loaded.definition, image, () if base is None else images).describe(chosen)
    return replace(result, unread=unread, unread_from=unread_from)


def _within_bound(
    ranges: Sequence[tuple[int, int]],
) -> tuple[list[tuple[int, int]], int, int | None]:
    """The first ``MOST_BYTES`` bytes of the ranges, the number of the others, and their first address."""
    kept: list[tuple[int, int]] = []
    left, unread, unread_from = MOST_BYTES, 0, None
    for start, size in sorted(ranges):
        length = min(size, left)
        if length:
            kept.append((start, length))
        if length < size and unread_from is None:
            unread_from = start + length
        left -= length
        unread += size - length
    return kept, unread, unread_from


class _Describer:
    """Makes axes and tables from readings, with names, axes and evidence."""

    def __init__(self, definition: Definition, image: Image, compared: Sequence[Image]) -> None:
        self._definition = definition
        self._image, self._compared = image, compared
        self._is_y_first = StorageStyle(definition).is_y_first
        self._order = usual_byte_order(definition)
        self._names = {*definition.axes, *definition.tables, *definition.texts}
        self._axes = {axis.name: (axis.at, axis.count) for axis in shared_axes(definition)}
        self._users: dict[str, int] = {}
        self._places: dict[str, list[int]] = {name: [at] for name, (at, _) in self._axes.items()}
        for table in definition.tables.values():
            for name in table.axes:
                if name in self._places:
                    self._places[name].append(table.at)

    def describe(self, readings: Sequence[tuple[ItemReading, float]]) -> Suggestions:
        axes = {id(item): self._axis(item) for item, _ in readings if item.is_axis}
        self._axes.update({axis.name: (axis.at, axis.count) for axis in axes.values()})
        tables = {
            id(item): table
            for item, _ in readings
            if not item.is_axis and (table := self._table(item)) is not None
        }
        made: dict[int, StoredAxis | Table] = {**axes, **tables}
        items = [
            self._suggestion(item, made[id(item)], share) for item, share in readings if id(item) in made
        ]
        definition = replace(
            self._definition,
            axes={**self._definition.axes, **{axis.name: axis for axis in axes.values()}},
            tables={**self._definition.tables, **{table.name: table for table in tables.values()}},
        )
        return Suggestions(tuple(items), definition)

    def _name(self, what: str, at: int) -> str:
        """A name that no other item has."""
        name = f"{what}_{at:X}"
        while name in self._names:
            name += "_suggested"
        self._names.add(name)
        return name

    def _storage(self, storage: Storage) -> Storage:
        """The storage; numbers of one byte get the definition's byte order, so that none is written."""
        order: ByteOrder = self._order if storage.type.size == 1 else storage.byte_order
        return replace(storage, byte_order=order)

    def _axis(self, item: ItemReading) -> StoredAxis:
        storage = self._storage(item.storage)
        count = None
        if item.count_at is not None:
            whole = NumberType.uint8 if item.count_size == 1 else storage.type
            count = StoredCount(item.count_at, Storage(whole, storage.byte_order, whole.size))
        name = self._name("axis", item.at)
        return StoredAxis(name, UNKNOWN_SIGNAL, item.at, storage, None, item.columns, count, 0)

    def _table(self, item: ItemReading) -> Table | None:
        """A curve or map with axes; None if no axis has its size, because most such readings are wrong."""
        is_map = item.rows > 1
        fast = self._axis_for(item.at, item.columns, ())
        slow = self._axis_for(item.at, item.rows, (fast or "",)) if is_map else None
        if fast is None or (is_map and slow is None):
            return None
        x, y = (slow, fast) if is_map and self._is_y_first else (fast, slow)
        for name in (fast, slow):
            if name is not None:
                self._users[name] = self._users.get(name, 0) + 1
        return Table(
            name=self._name("map" if is_map else "curve", item.at), title="Suggested",
            kind=Kind.MAP if is_map else Kind.CURVE, purpose=Purpose.GENERAL, group="", at=item.at,
            storage=self._storage(item.storage), conversion=None, x=x, y=y,
            y_first=is_map and self._is_y_first, signal=None, produces=None, demands=NO_CONSTRAINTS,
            notes=(), line=0,
        )  # fmt: skip

    def _axis_for(self, at: int, count: int, taken: Sequence[str]) -> str | None:
        """The axis with a count that the nearest item uses, itself included; None if no axis has it."""
        places = [
            (min(abs(at - place) for place in self._places.get(name, [own])), name)
            for name, (own, size) in self._axes.items()
            if size == count and name not in taken
        ]
        return min(places)[1] if places else None

    def _suggestion(self, reading: ItemReading, item: StoredAxis | Table, share: float) -> Suggestion:
        content = self._image.read(reading.at, reading.size) or bytes(reading.size)
        raw = np.frombuffer(content, reading.storage.dtype)
        values = raw.astype(np.float64).reshape(reading.rows, reading.columns)
        low, high = float(values.min()), float(values.max())
        other = other_sign(reading.storage) if reading.either_sign else None
        return Suggestion(
            item=item,
            rows=reading.rows,
            columns=reading.columns,
            confidence=share,
            low=low,
            high=high,
            step=float(np.abs(np.diff(values, axis=1)).mean() / (high - low)) if high > low else 0.0,
            users=self._users.get(item.name, 0),
            other_type=None if other is None else other.type.name,
            changed=tuple(self._changed(image, reading, raw) for image in self._compared),
        )

    @staticmethod
    def _changed(image: Image, reading: ItemReading, raw: NDArray[np.generic]) -> int:
        """The number of cells that differ in an image; cells that the image lacks do not count."""
        content = image.read(reading.at, reading.size)
        if content is None:
            return 0
        bits = f"V{reading.storage.type.size}"
        return int((np.frombuffer(content, bits) != raw.view(bits)).sum())


def joined(
    loaded: LoadedDefinition, content: NDArray[np.int16], ranges: Sequence[tuple[int, int]]
) -> list[tuple[int, int]]:
    """The ranges, joined if only a little fill lies between them, as between aligned items."""
    memory = loaded.definition.memory
    described = is_described(loaded, memory.start, memory.end)
    result: list[tuple[int, int]] = []
    for start, size in sorted(ranges):
        if result:
            first, length = result[-1]
            between = slice(first + length - memory.start, start - memory.start)
            is_fill = (content[between] == memory.fill).all() and not described[between].any()
            if start - first - length <= _MOST_FILL and is_fill:
                result[-1] = first, start + size - first
                continue
        result.append((start, size))
    return result


def read_ranges(
    loaded: LoadedDefinition,
    image: Image,
    ranges: Sequence[tuple[int, int]],
    step: Callable[[int], None] = lambda done: None,
) -> list[ItemReading]:
    """The likely readings of some ranges, each given by its first address and its size."""
    definition = loaded.definition
    memory = definition.memory
    content = memory_bytes(image, memory)
    ranges = joined(loaded, content, ranges)
    counts = np.bincount(content[content >= 0], minlength=256) + 1.0
    usual = counts / counts.sum()
    style = StorageStyle(definition)
    uses = _AxisUses(definition)
    found: list[ItemReading] = []
    done = 0
    for start, size in ranges:
        low, end = start, start + size
        while end - low >= _LEAST_BYTES:
            step(done + low - start)
            high = end if end - low <= _WINDOW + _OVERLAP else low + _WINDOW + _OVERLAP
            part = content[low - memory.start : high - memory.start]
            if (part < 0).any():  # only another image has these bytes
                low = high
                continue
            known = uses.nearest(low, [item for item in found[-_FOUND:] if item.is_axis and item.end <= low])
            readings = RangeReader(part.astype(np.uint8), low, style, known, usual).read()
            if high < end:
                readings = [item for item in readings if item.start < low + _WINDOW]
            found += readings
            behind = [item.end for item in readings if item.probability > 0.5]
            low = end if high == end else max([low + _WINDOW, *behind])
        done += size
    return found


def shared_axes(definition: Definition) -> list[StoredAxis]:
    """The stored axes that any table may use: those that do not lie inside a table."""
    return [axis for axis in definition.stored_axes if "/" not in axis.name]


class _AxisUses:
    """The addresses at which a definition uses each axis: its own, and those of its tables."""

    def __init__(self, definition: Definition) -> None:
        self._axes = {axis.name: axis for axis in shared_axes(definition)}
        uses = [(axis.at, axis.name) for axis in self._axes.values()]
        uses += [
            (table.at, name)
            for table in definition.tables.values()
            for name in table.axes
            if name in self._axes
        ]
        self._uses = sorted(uses)
        self._places = np.array([at for at, _ in self._uses], np.int64)

    def nearest(self, at: int, found: Sequence[ItemReading]) -> list[KnownAxis]:
        """The axes whose uses are nearest to an address, and the found axes, nearest first."""
        middle = int(np.searchsorted(self._places, at))
        near = self._uses[max(middle - _USES, 0) : middle + _USES]
        distances: dict[str, int] = {}
        for place, name in near:
            distances[name] = min(distances.get(name, abs(place - at)), abs(place - at))
        known = [
            (distance, KnownAxis(self._axes[name].at, self._axes[name].count))
            for name, distance in distances.items()
        ]
        known += [
            (abs(item.at - at), KnownAxis(item.at, item.columns, max(-math.log2(item.probability), 0.0)))
            for item in found
            if item.probability > _LEAST_FOUND
        ]
        return [axis for _, axis in sorted(known, key=lambda pair: pair[0])][:_NEAREST]
