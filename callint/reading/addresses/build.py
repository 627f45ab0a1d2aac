"""The rows of a list of addresses into a definition, with a question for everything that they leave open.

Nothing is placed by guess: a row whose place, type or shape is open is left out and listed. A table whose
axis is open gets numbered breakpoints, so that its bytes stay explained.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from operator import attrgetter

from callint.model.definition import (
    NO_CONSTRAINTS,
    Axis,
    ByteOrder,
    Constraints,
    Definition,
    FixedAxis,
    Group,
    Kind,
    Linear,
    Memory,
    NumberType,
    Signal,
    Storage,
    StoredAxis,
    Table,
    Text,
)
from callint.model.errors import InputError
from callint.reading.addresses.rows import AxisCells, ListedRow, Scaling
from callint.reading.asap2.report import ImportLog, NotKeptError, label
from callint.reading.asap2.tokens import SourceLocation
from callint.reading.definition_bounds import (
    ALWAYS_ALLOWED_CELLS,
    MAX_ALL_BREAKPOINTS,
    MAX_BREAKPOINTS,
    MAX_CELLS,
    MAX_CELLS_PER_BYTE,
    MAX_MEMORY,
)

_KINDS = (Kind.SCALAR, Kind.CURVE, Kind.MAP)
_NO_LETTER = re.compile(r"[^A-Za-z0-9]+")
#: The kind of a loss.
ROW = "row"


@dataclass(frozen=True, slots=True)
class _AddressSpan:
    """The addresses of an item: its first, and the one after its last; and what they are of."""

    start: int
    end: int
    name: str
    row: ListedRow


@dataclass
class ListDefinition:
    """What becomes of a list; ``lines`` has the line of the row of each table, text and shared axis."""

    definition: Definition | None
    log: ImportLog
    lines: dict[str, int]


@dataclass
class ListBuilder:
    """Makes the definition of the rows of a list.

    ``order`` is the byte order of rows that give none. ``extent`` has the first address of the memory and the
    one after its last, None if the rows say where it ends.
    """

    source: str
    rows: list[ListedRow]
    order: ByteOrder | None
    extent: tuple[int, int] | None
    log: ImportLog = field(default_factory=ImportLog)
    axes: dict[str, Axis] = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)
    texts: dict[str, Text] = field(default_factory=dict)
    signals: dict[str, Signal] = field(default_factory=dict)
    conversions: dict[str, Linear] = field(default_factory=dict)
    groups: dict[str, Group] = field(default_factory=dict)
    _spans: list[_AddressSpan] = field(default_factory=list)
    _by_name: dict[str, ListedRow] = field(default_factory=dict)
    _by_address: dict[int, ListedRow] = field(default_factory=dict)
    _names: dict[str, str] = field(default_factory=dict)
    _breakpoints: int = 0
    _cells: int = 0

    def build(self, name: str) -> ListDefinition:
        """The definition by this ``name``; None if no row could be used."""
        usable = self._usable_rows()
        axis_rows = self._axis_rows(usable)
        for row in axis_rows.values():
            self._keep(row, self._add_axis_row)
        for row in usable:
            if row.name not in axis_rows:
                self._keep(row, self._add_row)
        memory = self._memory()
        self._drop_excess(memory)
        self._report_places()
        self._drop_unused()
        lines = {self._names[row.name]: row.line for row in usable}
        if memory is None or not (self.tables or self.texts or self.axes):
            return ListDefinition(None, self.log, lines)
        definition = Definition(
            name=name,
            title=label(name),
            revision=1,
            memory=memory,
            signals=self.signals,
            sensors=(),
            conversions=dict(self.conversions),
            axes=self.axes,
            groups=self.groups,
            tables=self.tables,
            texts=self.texts,
            relations=(),
            declarations=(),
            digest="",
        )
        return ListDefinition(definition, self.log, lines)

    def place(self, row: ListedRow) -> SourceLocation:
        """The place of a row."""
        return SourceLocation(self.source, row.line)

    def _ask(self, row: ListedRow, question: str) -> None:
        self.log.change(ROW, row.name, question, self.place(row))

    def _keep(self, row: ListedRow, add: Callable[[ListedRow], None]) -> None:
        """Enter a row; if it cannot be kept, record the reason and remove what it has entered."""
        spans, losses = len(self._spans), len(self.log.losses)
        axes = set(self.axes)
        try:
            add(row)
        except NotKeptError as error:
            del self._spans[spans:], self.log.losses[losses:]
            for name in self.axes.keys() - axes:
                del self.axes[name]
            self.log.omit(ROW, row.name, str(error), self.place(row))
            return
        for question in row.questions:
            self._ask(row, question)

    # Rows

    def _usable_rows(self) -> list[ListedRow]:
        """The rows with a place and a type, each name once; records the others."""
        usable = []
        for row in self.rows:
            if row.obstacle:
                self.log.omit(ROW, row.name, row.obstacle, self.place(row))
                continue
            first = self._by_name.get(row.name)
            if first is not None:
                reason = f"its name occurs before, in row {first.line}; give it another one"
                self.log.omit(ROW, row.name, reason, self.place(row))
                continue
            self._by_name[row.name] = row
            self._names[row.name] = self.log.name(ROW, row.name, self.place(row))
            self._by_address.setdefault(row.at, row)
            usable.append(row)
        return usable

    def _axis_rows(self, usable: Iterable[ListedRow]) -> dict[str, ListedRow]:
        """The rows that are shared axes: those of this kind, and those that others name as an axis."""
        rows = {row.name: row for row in usable if row.is_axis}
        for row in usable:
            for axis, count in ((row.x, row.columns), (row.y, row.rows)):
                target = self._referenced(axis)
                if target is None or target is row or target.text_length is not None:
                    continue
                rows[target.name] = target
                if not (target.columns or target.rows or target.size):
                    target.columns = count
        return rows

    def _referenced(self, axis: AxisCells) -> ListedRow | None:
        """The row that an axis refers to, by its name or its address."""
        if axis.reference in self._by_name:
            return self._by_name[axis.reference]
        address = axis.address if axis.address is not None else axis.reference_address
        return None if address is None else self._by_address.get(address)

    def _add_row(self, row: ListedRow) -> None:
        if row.purpose_question:
            self._ask(row, row.purpose_question)
        if row.text_length is None:
            self._add_table(row)
            return
        length = row.text_length or row.columns or row.rows
        if not length:
            raise NotKeptError("its number of characters is missing; give it as columns")
        name = self._names[row.name]
        self._place(row, name, row.at, length)
        self.texts[name] = Text(
            name,
            label(row.title, label(row.name)),
            row.purpose,
            self._group(row),
            row.at,
            length,
            "ascii",
            (),
            0,
        )

    def _group(self, row: ListedRow) -> str:
        if not row.group:
            return ""
        name = self.log.name("group", row.group, None)
        self.groups.setdefault(name, Group(name, label(row.group), 0))
        return name

    # Storage

    def _storage(self, type: NumberType, order: ByteOrder | None) -> Storage:
        order = order or self.order
        if order is None:
            if type.size > 1:
                raise NotKeptError("its byte order is missing; give --byte-order or a column for it")
            order = ByteOrder.BIG
        return Storage(type, order, type.size)

    def _place(self, row: ListedRow, name: str, at: int, size: int, unit: int = 1) -> None:
        """Claim bytes for an item; ``unit`` is the size of one number in bytes."""
        end = at + size
        if self.extent is not None and not (self.extent[0] <= at and end <= self.extent[1]):
            first, last = self.extent[0], self.extent[1] - 1
            raise NotKeptError(
                f"it lies outside the memory from 0x{first:X} to 0x{last:X}; correct its address or its size"
            )
        if unit > 1 and at % 2:
            self._ask(
                row,
                f"its numbers of {unit} bytes begin at an odd address; check the address",
            )
        self._spans.append(_AddressSpan(at, end, name, row))

    def _conversion(self, scaling: Scaling, decimals: int | None = None) -> str | None:
        if (scaling.factor, scaling.offset, scaling.unit, decimals) == (1, 0, "", None):
            return None
        unit = label(scaling.unit, "")
        base = _NO_LETTER.sub("_", unit.replace("%", "percent")).strip("_")
        base = base if base[:1].isalpha() else f"scale_{base}".rstrip("_")
        key = repr((scaling.factor, scaling.offset, unit, decimals))
        name = self.log.name("conversion", base, None, key)
        self.conversions.setdefault(name, Linear(name, unit, decimals, scaling.factor, scaling.offset, 0))
        return name

    # Axes

    def _signal(self, wanted: str, fallback: str, unit: str) -> str:
        """The signal of an axis; the same name with another unit is another signal."""
        given = wanted or fallback
        name = self.log.name("signal", given, None, repr((given, unit)))
        self.signals.setdefault(name, Signal(name, label(given), label(unit), None, None, 0))
        return name

    def _count(self, count: int | None, what: str) -> int:
        if not count:
            raise NotKeptError(f"{what} is missing; give it as columns")
        if count > MAX_BREAKPOINTS or self._breakpoints + count > MAX_ALL_BREAKPOINTS:
            raise NotKeptError(f"{count:,} breakpoints are more than callint reads; correct the number")
        self._breakpoints += count
        return count

    def _add_axis_row(self, row: ListedRow) -> None:
        if row.type is None:
            raise NotKeptError("an axis has numbers; write a type such as uint16")
        counts = [count for count in (row.columns, row.rows, *(row.size or ())) if count and count > 1]
        if len(counts) > 1:
            raise NotKeptError("an axis has one row; give its number of breakpoints as columns")
        count = self._count(counts[0] if counts else row.columns or row.rows, "its number of breakpoints")
        name = self._names[row.name]
        storage = self._storage(row.type, row.byte_order)
        self._place(row, name, row.at, count * row.type.size, row.type.size)
        signal = self._signal(row.signal, row.name, row.scaling.unit)
        conversion = self._conversion(row.scaling, row.decimals)
        self.axes[name] = StoredAxis(name, signal, row.at, storage, conversion, count, None, 0)

    def _own_axis(self, row: ListedRow, along: str, axis: AxisCells, count: int | None) -> StoredAxis | None:
        """The axis at an address that is in no row of its own; None if its type is open."""
        at = axis.address if axis.address is not None else axis.reference_address
        if at is None:
            self._ask(row, f"its {along} axis {axis.reference[:40]!r} is not a row of the list; add it")
            return None
        if axis.type is None:
            self._ask(row, f"its {along} axis at 0x{at:X} has no type; give the axis a row or a {along} type")
            return None
        is_name = bool(axis.reference) and axis.reference_address != at
        given = axis.reference if is_name else f"axis_{at:X}"
        count = self._count(axis.count or count, f"the number of breakpoints of its {along} axis")
        storage = self._storage(axis.type, axis.byte_order)
        conversion = self._conversion(axis.scaling)
        key = repr((given, at, storage, conversion, count))
        name = self.log.name("axis", given, None, key)
        while name in self._names.values():
            name = f"{name}_axis"
        known = self.axes.get(name)
        if isinstance(known, StoredAxis):
            return known
        self._place(row, name, at, count * axis.type.size, axis.type.size)
        signal = self._signal(axis.signal, given, axis.scaling.unit)
        made = StoredAxis(name, signal, at, storage, conversion, count, None, 0)
        self.axes[name] = made
        return made

    def _axis(self, row: ListedRow, along: str, axis: AxisCells, count: int | None) -> Axis | None:
        """The axis of a table, None if it is not known."""
        if not axis.is_given:
            return None
        target = self._referenced(axis)
        if target is not None and target is not row:
            shared = self.axes.get(self._names[target.name])
            if shared is None:
                self._ask(row, f"its {along} axis {target.name} could not be kept")
            return shared
        return self._own_axis(row, along, axis, count)

    def _numbered_axis(self, row: ListedRow, along: str, count: int) -> str:
        self._count(count, "its number of columns")
        name = f"{self._names[row.name]}/{along}"
        self._ask(row, f"its {along} axis is open; its breakpoints are 0, 1, 2 and so on until you give one")
        signal = self._signal("", f"index_{along}", "")
        self.axes[name] = FixedAxis(name, signal, tuple(map(float, range(count))), 0)
        return name

    # Tables

    def _add_table(self, row: ListedRow) -> None:
        assert row.type is not None
        name = self._names[row.name]
        storage = self._storage(row.type, row.byte_order)
        x_cells, y_cells, columns, rows = row.x, row.y, row.columns, row.rows
        if y_cells.is_given and not x_cells.is_given and 1 in (columns or 1, rows or 1):
            x_cells, y_cells = y_cells, x_cells
        if not y_cells.is_given and (columns or 1) == 1 and rows and rows > 1:
            columns, rows = rows, None
        x = self._axis(row, "x", x_cells, columns)
        y = self._axis(row, "y", y_cells, rows)
        columns, rows = self._shape(row, (columns, rows), x, y)
        names = [
            axis.name if axis is not None else self._numbered_axis(row, along, count)
            for along, axis, count in (("x", x, columns), ("y", y, rows))
            if axis is not None or count > 1
        ]
        if len(names) == 1 and rows > 1:
            raise NotKeptError(f"it has {rows} rows but no columns; give its number of columns")
        self._cells += columns * rows
        if self._cells > MAX_CELLS:
            raise NotKeptError(f"with it, the list has more than {MAX_CELLS:,} cells; correct its size")
        self._place(row, name, row.at, columns * rows * storage.stride, storage.type.size)
        self.tables[name] = Table(
            name=name,
            title=label(row.title, label(row.name)),
            kind=_KINDS[len(names)],
            purpose=row.purpose,
            group=self._group(row),
            at=row.at,
            storage=storage,
            conversion=self._conversion(row.scaling, row.decimals),
            x=names[0] if names else None,
            y=names[1] if len(names) > 1 else None,
            y_first=len(names) > 1 and row.y_first,
            signal=None,
            produces=None,
            demands=NO_CONSTRAINTS if row.limits is None else Constraints(limits=row.limits),
            notes=(),
            line=0,
        )

    def _shape(
        self, row: ListedRow, given: tuple[int | None, int | None], x: Axis | None, y: Axis | None
    ) -> tuple[int, int]:
        """Columns and rows. Raises NotKeptError if what is given contradicts itself, or is open."""
        columns, rows = given
        if row.size is not None:
            columns, rows = self._size(row.size, x, y)
        for what, count, axis in (("columns", columns, x), ("rows", rows, y)):
            if axis is not None and count is not None and count != axis.count:
                raise NotKeptError(
                    f"it has {count} {what}, but axis {axis.name} has {axis.count} breakpoints; correct one"
                )
        columns = x.count if x is not None else columns
        rows = y.count if y is not None else rows
        return columns or 1, rows or 1

    def _size(self, size: tuple[int, int], x: Axis | None, y: Axis | None) -> tuple[int, int]:
        """Columns and rows of a size in unknown order, as far as the axes tell it."""
        first, second = size
        if 0 in size:
            raise NotKeptError("its size has a zero; correct it")
        if second in (first, 1):
            return first, second
        if first == 1:
            return second, first
        ways = [
            (columns, rows)
            for columns, rows in ((first, second), (second, first))
            if (x is None or x.count == columns) and (y is None or y.count == rows)
        ]
        if len(ways) == 1:
            return ways[0]
        if not ways:
            raise NotKeptError(f"its size {first}x{second} does not agree with its axes; correct one of them")
        raise NotKeptError(
            f"its size {first}x{second} is columns x rows or the reverse; give size_order in a mapping file"
        )

    # The whole

    def _memory(self) -> Memory | None:
        if self.extent is not None:
            start, end = self.extent
        elif self._spans:
            start, end = min(span.start for span in self._spans), max(span.end for span in self._spans)
        else:
            return None
        if end - start > MAX_MEMORY:
            low, high = (span.row for span in (min(self._spans, key=_start), max(self._spans, key=_start)))
            raise InputError(
                f"{self.source}: rows {low.line} and {high.line} lie more than {MAX_MEMORY >> 20} MiB apart; "
                "correct an address, or give start and size in a mapping file (--mapping)"
            )
        return Memory(start, end - start, 0xFF, (), (), (), 0)

    def _drop_excess(self, memory: Memory | None) -> None:
        """Leave out the largest tables of a list that claims more cells than its memory can hold."""
        if memory is None:
            return
        counts = {}
        for table in self.tables.values():
            cells = 1
            for axis in table.axes:
                cells *= self.axes[axis].count
            counts[table.name] = cells
        most = max(ALWAYS_ALLOWED_CELLS, MAX_CELLS_PER_BYTE * memory.size)
        total = sum(counts.values())
        for name in sorted(counts, key=lambda name: -counts[name]):
            if total <= most:
                return
            total -= counts[name]
            del self.tables[name]
            row = next(span.row for span in self._spans if span.name == name)
            self._spans = [span for span in self._spans if span.row is not row]
            self.log.omit(ROW, row.name, "the tables overlap too often; correct addresses", self.place(row))

    def _report_places(self) -> None:
        """Record the items that begin within another one."""
        last: _AddressSpan | None = None
        for span in sorted(self._spans, key=attrgetter("start", "end")):
            if last is not None and span.start < last.end:
                size = min(last.end, span.end) - span.start
                row, other = (span, last) if span.row.line >= last.row.line else (last, span)
                self._ask(
                    row.row,
                    f"{row.name} overlaps {other.name} of row {other.row.line} by {size} "
                    f"byte{'' if size == 1 else 's'} at 0x{span.start:X}",
                )
            if last is None or span.end > last.end:
                last = span

    def _drop_unused(self) -> None:
        """Drop what only rows that were left out have brought."""
        used = {table.conversion for table in self.tables.values()}
        used |= {axis.conversion for axis in self.axes.values() if isinstance(axis, StoredAxis)}
        self.conversions = {name: item for name, item in self.conversions.items() if name in used}
        signals = {axis.signal for axis in self.axes.values()}
        self.signals = {name: item for name, item in self.signals.items() if name in signals}
        groups = {table.group for table in self.tables.values()}
        groups |= {text.group for text in self.texts.values()}
        self.groups = {name: item for name, item in self.groups.items() if name in groups}


def _start(span: _AddressSpan) -> int:
    return span.start
