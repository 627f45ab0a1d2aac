"""What several items of an imported list share: conversions, signals, groups and the byte order."""

from __future__ import annotations

import re
from collections.abc import Iterable

from callint.model.definition import (
    Axis,
    ByteOrder,
    Group,
    Linear,
    NumberType,
    Signal,
    Storage,
    StoredAxis,
    Table,
    Text,
)
from callint.reading.addresses.rows import ListedRow, Scaling
from callint.reading.asap2.report import ImportLog, NotKeptError, label

_NO_LETTER = re.compile(r"[^A-Za-z0-9]+")


class SharedParts:
    """The parts so far by their names; ``order`` is the byte order of rows that give none."""

    def __init__(self, order: ByteOrder | None, log: ImportLog) -> None:
        self._order = order
        self._log = log
        self.signals: dict[str, Signal] = {}
        self.conversions: dict[str, Linear] = {}
        self.groups: dict[str, Group] = {}

    def storage(self, type: NumberType, order: ByteOrder | None) -> Storage:
        """How numbers are stored. Raises NotKeptError if their byte order matters and is missing."""
        order = order or self._order
        if order is None:
            if type.size > 1:
                raise NotKeptError("its byte order is missing; give --byte-order or a column for it")
            order = ByteOrder.BIG
        return Storage(type, order, type.size)

    def conversion(self, scaling: Scaling, decimals: int | None = None) -> str | None:
        """The name of a conversion; None if physical values are the raw ones."""
        if (scaling.factor, scaling.offset, scaling.unit, decimals) == (1, 0, "", None):
            return None
        unit = label(scaling.unit, "")
        base = _NO_LETTER.sub("_", unit.replace("%", "percent")).strip("_")
        base = base if base[:1].isalpha() else f"scale_{base}".rstrip("_")
        key = repr((scaling.factor, scaling.offset, unit, decimals))
        name = self._log.name("conversion", base, None, key)
        self.conversions.setdefault(name, Linear(name, unit, decimals, scaling.factor, scaling.offset, 0))
        return name

    def signal(self, stated: str, fallback: str, unit: str) -> str:
        """The name of the signal of an axis; the same name with another unit is another signal."""
        signal_name = stated or fallback
        name = self._log.name("signal", signal_name, None, repr((signal_name, unit)))
        self.signals.setdefault(name, Signal(name, label(signal_name), label(unit), None, None, 0))
        return name

    def group(self, row: ListedRow) -> str:
        """The name of the group of a row, "" if it has none."""
        if not row.group:
            return ""
        name = self._log.name("group", row.group, None)
        self.groups.setdefault(name, Group(name, label(row.group), 0))
        return name

    def drop_unused(self, tables: Iterable[Table], texts: Iterable[Text], axes: Iterable[Axis]) -> None:
        """Drop what only rows that were left out have brought."""
        tables, axes = tuple(tables), tuple(axes)
        used = {table.conversion for table in tables}
        used |= {axis.conversion for axis in axes if isinstance(axis, StoredAxis)}
        self.conversions = {name: item for name, item in self.conversions.items() if name in used}
        signals = {axis.signal for axis in axes}
        self.signals = {name: item for name, item in self.signals.items() if name in signals}
        groups = {table.group for table in tables} | {text.group for text in texts}
        self.groups = {name: item for name, item in self.groups.items() if name in groups}
