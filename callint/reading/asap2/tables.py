"""The tables and texts of a definition, from the CHARACTERISTIC blocks of a description."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from callint.model.definition import (
    NO_CONSTRAINTS,
    Constraints,
    Gradient,
    Kind,
    Monotonic,
    Purpose,
    Range,
    Storage,
    Table,
    Text,
)
from callint.reading.asap2.axes import AxisBuilder
from callint.reading.asap2.conversions import ResolvedConversion
from callint.reading.asap2.groups import GroupBuilder
from callint.reading.asap2.layouts import RecordSlot, size_of
from callint.reading.asap2.nodes import AxisDescription, Characteristic, RecordLayout
from callint.reading.asap2.report import NotKeptError, label, plain
from callint.reading.asap2.state import ImportState, Item, excludes_nothing, usable_range
from callint.reading.definition_bounds import MAX_BREAKPOINTS, MAX_CELLS, MAX_MEMORY

#: Number of axes of each type of table.
_AXIS_COUNTS = {"VALUE": 0, "CURVE": 1, "MAP": 2}
#: The kind of a table by its number of axes.
_KINDS = (Kind.SCALAR, Kind.CURVE, Kind.MAP)
#: The direction, true for rising, and whether it is strict.
_MONOTONIES = {
    "MON_INCREASE": (True, False),
    "MON_DECREASE": (False, False),
    "STRICT_INCREASE": (True, True),
    "STRICT_DECREASE": (False, True),
}
_ENCODINGS = {"": "ascii", "UTF8": "utf-8"}


class TableBuilder:
    """Enters characteristics as tables and texts."""

    def __init__(self, state: ImportState, axes: AxisBuilder) -> None:
        self.state = state
        self._axes = axes
        self._groups = GroupBuilder(state)
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
        slot = _values_slot(layouts.slots(layout, characteristic.address, {"FNC_VALUES": length}))
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
        slots = self.state.layouts.slots(layout, characteristic.address, counts)
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
        """Enter a CUBOID whose axes lie elsewhere as a stack of maps, one for each breakpoint of z."""
        descriptions = characteristic.axes
        if len(descriptions) != 3:
            raise NotKeptError(f"a CUBOID has 3 AXIS_DESCR, but it has {len(descriptions)}")
        if any(axis.attribute == "STD_AXIS" for axis in descriptions):
            raise NotKeptError("a CUBOID with axes in its own record is not covered")
        state = self.state
        layout = state.layouts.layout(characteristic.layout)
        points = [
            self._axes.count_breakpoints(characteristic, axis, letter, layout)
            for axis, letter in zip(descriptions, "XYZ", strict=True)
        ]
        counts = {"FNC_VALUES": self._bounded(math.prod(points))}
        slots = state.layouts.slots(layout, characteristic.address, counts)
        slot, name = _values_slot(slots), self._name(characteristic)
        for layer in range(points[2]):
            own_name = self._layer_name(characteristic, layer)
            axes = [
                self._axes.add_axis(
                    characteristic, axis, f"{own_name}/{letter.lower()}", letter, slots, count
                )
                for axis, letter, count in zip(descriptions[:2], "XY", points, strict=False)
            ]
            placed = _layer(slot, layer, points[0] * points[1])
            item = _titled(characteristic, f"z {layer}")
            self._enter(item, own_name, layout, placed, axes, descriptions[:2])
        self._report_layers(
            characteristic, name, points[2], f"its z axis, fed by {descriptions[2].input[:60]},"
        )

    def _layer_name(self, characteristic: Characteristic, layer: int) -> str:
        """The name of a map of a stack, with its number along z."""
        name = f"{characteristic.name}[{layer}]"
        return self.state.log.name("CHARACTERISTIC", name, None)

    def _report_layers(self, characteristic: Characteristic, name: str, layers: int, axis: str) -> None:
        reason = f"it is kept as {layers} maps, {name}[0] to {name}[{layers - 1}]; {axis} is not kept"
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
        counts = {
            f"AXIS_PTS_{letter}": count
            for axis, letter, count in zip(descriptions, "XY", points, strict=False)
            if axis.attribute == "STD_AXIS"
        }
        cells = math.prod(points)
        announced = math.prod(max(size, 1) for size in characteristic.sizes)
        if characteristic.sizes and announced != cells:
            reason = f"its NUMBER or MATRIX_DIM announces {announced} cells, but its axes give {cells}"
            state.change(_item(characteristic), reason)
        if axis_count:
            counts["FNC_VALUES"] = self._bounded(cells)
        for element in layout.elements:
            if element.keyword.startswith("AXIS_PTS_") and element.keyword not in counts:
                raise NotKeptError(f"its RECORD_LAYOUT stores {element.keyword}, but its axis lies elsewhere")
        slots = state.layouts.slots(layout, characteristic.address, counts)
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
        """Enter a table over axes that are entered before; ``slot`` has its values."""
        state, item = self.state, _item(characteristic)
        conversion = state.conversions.resolve(characteristic.conversion)
        mode = next(element.arguments[1] for element in layout.elements if element.keyword == "FNC_VALUES")
        if mode not in ("ROW_DIR", "COLUMN_DIR") and not mode.startswith("ALTERNATE_WITH_"):
            raise NotKeptError(f"the index mode {mode[:40]} is not covered")
        storage = state.layouts.storage(slot, characteristic.byte_order, characteristic.mask)
        notes: tuple[str, ...] = ()
        if conversion.failure is not None:
            state.change(item, f"it stays in raw numbers, without limits: {conversion.failure}")
            notes = (label(f"Raw numbers: {conversion.failure}."),)
        else:
            state.check_unit(characteristic.unit, conversion, item)
        self._cells += math.prod(state.axes[axis].count for axis in axes)
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
            demands=self._constraints(characteristic, conversion, storage, descriptions),
            notes=notes,
            line=0,
        )

    # Constraints

    def _constraints(
        self,
        characteristic: Characteristic,
        conversion: ResolvedConversion,
        storage: Storage,
        descriptions: Iterable[AxisDescription],
    ) -> Constraints:
        """The limits and the shape of a table.

        EXTENDED_LIMITS become limits and the ordinary limits expected values; without EXTENDED_LIMITS the
        ordinary limits become limits. Limits that every storable value meets are no demand.
        """
        is_raw = conversion.failure is not None or conversion.name in self.state.conversions.numeric_states
        limits = expected = None
        if not is_raw:
            ordinary = self._range(characteristic, characteristic.limits, "limits")
            if characteristic.extended is None:
                limits = ordinary
            else:
                limits = self._range(characteristic, characteristic.extended, "EXTENDED_LIMITS")
                expected = ordinary
            if limits is not None and excludes_nothing(limits, conversion.conversion, storage):
                limits = None
        monotonic, gradients = self._shape(characteristic, descriptions, is_raw)
        change = 0.0 if characteristic.is_read_only else None
        if limits is None and expected is None and change is None and not monotonic and not gradients:
            return NO_CONSTRAINTS
        return Constraints(
            limits=limits,
            expected=expected,
            monotonic=tuple(monotonic),
            gradients=tuple(gradients),
            change=change,
        )

    def _shape(
        self, characteristic: Characteristic, descriptions: Iterable[AxisDescription], is_raw: bool
    ) -> tuple[list[Monotonic], list[Gradient]]:
        """The MONOTONY and MAX_GRAD of a table's axes; a gradient of raw values is not kept."""
        state = self.state
        monotonic: list[Monotonic] = []
        gradients: list[Gradient] = []
        for axis, along in zip(descriptions, "xy", strict=False):
            item = Item("CHARACTERISTIC", characteristic.name, axis.place)
            if axis.monotony in _MONOTONIES and self._axes.falls_by_index(axis):
                # The standard does not say whether the values rise with the index or with the breakpoints.
                state.change(item, "its MONOTONY is not kept, because its breakpoints fall")
            elif axis.monotony in _MONOTONIES:
                rising, strict = _MONOTONIES[axis.monotony]
                monotonic.append(Monotonic(along, rising, strict, 0))
            elif axis.monotony not in ("", "NOT_MON"):
                state.change(item, f"its MONOTONY {axis.monotony[:40]} has no direction and is not kept")
            if axis.max_gradient is not None:
                is_axis_raw = state.conversions.resolve(axis.conversion).failure is not None
                counts_cells = axis.attribute in ("RES_AXIS", "CURVE_AXIS")
                if axis.max_gradient > 0 and not is_raw and not is_axis_raw and not counts_cells:
                    gradients.append(Gradient(along, axis.max_gradient, 0))
                else:
                    state.change(item, "its MAX_GRAD is not kept")
        return monotonic, gradients

    def _range(self, characteristic: Characteristic, limits: Range, what: str) -> Range | None:
        usable = usable_range(limits)
        if usable is None:
            reason = f"its {what} {plain(limits.low)} to {plain(limits.high)} are not a range"
            self.state.change(_item(characteristic), reason)
        return usable


def _item(characteristic: Characteristic) -> Item:
    return Item("CHARACTERISTIC", characteristic.name, characteristic.place)


def _title(characteristic: Characteristic) -> str:
    return label(characteristic.title, label(characteristic.name))


def _titled(characteristic: Characteristic, layer: str) -> Characteristic:
    return replace(characteristic, title=f"{_title(characteristic)}, {layer}")


def _layer(slot: RecordSlot, layer: int, cells: int) -> RecordSlot:
    """The slot of one map of a stack: the maps follow each other."""
    return replace(slot, at=slot.at + layer * cells * slot.stride)


def _values_slot(slots: Mapping[str, RecordSlot]) -> RecordSlot:
    if "FNC_VALUES" not in slots:
        raise NotKeptError("its RECORD_LAYOUT lacks FNC_VALUES")
    return slots["FNC_VALUES"]
