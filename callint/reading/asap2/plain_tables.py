"""Tables without demands, for numbers in a record that are neither its values nor breakpoints of its axes."""

from __future__ import annotations

from dataclasses import dataclass

from callint.model.definition import NO_CONSTRAINTS, Kind, Purpose, Table
from callint.reading.asap2.groups import GroupBuilder
from callint.reading.asap2.layouts import RecordSlot
from callint.reading.asap2.nodes import AxisDescription, Characteristic
from callint.reading.asap2.report import label
from callint.reading.asap2.state import ImportState


@dataclass(frozen=True, slots=True)
class PlainPart:
    """Numbers of a record, their name and title, and the axis ``along`` which a list of them lies."""

    name: str
    title: str
    slot: RecordSlot
    conversion: str | None = None
    along: str | None = None


class PlainTables:
    """Enters scalars and lists of values beside the table of a characteristic."""

    def __init__(self, state: ImportState, groups: GroupBuilder) -> None:
        self.state = state
        self._groups = groups

    def name(self, characteristic: Characteristic, part: str) -> str:
        """The name of a part of a characteristic: "TABLE.offset_x"."""
        return self.state.log.name("CHARACTERISTIC", f"{characteristic.name}.{part}", None)

    def add(self, characteristic: Characteristic, axis: AxisDescription, part: PlainPart) -> None:
        """Enter the numbers of a record that say something of an axis."""
        state = self.state
        order = axis.byte_order or characteristic.byte_order
        state.sources[part.name] = characteristic
        state.tables[part.name] = Table(
            name=part.name,
            title=label(f"{label(characteristic.title, characteristic.name)}, {part.title}"),
            kind=Kind.SCALAR if part.along is None else Kind.CURVE,
            purpose=Purpose.GENERAL,
            group=self._groups.group_of(characteristic),
            at=part.slot.at,
            storage=state.layouts.storage(part.slot, order),
            conversion=part.conversion,
            x=part.along,
            y=None,
            y_first=False,
            signal=None,
            produces=None,
            demands=NO_CONSTRAINTS,
            notes=(),
            line=0,
        )
