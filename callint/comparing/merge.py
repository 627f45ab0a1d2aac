"""Merges two reworks of one image, cell by cell in raw values.

Everything that a definition names is a *unit*: each cell of a table, each stored axis with its stored count,
each text and each identity; bytes that nothing names form units of ``WORD`` bytes. If only one side changed a
unit, the merge takes that side; if both changed it to different values, it is in conflict. The merge works in
bits, so that masked tables which share bytes merge like any others.

A bit that both sides changed has the same new value on both. So without conflicts the result is the base with
the bits of both changes inverted, which one pass over the bytes computes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from callint.decoding import checksums
from callint.decoding.checksum_update import Renewal, seal
from callint.decoding.decode import Decoded
from callint.decoding.layout import Layout
from callint.model.change import Flags, Grid, Numbers
from callint.model.definition import Identity, StoredAxis, Table, Text
from callint.model.image import Image, Segment

#: Bytes that nothing names are merged in aligned words of this size: a number of unknown width must not be
#: combined from a half of each side. Numbers of more than four bytes are rare in control units.
WORD = 4

Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]


class Side(StrEnum):
    """One of the two reworks."""

    OURS = "ours"
    THEIRS = "theirs"


# Conflicts


@dataclass(frozen=True, slots=True)
class TableVersions:
    """One table in the three images; ``cells`` flags those in conflict, shape (rows, columns)."""

    table: Table
    base: Grid
    ours: Grid
    theirs: Grid
    cells: Flags

    @property
    def count(self) -> int:
        return int(np.count_nonzero(self.cells))


@dataclass(frozen=True, slots=True)
class CellConflict:
    """Cells of one table that the sides changed to different values."""

    versions: TableVersions


@dataclass(frozen=True, slots=True)
class AxisVersions:
    """A stored axis in the three images: physical breakpoints, shape (count,), and its stored counts."""

    axis: StoredAxis
    base: Numbers
    ours: Numbers
    theirs: Numbers
    counts: tuple[int, int, int] | None


@dataclass(frozen=True, slots=True)
class AxisConflict:
    """Axes that both sides moved, or that one side moved while the other edited tables on them.

    Axes that share a table are decided together, with every table on them: values belong to the breakpoints
    that they were made for. ``tables`` are those that differ, with their differing cells.
    """

    axes: tuple[AxisVersions, ...]
    tables: tuple[TableVersions, ...]


@dataclass(frozen=True, slots=True)
class TextConflict:
    """A text that the sides changed differently."""

    text: Text
    base: str
    ours: str
    theirs: str


@dataclass(frozen=True, slots=True)
class IdentityConflict:
    """Identity bytes that the sides changed differently."""

    identity: Identity
    base: bytes
    ours: bytes
    theirs: bytes


@dataclass(frozen=True, slots=True)
class BytesConflict:
    """A run of unnamed bytes that the sides changed differently; its first and last byte differ."""

    start: int
    base: bytes
    ours: bytes
    theirs: bytes


Conflict = CellConflict | AxisConflict | TextConflict | IdentityConflict | BytesConflict

#: The side that a conflict is decided for; None leaves it open.
Choice = Callable[[Conflict], Side | None]


@dataclass(frozen=True, slots=True)
class Decision:
    """A conflict and its decision; a conflict that stays ``open`` keeps ours."""

    conflict: Conflict
    side: Side
    open: bool


@dataclass(frozen=True, slots=True)
class MergeResult:
    """The merged image with correct checksums, and the decision of every conflict."""

    image: Image
    decisions: tuple[Decision, ...]
    renewals: tuple[Renewal, ...]

    @property
    def conflicts(self) -> tuple[Conflict, ...]:
        """The conflicts that stay open."""
        return tuple(decision.conflict for decision in self.decisions if decision.open)

    @property
    def settled(self) -> tuple[Decision, ...]:
        """The decisions that follow the choice."""
        return tuple(decision for decision in self.decisions if not decision.open)


def leave_open(conflict: Conflict) -> Side | None:
    """The choice that leaves every conflict open."""
    return None


def merge(base: Decoded, ours: Decoded, theirs: Decoded, choice: Choice = leave_open) -> MergeResult:
    """The base with the edits of both sides; all three decoded with one layout.

    Stored checksums are recalculated instead of merged. Raises ValueError if the images do not hold the same
    addresses, and UnsealableError if a checksum cannot be computed.
    """
    if (
        len(
            {
                tuple((segment.start, segment.end) for segment in decoded.image.segments)
                for decoded in (base, ours, theirs)
            }
        )
        > 1
    ):
        raise ValueError("the images do not hold the same addresses")
    sides = _Sides(base, ours, theirs)
    units = _Units(sides)
    conflicts = _conflicts(sides, units)
    decisions = _decisions(units, conflicts, choice)
    sealed = seal(_merged_image(sides, units, conflicts, decisions), base.layout.definition.memory)
    return MergeResult(sealed.image, tuple(decisions), sealed.renewals)


# What differs


class _Sides:
    """The three images as bytes, and the bits that differ between them; shape (size,) each.

    Stored checksums do not count as edits: all three images have those of ours.
    """

    def __init__(self, base: Decoded, ours: Decoded, theirs: Decoded) -> None:
        self.decoded = (base, ours, theirs)
        self.layout: Layout = base.layout
        self.image: Image = ours.image
        self.ours: Bytes = ours.image.content
        self.base, self.theirs = (decoded.image.content.copy() for decoded in (base, theirs))
        for checksum in self.layout.definition.memory.checksums:
            if checksums.is_known(checksum.algorithm):
                at = self.positions_of(checksum.stored_at, checksums.stored_size(checksum))
                self.base[at] = self.theirs[at] = self.ours[at]
        self.by_ours: Bytes = self.base ^ self.ours
        self.by_theirs: Bytes = self.base ^ self.theirs
        self.between: Bytes = self.ours ^ self.theirs

    def positions_of(self, start: int, size: int) -> Integers:
        """The positions of a range of memory; empty if the images do not hold all of it."""
        (position,) = self.image.positions(np.array([start]), size).tolist()
        return np.arange(position, position + size) if position >= 0 else np.empty(0, np.int64)

    def versions(self, table: Table, cells: Flags) -> TableVersions:
        shape = self.layout.shape(self.layout.table_items[table.name])
        base, ours, theirs = (decoded.grid(table) for decoded in self.decoded)
        return TableVersions(table, base, ours, theirs, cells.reshape(shape))

    def axis_versions(self, axis: StoredAxis) -> AxisVersions:
        base, ours, theirs = (decoded.breakpoints(axis.name) for decoded in self.decoded)
        counts = None
        if axis.stored_count:
            stored = [decoded.stored_count(axis.stored_count) for decoded in self.decoded]
            if None not in stored:
                counts = (stored[0] or 0, stored[1] or 0, stored[2] or 0)
        return AxisVersions(axis, base, ours, theirs, counts)

    def read(self, start: int, size: int) -> tuple[bytes, bytes, bytes]:
        """A range of memory in the three images."""
        base, ours, theirs = (decoded.image.read(start, size) or b"" for decoded in self.decoded)
        return base, ours, theirs


@dataclass(frozen=True, slots=True)
class _Claims:
    """The bits of bytes that belong to units; shape (claims,) each. A byte may have several claims."""

    position: Integers
    bits: Bytes
    unit: Integers


class _Units:
    """All units by number: the cells of the layout, then stored axes, texts, identities, and unnamed words.

    The cells of an axis are not units of their own. Only differing bytes have claims. Flags have the shape
    (units,).
    """

    def __init__(self, sides: _Sides) -> None:
        definition = sides.layout.definition
        self.sides = sides
        self.axes = [axis for axis in definition.stored_axes if axis.name in sides.layout.axis_items]
        self.texts = list(definition.texts.values())
        self.identities = list(definition.memory.identities)
        self.first_axis = sides.layout.size
        self.first_text = self.first_axis + len(self.axes)
        self.first_identity = self.first_text + len(self.texts)
        self.first_word = self.first_identity + len(self.identities)
        touched: Flags = (sides.by_ours | sides.by_theirs) != 0
        named = _concatenated([*self._of_cells(touched), *self._of_ranges(touched)])
        unnamed = self._of_unnamed_bytes(named)
        self.claims = _concatenated([named, unnamed])
        self.count = self.first_word + len(np.unique(unnamed.unit))
        self.by_ours = self._with_bits(sides.by_ours)
        self.by_theirs = self._with_bits(sides.by_theirs)
        self.differing = self._with_bits(sides.between)

    def _of_cells(self, touched: Flags) -> Iterator[_Claims]:
        layout = self.sides.layout
        units = np.arange(layout.size, dtype=np.int64)
        for number, axis in enumerate(self.axes):
            units[layout.cells(layout.axis_items[axis.name])] = self.first_axis + number
        for group, masks in zip(layout.groups, layout.masks, strict=True):
            size = group.type.size
            start = self.sides.image.positions(layout.address[group.cells], size)
            held = np.flatnonzero(start >= 0)
            bits = np.full((len(start), size), 0xFF, np.uint8)
            bits[masks.cells - group.cells.start] = group.stored(masks.masks)
            for byte in range(size):
                cells = held[touched[start[held] + byte]]
                yield _Claims(start[cells] + byte, bits[cells, byte], units[group.cells][cells])

    def _of_ranges(self, touched: Flags) -> Iterator[_Claims]:
        for unit, start, size in self._ranges():
            at = self.sides.positions_of(start, size)
            at = at[touched[at]]
            yield _Claims(at, np.full(len(at), 0xFF, np.uint8), np.full(len(at), unit, np.int64))

    def _ranges(self) -> Iterator[tuple[int, int, int]]:
        """Unit, start and size of everything except cells."""
        for number, axis in enumerate(self.axes):
            if axis.stored_count:
                yield self.first_axis + number, axis.stored_count.at, axis.stored_count.storage.type.size
        for number, text in enumerate(self.texts):
            yield self.first_text + number, text.at, text.length
        for number, identity in enumerate(self.identities):
            yield self.first_identity + number, identity.at, len(identity.content)

    def _of_unnamed_bytes(self, named: _Claims) -> _Claims:
        """The claims of the differing bits that no named unit claims, by words."""
        differing = self.sides.by_ours | self.sides.by_theirs
        claimed = np.zeros_like(differing)
        np.bitwise_or.at(claimed, named.position, named.bits)
        at = np.flatnonzero(differing & ~claimed)
        _, word_numbers = np.unique(self.sides.image.addresses(at) // WORD, return_inverse=True)
        return _Claims(at, ~claimed[at], self.first_word + word_numbers.astype(np.int64))

    def _with_bits(self, bits: Bytes) -> Flags:
        """The units that claim any of the bits; ``bits`` by byte."""
        flags = np.zeros(self.count, bool)
        flags[self.claims.unit[(self.claims.bits & bits[self.claims.position]) != 0]] = True
        return flags

    def bits(self, flags: Flags) -> Bytes:
        """The bits of the flagged units in differing bytes, shape (size,)."""
        bits = np.zeros_like(self.sides.ours)
        chosen = flags[self.claims.unit]
        np.bitwise_or.at(bits, self.claims.position[chosen], self.claims.bits[chosen])
        return bits

    def with_overlapping(self, flags: Flags) -> Flags:
        """The flagged units, and the units that share with them a bit that differs between the sides."""
        return flags | self._with_bits(self.bits(flags) & self.sides.between)

    def of_numbers(self, numbers: Iterable[Integers]) -> Flags:
        """The units with these numbers."""
        flags = np.zeros(self.count, bool)
        for unit_numbers in numbers:
            flags[unit_numbers] = True
        return flags

    def cells(self, table: Table) -> slice:
        """The units of a table."""
        return self.sides.layout.cells(self.sides.layout.table_items[table.name])

    def numbers_of(self, item: int) -> Integers:
        """The units of an item of the layout: its cells, or the one of a stored axis."""
        stored = self.axis_numbers.get(self.sides.layout.items[item].name)
        cells = self.sides.layout.cells(item)
        is_axis = stored is not None and isinstance(self.sides.layout.items[item], StoredAxis)
        return np.array([self.first_axis + (stored or 0)]) if is_axis else np.arange(cells.start, cells.stop)

    @cached_property
    def axis_numbers(self) -> dict[str, int]:
        return {axis.name: number for number, axis in enumerate(self.axes)}

    @cached_property
    def tables_on_axis(self) -> list[list[Table]]:
        """The tables on each stored axis, by the number of the axis."""
        layout = self.sides.layout
        return [
            [table for table in layout.definition.tables_on(axis.name) if table.name in layout.table_items]
            for axis in self.axes
        ]


def _concatenated(claims: Sequence[_Claims]) -> _Claims:
    empty = _Claims(np.empty(0, np.int64), np.empty(0, np.uint8), np.empty(0, np.int64))
    parts = [empty, *claims]
    return _Claims(
        np.concatenate([claim.position for claim in parts]),
        np.concatenate([claim.bits for claim in parts]),
        np.concatenate([claim.unit for claim in parts]),
    )


# What is in conflict


@dataclass(frozen=True, slots=True)
class _UnitConflict:
    """A conflict, the numbers of its units, and its line in the definition."""

    conflict: Conflict
    units: Integers
    line: int


def _conflicts(sides: _Sides, units: _Units) -> list[_UnitConflict]:
    """Every conflict, in the order of the definition; unnamed bytes come last."""
    flags = units.by_ours & units.by_theirs & units.differing
    while True:
        expanded = _with_axes(units, _with_derived_axes(units, units.with_overlapping(flags)))
        if np.array_equal(expanded, flags):
            break
        flags = expanded
    named = [
        *_axis_conflicts(sides, units, flags),
        *_cell_conflicts(sides, units, flags),
        *_text_conflicts(sides, units, flags),
        *_identity_conflicts(sides, units, flags),
    ]
    return [*sorted(named, key=lambda conflict: conflict.line), *_bytes_conflicts(sides, units, flags)]


def _with_derived_axes(units: _Units, flags: Flags) -> Flags:
    """The flagged units, and those of derived axes that one side moved while the other edited a table on it.

    Both the cells that the breakpoints follow from and those of the tables on the axis are then in conflict.
    """
    layout, flags = units.sides.layout, flags.copy()
    for axis in layout.definition.derived_axes:
        sources = [units.numbers_of(item) for item in layout.sources_of(axis.name)]
        tables = (
            table for table in layout.definition.tables_on(axis.name) if table.name in layout.table_items
        )
        cells = [np.arange(part.start, part.stop) for part in map(units.cells, tables)]
        if not sources or not cells:
            continue
        source, on_axis = np.concatenate(sources), np.concatenate(cells)
        source, on_axis = source[units.differing[source]], on_axis[units.differing[on_axis]]
        for moved, edited in ((units.by_ours, units.by_theirs), (units.by_theirs, units.by_ours)):
            is_contested = moved[source].any() and edited[on_axis].any()
            if is_contested or (flags[source].any() and len(on_axis)):
                flags[source] = flags[on_axis] = True
    return flags


def _with_axes(units: _Units, flags: Flags) -> Flags:
    """The flagged units, and everything on the axes in conflict: their tables, and the axes of those."""
    flags = flags.copy()
    first = units.first_axis
    pending = [n for n in range(len(units.axes)) if flags[first + n] or _is_axis_contested(units, n)]
    seen: set[int] = set()
    while pending:
        number = pending.pop()
        if number in seen:
            continue
        seen.add(number)
        flags[first + number] = True
        for table in units.tables_on_axis[number]:
            cells = units.cells(table)
            flags[cells] |= units.differing[cells]
            others = (units.axis_numbers.get(name) for name in table.axes)
            pending += [other for other in others if other is not None and units.differing[first + other]]
    return flags


def _is_axis_contested(units: _Units, number: int) -> bool:
    """Whether one side moved an axis and the other side edited a table on it differently."""
    axis = units.first_axis + number
    if not units.differing[axis]:
        return False
    edited = units.by_theirs if units.by_ours[axis] else units.by_ours
    cells = (units.cells(table) for table in units.tables_on_axis[number])
    return any(bool((edited[part] & units.differing[part]).any()) for part in cells)


def _axis_conflicts(sides: _Sides, units: _Units, flags: Flags) -> Iterator[_UnitConflict]:
    for numbers in _axis_groups(units, flags):
        on_axes = {table.name: table for number in numbers for table in units.tables_on_axis[number]}
        tables = []
        cells = [np.array([units.first_axis + number for number in numbers], np.int64)]
        for table in sorted(on_axes.values(), key=lambda table: table.line):
            part = units.cells(table)
            if flags[part].any():
                tables.append(sides.versions(table, flags[part]))
                cells.append(np.flatnonzero(flags[part]) + part.start)
        axes = tuple(sides.axis_versions(units.axes[number]) for number in numbers)
        yield _UnitConflict(AxisConflict(axes, tuple(tables)), np.concatenate(cells), axes[0].axis.line)


def _axis_groups(units: _Units, flags: Flags) -> list[list[int]]:
    """The axes in conflict, in groups that share a table directly or through others; each group rising."""
    parts: list[tuple[set[int], set[str]]] = []
    for number in (n for n in range(len(units.axes)) if flags[units.first_axis + n]):
        axes, tables = {number}, {table.name for table in units.tables_on_axis[number]}
        for part in [part for part in parts if part[1] & tables]:
            parts.remove(part)
            axes |= part[0]
            tables |= part[1]
        parts.append((axes, tables))
    return [sorted(axes) for axes, _ in parts]


def _cell_conflicts(sides: _Sides, units: _Units, flags: Flags) -> Iterator[_UnitConflict]:
    layout = sides.layout
    held = {
        table.name
        for number, tables in enumerate(units.tables_on_axis)
        if flags[units.first_axis + number]
        for table in tables
    }
    for item in np.unique(layout.item[flags[: layout.size]]).tolist():
        table = layout.items[item]
        if isinstance(table, Table) and table.name not in held:
            cells = layout.cells(item)
            numbers = np.flatnonzero(flags[cells]) + cells.start
            yield _UnitConflict(CellConflict(sides.versions(table, flags[cells])), numbers, table.line)


def _text_conflicts(sides: _Sides, units: _Units, flags: Flags) -> Iterator[_UnitConflict]:
    for number in np.flatnonzero(flags[units.first_text : units.first_identity]).tolist():
        text = units.texts[number]
        base, ours, theirs = (decoded.text(text) or "" for decoded in sides.decoded)
        unit = np.array([units.first_text + number])
        yield _UnitConflict(TextConflict(text, base, ours, theirs), unit, text.line)


def _identity_conflicts(sides: _Sides, units: _Units, flags: Flags) -> Iterator[_UnitConflict]:
    for number in np.flatnonzero(flags[units.first_identity : units.first_word]).tolist():
        identity = units.identities[number]
        versions = sides.read(identity.at, len(identity.content))
        unit = np.array([units.first_identity + number])
        yield _UnitConflict(IdentityConflict(identity, *versions), unit, identity.line)


def _bytes_conflicts(sides: _Sides, units: _Units, flags: Flags) -> Iterator[_UnitConflict]:
    claims = units.claims
    chosen = np.flatnonzero((claims.unit >= units.first_word) & flags[claims.unit])
    chosen = chosen[sides.between[claims.position[chosen]] & claims.bits[chosen] != 0]
    addresses = sides.image.addresses(claims.position[chosen])
    breaks = np.flatnonzero(np.diff(addresses // WORD) > 1) + 1
    for run, owners in zip(np.split(addresses, breaks), np.split(claims.unit[chosen], breaks), strict=True):
        if len(run):
            start = int(run[0])
            yield _UnitConflict(
                BytesConflict(start, *sides.read(start, int(run[-1]) - start + 1)), np.unique(owners), 0
            )


# Decisions


def _decisions(units: _Units, conflicts: Sequence[_UnitConflict], choice: Choice) -> list[Decision]:
    """The decision of each conflict.

    If units overlap in memory, theirs of one unit excludes ours of the other: such a conflict stays open,
    whatever was chosen.
    """
    chosen = [choice(unit_conflict.conflict) for unit_conflict in conflicts]
    while True:
        kept = units.of_numbers(
            unit_conflict.units
            for unit_conflict, side in zip(conflicts, chosen, strict=True)
            if side is not Side.THEIRS
        )
        affected = units.with_overlapping(kept)
        inseparable = [
            number
            for number, unit_conflict in enumerate(conflicts)
            if chosen[number] is Side.THEIRS and affected[unit_conflict.units].any()
        ]
        if not inseparable:
            break
        for number in inseparable:
            chosen[number] = None
    return [
        Decision(unit_conflict.conflict, side or Side.OURS, side is None)
        for unit_conflict, side in zip(conflicts, chosen, strict=True)
    ]


def _merged_image(
    sides: _Sides, units: _Units, conflicts: Sequence[_UnitConflict], decisions: Sequence[Decision]
) -> Image:
    """The image that follows from the decisions, with the checksums of ours."""
    keep, take = (
        units.bits(
            units.of_numbers(
                unit_conflict.units
                for unit_conflict, decision in zip(conflicts, decisions, strict=True)
                if decision.side is side
            )
        )
        for side in Side
    )
    merged = sides.base ^ (sides.by_ours | sides.by_theirs)
    content = (merged & ~(keep | take)) | (sides.ours & keep) | (sides.theirs & take)
    data = content.tobytes()
    segments, start = [], 0
    for segment in sides.image.segments:
        end = start + len(segment.data)
        segments.append(Segment(segment.start, data[start:end]))
        start = end
    return Image(tuple(segments))
