"""The rows of a list of addresses into a definition, with a question for everything that they leave open.

Nothing is placed by guess: a row whose place, type or shape is open is left out and listed. A table whose
axis is open gets numbered breakpoints, so that its bytes stay explained.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import prod

from callint.model.definition import (
    NO_CONSTRAINTS,
    ByteOrder,
    Constraints,
    Definition,
    Kind,
    Memory,
    Table,
    Text,
)
from callint.reading.addresses.axes import ListedAxes
from callint.reading.addresses.claims import ClaimedBytes
from callint.reading.addresses.row_index import RowIndex
from callint.reading.addresses.row_log import RowLog
from callint.reading.addresses.rows import ListedRow
from callint.reading.addresses.shape import shape_of
from callint.reading.addresses.shared_parts import SharedParts
from callint.reading.asap2.report import ImportLog, NotKeptError, label
from callint.reading.definition_bounds import ALWAYS_ALLOWED_CELLS, MAX_CELLS, MAX_CELLS_PER_BYTE

_KINDS = (Kind.SCALAR, Kind.CURVE, Kind.MAP)


@dataclass
class ListDefinition:
    """What becomes of a list; ``lines`` has the line of the row of each table, text and shared axis."""

    definition: Definition | None
    log: ImportLog
    lines: dict[str, int]


class ListBuilder:
    """Makes the definition of the rows of a list."""

    def __init__(
        self,
        source: str,
        rows: list[ListedRow],
        order: ByteOrder | None,
        extent: tuple[int, int] | None,
    ) -> None:
        """``source`` is the file of the list, ``order`` the byte order of rows that give none.

        ``extent`` has the first address of the memory and the one after its last, None if the rows say where
        it ends.
        """
        self._log = RowLog(source)
        self._index = RowIndex(rows, self._log)
        self._claims = ClaimedBytes(extent, self._log)
        self._parts = SharedParts(order, self._log.log)
        self._axes = ListedAxes(self._index, self._parts, self._claims, self._log)
        self._tables: dict[str, Table] = {}
        self._texts: dict[str, Text] = {}
        self._cells = 0

    def build(self, name: str) -> ListDefinition:
        """The definition by this ``name``; None if no row could be used."""
        axis_rows = self._index.shared_axes()
        for row in axis_rows.values():
            self._keep(row, self._axes.add_row)
        for row in self._index.usable:
            if row.name not in axis_rows:
                self._keep(row, self._add_row)
        memory = self._claims.memory()
        self._drop_excess(memory)
        self._claims.report_overlaps()
        self._parts.drop_unused(self._tables.values(), self._texts.values(), self._axes.axes.values())
        lines = {self._index.names[row.name]: row.line for row in self._index.usable}
        if memory is None or not (self._tables or self._texts or self._axes.axes):
            return ListDefinition(None, self._log.log, lines)
        definition = Definition(
            name=name,
            title=label(name),
            revision=1,
            memory=memory,
            signals=self._parts.signals,
            sensors=(),
            conversions=dict(self._parts.conversions),
            axes=self._axes.axes,
            groups=self._parts.groups,
            tables=self._tables,
            texts=self._texts,
            relations=(),
            declarations=(),
            digest="",
        )
        return ListDefinition(definition, self._log.log, lines)

    def _keep(self, row: ListedRow, add: Callable[[ListedRow], None]) -> None:
        """Enter a row; if it cannot be kept, record the reason and remove what it has entered."""
        claims, losses = self._claims.count, self._log.log.losses
        loss_count, axes = len(losses), set(self._axes.axes)
        try:
            add(row)
        except NotKeptError as error:
            self._claims.release_since(claims)
            del losses[loss_count:]
            for name in self._axes.axes.keys() - axes:
                del self._axes.axes[name]
            self._log.omit(row, str(error))
            return
        for question in row.questions:
            self._log.ask(row, question)

    def _add_row(self, row: ListedRow) -> None:
        if row.purpose_question:
            self._log.ask(row, row.purpose_question)
        if row.text_length is None:
            self._add_table(row)
        else:
            self._add_text(row, row.text_length or row.columns or row.rows)

    def _add_text(self, row: ListedRow, length: int | None) -> None:
        if not length:
            raise NotKeptError("its number of characters is missing; give it as columns")
        name = self._index.names[row.name]
        self._claims.claim(row, name, row.at, length)
        title, group = label(row.title, label(row.name)), self._parts.group(row)
        self._texts[name] = Text(name, title, row.purpose, group, row.at, length, "ascii", (), 0)

    def _add_table(self, row: ListedRow) -> None:
        assert row.type is not None
        name = self._index.names[row.name]
        storage = self._parts.storage(row.type, row.byte_order)
        axis_names, cells = self._axes_of_table(row)
        self._cells += cells
        if self._cells > MAX_CELLS:
            raise NotKeptError(f"with it, the list has more than {MAX_CELLS:,} cells; correct its size")
        self._claims.claim(row, name, row.at, cells * storage.stride, storage.type.size)
        self._tables[name] = Table(
            name=name,
            title=label(row.title, label(row.name)),
            kind=_KINDS[len(axis_names)],
            purpose=row.purpose,
            group=self._parts.group(row),
            at=row.at,
            storage=storage,
            conversion=self._parts.conversion(row.scaling, row.decimals),
            x=axis_names[0] if axis_names else None,
            y=axis_names[1] if len(axis_names) > 1 else None,
            y_first=len(axis_names) > 1 and row.y_first,
            signal=None,
            produces=None,
            demands=NO_CONSTRAINTS if row.limits is None else Constraints(limits=row.limits),
            notes=(),
            line=0,
        )

    def _axes_of_table(self, row: ListedRow) -> tuple[list[str], int]:
        """The names of the axes of a table, x first, and its number of cells."""
        x_cells, y_cells, columns, rows = row.x, row.y, row.columns, row.rows
        if y_cells.is_given and not x_cells.is_given and 1 in (columns or 1, rows or 1):
            x_cells, y_cells = y_cells, x_cells
        if not y_cells.is_given and (columns or 1) == 1 and rows and rows > 1:
            columns, rows = rows, None
        x = self._axes.axis(row, "x", x_cells, columns)
        y = self._axes.axis(row, "y", y_cells, rows)
        columns, rows = shape_of((columns, rows), row.size, x, y)
        names = [
            axis.name if axis is not None else self._axes.numbered_axis(row, along, count)
            for along, axis, count in (("x", x, columns), ("y", y, rows))
            if axis is not None or count > 1
        ]
        if len(names) == 1 and rows > 1:
            raise NotKeptError(f"it has {rows} rows but no columns; give its number of columns")
        return names, columns * rows

    def _drop_excess(self, memory: Memory | None) -> None:
        """Leave out the largest tables of a list that claims more cells than its memory can hold."""
        if memory is None:
            return
        counts = {
            table.name: prod(self._axes.axes[axis].count for axis in table.axes)
            for table in self._tables.values()
        }
        most = max(ALWAYS_ALLOWED_CELLS, MAX_CELLS_PER_BYTE * memory.size)
        total = sum(counts.values())
        for name in sorted(counts, key=lambda name: -counts[name]):
            if total <= most:
                return
            total -= counts[name]
            del self._tables[name]
            self._log.omit(
                self._claims.release_row_of(name), "the tables overlap too often; correct addresses"
            )
