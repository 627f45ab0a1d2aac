"""What differs between two images of one definition, as data.

A change set is what the terminal view, the JSON contract, the rules, and later the merge are made from.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.model.definition import Checksum, Definition, Identity, StoredAxis, Table, Text

Numbers = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of one table in one image.

    ``raw`` (its stored type, native byte order), ``physical`` and ``off`` have the shape
    (rows, columns); ``x`` and ``y`` are the breakpoints, shape (columns,) and (rows,), or None where
    the table has no such axis. A cell that the image does not hold is NaN in ``physical`` and False
    in ``present``.
    """

    table: Table
    raw: NDArray[Any]
    physical: Numbers
    present: Flags
    off: Flags
    x: Numbers | None
    y: Numbers | None


@dataclass(frozen=True, slots=True)
class TableChange:
    """A table with changed cells; ``changed`` has the shape (rows, columns)."""

    table: Table
    old: Grid
    new: Grid
    changed: Flags

    @property
    def count(self) -> int:
        return int(np.count_nonzero(self.changed))

    @property
    def largest(self) -> tuple[int, int]:
        """Row and column of the largest change in physical units.

        A switch to or from off counts most, and the more the larger the value that is lost or gained.
        """
        # Floats may be further apart than the largest number.
        with np.errstate(over="ignore", invalid="ignore"):
            steps = np.abs(self.new.physical - self.old.physical)
            values = np.abs(np.where(self.new.off, self.old.physical, self.new.physical))
        considered, sizes = self.changed, np.nan_to_num(steps, nan=np.inf)
        switched = self.changed & (self.old.off != self.new.off)
        if switched.any():
            considered, sizes = switched, np.nan_to_num(values)
        y, x = np.unravel_index(np.argmax(np.where(considered, sizes, -1.0)), sizes.shape)
        return int(y), int(x)

    @property
    def bytes(self) -> int:
        """How many bytes of its cells differ."""
        before, after = (np.ascontiguousarray(grid.raw).view(np.uint8) for grid in (self.old, self.new))
        return int(np.count_nonzero(before != after))


@dataclass(frozen=True, slots=True)
class AxisChange:
    """A stored axis with changed breakpoints: physical values old and new, and raw ones, shape (count,)."""

    axis: StoredAxis
    old: Numbers
    new: Numbers
    changed: Flags
    old_raw: NDArray[Any]
    new_raw: NDArray[Any]


@dataclass(frozen=True, slots=True)
class CountChange:
    """A stored count of breakpoints that differs."""

    axis: StoredAxis
    old: int
    new: int


@dataclass(frozen=True, slots=True)
class OutputShift:
    """How far a table's output moved, axes and cells together: at the operating point where it is furthest.

    ``old`` and ``new`` are the output there, ``at`` the values of the signals; they are equal where the
    output is the same everywhere. ``span`` is the distance of the old table's highest and lowest value.
    ``switched`` says that somewhere the one is off and the other is not, ``in_cells`` that cells changed too.
    """

    table: Table
    old: float
    new: float
    at: dict[str, float]
    span: float
    switched: bool
    in_cells: bool

    @property
    def size(self) -> float:
        return abs(self.new - self.old)

    @property
    def is_slight(self) -> bool:
        """Whether it is within a hundredth of the span: what rounding to new breakpoints leaves."""
        return not self.switched and self.size <= self.span / 100


@dataclass(frozen=True, slots=True)
class TextChange:
    """A text that differs."""

    text: Text
    old: str
    new: str
    old_bytes: bytes
    new_bytes: bytes

    @property
    def hidden(self) -> tuple[bytes, bytes] | None:
        """Old and new bytes from the first to the last that differ, where both texts read alike; else None.

        They differ in the padding, or in what is no character.
        """
        if self.old != self.new:
            return None
        pairs = enumerate(zip(self.old_bytes, self.new_bytes, strict=True))
        places = [place for place, (before, after) in pairs if before != after]
        stretch = slice(places[0], places[-1] + 1)
        return self.old_bytes[stretch], self.new_bytes[stretch]


@dataclass(frozen=True, slots=True)
class ChecksumChange:
    """A stored checksum that differs, as numbers."""

    checksum: Checksum
    old: int
    new: int


@dataclass(frozen=True, slots=True)
class IdentityChange:
    """Identity bytes that differ."""

    identity: Identity
    old: bytes
    new: bytes


@dataclass(frozen=True, slots=True)
class Run:
    """Bytes from ``start``: ``changed`` of the ``size`` differ, the first and the last among them."""

    start: int
    size: int
    changed: int


@dataclass(frozen=True)
class ChangeSet:
    """Everything that differs, in the order of the definition.

    ``bytes`` counts all differing bytes. A ``partial`` set is a selection of tables: its bytes are theirs
    alone, and it says nothing about unexplained bytes. ``movements`` has the tables on changed axes, but
    those whose axes cannot be read. ``unexplained`` are the differing bytes that no table,
    axis, text, checksum or identity accounts for. ``missing`` are addresses that only one of the two
    images holds.
    """

    definition: Definition
    tables: tuple[TableChange, ...] = ()
    axes: tuple[AxisChange, ...] = ()
    counts: tuple[CountChange, ...] = ()
    texts: tuple[TextChange, ...] = ()
    checksums: tuple[ChecksumChange, ...] = ()
    identities: tuple[IdentityChange, ...] = ()
    unexplained: tuple[Run, ...] = ()
    missing: tuple[Run, ...] = ()
    movements: tuple[OutputShift, ...] = ()
    bytes: int = 0
    partial: bool = False

    @property
    def is_empty(self) -> bool:
        return not (self.bytes or self.missing or self.axes or self.texts)

    @property
    def cells(self) -> int:
        return sum(table.count for table in self.tables)

    @cached_property
    def by_table(self) -> dict[str, TableChange]:
        return {change.table.name: change for change in self.tables}

    @cached_property
    def movement_of(self) -> dict[str, OutputShift]:
        return {movement.table.name: movement for movement in self.movements}

    @cached_property
    def touched_tables(self) -> tuple[Table, ...]:
        """The tables with changed cells, and those whose output moved with their axes, more than by rounding.

        Where it cannot be told how far it moved, it may be far. They are in the order of the definition.
        """
        names = {change.table.name for change in self.tables}
        for axis in self.axes:
            for table in self.definition.tables_on(axis.axis.name):
                moved = self.movement_of.get(table.name)
                is_far = moved is None or moved.switched or (moved.size and not moved.is_slight)
                if is_far and self.definition.is_resolved(table):
                    names.add(table.name)
        return tuple(table for table in self.definition.tables.values() if table.name in names)

    @cached_property
    def by_axis(self) -> dict[str, AxisChange]:
        return {change.axis.name: change for change in self.axes}
