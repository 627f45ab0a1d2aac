"""Content digests: what a waiver holds for."""

from __future__ import annotations

import hashlib

import numpy as np

from callint.decoding.decode import Decoded
from callint.decoding.plan import Item
from callint.model.definition import StoredAxis, Table
from callint.model.image import Image

_DIGITS = 40


def named(content: bytes) -> str:
    """A digest as it is written down: ``sha256:`` and the first 40 hexadecimal digits."""
    return shortened(hashlib.sha256(content).hexdigest())


def shortened(digest: str) -> str:
    """A SHA-256 in hexadecimal as it is written down."""
    return f"sha256:{digest[:_DIGITS]}"


def table_digest(decoded: Decoded, table: Table) -> str:
    """The digest of a table: its cells as stored, x fastest, masked; then its stored axes, x before y.

    An axis belongs to it because moving the axis changes what the table does.
    """
    plan = decoded.plan
    numbers = [plan.table_items[table.name]]
    numbers += [plan.axis_items[axis] for axis in table.axes if axis in plan.axis_items]
    return named(b"".join(_stored_bytes(decoded, number) for number in numbers))


def axis_digest(decoded: Decoded, axis: str) -> str:
    """The digest of a stored axis: its breakpoints as stored, then its stored count if it has one."""
    found = decoded.plan.definition.axes[axis]
    content = _stored_bytes(decoded, decoded.plan.axis_items[axis])
    if isinstance(found, StoredAxis) and found.stored_count:
        count = found.stored_count
        content += decoded.image.read(count.at, count.storage.type.size) or b""
    return named(content)


def image_digest(image: Image) -> str:
    """The digest of all bytes of an image, and of where they lie where it is a part of the memory."""
    extents = repr(image.extents).encode() if image.is_part else b""
    return named(image.content.tobytes() + extents)


def _stored_bytes(decoded: Decoded, number: int) -> bytes:
    item: Item = decoded.plan.items[number]
    raw = decoded.raw_of(number)
    if item.storage.mask:
        raw = (raw.astype(np.uint64) << np.uint64(item.storage.shift)).astype(raw.dtype)
    return raw.astype(item.storage.dtype).tobytes()
