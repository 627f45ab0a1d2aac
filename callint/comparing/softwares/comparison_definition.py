"""Makes a definition of compared tables, on the union of breakpoints and in the units of the comparison."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from callint.comparing.softwares.axes import UnionAxis
from callint.comparing.softwares.pairs import AxisPair, SoftwareTables
from callint.model.definition import (
    ByteOrder,
    Definition,
    Kind,
    Linear,
    NumberType,
    Purpose,
    States,
    Storage,
    StoredAxis,
    Table,
)

#: Points of a union are stored as doubles, with all of their digits.
_DOUBLE = Storage(NumberType.float64, ByteOrder.BIG, 8)
_KINDS = (Kind.SCALAR, Kind.CURVE, Kind.MAP)


class ComparisonDefinition:
    """Collects the tables of a comparison, and makes a definition of them.

    A table has the name, conversion and storage of the new table, and the more important purpose of the two.
    """

    def __init__(self, old: Definition, new: Definition) -> None:
        self._old, self._new = old, new
        self._tables: dict[str, Table] = {}
        self._axes: dict[str, StoredAxis] = {}
        self._conversions = dict(new.conversions)

    def add(
        self, pair: SoftwareTables, unions: tuple[UnionAxis, ...], states: Mapping[int, str] | None
    ) -> Table:
        """The table of a comparison; ``states`` are the names of its values if they are states."""
        names = [self._add_axis(pair, axis, union) for axis, union in zip(pair.axes, unions, strict=True)]
        conversion = pair.new.conversion
        if states is not None:
            conversion = f"states of {pair.new.name}"
            self._conversions[conversion] = States(conversion, states, (), pair.new.line)
        purposes = list(Purpose)
        table = replace(
            pair.new,
            kind=_KINDS[len(names)],
            purpose=min(pair.old.purpose, pair.new.purpose, key=purposes.index),
            conversion=conversion,
            x=names[0] if names else None,
            y=names[1] if len(names) > 1 else None,
        )
        self._tables[table.name] = table
        return table

    def _add_axis(self, pair: SoftwareTables, axis: AxisPair, union: UnionAxis) -> str:
        """The name of a union's axis: that of the new table, followed by the old name if it differs."""
        names = [
            table.axes[index]
            for table, index in ((pair.new, axis.new), (pair.old, axis.old))
            if index is not None
        ]
        name = " with ".join(dict.fromkeys(names))
        if len(names) == 1:
            name = f"{name} of one side"
        if name not in self._axes:
            self._conversions[name] = Linear(name, axis.unit, None, 1.0, 0.0, pair.new.line)
            self._axes[name] = StoredAxis(
                name, axis.signal, 0, _DOUBLE, name, len(union.points), None, pair.new.line
            )
        return name

    def build(self) -> Definition:
        """The definition of all tables that were added."""
        return replace(
            self._new,
            signals={**self._old.signals, **self._new.signals},
            conversions=self._conversions,
            axes=dict(self._axes),
            groups={**self._old.groups, **self._new.groups},
            tables=dict(self._tables),
            relations=(),
        )
