"""The definition of another software: the old definition with the placed items at their new addresses."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from callint.comparing.relocation.result import ItemKind, Placement, RelocationEvidence
from callint.comparing.relocation.units import item_units, new_shape, resized_unit
from callint.model.definition import (
    Axis,
    Definition,
    FixedAxis,
    Identity,
    Memory,
    Region,
)
from callint.model.derived_axis import DerivedAxis
from callint.model.image import Image
from callint.reading.definition_bounds import MAX_ADDRESS

_OF_MEMORY = (ItemKind.IDENTITY, ItemKind.CHECKSUM)


@dataclass(frozen=True, slots=True)
class MovedDefinition:
    """A definition of the new software, with a placement for each item of the old definition.

    ``definition`` lacks the items that have no new address. ``moved_regions`` are the names of the regions
    that follow their items or end earlier; no content shows where they lie.
    """

    old: Definition
    definition: Definition
    placements: tuple[Placement, ...]
    moved_regions: tuple[str, ...]

    @property
    def resized(self) -> tuple[Placement, ...]:
        """The placements of axes that have another number of points."""
        return tuple(item for item in self.placements if item.new is not None and item.count is not None)

    @property
    def left(self) -> tuple[Placement, ...]:
        """The placements of the items that are left out."""
        return tuple(item for item in self.placements if item.new is None)


def move_definition(
    definition: Definition, placements: Sequence[Placement], new: Image, name: str = ""
) -> MovedDefinition:
    """The definition of the image ``new``, from the placements of the items of ``definition``.

    If an axis is left out, so are its tables; with a table, its own axes, relations and sensor are left out.
    """
    memory = definition.memory
    size = memory.size if new.is_part or not new.size else new.size
    settled = _settled(definition, _inside(definition, placements, memory.start + size))
    at = {_key(item): item.new for item in settled.values() if item.new is not None}
    places = ((axis.name, _moved_axis(axis, settled)) for axis in definition.axes.values())
    axes = {name: axis for name, axis in places if axis is not None}
    tables = {
        table.name: replace(table, at=at["table", table.name])
        for table in definition.tables.values()
        if ("table", table.name) in at
    }
    texts = {
        text.name: replace(text, at=at["table", text.name])
        for text in definition.texts.values()
        if ("table", text.name) in at
    }
    memory, moved_regions = _moved_memory(replace(memory, size=size), settled, new)
    moved = replace(
        definition,
        name=name,
        title=_title(definition, memory),
        revision=1,
        memory=memory,
        axes=axes,
        tables=tables,
        texts=texts,
        sensors=tuple(sensor for sensor in definition.sensors if sensor.curve in tables),
        relations=tuple(item for item in definition.relations if {item.table, item.other} <= tables.keys()),
    )
    ordered = sorted(settled.values(), key=lambda item: item.old)
    return MovedDefinition(definition, moved, tuple(ordered), moved_regions)


def _key(item: Placement) -> tuple[str, str]:
    """What identifies an item: tables and texts share their names."""
    return (item.kind.value if item.kind is ItemKind.AXIS or item.kind in _OF_MEMORY else "table", item.name)


def _inside(definition: Definition, placements: Iterable[Placement], end: int) -> Iterable[Placement]:
    """The placements without those outside the memory up to the address ``end``."""
    start = definition.memory.start
    placements = list(placements)
    counts = {item.name: item.count for item in placements if item.count is not None}
    units = (
        resized_unit(unit, *new_shape(unit, counts)) if unit.row else unit
        for unit in item_units(definition, 0, MAX_ADDRESS)
    )
    sizes = {(unit.kind, unit.name): unit.size for unit in units}
    for item in placements:
        size, covered = sizes.get((item.kind, item.name), 1), item.checksum
        is_outside = item.new is not None and not start <= item.new <= end - size
        if is_outside or (covered is not None and covered.start + covered.size > end):
            yield replace(item, new=None, checksum=None, evidence=RelocationEvidence.OUTSIDE)
        else:
            yield item


def _settled(definition: Definition, placements: Iterable[Placement]) -> dict[tuple[str, str], Placement]:
    """A placement for each item; items that depend on one that is left out are left out too."""
    settled = {_key(item): item for item in placements}
    for item in _items(definition):
        settled.setdefault(_key(item), item)
    curves = {axis.curve for axis in definition.derived_axes}
    # An axis that is derived from a curve depends on what is settled for that curve.
    for table in sorted(definition.tables.values(), key=lambda table: table.name not in curves):
        item = settled["table", table.name]
        sources = (source for name in table.axes for source in definition.axis_sources(name))
        stored = (settled["table" if source in definition.tables else "axis", source] for source in sources)
        if item.new is not None and any(axis.new is None for axis in stored):
            settled["table", table.name] = _left(item, RelocationEvidence.AXIS_LEFT)
        if settled["table", table.name].new is None:
            for name in table.axes:
                own = settled.get(("axis", name))
                if own is not None and "/" in name and own.new is not None:
                    settled["axis", name] = _left(own, RelocationEvidence.TABLE_LEFT)
    return settled


def _left(item: Placement, evidence: RelocationEvidence) -> Placement:
    return replace(item, new=None, evidence=evidence)


def _items(definition: Definition) -> Iterable[Placement]:
    """Every item without an address, for the items that the old image lacks."""
    lacked = RelocationEvidence.LACKED
    for axis in definition.stored_axes:
        yield Placement(ItemKind.AXIS, axis.name, axis.at, None, 0.0, lacked, ())
    for table in definition.tables.values():
        evidence = lacked if definition.is_resolved(table) else RelocationEvidence.UNRESOLVED
        yield Placement(ItemKind(table.kind.value), table.name, table.at, None, 0.0, evidence, ())
    for text in definition.texts.values():
        yield Placement(ItemKind.TEXT, text.name, text.at, None, 0.0, lacked, ())
    for identity in definition.memory.identities:
        yield Placement(ItemKind.IDENTITY, identity.name, identity.at, None, 0.0, lacked, ())
    for checksum in definition.memory.checksums:
        yield Placement(ItemKind.CHECKSUM, checksum.name, checksum.stored_at, None, 0.0, lacked, ())


def _moved_axis(axis: Axis, settled: Mapping[tuple[str, str], Placement]) -> Axis | None:
    """The axis at its new address with its stored count; None if it is left out."""
    if isinstance(axis, DerivedAxis):
        curve = settled.get(("table", axis.curve))
        return None if curve is None or curve.new is None else axis
    if isinstance(axis, FixedAxis):
        return axis
    item = settled["axis", axis.name]
    if item.new is None:
        return None
    stored = axis.stored_count
    if stored is not None:
        stored = replace(
            stored, at=stored.at + item.new - axis.at if item.count_at is None else item.count_at
        )
    return replace(axis, at=item.new, count=item.count or axis.count, stored_count=stored)


def _moved_memory(
    memory: Memory, settled: dict[tuple[str, str], Placement], new: Image
) -> tuple[Memory, tuple[str, ...]]:
    """The memory with its parts at their new places, and the names of the regions that moved."""
    identities = []
    for identity in memory.identities:
        place = settled["identity", identity.name].new
        content = None if place is None else new.read(place, len(identity.content))
        if place is not None and content is not None:
            identities.append(Identity(identity.name, place, content, identity.line))
    found = (settled["checksum", checksum.name].checksum for checksum in memory.checksums)
    checksums = tuple(item for item in found if item is not None)
    placed = [
        item for item in settled.values() if item.new is not None and item.kind is not ItemKind.CHECKSUM
    ]
    regions, moved_regions = [], []
    for region in memory.regions:
        moved = _moved_region(region, placed, memory)
        if moved is not None:
            regions.append(moved)
        if moved != region:
            moved_regions.append(region.name)
    result = replace(memory, regions=tuple(regions), identities=tuple(identities), checksums=checksums)
    return result, tuple(moved_regions)


def _moved_region(region: Region, placed: Iterable[Placement], memory: Memory) -> Region | None:
    """The region, or its place around its items if some left it; None if it lies outside the memory."""
    inside = [item for item in placed if region.holds(item.old)]
    places = [item.new for item in inside if item.new is not None]
    first, last = region.start, region.start + region.size
    if not all(map(region.holds, places)):
        shifts = [item.new - item.old for item in inside if item.new is not None]
        first, last = first + min(shifts), last + max(shifts)
    first, last = max(first, memory.start), min(last, memory.end)
    if first >= last:
        return None
    return region if (first, last) == (region.start, region.start + region.size) else replace(
        region, start=first, size=last - first
    )  # fmt: skip


def _title(definition: Definition, memory: Memory) -> str:
    """The title, with the texts of the new software's identities instead of the old ones."""
    title = definition.title
    new = {identity.name: identity.content for identity in memory.identities}
    for identity in definition.memory.identities:
        before, after = identity.content, new.get(identity.name, b"")
        if before.isascii() and after.isascii() and after.decode("ascii").isprintable() and before.strip():
            title = title.replace(before.decode("ascii"), " ".join(after.decode("ascii").split()))
    return title
