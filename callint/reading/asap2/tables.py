"""Makes the tables and texts of a definition from the CHARACTERISTIC blocks of a description."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from callint.model.definition import (
    Kind,
    Purpose,
    Table,
    Text,
)
from callint.reading.asap2.axes import AxisBuilder
from callint.reading.asap2.computed_axes import has_stored_parameters
from callint.reading.asap2.constraints import ConstraintBuilder
from callint.reading.asap2.groups import GroupBuilder
from callint.reading.asap2.layouts import RecordSlot, size_of
from callint.reading.asap2.nodes import AxisDescription, Characteristic, RecordLayout
from callint.reading.asap2.plain_tables import PlainPart, PlainTables
from callint.reading.asap2.report import NotKeptError, label
from callint.reading.asap2.state import ImportState, Item
from callint.reading.definition_bounds import MAX_BREAKPOINTS, MAX_CELLS, MAX_MEMORY

#: Number of axes of each type of table.
_AXIS_COUNTS = {"VALUE": 0, "CURVE": 1, "MAP": 2}
#: The kind of a table by its number of axes.
_KINDS = (Kind.SCALAR, Kind.CURVE, Kind.MAP)
_ENCODINGS = {"": "ascii", "UTF8": "utf-8"}


class TableBuilder:
    """Enters characteristics as tables and texts."""

    def __init__(self, state: ImportState, axes: AxisBuilder, groups: GroupBuilder) -> None:
        self.state = state
        self._axes = axes
        self._groups = groups
        self._plain = PlainTables(state, groups)
        self._constraints = ConstraintBuilder(state, axes)
        self._cells = 0

    def add(self, characteristic: Characteristic) -> None:
        """Enter a characteristic. Raises NotKeptError if it cannot be kept."""
        if characteristic.is_virtual and not characteristic.is_dependent:
            raise NotKeptError("it is virtual: computed, and not in memory (VIRTUAL_CHARACTERISTIC)")
        self.state.require_storable(characteristic.extension, characteristic.address)
        if characteristic.type == "ASCII":
            self._add_text(characteristic)
        elif characteristic.type in _AXIS_COUNTS:
            self._add_table(characteristic)
        elif characteristic.type == "VAL_BLK":
            self._add_value_block(characteristic)
        elif characteristic.type == "CUBOID":
            self._add_cuboid(characteristic)
        else:
            raise NotKeptError(f"a {characteristic.type[:40]} is not covered")
        if characteristic.is_dependent or characteristic.is_virtual:
            dependent = characteristic.is_dependent
            keyword = "DEPENDENT_CHARACTERISTIC" if dependent else "VIRTUAL_CHARACTERISTIC"
            reason = f"its computation from other quantities is not kept ({keyword})"
            self.state.change(_item(characteristic), reason)

    def _add_text(self, characteristic: Characteristic) -> None:
        layouts = self.state.layouts
        length = math.prod(characteristic.sizes) if characteristic.sizes else 0
        if not 0 < length <= MAX_MEMORY:
            missing = "its length is not given (NUMBER or MATRIX_DIM)"
            raise NotKeptError(missing if not length else "its length is wrong")
        layout = layouts.layout(characteristic.layout)
        counts = {"FNC_VALUES": length}
        slot = _values_slot(layouts.slots(layout, characteristic.address, counts, characteristic.element))
        if size_of(slot.type) != 1:
            raise NotKeptError(f"a text of {slot.type} is not covered")
        if characteristic.encoding not in _ENCODINGS:
            raise NotKeptError(f"the encoding {characteristic.encoding[:40]} is not covered")
        name = self._name(characteristic)
        if characteristic.is_read_only:
            reason = "that it is READ_ONLY is not kept: a definition demands that of numbers only"
            self.state.change(_item(characteristic), reason)
        self.state.sources[name] = characteristic
        self.state.texts[name] = Text(
            name=name,
            title=_title(characteristic),
            purpose=Purpose.GENERAL,
            group=self._groups.group_of(characteristic),
            at=slot.at,
            length=length,
            encoding=_ENCODINGS[characteristic.encoding],
            notes=(),
            line=0,
        )

    def _add_value_block(self, characteristic: Characteristic) -> None:
        """Enter a block of values as a curve or a map over the indexes of its cells."""
        sizes = list(characteristic.sizes)
        while len(sizes) > 1 and sizes[-1] in (0, 1):
            sizes.pop()
        if len(sizes) > 3:
            raise NotKeptError("it has more than three dimensions")
        if not sizes or not all(0 < size <= MAX_BREAKPOINTS for size in sizes):
            raise NotKeptError("it has no size (NUMBER or MATRIX_DIM) that is covered")
        layout = self.state.layouts.layout(characteristic.layout)
        counts = {"FNC_VALUES": self._bounded(math.prod(sizes))}
        slots = self.state.layouts.slots(layout, characteristic.address, counts, characteristic.element)
        slot = _values_slot(slots)
        name = self._name(characteristic)
        layers = sizes[2] if len(sizes) > 2 else 1
        for layer in range(layers):
            own_name = name if layers == 1 else self._layer_name(characteristic, layer)
            axes = [
                self._axes.add_index_axis(own_name, along, size)
                for along, size in zip("xy", sizes, strict=False)
            ]
            placed = _layer(slot, layer, math.prod(sizes[:2]))
            item = _titled(characteristic, f"z {layer}") if layers > 1 else characteristic
            self._enter(item, own_name, layout, placed, axes, ())
        if layers > 1:
            self._report_layers(characteristic, name, layers, "its z")

    def _add_cuboid(self, characteristic: Characteristic) -> None:
        """Enter a CUBOID as a stack of maps, one for each breakpoint of z; they share its own axes."""
        descriptions = characteristic.axes
        if len(descriptions) != 3:
            raise NotKeptError(f"a CUBOID has 3 AXIS_DESCR, but it has {len(descriptions)}")
        state = self.state
        layout = state.layouts.layout(characteristic.layout)
        points = [
            self._axes.count_breakpoints(characteristic, axis, letter, layout)
            for axis, letter in zip(descriptions, "XYZ", strict=True)
        ]
        own = {
            letter: (axis, count)
            for axis, letter, count in zip(descriptions, "XYZ", points, strict=True)
            if axis.attribute == "STD_AXIS"
        }
        counts = {"FNC_VALUES": self._bounded(math.prod(points))}
        counts |= {f"AXIS_PTS_{letter}": count for letter, (_, count) in own.items()}
        slots = state.layouts.slots(layout, characteristic.address, counts, characteristic.element)
        slot, name = _values_slot(slots), self._name(characteristic)
        z = self._z_breakpoints(characteristic, slots, *own.pop("Z")) if "Z" in own else ""
        shared = {
            letter: self._axes.add_axis(
                characteristic, axis, self._own_axis_name(characteristic, letter), letter, slots, count
            )
            for letter, (axis, count) in own.items()
        }
        for layer in range(points[2]):
            own_name = self._layer_name(characteristic, layer)
            axes = [
                shared.get(letter)
                or self._axes.add_axis(
                    characteristic, axis, f"{own_name}/{letter.lower()}", letter, slots, count
                )
                for axis, letter, count in zip(descriptions[:2], "XY", points, strict=False)
            ]
            placed = _layer(slot, layer, points[0] * points[1])
            item = _titled(characteristic, f"z {layer}")
            self._enter(item, own_name, layout, placed, axes, descriptions[:2])
        title = f"its z axis, fed by {descriptions[2].input[:60]},"
        self._report_layers(characteristic, name, points[2], title, z)

    def _own_axis_name(self, characteristic: Characteristic, letter: str) -> str:
        """The name of an axis in the record of a CUBOID, which its maps share."""
        return self.state.log.name("AXIS_PTS", f"{characteristic.name}.{letter.lower()}", None)

    def _z_breakpoints(
        self,
        characteristic: Characteristic,
        slots: Mapping[str, RecordSlot],
        axis: AxisDescription,
        count: int,
    ) -> str:
        """Enter the stored breakpoints of a CUBOID along z as a list of values; returns its name."""
        if "AXIS_PTS_Z" not in slots:
            raise NotKeptError("its RECORD_LAYOUT lacks AXIS_PTS_Z for its STD_AXIS")
        self.state.require_absolute(axis.deposit)
        name, slot = self._plain.name(characteristic, "z"), slots["AXIS_PTS_Z"]
        along = self._axes.add_index_axis(name, "x", count, slot.is_reversed)
        conversion = self.state.conversions.resolve(axis.conversion).name
        part = PlainPart(name, "breakpoints along z", slot, conversion, along)
        self._plain.add(characteristic, axis, part)
        return name

    def _layer_name(self, characteristic: Characteristic, layer: int) -> str:
        """The name of a map of a stack, with its number along z."""
        name = f"{characteristic.name}[{layer}]"
        return self.state.log.name("CHARACTERISTIC", name, None)

    def _report_layers(
        self, characteristic: Characteristic, name: str, layers: int, axis: str, kept: str = ""
    ) -> None:
        end = f"is kept as the values of {kept}" if kept else "is not kept"
        reason = f"it is kept as {layers} maps, {name}[0] to {name}[{layers - 1}]; {axis} {end}"
        self.state.change(_item(characteristic), reason)

    def _add_table(self, characteristic: Characteristic) -> None:
        state = self.state
        axis_count = _AXIS_COUNTS[characteristic.type]
        descriptions = characteristic.axes
        if len(descriptions) != axis_count:
            raise NotKeptError(
                f"a {characteristic.type} has {axis_count} AXIS_DESCR, but it has {len(descriptions)}"
            )
        layout = state.layouts.layout(characteristic.layout)
        points = [
            self._axes.count_breakpoints(characteristic, axis, letter, layout)
            for axis, letter in zip(descriptions, "XY", strict=False)
        ]
        plan = state.layouts.plan(layout)
        counts = {
            f"AXIS_PTS_{letter}": count
            for axis, letter, count in zip(descriptions, "XY", points, strict=False)
            if axis.attribute == "STD_AXIS" and not has_stored_parameters(axis, plan.keywords, letter)
        }
        cells = math.prod(points)
        if characteristic.sizes:
            announced = math.prod(max(size, 1) for size in characteristic.sizes)
            if announced != cells:
                reason = f"its NUMBER or MATRIX_DIM announces {announced} cells, but its axes give {cells}"
                state.change(_item(characteristic), reason)
        if axis_count:
            counts["FNC_VALUES"] = self._bounded(cells)
        for keyword in plan.axes:
            if keyword not in counts:
                raise NotKeptError(f"its RECORD_LAYOUT stores {keyword}, but its axis lies elsewhere")
        slots = state.layouts.slots(layout, characteristic.address, counts, characteristic.element)
        name = self._name(characteristic)
        axes = [
            self._axes.add_axis(characteristic, axis, f"{name}/{letter.lower()}", letter, slots, count)
            for axis, letter, count in zip(descriptions, "XY", points, strict=False)
        ]
        self._enter(characteristic, name, layout, _values_slot(slots), axes, descriptions)

    def _bounded(self, cells: int) -> int:
        if self._cells + cells > MAX_CELLS:
            raise NotKeptError(f"with it there are more than {MAX_CELLS:,} cells")
        return cells

    def _name(self, characteristic: Characteristic) -> str:
        return self.state.log.name("CHARACTERISTIC", characteristic.name, characteristic.place)

    def _enter(
        self,
        characteristic: Characteristic,
        name: str,
        layout: RecordLayout,
        slot: RecordSlot,
        axes: list[str],
        descriptions: Iterable[AxisDescription],
    ) -> None:
        """Enter a table over axes that were entered before; ``slot`` has its values."""
        state, item = self.state, _item(characteristic)
        conversion = state.conversions.resolve(characteristic.conversion)
        mode = state.layouts.plan(layout).mode
        if mode not in ("ROW_DIR", "COLUMN_DIR") and not mode.startswith("ALTERNATE_WITH_"):
            raise NotKeptError(f"the index mode {mode[:40]} is not covered")
        storage = state.layouts.storage(slot, characteristic.byte_order, characteristic.mask)
        notes: tuple[str, ...] = ()
        if conversion.failure is not None:
            state.change(item, f"it stays in raw numbers, without limits: {conversion.failure}")
            notes = (label(f"Raw numbers: {conversion.failure}."),)
        else:
            state.check_unit(characteristic.unit, conversion, item)
        self._cells += math.prod([state.axes[axis].count for axis in axes])
        state.sources[name] = characteristic
        state.tables[name] = Table(
            name=name,
            title=_title(characteristic),
            kind=_KINDS[len(axes)],
            purpose=Purpose.GENERAL,
            group=self._groups.group_of(characteristic),
            at=slot.at,
            storage=storage,
            conversion=conversion.name,
            x=axes[0] if axes else None,
            y=axes[1] if len(axes) > 1 else None,
            y_first=len(axes) > 1 and mode == "COLUMN_DIR",
            signal=None,
            produces=None,
            demands=self._constraints.of(characteristic, conversion, storage, descriptions),
            notes=notes,
            line=0,
        )


def _item(characteristic: Characteristic) -> Item:
    return Item("CHARACTERISTIC", characteristic.name, characteristic.place)


def _title(characteristic: Characteristic) -> str:
    return label(characteristic.title, "") or label(characteristic.name)


def _titled(characteristic: Characteristic, layer: str) -> Characteristic:
    return replace(characteristic, title=f"{_title(characteristic)}, {layer}")


def _layer(slot: RecordSlot, layer: int, cells: int) -> RecordSlot:
    """The slot of one map of a stack; the maps lie one after the other."""
    return slot._replace(at=slot.at + layer * cells * slot.stride)


def _values_slot(slots: Mapping[str, RecordSlot]) -> RecordSlot:
    if "FNC_VALUES" not in slots:
        raise NotKeptError("its RECORD_LAYOUT lacks FNC_VALUES")
    return slots["FNC_VALUES"]
