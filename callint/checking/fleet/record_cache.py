"""Caches the digests of the tables of a folder's images, so that unchanged images are not read again.

The images are distributed over buckets by their paths, and each bucket is one entry of the cache. Unlike
other entries, it is named by the folder and not by contents, so each record names the content and the
definitions that it is valid for. As git does for its index, callint takes a file for unchanged if its size,
times and inode are unchanged. A file that was written shortly before it was read may change again with none
of these, so its content is hashed the next time.
"""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from callint.checking.fleet.records import MAX_BLOCK, ImageRecord, PackedDigests, pack
from callint.checking.fleet.table_digests import WORDS
from callint.reading import cache

_KIND = "fleet"
#: Size, modification and change time in nanoseconds, and inode.
Stamp = tuple[int, int, int, int]
#: The least age of a file when it is read, in nanoseconds: file systems count time in steps of up to 2 s.
_SETTLED = 2 * 10**9
#: The average number of images in a bucket is at least half of this.
_BUCKET = 192
#: The largest unpacked size of an entry; one of 64 images with 10,000 tables, all different, has 11 MiB.
_MAX_UNPACKED = 256 * 2**20


class CachedImage(NamedTuple):
    """A record, the state of the file at the time, and the digest of its possible definitions.

    ``stamp`` is None if the file was too young. ``block`` and ``column`` say where its digests are; ``block``
    is -1 if it has none.
    """

    record: ImageRecord
    stamp: Stamp | None
    assignment: bytes
    block: int = -1
    column: int = 0


@dataclass(frozen=True, slots=True)
class Bucket:
    """The known images of a bucket by path, and the digests of their tables in blocks."""

    images: dict[str, CachedImage] = field(default_factory=dict)
    blocks: tuple[PackedDigests, ...] = ()


def stamp_of(path: str | Path) -> Stamp | None:
    """The state of a file; None if it does not exist."""
    try:
        status = os.stat(path)  # noqa: PTH116 (ten thousand paths: a Path takes twice as long)
    except (OSError, ValueError, RuntimeError):
        return None
    return status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino


def settled(stamp: Stamp | None, start: int) -> Stamp | None:
    """The stamp if the file was old enough at ``start`` (nanoseconds) to show every later change, or None."""
    return stamp if stamp is not None and max(stamp[1], stamp[2]) < start - _SETTLED else None


def bucket_count(images: int) -> int:
    """The number of buckets for a number of images: a power of two, so that it rarely changes."""
    return 1 << max(0, (images - 1) // _BUCKET).bit_length()


def bucket_of(path: str, count: int) -> int:
    """The bucket of an image, by its path."""
    return zlib.crc32(path.encode("utf-8", "surrogateescape")) % count


def load_bucket(root: Path, number: int, count: int) -> Bucket:
    """The known images of a bucket; none if the cache has no valid entry."""
    entry = cache.load(_KIND, *_name(root, number, count))
    if entry is None:
        return Bucket()
    try:
        return _unpacked(entry)
    except (ValueError, TypeError, KeyError, IndexError, RecursionError, zlib.error):
        return Bucket()


def store_bucket(root: Path, number: int, count: int, bucket: Bucket) -> None:
    """Keep the known images of a bucket."""
    cache.store(lambda: _packed(bucket), _KIND, *_name(root, number, count))


def _name(root: Path, number: int, count: int) -> tuple[bytes, ...]:
    return os.fsencode(root), f"{number} {count}".encode()


def merged_bucket(images: Mapping[str, CachedImage], blocks: Iterable[PackedDigests]) -> Bucket:
    """The bucket of images whose digests lie in ``blocks``, packed again without unused digests."""
    rows = [block.rows() for block in blocks]
    parts: dict[int, list[str]] = {}
    for path, image in images.items():
        if image.block >= 0:
            parts.setdefault(rows[image.block].shape[1], []).append(path)
    placed = dict(images)
    packed: list[PackedDigests] = []
    for paths in parts.values():
        for start in range(0, len(paths), MAX_BLOCK):
            part = paths[start : start + MAX_BLOCK]
            for column, path in enumerate(part):
                image = images[path]
                placed[path] = CachedImage(image.record, image.stamp, image.assignment, len(packed), column)
            packed.append(pack(np.stack([rows[images[path].block][images[path].column] for path in part])))
    return Bucket(placed, tuple(packed))


def _packed(bucket: Bucket) -> bytes:
    """The bytes of a bucket: a line of JSON, and the arrays, compressed."""
    head = {
        "images": [
            [
                image.record.path,
                image.record.digest.hex(),
                image.record.definition,
                image.record.problem,
                image.stamp,
                image.assignment.hex(),
                image.block,
                image.column,
            ]
            for image in bucket.images.values()
        ],
        "blocks": [[*block.numbers.shape, len(block.digests)] for block in bucket.blocks],
    }
    arrays = (array for block in bucket.blocks for array in (block.numbers, block.first, block.digests))
    content = b"".join(array.tobytes() for array in arrays)
    return json.dumps(head).encode() + b"\n" + zlib.compress(content, 1)


def _unpacked(entry: bytes) -> Bucket:
    """The bucket in the bytes of an entry; ValueError and others if it is damaged."""
    line, _, compressed = entry.partition(b"\n")
    head: dict[str, Any] = json.loads(line)
    decompressor = zlib.decompressobj()
    content = decompressor.decompress(compressed, _MAX_UNPACKED)
    blocks, start = [], 0
    for tables, images, digests in head["blocks"]:
        sizes = (tables * images, 4 * (tables + 1), 8 * WORDS * digests)
        parts = []
        for size in sizes:
            parts.append(content[start : start + size])
            start += size
        numbers = np.frombuffer(parts[0], np.uint8).reshape(tables, images)
        first = np.frombuffer(parts[1], np.uint32)
        block = PackedDigests(numbers, first, np.frombuffer(parts[2], np.uint64).reshape(digests, WORDS))
        if len(first) != tables + 1 or (numbers.size and _is_outside(block)):
            raise ValueError("the arrays do not fit together")
        blocks.append(block)
    images = {}
    keys: dict[str, bytes] = {}
    for path, digest, definition, problem, stamp, assignment, number, column in head["images"]:
        if number >= 0:
            blocks[number].numbers[:, column]  # IndexError if it is not there
        if assignment not in keys:
            keys[assignment] = bytes.fromhex(assignment)
        record = ImageRecord(str(path), bytes.fromhex(digest), str(definition), str(problem))
        size, modified, changed, inode = map(int, stamp) if stamp else (0, 0, 0, 0)
        known = (size, modified, changed, inode) if stamp else None
        images[record.path] = CachedImage(record, known, keys[assignment], int(number), int(column))
    return Bucket(images, tuple(blocks))


def _is_outside(block: PackedDigests) -> bool:
    """Whether a number does not stand for a digest of its table."""
    sizes = np.diff(block.first.astype(np.int64))
    is_rising = block.first[0] == 0 and (sizes >= 0).all() and int(block.first[-1]) == len(block.digests)
    return not is_rising or bool((block.numbers.max(axis=1) >= sizes).any())


def assignment_digest(definition_keys: Iterable[tuple[bytes, ...]], start: int | None) -> bytes:
    """The digest of everything besides its content on which the record of an image depends."""
    digest = hashlib.sha256(repr(start).encode())
    for key in definition_keys:
        for part in (len(key).to_bytes(8, "big"), *key):
            digest.update(len(part).to_bytes(8, "big") + part)
    return digest.digest()
