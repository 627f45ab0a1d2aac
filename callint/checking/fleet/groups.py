"""Numbers the distinct contents of each table over all images of a fleet."""

from __future__ import annotations

import tempfile
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from weakref import finalize

import numpy as np
from numpy.typing import NDArray

from callint.checking.fleet.records import PackedDigests
from callint.checking.fleet.table_digests import DIGEST_BYTES, WORDS, Words, fleet_tables, table_form
from callint.decoding.layout import Integers
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.definition import Purpose, Table, Text
from callint.model.errors import InputError

#: Up to this number of bytes the digests of a fleet are kept in memory, above it in a temporary file.
_MOST_IN_MEMORY = 32 * 2**20
#: The number of digests that are compared at once.
_CHUNK = 2**19
#: The number of calibrations of a table of which the digest is kept.
MOST_DIGESTS = 100
#: Odd multipliers with bits everywhere that mix a row and a form into a digest.
_MIX = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F], np.uint64)


@dataclass(frozen=True, slots=True)
class _DigestBlock:
    """Images of one definition, with their digests at ``place``.

    ``numbers`` and ``first`` are as in ``PackedDigests``.
    """

    definition: str
    images: Integers
    numbers: NDArray[np.uint8]
    first: NDArray[np.uint32]
    place: int


@dataclass(frozen=True)
class TableGroups:
    """The calibrations of one table over the images of a fleet, the most frequent first.

    ``numbers`` (images) is the calibration of each image, counted from 0, and -1 if the image or its
    definition lacks the table. Two calibrations of tables that are read in different ways differ. ``counts``
    (calibrations) is the number of images with each, ``first_images`` the first of these. ``words``
    (calibrations, 2) are the digests of the first calibrations. ``compared`` is the calibration of
    the image for comparison: -1 without one, and the number of all calibrations if no image has it.
    """

    table: Table | Text
    numbers: NDArray[np.int32]
    counts: Integers
    first_images: Integers
    words: Words
    compared: int = -1

    @property
    def digests(self) -> list[str]:
        """The digests of the first calibrations, as ``callint show`` prints them."""
        return [words.tobytes()[:DIGEST_BYTES].hex() for words in self.words]

    def images(self, number: int) -> list[int]:
        """The images with a calibration."""
        images: list[int] = np.flatnonzero(self.numbers == number).tolist()
        return images

    @property
    def is_uniform(self) -> bool:
        """Whether all images that have the table have the same calibration."""
        return len(self.counts) <= 1


class FleetGroups:
    """The digests of the tables of a fleet, and the groups of equal ones.

    ``definitions`` are those of the images, by path.
    """

    def __init__(self, images: int) -> None:
        self.image_count = images
        self.definitions: dict[str, LoadedDefinition] = {}
        self._tables: dict[str, tuple[Table | Text, ...]] = {}
        self._blocks: list[_DigestBlock] = []
        self._digests = tempfile.SpooledTemporaryFile(_MOST_IN_MEMORY)  # noqa: SIM115 (closed below)
        finalize(self, self._digests.close)
        self._size = 0

    def add_definition(self, loaded: LoadedDefinition) -> None:
        """Add a definition before its images."""
        self.definitions[loaded.file.path] = loaded
        self._tables[loaded.file.path] = fleet_tables(loaded)

    def add(self, definition: str, images: Sequence[int], packed: PackedDigests) -> None:
        """Add images of a definition by their numbers; the number ``image_count`` is one for comparison."""
        if len(packed.numbers) != len(self._tables[definition]):
            raise InputError(f"{definition}: the definition changed while callint read the images; try again")
        content = np.ascontiguousarray(packed.digests).tobytes()
        self._digests.seek(self._size)
        self._digests.write(content)
        numbers = np.asarray(images, np.int64)
        self._blocks.append(_DigestBlock(definition, numbers, packed.numbers, packed.first, self._size))
        self._size += len(content)

    @cached_property
    def tables(self) -> dict[str, Table | Text]:
        """The tables of all definitions by name, the most dangerous purpose first."""
        tables: dict[str, Table | Text] = {}
        for definition in self._tables.values():
            for table in definition:
                tables.setdefault(table.name, table)
        purposes = list(Purpose)
        return dict(sorted(tables.items(), key=lambda item: purposes.index(item[1].purpose)))

    def groups(self, names: Collection[str]) -> Iterator[TableGroups]:
        """The groups of tables in the order of ``tables``."""
        selected = [name for name in self.tables if name in names]
        size = max(1, _CHUNK // (self.image_count + 1))
        for start in range(0, len(selected), size):
            yield from self._groups(selected[start : start + size])

    def _groups(self, names: list[str]) -> Iterator[TableGroups]:
        """The groups of a few tables."""
        rows = {name: row for row, name in enumerate(names)}
        chosen = self._chosen(rows)
        entries = [self._entries(block, chosen[block.definition]) for block in self._blocks]
        keys = np.concatenate([np.empty((0, 2 + WORDS), np.uint64), *(keys for keys, _ in entries)])
        group, distinct, first = _distinct_keys(keys, len(names))
        group[~keys[:, 2:].any(axis=1)] = -1
        images = np.concatenate([np.empty(0, np.int64), *(block.images for block in self._blocks)])
        numbers = np.full((len(names), len(images)), -1, np.int64)
        place = start = 0
        for block, (own_keys, starts) in zip(self._blocks, entries, strict=True):
            of_block = chosen[block.definition]
            own = starts[:, None] + block.numbers[of_block[:, 1]]
            numbers[of_block[:, 0], place : place + len(block.images)] = group[start : start + len(own_keys)][
                own
            ]
            place += len(block.images)
            start += len(own_keys)
        for row, name in enumerate(names):
            of_row = np.full(self.image_count + 1, -1, np.int64)
            of_row[images] = numbers[row]
            yield _sorted_groups(self.tables[name], of_row, distinct[first[row] : first[row + 1], 2:])

    def _chosen(self, rows: Mapping[str, int]) -> dict[str, Integers]:
        """For each definition, the row, the number and the form of each chosen table, shape (tables, 3).

        The form distinguishes tables that are read in different ways.
        """
        chosen: dict[str, Integers] = {}
        forms: dict[bytes, int] = {}
        for path, tables in self._tables.items():
            definition = self.definitions[path].definition
            parts = []
            for number, table in enumerate(tables):
                if table.name in rows:
                    # A single definition reads a table in one way.
                    form = table_form(definition, table) if len(self._tables) > 1 else b""
                    parts.append((rows[table.name], number, forms.setdefault(form, len(forms))))
            chosen[path] = np.array(parts, np.int64).reshape(-1, 3)
        return chosen

    def _entries(self, block: _DigestBlock, tables: Integers) -> tuple[Words, Integers]:
        """The digests of some tables in a block, and the first of them of each table, shape (tables,).

        The digests have a row each: row of the table, its form, two words.
        """
        count = int(block.first[-1])
        self._digests.seek(block.place)
        digests = np.frombuffer(self._digests.read(8 * WORDS * count), np.uint64).reshape(-1, WORDS)
        rows, numbers, forms = tables.T
        first = block.first[numbers].astype(np.int64)
        amounts = block.first[numbers + 1].astype(np.int64) - first
        starts = np.cumsum(amounts) - amounts
        places = np.arange(int(amounts.sum())) + np.repeat(first - starts, amounts)
        keys = np.empty((len(places), 2 + WORDS), np.uint64)
        keys[:, 0], keys[:, 1] = np.repeat(rows, amounts), np.repeat(forms, amounts)
        keys[:, 2:] = digests[places]
        return keys, starts


def _distinct_keys(keys: Words, rows: int) -> tuple[Integers, Words, Integers]:
    """Number equal keys of each row, where a key has its row in the first of four columns.

    Returns the number of each key in its row, counted from 0, the distinct keys in the order of rows, and
    the first of these of each row and their end, shape (rows + 1,).
    """
    # Digests are as random as a hash, so a mix of the four columns orders equal keys together.
    mixed = keys[:, 2] + (keys[:, 0] * _MIX[0]) + (keys[:, 1] * _MIX[1])
    order = np.argsort(mixed)
    ordered = keys[order]
    is_new = np.ones(len(ordered), bool)
    is_new[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    if np.count_nonzero(is_new) != 1 + np.count_nonzero(np.diff(mixed[order])):  # different keys collided
        order = np.lexsort(keys.T[::-1])
        ordered = keys[order]
        is_new[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    distinct = ordered[is_new]
    by_row = np.argsort(distinct[:, 0], kind="stable")
    distinct = distinct[by_row]
    first = np.searchsorted(distinct[:, 0], np.arange(rows + 1, dtype=np.uint64))
    place = np.empty(len(by_row), np.int64)
    place[by_row] = np.arange(len(by_row)) - first[distinct[:, 0].astype(np.int64)]
    number = np.empty(len(keys), np.int64)
    number[order] = place[np.cumsum(is_new) - 1]
    return number, distinct, first


def _sorted_groups(table: Table | Text, numbers: Integers, distinct: Words) -> TableGroups:
    """The groups of a table, the most frequent first, then by their first image.

    ``numbers`` (images + 1) are rows of ``distinct``. The last image is for comparison and not counted.
    """
    fleet, compared = numbers[:-1], int(numbers[-1])
    counts = np.bincount(fleet + 1, minlength=len(distinct) + 1)[1:]
    first = np.empty(len(distinct) + 1, np.int64)  # the last one is for images without the table
    first[fleet[::-1]] = np.arange(len(fleet))[::-1]
    ordered = np.lexsort((first[:-1], -counts))
    ordered = ordered[: np.count_nonzero(counts)]
    kept = distinct[ordered[:MOST_DIGESTS]]
    renumbered = np.full(len(distinct) + 1, -1, np.int32)
    renumbered[ordered] = np.arange(len(ordered))
    own = int(renumbered[compared])
    if compared >= 0 and own < 0:
        own = len(ordered)
    return TableGroups(table, renumbered[fleet], counts[ordered], first[ordered], kept, own)
