"""Reads images and packs the digests of their tables, in this process or in workers."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from callint.checking.assignments import Assignment
from callint.checking.fleet.table_digests import WORDS, TableDigests, Words
from callint.checking.identity import identity_mismatch, size_problem
from callint.checking.loading import ImageLoader
from callint.checking.worker_pool import require_same_version
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.errors import InputError
from callint.reading.images import DamagedError, read_image
from callint.reading.tree import InMemoryTree, Tree, reason

#: The largest number of images in one block: their numbers fit into a byte.
MAX_BLOCK = 256


class ImageRecord(NamedTuple):  # made ten thousand times at each start: a dataclass takes three times as long
    """The known facts about one image file.

    ``digest`` is the SHA-256 of its content, empty if it cannot be read. ``definition`` is the path of the
    definition that it was read with; ``problem`` is the reason why it lacks digests of its tables, or "".
    """

    path: str
    digest: bytes
    definition: str
    problem: str = ""


@dataclass(frozen=True, slots=True)
class PackedDigests:
    """The distinct digests of the tables of some images of one definition.

    ``numbers`` (tables, images) gives the digest of its table that an image has, by number; ``first``
    (tables + 1) is the first digest of each table in ``digests`` (digests, 2).
    """

    numbers: NDArray[np.uint8]
    first: NDArray[np.uint32]
    digests: Words

    def rows(self) -> Words:
        """The digests of each image, shape (images, tables, 2)."""
        rows: Words = self.digests[self.first[:-1, None] + self.numbers].transpose(1, 0, 2)
        return rows


def pack(rows: Words) -> PackedDigests:
    """Pack the digests of at most ``MAX_BLOCK`` images, shape (images, tables, 2)."""
    images, tables, _ = rows.shape
    if not images or not tables:
        empty = np.empty((tables, images), np.uint8), np.zeros(tables + 1, np.uint32)
        return PackedDigests(*empty, np.empty((0, WORDS), np.uint64))
    order = np.argsort(rows[:, :, 0], axis=0, kind="stable")
    columns = np.arange(tables)
    by_digest = rows[order, columns]
    # Digests with one first half and different second halves may alternate; one of them is then kept twice.
    is_new = np.ones((images, tables), bool)
    is_new[1:] = (by_digest[1:] != by_digest[:-1]).any(axis=2)
    numbers = np.empty((images, tables), np.uint8)
    numbers[order, columns] = np.cumsum(is_new, axis=0) - 1
    first = np.zeros(tables + 1, np.uint32)
    np.cumsum(is_new.sum(axis=0), out=first[1:])
    return PackedDigests(
        np.ascontiguousarray(numbers.T), first, np.ascontiguousarray(by_digest.transpose(1, 0, 2)[is_new.T])
    )


@dataclass(frozen=True, slots=True)
class RecordTask:
    """Images of one block that must be read.

    ``known`` has the digests of images whose tables are known already. All tasks of one ``run`` have the same
    definitions. If the worker cannot read the files, ``tree`` carries those of these images.
    """

    version: str
    run: str
    tree: Tree
    images: tuple[Assignment, ...]
    known: dict[str, bytes]


@dataclass(frozen=True, slots=True)
class RecordBlock:
    """The records of a task in its order.

    ``rows`` has, for each definition, the numbers of the records with digests, and these digests.
    """

    records: tuple[ImageRecord, ...]
    rows: dict[str, tuple[tuple[int, ...], PackedDigests]] = field(default_factory=dict)


class RecordReader:
    """Reads one image after another; keeps the definitions and their reference images."""

    def __init__(self, tree: Tree) -> None:
        self.loader = ImageLoader(tree)
        self._digests: dict[str, TableDigests] = {}

    def digests_of(self, path: str) -> TableDigests:
        """The digests by a definition that the loader has read."""
        if path not in self._digests:
            self._digests[path] = TableDigests(self.loaded(path))
        return self._digests[path]

    def loaded(self, path: str) -> LoadedDefinition:
        """A definition that an image was read by; InputError if it cannot be read any more."""
        loaded = self.loader.load(path).loaded
        if loaded is None:
            raise InputError(f"{path}: the definition changed while callint read the images; try again")
        return loaded

    def read(self, assignment: Assignment, known: bytes) -> tuple[ImageRecord, Words | None]:
        """An image with the digests of its tables, or without them if its content is known."""
        path = assignment.image
        try:
            data = self.loader.tree.read(path)
        except OSError as error:
            return ImageRecord(path, b"", "", reason(error)), None
        digest = hashlib.sha256(data).digest()
        if digest == known:
            return ImageRecord(path, digest, ""), None
        loaded = self.loader.choose_definition(assignment, data)
        if loaded is None:
            return ImageRecord(path, digest, "", "its definition cannot be read; run callint check"), None
        try:
            image = read_image(data, loaded.definition.memory, assignment.start)
        except DamagedError as error:
            return ImageRecord(path, digest, loaded.file.path, f"it is damaged: {error}"), None
        memory = loaded.definition.memory
        if problem := identity_mismatch(image, memory) or size_problem(image, memory):
            return ImageRecord(path, digest, loaded.file.path, str(problem)), None
        return ImageRecord(path, digest, loaded.file.path), self.digests_of(loaded.file.path).of(image)

    def read_block(self, images: Sequence[Assignment], known: dict[str, bytes]) -> RecordBlock:
        """The records of at most ``MAX_BLOCK`` images."""
        records: list[ImageRecord] = []
        rows: dict[str, list[tuple[int, Words]]] = {}
        for number, assignment in enumerate(images):
            record, digests = self.read(assignment, known.get(assignment.image, b""))
            records.append(record)
            if digests is not None:
                rows.setdefault(record.definition, []).append((number, digests))
        packed = {
            path: (tuple(number for number, _ in parts), pack(np.stack([row for _, row in parts])))
            for path, parts in rows.items()
        }
        return RecordBlock(tuple(records), packed)


class _RecordWorkerState(threading.local):
    """The state that each thread of a worker keeps from one task to the next."""

    run = ""
    reader: RecordReader | None = None


_state = _RecordWorkerState()


def read_records(task: RecordTask) -> RecordBlock:
    """The records of a task; InputError if it comes from another version of callint."""
    require_same_version(task.version)
    reader = _state.reader
    if reader is None or _state.run != task.run:
        reader = RecordReader(task.tree)
        _state.reader, _state.run = reader, task.run
    elif isinstance(task.tree, InMemoryTree):
        reader.loader.tree = task.tree
    return reader.read_block(task.images, task.known)
