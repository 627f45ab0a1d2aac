"""The differences between two images of one definition, as data.

Reports, rules and merges are all made from a change set.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.model.definition import Checksum, Definition, Identity, Purpose, StoredAxis, Table, Text
from callint.model.derived_axis import DerivedAxis

Numbers = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of one table in one image.

    ``raw`` (its stored type, native byte order), ``physical`` and ``off`` have the shape
    (rows, columns); ``x`` and ``y`` are the breakpoints, shape (columns,) and (rows,), or None if the table
    has no such axis. A cell that the image lacks is NaN in ``physical`` and False in ``present``.
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

        A switch to or from off counts more than any step; of several, the one with the largest value.
        """
        # The difference of two floats may exceed the largest float.
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
        """The number of bytes of its cells that differ."""
        before, after = (np.ascontiguousarray(grid.raw).view(np.uint8) for grid in (self.old, self.new))
        return int(np.count_nonzero(before != after))


@dataclass(frozen=True, slots=True)
class AxisChange:
    """An axis with changed breakpoints: physical values old and new, and raw ones, shape (count,).

    A derived axis stores no raw values; its physical ones take their place.
    """

    axis: StoredAxis | DerivedAxis
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
    """The largest change of a table's output, with the effects of axes and cells together.

    ``old`` and ``new`` are the outputs at the operating point ``at``, where they differ most; they are equal
    if the output is the same everywhere. ``span`` is the difference between the old table's highest and
    lowest value. ``switched`` says that the function is switched on or off at some operating point, and
    ``in_cells`` that cells changed too.
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
        """Whether it is within a hundredth of the span, as rounding to new breakpoints can cause."""
        return not self.switched and self.size <= self.span / 100


_WEIGHTS = {Purpose.PROTECTION: 0, Purpose.EMISSIONS: 1}


def by_importance(shifts: Iterable[OutputShift]) -> list[OutputShift]:
    """Shifts that matter before slight ones; of each, protection before emissions before other purposes."""
    return sorted(shifts, key=lambda shift: (shift.is_slight, _WEIGHTS.get(shift.table.purpose, 2)))


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
        """Old and new bytes from the first to the last that differ; None if the texts differ as well.

        Such bytes are padding, or not characters.
        """
        if self.old != self.new:
            return None
        pairs = enumerate(zip(self.old_bytes, self.new_bytes, strict=True))
        differing = [number for number, (before, after) in pairs if before != after]
        extent = slice(differing[0], differing[-1] + 1)
        return self.old_bytes[extent], self.new_bytes[extent]


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
    """``size`` bytes from ``start``, of which ``changed`` differ, including the first and the last."""

    start: int
    size: int
    changed: int


@dataclass(frozen=True)
class ChangeSet:
    """Everything that differs, in the order of the definition.

    ``bytes`` is the number of differing bytes. A ``partial`` set is a selection of tables: it counts only
    their bytes, and has no unexplained ones. ``output_shifts`` are those of the tables on changed axes, if
    the axes can be read. ``unexplained`` are the differing bytes that belong to no table, axis, text,
    checksum or identity. ``missing`` are the bytes that only one of the two images has.
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
    output_shifts: tuple[OutputShift, ...] = ()
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
    def output_shift_of(self) -> dict[str, OutputShift]:
        return {shift.table.name: shift for shift in self.output_shifts}

    @cached_property
    def touched_tables(self) -> tuple[Table, ...]:
        """The tables with changed cells, and those whose output moved with their axes by more than rounding.

        If the shift of an output is unknown, the table counts. In the order of the definition.
        """
        names = {change.table.name for change in self.tables}
        for axis in self.axes:
            for table in self.definition.tables_on(axis.axis.name):
                shift = self.output_shift_of.get(table.name)
                is_far = shift is None or shift.switched or (shift.size and not shift.is_slight)
                if is_far and self.definition.is_resolved(table):
                    names.add(table.name)
        return tuple(table for table in self.definition.tables.values() if table.name in names)

    @cached_property
    def by_axis(self) -> dict[str, AxisChange]:
        return {change.axis.name: change for change in self.axes}
