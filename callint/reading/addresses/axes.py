"""The axes of an imported list: from rows of their own, from the rows of tables, or numbered."""

from __future__ import annotations

from callint.model.definition import Axis, FixedAxis, StoredAxis
from callint.reading.addresses.claims import ClaimedBytes
from callint.reading.addresses.row_index import RowIndex
from callint.reading.addresses.row_log import RowLog
from callint.reading.addresses.rows import AxisCells, ListedRow
from callint.reading.addresses.shared_parts import SharedParts
from callint.reading.asap2.report import NotKeptError
from callint.reading.definition_bounds import MAX_ALL_BREAKPOINTS, MAX_BREAKPOINTS


class ListedAxes:
    """Makes the ``axes`` of a definition, by their names."""

    def __init__(self, index: RowIndex, parts: SharedParts, claims: ClaimedBytes, log: RowLog) -> None:
        self._index = index
        self._parts = parts
        self._claims = claims
        self._log = log
        self._breakpoints = 0
        self.axes: dict[str, Axis] = {}

    def add_row(self, row: ListedRow) -> None:
        """Add the axis of a row of its own. Raises NotKeptError if the row leaves its form open."""
        if row.type is None:
            raise NotKeptError("an axis has numbers; write a type such as uint16")
        counts = [count for count in (row.columns, row.rows, *(row.size or ())) if count and count > 1]
        if len(counts) > 1:
            raise NotKeptError("an axis has one row; give its number of breakpoints as columns")
        count = self._count(counts[0] if counts else row.columns or row.rows, "its number of breakpoints")
        name = self._index.names[row.name]
        storage = self._parts.storage(row.type, row.byte_order)
        self._claims.claim(row, name, row.at, count * row.type.size, row.type.size)
        signal = self._parts.signal(row.signal, row.name, row.scaling.unit)
        conversion = self._parts.conversion(row.scaling, row.decimals)
        self.axes[name] = StoredAxis(name, signal, row.at, storage, conversion, count, None, 0)

    def axis(self, row: ListedRow, along: str, axis: AxisCells, count: int | None) -> Axis | None:
        """The axis of a table, None if it is not known."""
        if not axis.is_given:
            return None
        target = self._index.referenced(axis)
        if target is not None and target is not row:
            shared = self.axes.get(self._index.names[target.name])
            if shared is None:
                self._log.ask(row, f"its {along} axis {target.name} could not be kept")
            return shared
        return self._own_axis(row, along, axis, count)

    def numbered_axis(self, row: ListedRow, along: str, count: int) -> str:
        """The name of a new axis whose breakpoints are 0, 1, 2 and so on, for an axis that is open."""
        self._count(count, "its number of columns")
        name = f"{self._index.names[row.name]}/{along}"
        self._log.ask(
            row, f"its {along} axis is open; its breakpoints are 0, 1, 2 and so on until you give one"
        )
        signal = self._parts.signal("", f"index_{along}", "")
        self.axes[name] = FixedAxis(name, signal, tuple(map(float, range(count))), 0)
        return name

    def _own_axis(self, row: ListedRow, along: str, axis: AxisCells, count: int | None) -> StoredAxis | None:
        """The axis at an address that is in no row of its own; None if its type is open."""
        at = axis.address if axis.address is not None else axis.reference_address
        if at is None:
            self._log.ask(row, f"its {along} axis {axis.reference[:40]!r} is not a row of the list; add it")
            return None
        if axis.type is None:
            question = f"its {along} axis at 0x{at:X} has no type; give the axis a row or a {along} type"
            self._log.ask(row, question)
            return None
        is_name = bool(axis.reference) and axis.reference_address != at
        name_in_list = axis.reference if is_name else f"axis_{at:X}"
        count = self._count(axis.count or count, f"the number of breakpoints of its {along} axis")
        storage = self._parts.storage(axis.type, axis.byte_order)
        conversion = self._parts.conversion(axis.scaling)
        key = repr((name_in_list, at, storage, conversion, count))
        name = self._log.log.name("axis", name_in_list, None, key)
        while name in self._index.names.values():
            name = f"{name}_axis"
        known = self.axes.get(name)
        if isinstance(known, StoredAxis):
            return known
        self._claims.claim(row, name, at, count * axis.type.size, axis.type.size)
        signal = self._parts.signal(axis.signal, name_in_list, axis.scaling.unit)
        made = StoredAxis(name, signal, at, storage, conversion, count, None, 0)
        self.axes[name] = made
        return made

    def _count(self, count: int | None, what: str) -> int:
        if not count:
            raise NotKeptError(f"{what} is missing; give it as columns")
        if count > MAX_BREAKPOINTS or self._breakpoints + count > MAX_ALL_BREAKPOINTS:
            raise NotKeptError(f"{count:,} breakpoints are more than callint reads; correct the number")
        self._breakpoints += count
        return count
