"""Computes the digests of all tables of an image, fast for images that are mostly alike."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from callint.decoding.digest import canonical
from callint.decoding.footprint import Footprint, footprint
from callint.decoding.layout import Item
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.definition import Axis, Definition, FixedAxis, Storage, Table, Text
from callint.model.derived_axis import DerivedAxis
from callint.model.image import Image

#: The bytes of a digest: the first part of the digests in a policy, of 28 hexadecimal digits.
DIGEST_BYTES = 14
#: A digest is stored in two numbers of 64 bits; the last two bytes are 0.
WORDS = 2
_PADDING = bytes(8 * WORDS - DIGEST_BYTES)
Words = NDArray[np.uint64]

#: The largest number of images whose bytes are kept, one for each set of addresses that images hold.
_KEPT_EXTENTS = 4
#: An image becomes the new reference if it differs from the kept one in more than this share of tables.
_FAR = 0.5


def fleet_tables(loaded: LoadedDefinition) -> tuple[Table | Text, ...]:
    """The readable tables and the texts of a definition in its order, without unit numbers."""
    definition = loaded.definition
    tables: list[Table | Text] = [definition.tables[name] for name in loaded.layout.table_items]
    tables += definition.texts.values()
    return tuple(sorted((table for table in tables if not table.unit_own), key=lambda table: table.line))


def table_form(definition: Definition, table: Table | Text) -> bytes:
    """A digest of the way in which the bytes of a table are read, but not of their addresses.

    Tables of one form and one digest are equal.
    """
    if isinstance(table, Text):
        form: list[object] = [table.length, table.encoding]
    else:
        axes = [definition.axes[name] for name in table.axes]
        form = [
            _storage_form(table.storage),
            definition.conversion_of(table),
            definition.unit_of(table),
            table.demands.off and table.demands.off.raw,
            [_axis_form(definition, axis) for axis in axes],
        ]
    return hashlib.sha256(canonical(form)).digest()


def _axis_form(definition: Definition, axis: Axis) -> list[object]:
    if isinstance(axis, FixedAxis):
        return [axis.signal, axis.values]
    if isinstance(axis, DerivedAxis):
        curve = definition.curve_of(axis)
        return [axis.signal, axis.count, axis.derivation, curve and table_form(definition, curve)]
    storage = _storage_form(axis.storage)
    return [axis.signal, axis.count, storage, definition.conversion_of(axis), definition.unit_of(axis)]


def _storage_form(storage: Storage) -> list[object]:
    return [storage.type, storage.byte_order, storage.mask]


#: The bytes of an image without gaps that a digest covers, as ranges; None for bytes that need a look-up.
_Ranges = tuple[tuple[int, int], ...] | None


@dataclass(frozen=True)
class _ReferenceImage:
    """An image, the positions of its cells, and the digests of its tables, shape (tables, 2).

    ``ranges`` are those of each table, for images with the same addresses.
    """

    image: Image
    footprint: Footprint
    ranges: tuple[_Ranges, ...]
    digests: Words


class TableDigests:
    """Computes the digests of the tables of one image after another.

    A digest is that of ``decoding.digest.table_digest``, without meaning and demands. Only tables whose bytes
    differ from those of an earlier image are hashed.
    """

    def __init__(self, loaded: LoadedDefinition) -> None:
        self._loaded = loaded
        self.tables = fleet_tables(loaded)
        self._references: dict[tuple[tuple[int, int], ...], _ReferenceImage] = {}
        self._texts = list(loaded.definition.texts.values())

    @cached_property
    def _tables_of_item(self) -> list[list[int]]:
        """The numbers of the tables that each item of the layout, and then each text, belongs to."""
        layout = self._loaded.layout
        tables: list[list[int]] = [[] for _ in range(len(layout.items) + len(self._texts))]
        texts = {text.name: len(layout.items) + number for number, text in enumerate(self._texts)}
        for number, table in enumerate(self.tables):
            items = [texts[table.name]] if isinstance(table, Text) else self._items(table)
            for item in items:
                tables[item].append(number)
        return tables

    def _items(self, table: Table) -> list[int]:
        """The items whose bytes a digest covers: the table, then those of its axes, x before y."""
        layout = self._loaded.layout
        sources = [number for axis in table.axes for number in layout.sources_of(axis)]
        return [layout.table_items[table.name], *sources]

    def of(self, image: Image) -> Words:
        """The digests of all tables, shape (tables, 2); 0 for a table with missing bytes."""
        reference = self._references.get(image.extents)
        if reference is None:
            cells = footprint(self._loaded.layout, image, self._texts)
            ranges = tuple(self._ranges(image, table) for table in self.tables)
            if len(self._references) >= _KEPT_EXTENTS:
                self._references.pop(next(iter(self._references)))
            digests = self._digests(image, range(len(self.tables)), ranges)
            self._references[image.extents] = _ReferenceImage(image, cells, ranges, digests)
            return digests
        changed = self._changed_tables(reference, image)
        if not changed:
            return reference.digests
        digests = reference.digests.copy()
        digests[changed] = self._digests(image, changed, reference.ranges)
        if len(changed) > _FAR * len(self.tables):
            self._references[image.extents] = replace(reference, image=image, digests=digests)
        return digests

    def _changed_tables(self, reference: _ReferenceImage, image: Image) -> list[int]:
        """The sorted numbers of the tables whose bytes differ from the reference."""
        layout = self._loaded.layout
        owners = reference.footprint.changed(reference.image, image)
        is_changed = np.zeros(len(layout.items) + len(self._texts), bool)
        is_cell = owners < layout.size
        is_changed[layout.item[owners[is_cell]]] = True
        is_changed[owners[~is_cell] - layout.size + len(layout.items)] = True
        items = np.flatnonzero(is_changed).tolist()
        return sorted({table for item in items for table in self._tables_of_item[item]})

    def _digests(self, image: Image, numbers: Sequence[int], ranges: Sequence[_Ranges]) -> Words:
        """The digests of some tables, shape (number of these, 2)."""
        data, digest = image.segments[0].data if image.segments else b"", hashlib.sha256
        digests = []
        for number in numbers:
            of_table = ranges[number]
            if of_table is None:
                digests.append(self._digest(image, self.tables[number]))
            elif len(of_table) == 1:
                ((start, end),) = of_table
                digests.append(digest(data[start:end]).digest()[:DIGEST_BYTES])
            else:
                digests.append(digest(b"".join([data[a:b] for a, b in of_table])).digest()[:DIGEST_BYTES])
        content = _PADDING.join(digests) + _PADDING if digests else b""
        return np.frombuffer(content, np.uint64).reshape(-1, WORDS)

    def _ranges(self, image: Image, table: Table | Text) -> _Ranges:
        """The ranges of bytes that a digest covers, if the image has no gaps and holds them all."""
        if len(image.segments) != 1:
            return None
        (segment,) = image.segments
        ranges = []
        for run in self._runs(table):
            if run is None or run[0] < segment.start or segment.end < run[1]:
                return None
            ranges.append((run[0] - segment.start, run[1] - segment.start))
        return tuple(ranges)

    def _runs(self, table: Table | Text) -> Iterator[tuple[int, int] | None]:
        """The addresses of the items of a table that lie in order and without gaps; None for other items."""
        if isinstance(table, Text):
            yield table.at, table.at + table.length
            return
        layout = self._loaded.layout
        for number in self._items(table):
            addresses, size = layout.address[layout.cells(number)], layout.items[number].storage.type.size
            is_plain = layout.items[number].storage.mask is None and (np.diff(addresses) == size).all()
            yield (int(addresses[0]), int(addresses[-1]) + size) if is_plain else None

    def _digest(self, image: Image, table: Table | Text) -> bytes:
        """The digest of one table; 0 if the image lacks bytes of it."""
        digest = hashlib.sha256()
        for part in self._parts(image, table):
            if part is None:
                return bytes(DIGEST_BYTES)
            digest.update(part)
        return digest.digest()[:DIGEST_BYTES]

    def _parts(self, image: Image, table: Table | Text) -> Iterator[memoryview | bytes | None]:
        """The bytes that a digest covers; None for bytes that the image lacks."""
        if isinstance(table, Text):
            yield image.view(table.at, table.length)
        else:
            for item in self._items(table):
                yield self._stored(image, item)

    def _stored(self, image: Image, number: int) -> memoryview | bytes | None:
        """The stored bytes of an item, x fastest and masked; None if the image lacks some of them."""
        layout = self._loaded.layout
        item: Item = layout.items[number]
        addresses, size = layout.address[layout.cells(number)], item.storage.type.size
        positions = image.positions(addresses, size)
        if (positions < 0).any():
            return None
        stored: NDArray[np.uint8] = image.content[positions[:, None] + np.arange(size)]
        if item.storage.mask:
            mask = np.array([item.storage.mask], np.dtype(f"u{size}")).astype(
                f"{item.storage.dtype.byteorder}u{size}"
            )
            stored &= mask.view(np.uint8)
        return stored.tobytes()
