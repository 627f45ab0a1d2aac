"""Groups the images of a fleet by the contents of their tables."""

from __future__ import annotations

import itertools
import os
import secrets
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass

from callint import __version__
from callint.checking.assignments import Assignment
from callint.checking.fleet.groups import FleetGroups
from callint.checking.fleet.record_cache import (
    Bucket,
    CachedImage,
    Stamp,
    assignment_digest,
    bucket_count,
    bucket_of,
    load_bucket,
    merged_bucket,
    settled,
    stamp_of,
    store_bucket,
)
from callint.checking.fleet.records import (
    ImageRecord,
    PackedDigests,
    RecordBlock,
    RecordReader,
    RecordTask,
    read_records,
)
from callint.checking.worker_pool import WorkerPool, files_of
from callint.reading.family import find_family
from callint.reading.workspace import Workspace

#: The number of images in a task, and in a task that carries their files.
_TASK, _CARRIED = 64, 8
#: The largest number of blocks of a bucket before they are merged into one.
_MOST_BLOCKS = 4


@dataclass(frozen=True, slots=True)
class _BucketJob:
    """A bucket with the numbers of its images; the ``stale`` ones must be read."""

    number: int
    images: tuple[int, ...]
    stale: tuple[int, ...]
    known: Bucket
    tasks: int


class FleetReader:
    """Reads the images of a fleet.

    ``records`` has the record of each of ``images``, ``groups`` the digests of their tables.
    ``read_count`` is the number of images that had to be read because the cache lacked them.
    """

    def __init__(self, workspace: Workspace, images: Sequence[Assignment]) -> None:
        self.workspace = workspace
        self.images = images
        self.reader = RecordReader(workspace)
        self.records = [ImageRecord(image.image, b"", "") for image in images]
        self.groups = FleetGroups(len(images))
        self.read_count = 0
        self._start = time.time_ns()
        self._buckets = bucket_count(len(images))
        self._stamps: list[Stamp | None] = []
        self._keys: dict[tuple[tuple[str, ...], int | None], bytes] = {}
        self._pending: deque[_BucketJob] = deque()
        self._done = 0

    def run(self, pool: WorkerPool | None, step: Callable[[int], None] = lambda done: None) -> None:
        """Read all images that are not known; ``step`` is called with the number of images done."""
        root, named = os.fspath(self.workspace.root), self.workspace.named
        self._stamps = [
            stamp_of(named.get(image.image) or os.path.join(root, image.image))  # noqa: PTH118 (fast)
            for image in self.images
        ]
        tasks = self._tasks(pool, step)
        first = list(itertools.islice(tasks, 2))
        tasks = itertools.chain(first, tasks)
        is_little = len(first) == 1  # starting workers takes longer than one task
        answers = map(self._read_here, tasks) if pool is None or is_little else pool.run(read_records, tasks)
        results: list[RecordBlock] = []
        for answer in answers:
            results.append(answer)
            if len(results) == self._pending[0].tasks:
                self._finish(self._pending.popleft(), results)
                step(self._done)
                results = []
                self._finish_known(step)

    def _finish_known(self, step: Callable[[int], None]) -> None:
        """Finish the first buckets, up to one with an image that must be read."""
        while self._pending and not self._pending[0].tasks:
            self._finish(self._pending.popleft(), [])
            step(self._done)

    def _read_here(self, task: RecordTask) -> RecordBlock:
        return self.reader.read_block(task.images, task.known)

    # Tasks

    def _tasks(self, pool: WorkerPool | None, step: Callable[[int], None]) -> Iterator[RecordTask]:
        """The tasks of all buckets; a bucket is pending before its first task."""
        buckets: list[list[int]] = [[] for _ in range(self._buckets)]
        for number, image in enumerate(self.images):
            buckets[bucket_of(image.image, self._buckets)].append(number)
        run = secrets.token_hex(16)
        carries_files = pool is not None and pool.carries_files
        size = _CARRIED if carries_files else _TASK
        for number, images in enumerate(buckets):
            if not images:
                continue
            known = load_bucket(self.workspace.root, number, self._buckets)
            stale = tuple(image for image in images if not self._is_fresh(image, known))
            parts = [stale[start : start + size] for start in range(0, len(stale), size)]
            self._pending.append(_BucketJob(number, tuple(images), stale, known, len(parts)))
            self._finish_known(step)
            for part in parts:
                assignments = tuple(self.images[image] for image in part)
                tree = files_of(self.workspace, assignments) if carries_files else self.workspace
                yield RecordTask(__version__, run, tree, assignments, self._known_digests(part, known))

    def _is_fresh(self, number: int, bucket: Bucket) -> bool:
        """Whether an image file is in the state that the cache has."""
        known = bucket.images.get(self.images[number].image)
        return (
            known is not None
            and known.stamp is not None
            and known.stamp == self._stamps[number]
            and known.assignment == self._assignment_key(number)
        )

    def _known_digests(self, numbers: Iterable[int], bucket: Bucket) -> dict[str, bytes]:
        """The digests of the contents whose tables are known by the present definitions."""
        digests = {}
        for number in numbers:
            known = bucket.images.get(self.images[number].image)
            if known is not None and known.assignment == self._assignment_key(number):
                digests[known.record.path] = known.record.digest
        return digests

    def _assignment_key(self, number: int) -> bytes:
        image = self.images[number]
        key = image.definitions, image.start
        if key not in self._keys:
            parts = []
            for path in image.definitions:
                with suppress(OSError):
                    parts.append(find_family(self.workspace.read(path), path, self.workspace).key)
            self._keys[key] = assignment_digest(parts, image.start)
        return self._keys[key]

    # Results

    def _finish(self, job: _BucketJob, results: list[RecordBlock]) -> None:
        """Add the results of a bucket, and store them in the cache."""
        self._done += len(job.images)
        self.read_count += len(job.stale)
        images: dict[str, CachedImage] = {}
        blocks: list[PackedDigests] = list(job.known.blocks)
        stale = set(job.stale)
        for number in job.images:
            if number not in stale:
                images[self.images[number].image] = job.known.images[self.images[number].image]
        remaining = iter(job.stale)
        for result in results:
            places = {
                row: (len(blocks) + part, column)
                for part, (rows, _) in enumerate(result.rows.values())
                for column, row in enumerate(rows)
            }
            blocks += [packed for _, packed in result.rows.values()]
            for row, record in enumerate(result.records):
                number = next(remaining)
                block, column = places.get(row, (-1, 0))
                images[record.path] = self._known_image(number, record, job.known, (block, column))
        self._add(job.images, images, blocks)
        if job.stale or len(job.known.images) != len(images):
            kept = {path: image for path, image in images.items() if image.record.digest}
            # Merging takes longer than reading an image, so a few blocks of single images may follow.
            is_short = bool(job.known.blocks) and len(blocks) <= _MOST_BLOCKS
            bucket = Bucket(kept, tuple(blocks)) if is_short else merged_bucket(kept, blocks)
            store_bucket(self.workspace.root, job.number, self._buckets, bucket)

    def _known_image(
        self, number: int, record: ImageRecord, bucket: Bucket, place: tuple[int, int]
    ) -> CachedImage:
        """The cache's record of an image that was read; the former one if its content is unchanged."""
        stamp = settled(self._stamps[number], self._start)
        before = bucket.images.get(record.path)
        key = self._assignment_key(number)
        if before is not None and before.record.digest == record.digest and before.assignment == key:
            return before._replace(stamp=stamp)
        return CachedImage(record, stamp, key, *place)

    def _add(
        self, numbers: Sequence[int], images: dict[str, CachedImage], blocks: Sequence[PackedDigests]
    ) -> None:
        """Add the images of a bucket to the fleet."""
        parts: dict[tuple[str, int], list[tuple[int, int]]] = {}
        for number in numbers:
            image = images[self.images[number].image]
            self.records[number] = image.record
            if image.block >= 0:
                place = image.record.definition, image.block
                parts.setdefault(place, []).append((number, image.column))
        for (definition, block), columns in parts.items():
            packed = blocks[block]
            if definition not in self.groups.definitions:
                self.groups.add_definition(self.reader.loaded(definition))
            chosen = [column for _, column in columns]
            images_of_block = tuple(number for number, _ in columns)
            if chosen != list(range(packed.numbers.shape[1])):
                packed = PackedDigests(packed.numbers[:, chosen], packed.first, packed.digests)
            self.groups.add(definition, images_of_block, packed)
