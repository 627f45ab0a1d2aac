"""The usable rows of a list, and the rows that others name as their axes."""

from __future__ import annotations

from collections.abc import Iterable

from callint.reading.addresses.row_log import RowLog
from callint.reading.addresses.rows import AxisCells, ListedRow


class RowIndex:
    """The rows with a place and a type, each name once; records the others in the log.

    ``usable`` are the rows in their order, ``names`` their names in the definition by those in the list.
    """

    def __init__(self, rows: Iterable[ListedRow], log: RowLog) -> None:
        self.usable: list[ListedRow] = []
        self.names: dict[str, str] = {}
        self._by_name: dict[str, ListedRow] = {}
        self._by_address: dict[int, ListedRow] = {}
        for row in rows:
            if row.obstacle:
                log.omit(row, row.obstacle)
                continue
            first = self._by_name.get(row.name)
            if first is not None:
                log.omit(row, f"its name occurs before, in row {first.line}; give it another one")
                continue
            self._by_name[row.name] = row
            self.names[row.name] = log.name(row)
            self._by_address.setdefault(row.at, row)
            self.usable.append(row)

    def shared_axes(self) -> dict[str, ListedRow]:
        """The rows that are shared axes: those of this kind, and those that others name as an axis.

        A named row that does not say how many breakpoints it has gets their number from the first row that
        names it.
        """
        rows = {row.name: row for row in self.usable if row.is_axis}
        for row in self.usable:
            for axis, count in ((row.x, row.columns), (row.y, row.rows)):
                target = self.referenced(axis)
                if target is None or target is row or target.text_length is not None:
                    continue
                rows[target.name] = target
                if not (target.columns or target.rows or target.size):
                    target.columns = count
        return rows

    def referenced(self, axis: AxisCells) -> ListedRow | None:
        """The row that an axis refers to, by its name or its address."""
        if axis.reference in self._by_name:
            return self._by_name[axis.reference]
        address = axis.address if axis.address is not None else axis.reference_address
        return None if address is None else self._by_address.get(address)
