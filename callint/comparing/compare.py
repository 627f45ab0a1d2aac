"""What differs between two images of one definition."""

from __future__ import annotations

from collections.abc import Container, Iterator

import numpy as np
from numpy.typing import NDArray

from callint.decoding import checksums
from callint.decoding.decode import Decoded
from callint.decoding.plan import Plan
from callint.model.change import (
    AxisChange,
    ChangeSet,
    ChecksumChange,
    Flags,
    IdentityChange,
    Run,
    TableChange,
    TextChange,
)
from callint.model.definition import StoredAxis, Table
from callint.model.image import Image, Segment

#: Differing bytes with fewer equal bytes than this between them are reported as one run: an unknown
#: table of 16-bit or 32-bit numbers often changes in every second or fourth byte only.
RUN_GAP = 8

Integers = NDArray[np.int64]


def compare(old: Decoded, new: Decoded) -> ChangeSet:
    """The change from ``old`` to ``new``; both decoded by one plan."""
    plan = new.plan
    differing = differing_addresses(old.image, new.image)
    missing = tuple(_missing(old.image, new.image))
    if not len(differing) and not missing:
        return ChangeSet(plan.definition)
    changed = changed_cells(old, new)
    touched = np.unique(plan.item[changed]).tolist()
    items = sorted((plan.items[number] for number in touched), key=lambda item: item.line)
    return ChangeSet(
        definition=plan.definition,
        tables=tuple(_table(old, new, changed, item) for item in items if isinstance(item, Table)),
        axes=tuple(_axis(old, new, changed, item) for item in items if isinstance(item, StoredAxis)),
        texts=tuple(_texts(old, new)),
        checksums=tuple(_checksums(old, new)),
        identities=tuple(_identities(old, new)),
        unexplained=tuple(unexplained_runs(plan, old.image, new.image, differing)),
        missing=missing,
        bytes=len(differing),
    )


def selected(changes: ChangeSet, names: Container[str]) -> ChangeSet:
    """The changes of the named tables and texts, and of axes that are named or that move such a table."""
    tables = tuple(change for change in changes.tables if change.table.name in names)
    texts = tuple(change for change in changes.texts if change.text.name in names)
    moving = {
        axis for table in changes.definition.tables.values() if table.name in names for axis in table.axes
    }
    axes = tuple(c for c in changes.axes if c.axis.name in names or c.axis.name in moving)
    size = sum(change.bytes for change in tables)
    return ChangeSet(changes.definition, tables, axes, texts, bytes=size, partial=True)


def changed_cells(old: Decoded, new: Decoded) -> Flags:
    """Which cells both images hold and whose raw bits differ, shape (cells,)."""
    changed = old.present & new.present
    for group, before, after in zip(new.plan.groups, old.raw, new.raw, strict=True):
        # Bits, not values: two NaNs may differ, and minus zero is not zero.
        bits = f"u{group.type.size}"
        changed[group.cells] &= before.view(bits) != after.view(bits)
    return changed


def _table(old: Decoded, new: Decoded, changed: Flags, table: Table) -> TableChange:
    item = new.plan.table_items[table.name]
    flags = changed[new.plan.cells(item)].reshape(new.plan.shape(item))
    return TableChange(table, old.grid(table), new.grid(table), flags)


def _axis(old: Decoded, new: Decoded, changed: Flags, axis: StoredAxis) -> AxisChange:
    cells = new.plan.cells(new.plan.axis_items[axis.name])
    return AxisChange(axis, old.physical[cells], new.physical[cells], changed[cells])


def _texts(old: Decoded, new: Decoded) -> Iterator[TextChange]:
    for text in new.plan.definition.texts.values():
        data_before, data_after = (one.image.read(text.at, text.length) for one in (old, new))
        if data_before is None or data_after is None or data_before == data_after:
            continue
        yield TextChange(text, old.text(text) or "", new.text(text) or "")


def _checksums(old: Decoded, new: Decoded) -> Iterator[ChecksumChange]:
    for checksum in new.plan.definition.memory.checksums:
        if not checksums.is_known(checksum.algorithm):
            continue
        before = checksums.stored_value(checksum, old.image)
        after = checksums.stored_value(checksum, new.image)
        if before is not None and after is not None and before != after:
            yield ChecksumChange(checksum, before, after)


def _identities(old: Decoded, new: Decoded) -> Iterator[IdentityChange]:
    for identity in new.plan.definition.memory.identities:
        before = old.image.read(identity.at, len(identity.content))
        after = new.image.read(identity.at, len(identity.content))
        if before is not None and after is not None and before != after:
            yield IdentityChange(identity, before, after)


# Bytes


def _stretches(image: Image, other: Image) -> Iterator[tuple[int, int]]:
    """Start and end of every stretch of addresses that both images hold, rising."""
    mine, theirs = 0, 0
    while mine < len(image.segments) and theirs < len(other.segments):
        here, there = image.segments[mine], other.segments[theirs]
        start, end = max(here.start, there.start), min(here.end, there.end)
        if start < end:
            yield start, end
        if here.end <= there.end:
            mine += 1
        else:
            theirs += 1


def differing_addresses(old: Image, new: Image) -> Integers:
    """The addresses that both images hold with different bytes, rising."""
    found = []
    for start, end in _stretches(old, new):
        before, after = (
            np.frombuffer(image.read(start, end - start) or b"", np.uint8) for image in (old, new)
        )
        found.append(np.flatnonzero(before != after) + start)
    return np.concatenate(found) if found else np.empty(0, np.int64)


def _missing(old: Image, new: Image) -> Iterator[Run]:
    """The stretches that only one of the images holds."""
    shared = list(_stretches(old, new))
    for segment in (*old.segments, *new.segments):
        start = segment.start
        for low, high in [*_inside(segment, shared), (segment.end, segment.end)]:
            if start < low:
                yield Run(start, low - start, low - start)
            start = high


def _inside(segment: Segment, stretches: list[tuple[int, int]]) -> list[tuple[int, int]]:
    return [(low, high) for low, high in stretches if segment.start <= low and high <= segment.end]


def unexplained_runs(plan: Plan, old: Image, new: Image, differing: Integers) -> Iterator[Run]:
    """The differing bytes that nothing in the definition accounts for, merged into runs."""
    if not len(differing):
        return
    positions_old = old.positions(differing, 1)
    positions_new = new.positions(differing, 1)
    bits = old.content[positions_old] ^ new.content[positions_new]
    unexplained = differing[(bits & ~explained_bits(plan, new)[positions_new]) != 0]
    if not len(unexplained):
        return
    breaks = np.flatnonzero(np.diff(unexplained) > RUN_GAP) + 1
    for run in np.split(unexplained, breaks):
        start = int(run[0])
        yield Run(start, int(run[-1]) - start + 1, len(run))


def explained_bits(plan: Plan, image: Image) -> NDArray[np.uint8]:
    """Which bits of the image belong to something in the definition; shape of ``image.content``."""
    bits = np.zeros(image.size, np.uint8)
    for group, masks in zip(plan.groups, plan.masks, strict=True):
        size = group.type.size
        whole = np.ones(group.cells.stop - group.cells.start, bool)
        whole[masks.cells - group.cells.start] = False
        positions = image.positions(plan.address[group.cells][whole], size)
        positions = positions[positions >= 0]
        for byte in range(size):
            bits[positions + byte] = 0xFF
        positions = image.positions(plan.address[masks.cells], size)
        held = positions >= 0
        stored = masks.masks[held].astype(group.dtype).view(np.uint8).reshape(-1, size)
        np.bitwise_or.at(bits, positions[held, None] + np.arange(size), stored)
    definition, memory = plan.definition, plan.definition.memory
    for text in definition.texts.values():
        _mark(bits, image, text.at, b"\xff" * min(text.length, memory.size))
    for identity in memory.identities:
        _mark(bits, image, identity.at, b"\xff" * len(identity.content))
    for checksum in memory.checksums:
        if checksums.is_known(checksum.algorithm):
            _mark(bits, image, checksum.stored_at, b"\xff" * checksums.stored_size(checksum))
    for axis in definition.stored_axes:
        if axis.stored_count:
            _mark(bits, image, axis.stored_count.at, b"\xff" * axis.stored_count.storage.type.size)
    return bits


def _mark(bits: NDArray[np.uint8], image: Image, address: int, mask: bytes) -> None:
    """Or a mask into the bits at an address; bytes that the image lacks are passed over."""
    addresses = np.arange(address, address + len(mask), dtype=np.int64)
    positions = image.positions(addresses, 1)
    held = positions >= 0
    bits[positions[held]] |= np.frombuffer(mask, np.uint8)[held]
