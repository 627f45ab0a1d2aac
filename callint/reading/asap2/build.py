"""Converts a description in the standard ASAM MCD-2 MC into a definition, with a log of the losses.

The log lists every item that a definition cannot hold. A table whose conversion is lost is kept in raw
numbers and without limits, so that its bytes stay described.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol, TypeVar

from callint.model.definition import Definition, Memory, StoredAxis
from callint.reading.asap2.axes import AxisBuilder
from callint.reading.asap2.computed_axes import ComputedAxes
from callint.reading.asap2.conversions import Conversions
from callint.reading.asap2.groups import GroupBuilder
from callint.reading.asap2.layouts import Layouts
from callint.reading.asap2.memory import MemoryBuilder
from callint.reading.asap2.nodes import AxisPoints, Characteristic, Description, ItemCounts, Structure
from callint.reading.asap2.report import ImportLog, Loss, NotKeptError, label
from callint.reading.asap2.state import ComputedAxis, ImportState, usable_range
from callint.reading.asap2.tables import TableBuilder
from callint.reading.asap2.tokens import SourceLocation


@dataclass(frozen=True, slots=True)
class Imported:
    """A definition made from a description, with the losses; the definition is None if nothing was kept.

    ``computed`` has the axes of the definition that count cells until an image gives their breakpoints.
    """

    definition: Definition | None
    losses: tuple[Loss, ...]
    description: Description
    computed: tuple[ComputedAxis, ...] = ()

    @property
    def is_complete(self) -> bool:
        """Whether every described item that could matter was kept as described."""
        return not (self.losses or self.description.uncovered or self.description.unknown)


#: A block that becomes an item of its own.
Described = TypeVar("Described", AxisPoints, Characteristic)


class _HasPlace(Protocol):
    @property
    def place(self) -> SourceLocation: ...


def make_definition(description: Description, name: str | None = None) -> Imported:
    """The definition of a description; ``name`` is its name (default: the name of the module)."""
    log = ImportLog()
    state = ImportState(description, log, Conversions(description, log), Layouts(description, log))
    return _DefinitionBuilder(state).build(name)


class _DefinitionBuilder:
    """Makes one definition with the builders of its parts."""

    def __init__(self, state: ImportState) -> None:
        self.state = state

    def build(self, name: str | None) -> Imported:
        """The definition, under the given name or that of the module."""
        state, description = self.state, self.state.description
        self._report_description()
        groups = GroupBuilder(state)
        axes = AxisBuilder(state, groups)
        tables = TableBuilder(state, axes, groups)
        for axis in description.axes.values():
            self._keep("AXIS_PTS", axis, axes.add_shared_axis)
        for characteristic in description.characteristics.values():
            self._keep("CHARACTERISTIC", characteristic, tables.add)
        for measurement in description.measurements.values():
            if measurement.is_virtual:
                reason = "its computation from other quantities is not kept (VIRTUAL)"
                state.log.change("MEASUREMENT", measurement.name, reason, measurement.place)
        memory = MemoryBuilder(state).build()
        ComputedAxes.derive_from_curves(state)
        self._drop_unused()
        description = replace(description, unused=self._unused_items())
        if memory is None or not (state.tables or state.texts or state.axes):
            return Imported(None, tuple(state.log.losses), description)
        if name is None:
            name = state.log.name("MODULE", description.module, None)
        definition = self._definition(name, memory)
        names = state.log.names.get("CHARACTERISTIC", {})
        computed = tuple(
            replace(axis, curve=names.get(axis.curve, ""))
            for axis in state.computed.values()
            if axis.name in definition.axes
        )
        return Imported(definition, tuple(state.log.losses), description, computed)

    def _report_description(self) -> None:
        """Record the losses of the description as a whole: its version, its conversions, its bad blocks."""
        state, description = self.state, self.state.description
        if not description.has_covered_version:
            reason = "it is not covered; callint reads it as one of 1.5 to 1.7"
            state.log.change("ASAP2_VERSION", description.version, reason, description.version_place)
        for method in description.methods.values():
            state.conversions.resolve(method.name)
        for skipped in description.skipped:
            state.log.omit(skipped.kind, skipped.name, skipped.reason, skipped.place)

    def _definition(self, name: str, memory: Memory) -> Definition:
        state, description = self.state, self.state.description
        used_groups = {table.group for table in state.tables.values()}
        used_groups |= {text.group for text in state.texts.values()}
        return Definition(
            name=name,
            title=label(description.title, label(description.module)),
            revision=1,
            memory=memory,
            signals=state.signals,
            sensors=(),
            conversions=state.conversions.kept,
            axes=state.axes,
            groups={name: group for name, group in state.groups.items() if name in used_groups},
            tables=state.tables,
            texts=state.texts,
            relations=(),
            declarations=(),
            digest="",
        )

    def _keep(self, kind: str, item: Described, add: Callable[[Described], None]) -> None:
        """Enter an item; if it cannot be kept, record the reason and remove what it has entered."""
        state, log = self.state, self.state.log
        before = len(state.axes), len(state.tables), len(state.computed)
        losses_before = len(log.losses)
        try:
            add(item)
        except NotKeptError as error:
            log.losses[losses_before:] = [
                loss for loss in log.losses[losses_before:] if (loss.kind, loss.name) != (kind, item.name)
            ]
            entered: tuple[dict[str, Any], ...] = state.axes, state.tables, state.computed
            for items, number in zip(entered, before, strict=True):
                while len(items) > number:
                    items.popitem()
            log.omit(kind, item.name, str(error), item.place)

    def _drop_unused(self) -> None:
        """Drop the signals and conversions that no kept item uses."""
        state = self.state
        used_signals = {axis.signal for axis in state.axes.values()}
        for name in [name for name in state.signals if name not in used_signals]:
            del state.signals[name]
        used = {table.conversion for table in state.tables.values()}
        used |= {axis.conversion for axis in state.axes.values() if isinstance(axis, StoredAxis)}
        for name in [name for name in state.conversions.kept if name not in used]:
            del state.conversions.kept[name]

    def _unused_items(self) -> dict[tuple[str, str], ItemCounts]:
        """The items that the definition lacks: unsupported items, and blocks that no kept item uses."""
        state, description = self.state, self.state.description
        counts = dict(description.unused)
        lost = {(loss.kind, loss.name) for loss in state.log.losses}
        for name, axis in state.axes.items():
            limits = state.axis_limits.get(name)
            if limits and usable_range(limits.range) not in (None, state.signals[axis.signal].plausible):
                key = "limits of an axis that are not those of its signal", limits.kind
                counts.setdefault(key, ItemCounts(limits.place)).amount += 1
        for kind, (blocks, is_used) in self._uses().items():
            for name, block in blocks.items():
                if not is_used(name) and (kind, name) not in lost:
                    key = f"{kind} that nothing kept uses", ""
                    counts.setdefault(key, ItemCounts(block.place)).amount += 1
        return counts

    def _uses(self) -> dict[str, tuple[Mapping[str, _HasPlace], Callable[[str], bool]]]:
        """By kind, the blocks that matter only to other blocks, and whether the one of a name is used."""
        state, description = self.state, self.state.description
        signals = state.log.names.get("signal", {})
        conversions = state.conversions
        types = {instance.type for instance in description.instances}
        for typedef in description.typedefs.values():
            if isinstance(typedef, Structure):
                types |= {component.type for component in typedef.components}
        groups = state.log.names.get("group", {})
        units = {method.unit_reference for method in description.methods.values()}
        tables = {method.table for method in description.methods.values()}
        tables |= {method.status for method in description.methods.values()}
        layouts = {axis.layout for axis in description.axes.values()}
        layouts |= {characteristic.layout for characteristic in description.characteristics.values()}
        return {
            "MEASUREMENT": (description.measurements, lambda name: signals.get(name) in state.signals),
            "COMPU_METHOD": (
                description.methods,
                lambda name: (
                    name in conversions.off_codes or conversions.resolved[name].name in conversions.kept
                ),
            ),
            "COMPU_TAB": (description.conversion_tables, lambda name: name in tables),
            "TYPEDEF": (description.typedefs, lambda name: name in types),
            "GROUP": (description.groups, lambda name: groups.get(f"GROUP/{name}") in state.groups),
            "FUNCTION": (description.functions, lambda name: groups.get(f"FUNCTION/{name}") in state.groups),
            "UNIT": (description.units, lambda name: name in units),
            "RECORD_LAYOUT": (description.layouts, lambda name: name in layouts),
        }
