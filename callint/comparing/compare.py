"""Compares two images of one definition."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence, Set

import numpy as np
from numpy.typing import NDArray

from callint.comparing.output_shift import output_shift
from callint.decoding import checksums
from callint.decoding.decode import Decoded
from callint.decoding.layout import Layout
from callint.decoding.statistics import distinct
from callint.model.change import (
    AxisChange,
    ChangeSet,
    ChecksumChange,
    CountChange,
    Flags,
    IdentityChange,
    OutputShift,
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
    """The change from ``old`` to ``new``; both decoded with one layout."""
    layout = new.layout
    differing = differing_addresses(old.image, new.image)
    missing = tuple(_missing(old.image, new.image))
    if not len(differing) and not missing:
        return ChangeSet(layout.definition)
    changed = changed_cells(old, new)
    touched = distinct(layout.item[changed]).tolist()
    names = {layout.items[number].name for number in touched}
    items = sorted((layout.items[number] for number in touched), key=lambda item: item.line)
    axes = [_axis(old, new, changed, item) for item in items if isinstance(item, StoredAxis)]
    axes += _derived(old, new, names)
    return ChangeSet(
        definition=layout.definition,
        tables=tuple(_table(old, new, changed, item) for item in items if isinstance(item, Table)),
        axes=tuple(sorted(axes, key=lambda change: change.axis.line)),
        counts=tuple(_counts(old, new)),
        texts=tuple(_texts(old, new)),
        checksums=tuple(_checksums(old, new)),
        identities=tuple(_identities(old, new)),
        unexplained=tuple(unexplained_runs(layout, old.image, new.image, differing, changed)),
        missing=missing,
        output_shifts=tuple(_movements(old, new, {change.axis.name for change in axes}, names)),
        bytes=len(differing),
    )


def _movements(old: Decoded, new: Decoded, axes: Set[str], touched: Container[str]) -> Iterator[OutputShift]:
    """The output shifts of tables whose ``axes`` changed, in the order of the definition."""
    if not axes:
        return
    for table in new.layout.definition.tables.values():
        if table.name in new.layout.table_items and any(axis in axes for axis in table.axes):
            shift = output_shift(old, new, table, in_cells=table.name in touched)
            if shift is not None:
                yield shift


def selected(changes: ChangeSet, names: Container[str]) -> ChangeSet:
    """The changes of the named tables and texts, and of axes that are named or belong to such a table."""
    tables = tuple(change for change in changes.tables if change.table.name in names)
    texts = tuple(change for change in changes.texts if change.text.name in names)
    moving = {
        axis for table in changes.definition.tables.values() if table.name in names for axis in table.axes
    }
    axes = tuple(c for c in changes.axes if c.axis.name in names or c.axis.name in moving)
    moved = tuple(movement for movement in changes.output_shifts if _is_moved(movement, axes))
    size = sum(change.bytes for change in tables)
    return ChangeSet(
        changes.definition, tables, axes, texts=texts, output_shifts=moved, bytes=size, partial=True
    )


def _is_moved(movement: OutputShift, axes: tuple[AxisChange, ...]) -> bool:
    return any(change.axis.name in movement.table.axes for change in axes)


def changed_cells(old: Decoded, new: Decoded) -> Flags:
    """The cells that both images hold with different raw bits, shape (cells,)."""
    changed = old.present & new.present
    for group, before, after in zip(new.layout.groups, old.raw, new.raw, strict=True):
        # Bits, not values: two NaNs may differ, and minus zero is not zero.
        bits = f"u{group.type.size}"
        changed[group.cells] &= before.view(bits) != after.view(bits)
    return changed


def _table(old: Decoded, new: Decoded, changed: Flags, table: Table) -> TableChange:
    item = new.layout.table_items[table.name]
    flags = changed[new.layout.cells(item)].reshape(new.layout.shape(item))
    return TableChange(table, old.grid(table), new.grid(table), flags)


def _axis(old: Decoded, new: Decoded, changed: Flags, axis: StoredAxis) -> AxisChange:
    item = new.layout.axis_items[axis.name]
    cells = new.layout.cells(item)
    raws = old.raw_of(item)[0], new.raw_of(item)[0]
    return AxisChange(axis, old.physical[cells], new.physical[cells], changed[cells], *raws)


def _derived(old: Decoded, new: Decoded, touched: Set[str]) -> Iterator[AxisChange]:
    """The changes of axes whose curves changed and give other breakpoints."""
    definition = new.layout.definition
    for axis in definition.derived_axes:
        if touched.isdisjoint(definition.axis_sources(axis.name)):
            continue
        before, after = old.breakpoints(axis.name), new.breakpoints(axis.name)
        changed = (before != after) & ~(np.isnan(before) & np.isnan(after))
        if changed.any():
            yield AxisChange(axis, before, after, changed, before, after)


def _counts(old: Decoded, new: Decoded) -> Iterator[CountChange]:
    for axis in new.layout.definition.stored_axes:
        if axis.stored_count:
            before, after = old.stored_count(axis.stored_count), new.stored_count(axis.stored_count)
            if before is not None and after is not None and before != after:
                yield CountChange(axis, before, after)


def _texts(old: Decoded, new: Decoded) -> Iterator[TextChange]:
    for text in new.layout.definition.texts.values():
        data_before, data_after = (decoded.image.read(text.at, text.length) for decoded in (old, new))
        if data_before is None or data_after is None or data_before == data_after:
            continue
        yield TextChange(text, old.text(text) or "", new.text(text) or "", data_before, data_after)


def _checksums(old: Decoded, new: Decoded) -> Iterator[ChecksumChange]:
    for checksum in new.layout.definition.memory.checksums:
        if not checksums.is_known(checksum.algorithm):
            continue
        before = checksums.stored_value(checksum, old.image)
        after = checksums.stored_value(checksum, new.image)
        if before is not None and after is not None and before != after:
            yield ChecksumChange(checksum, before, after)


def _identities(old: Decoded, new: Decoded) -> Iterator[IdentityChange]:
    for identity in new.layout.definition.memory.identities:
        before = old.image.read(identity.at, len(identity.content))
        after = new.image.read(identity.at, len(identity.content))
        if before is not None and after is not None and before != after:
            yield IdentityChange(identity, before, after)


# Bytes


def _common_ranges(first: Image, second: Image) -> Iterator[tuple[int, int]]:
    """Start and end of every address range that both images hold, rising."""
    first_number, second_number = 0, 0
    while first_number < len(first.segments) and second_number < len(second.segments):
        first_segment, second_segment = first.segments[first_number], second.segments[second_number]
        start, end = (
            max(first_segment.start, second_segment.start),
            min(first_segment.end, second_segment.end),
        )
        if start < end:
            yield start, end
        if first_segment.end <= second_segment.end:
            first_number += 1
        else:
            second_number += 1


def differing_addresses(old: Image, new: Image) -> Integers:
    """The addresses that both images hold with different bytes, rising."""
    parts = []
    for start, end in _common_ranges(old, new):
        before, after = (
            np.frombuffer(image.view(start, end - start) or b"", np.uint8) for image in (old, new)
        )
        parts.append(_differing(before, after) + start)
    return np.concatenate(parts) if parts else np.empty(0, np.int64)


def _differing(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> Integers:
    """The positions at which two arrays of one length differ, rising.

    Compares eight bytes at a time, as most of them are equal.
    """
    whole_words = len(before) // 8 * 8
    first, second = before[:whole_words].view(np.uint64), after[:whole_words].view(np.uint64)
    rows = np.flatnonzero(first != second)
    row, byte = np.nonzero(
        before[:whole_words].reshape(-1, 8)[rows] != after[:whole_words].reshape(-1, 8)[rows]
    )
    last_positions = np.flatnonzero(before[whole_words:] != after[whole_words:]) + whole_words
    return np.concatenate([rows[row] * 8 + byte, last_positions])


def _missing(old: Image, new: Image, only_old: bool = False) -> Iterator[Run]:
    """The address ranges that only one of the images holds, or ``only_old`` those of the old image."""
    shared = list(_common_ranges(old, new))
    for segment in old.segments if only_old else (*old.segments, *new.segments):
        start = segment.start
        for low, high in [*_inside(segment, shared), (segment.end, segment.end)]:
            if start < low:
                yield Run(start, low - start, low - start)
            start = high


def _inside(segment: Segment, ranges: list[tuple[int, int]]) -> list[tuple[int, int]]:
    return [(low, high) for low, high in ranges if segment.start <= low and high <= segment.end]


def unexplained_runs(
    layout: Layout, old: Image, new: Image, differing: Integers, changed: Flags
) -> Iterator[Run]:
    """The differing bytes that the definition does not cover, merged into runs.

    ``changed`` flags the changed cells, shape (cells,).
    """
    if not len(differing):
        return
    positions = new.positions(differing, 1)
    bits = old.content[old.positions(differing, 1)] ^ new.content[positions]
    # Only changed cells can explain a byte, as a byte that differs in a cell changes it.
    yield from runs(differing[(bits & ~explained_bits(layout, old, new, changed)[positions]) != 0])


def runs(addresses: Integers) -> Iterator[Run]:
    """Rising addresses of changed bytes merged into runs."""
    if not len(addresses):
        return
    breaks = np.flatnonzero(np.diff(addresses) > RUN_GAP) + 1
    for run in np.split(addresses, breaks):
        start = int(run[0])
        yield Run(start, int(run[-1]) - start + 1, len(run))


def explained_bits(layout: Layout, old: Image, new: Image, cells: Flags) -> NDArray[np.uint8]:
    """The bits of the new image that the definition covers; shape of ``new.content``.

    Only items that both images hold completely count, as other items are not compared elsewhere. ``cells``
    flags the cells to include, shape (cells,).
    """
    bits = cell_bits(layout, old, new, cells)
    for start, size in _named_ranges(layout):
        (position,) = _in_both(old, new, np.array([start]), size).tolist()
        if position >= 0:
            bits[position : position + size] = 0xFF
    return bits


def cell_bits(layout: Layout, old: Image, new: Image, cells: Flags) -> NDArray[np.uint8]:
    """The bits of the new image that store flagged cells; shape of ``new.content``.

    Only cells that both images hold completely count. ``cells`` has the shape (cells,).
    """
    bits = np.zeros(new.size, np.uint8)
    numbers = np.flatnonzero(cells)
    for group, masks in zip(layout.groups, layout.masks, strict=True):
        size = group.type.size
        first, last = np.searchsorted(numbers, (group.cells.start, group.cells.stop))
        part = numbers[first:last]
        part = part[~layout.is_masked[part]]
        selected_masks = cells[masks.cells]
        positions = _in_both(old, new, layout.address[part], size)
        positions = positions[positions >= 0]
        for byte in range(size):
            bits[positions + byte] = 0xFF
        positions = _in_both(old, new, layout.address[masks.cells[selected_masks]], size)
        held = positions >= 0
        stored = group.stored(masks.masks[selected_masks][held])
        np.bitwise_or.at(bits, positions[held, None] + np.arange(size), stored)
    return bits


def _in_both(old: Image, new: Image, addresses: Integers, size: int) -> Integers:
    """The positions in the new image of ``size`` bytes at each address; -1 if an image lacks any of them."""
    positions = new.positions(addresses, size)
    if old is new or old.extents == new.extents:
        return positions
    return np.where(old.positions(addresses, size) >= 0, positions, -1)


def missing_runs(layout: Layout, old: Image, new: Image, is_intended: bool) -> Iterator[Run]:
    """The bytes that only the old image holds and that the definition does not cover, rising.

    Stored counts of breakpoints are included, as no rule reports their absence. Bytes that a partial image
    may lack are left out: those in a region of which it holds nothing, and those before its first byte or
    after its last one that are in no region. They count if there are no regions, or if the old image is
    partial too, unless the part ``is_intended``.
    """
    low, high = (new.extents[0][0], new.extents[-1][1]) if new.segments else (0, 0)
    expected = [(low, high)]
    regions = layout.definition.memory.regions
    expected += [(r.start, r.start + r.size) for r in regions if new.count_bytes(r.start, r.start + r.size)]
    if (old.is_part or not regions) and not is_intended:
        expected += old.extents
    named = _named_by_cells(layout) + [(at, at + size) for at, size in _named_ranges(layout, counts=False)]
    starts, ends = _merged_ranges(named)
    expected_starts, expected_ends = _merged_ranges(expected)
    for run in _missing(old, new, only_old=True):
        for first, last in _intersections(run.start, run.start + run.size, expected_starts, expected_ends):
            at = first
            for start, end in _intersections(first, last, starts, ends):
                if at < start:
                    yield Run(at, start - at, start - at)
                at = end
            if at < last:
                yield Run(at, last - at, last - at)


def _named_by_cells(layout: Layout) -> list[tuple[int, int]]:
    """The address ranges of all cells: the first byte, and the address after the last one."""
    ranges: list[tuple[int, int]] = []
    for group in layout.groups:
        addresses = distinct(layout.address[group.cells])
        if len(addresses):
            breaks = np.flatnonzero(np.diff(addresses) > group.type.size) + 1
            firsts, lasts = addresses[[0, *breaks]], addresses[[*(breaks - 1), -1]] + group.type.size
            ranges += zip(firsts.tolist(), lasts.tolist(), strict=True)
    return ranges


def _merged_ranges(ranges: Sequence[tuple[int, int]]) -> tuple[Integers, Integers]:
    """Address ranges merged where they overlap, rising: the starts, and the addresses after the ends."""
    if not ranges:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    starts, ends = np.array(sorted(ranges), np.int64).T
    furthest = np.maximum.accumulate(ends)
    breaks = np.flatnonzero(starts[1:] > furthest[:-1]) + 1
    return starts[[0, *breaks]], furthest[[*(breaks - 1), -1]]


def _intersections(start: int, end: int, starts: Integers, ends: Integers) -> Iterator[tuple[int, int]]:
    """The intersections of one address range with merged ranges, rising."""
    first, last = int(np.searchsorted(ends, start, "right")), int(np.searchsorted(starts, end, "left"))
    for low, high in zip(starts[first:last].tolist(), ends[first:last].tolist(), strict=True):
        yield max(low, start), min(high, end)


def _named_ranges(layout: Layout, counts: bool = True) -> Iterator[tuple[int, int]]:
    """Start and size of everything in the definition except cells: texts, identities, checksums, counts."""
    definition = layout.definition
    for text in definition.texts.values():
        yield text.at, text.length
    for identity in definition.memory.identities:
        yield identity.at, len(identity.content)
    for checksum in definition.memory.checksums:
        if checksums.is_known(checksum.algorithm):
            yield checksum.stored_at, checksums.stored_size(checksum)
    for axis in definition.stored_axes if counts else ():
        if axis.stored_count:
            yield axis.stored_count.at, axis.stored_count.storage.type.size
