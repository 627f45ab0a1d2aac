"""The content of a child definition for another software: shifts, new addresses and removed items."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from callint.comparing.relocation.moved_definition import MovedDefinition
from callint.model.definition import Definition, Memory, StoredAxis

#: From this number of neighbouring addresses with one shift on, a shift of their range is shorter.
_LEAST_IN_STRETCH = 2


@dataclass(frozen=True, slots=True)
class ShiftedRange:
    """The addresses from ``start`` on, ``size`` of them, move by ``by`` bytes."""

    start: int
    size: int
    by: int


@dataclass(frozen=True, slots=True)
class NewPlace:
    """New addresses of a table, text or shared axis, by the attribute of ``<at>`` that gives them."""

    kind: str
    name: str
    addresses: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class ChildContent:
    """The content of a child.

    ``gone`` lists the kinds and names of removed tables, shared axes and parts of the memory. ``memory`` is
    None if it equals the parent's; otherwise it has only the parts that differ. ``declared`` are the names
    of shared axes with another number of points, and of tables that have such an axis of their own: the child
    declares them again.
    """

    ranges: tuple[ShiftedRange, ...] = ()
    places: tuple[NewPlace, ...] = ()
    gone: tuple[tuple[str, str], ...] = ()
    memory: Memory | None = None
    declared: frozenset[str] = frozenset()


def child_content(moved: MovedDefinition) -> ChildContent:
    """The differences from the parent, in the shortest form that this function knows."""
    old, new = moved.old, moved.definition
    ranges = _shifted_ranges(list(_addresses(old, new)))
    declared = frozenset(
        name.partition("/")[0] for name, axis in new.axes.items() if axis.count != old.axes[name].count
    )
    return ChildContent(
        ranges=tuple(ranges),
        places=tuple(place for place in _places(old, new, ranges) if place.name not in declared),
        gone=tuple(_gone(old, new)),
        memory=_memory(old.memory, new.memory),
        declared=declared,
    )


@dataclass(frozen=True, slots=True)
class _Address:
    """An old and a new address, with the element and the attribute that give it."""

    kind: str
    name: str
    attribute: str
    old: int
    new: int


def _addresses(old: Definition, new: Definition) -> Iterator[_Address]:
    """Every address of the remaining items that a shift moves."""
    for name, axis in new.axes.items():
        before = old.axes[name]
        if not isinstance(axis, StoredAxis) or not isinstance(before, StoredAxis):
            continue
        owner, slash, along = name.rpartition("/")
        kind, subject, prefix = ("table", owner, f"{along}-") if slash else ("axis", name, "")
        yield _Address(kind, subject, f"{prefix}at", before.at, axis.at)
        if axis.stored_count is not None and before.stored_count is not None:
            attribute = f"{prefix}count-at"
            yield _Address(kind, subject, attribute, before.stored_count.at, axis.stored_count.at)
    items: Any
    for items, parents in ((new.tables, old.tables), (new.texts, old.texts)):
        for name, item in items.items():
            yield _Address("table", name, "at", parents[name].at, item.at)


@dataclass
class _MovedRun:
    """Neighbouring addresses that moved by the same distance."""

    by: int
    addresses: list[int] = field(default_factory=list)


def _shifted_ranges(addresses: list[_Address]) -> list[ShiftedRange]:
    shifts: dict[int, list[int]] = {}
    for address in addresses:
        shifts.setdefault(address.old, []).append(address.new - address.old)
    runs: list[_MovedRun] = []
    for at in sorted(shifts):
        if not runs or runs[-1].by not in shifts[at]:
            runs.append(_MovedRun(shifts[at][0]))
        runs[-1].addresses += [at] * len(shifts[at])
    return [
        ShiftedRange(run.addresses[0], run.addresses[-1] - run.addresses[0] + 1, run.by)
        for run in runs
        if run.by and len(run.addresses) >= _LEAST_IN_STRETCH
    ]


def _places(old: Definition, new: Definition, ranges: list[ShiftedRange]) -> Iterator[NewPlace]:
    """The addresses that no shift of a range gives."""
    starts = [shifted.start for shifted in ranges]
    given: dict[tuple[str, str], dict[str, int]] = {}
    for address in _addresses(old, new):
        place = bisect_right(starts, address.old) - 1
        is_inside = place >= 0 and address.old < ranges[place].start + ranges[place].size
        if address.old + (ranges[place].by if is_inside else 0) != address.new:
            given.setdefault((address.kind, address.name), {})[address.attribute] = address.new
    for (kind, name), attributes in given.items():
        yield NewPlace(kind, name, attributes)


def _gone(old: Definition, new: Definition) -> Iterator[tuple[str, str]]:
    for name in (*old.tables, *old.texts):
        if name not in new.tables and name not in new.texts:
            yield "table", name
    for name in old.axes:
        if name not in new.axes and "/" not in name:
            yield "axis", name
    for kind, before, after in (
        ("region", old.memory.regions, new.memory.regions),
        ("identity", old.memory.identities, new.memory.identities),
        ("checksum", old.memory.checksums, new.memory.checksums),
    ):
        kept = {part.name for part in after}
        for part in before:
            if part.name not in kept:
                yield kind, part.name


def _memory(old: Memory, new: Memory) -> Memory | None:
    """The memory with the parts that differ from the parent's; None if nothing differs."""
    before: set[object] = {*old.regions, *old.identities, *old.checksums}
    different = replace(
        new,
        regions=tuple(part for part in new.regions if part not in before),
        identities=tuple(part for part in new.identities if part not in before),
        checksums=tuple(part for part in new.checksums if part not in before),
    )
    is_same = new.size == old.size and not (different.regions or different.identities or different.checksums)
    return None if is_same else different
