"""Recognises what only has another name in the newer of two definitions.

A name that both definitions have stands for the same element. The rest of the tables and texts is paired by
evidence, the strongest first, and only if no second item on either side has the same evidence:

1. the same place, storage, shape, and signals and units (or, in place of those, the same title);
2. the same title, shape, signals and units, if the address moved;
3. the place to which the neighbours' move takes it, and the same storage, shape, signals and units.

Axes, signals and conversions are paired if their content is the same, or if the tables that use the one use
the other now.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import chain
from typing import TypeVar

from callint.model.definition import (
    Axis,
    Conversion,
    Definition,
    FixedAxis,
    Signal,
    StoredAxis,
    Table,
    Text,
)
from callint.model.derived_axis import DerivedAxis

Item = Table | Text
Items = dict[str, Item]
ElementType = TypeVar("ElementType")


@dataclass(frozen=True, slots=True)
class Matches:
    """The new names of what both definitions have, by the old names. Most names are the same in both.

    ``items`` are tables and texts, ``axes`` include those of single tables ("fuel/x").
    """

    items: Mapping[str, str]
    axes: Mapping[str, str]
    signals: Mapping[str, str]
    conversions: Mapping[str, str]


class _RenameSide:
    """One definition, with the names that its signals have in the newer one.

    What tables share is looked up once: the evidence for a name is asked of every table.
    """

    def __init__(self, definition: Definition, signals: Mapping[str, str]):
        self.definition = definition
        #: By axis, its number of breakpoints; 1 for the axis that a table lacks.
        self.counts: dict[str | None, int] = {None: 1}
        #: By axis, the name of its signal in the newer definition, and its unit.
        self.quantities: dict[str | None, Hashable] = {}
        self.units: dict[str | None, str] = {}
        for name, axis in definition.axes.items():
            self.counts[name] = axis.count
            self.quantities[name] = signals.get(axis.signal, axis.signal), definition.unit_of(axis)

    def unit_of(self, table: Table) -> str:
        unit = self.units.get(table.conversion)
        if unit is None:
            unit = self.units[table.conversion] = self.definition.unit_of(table)
        return unit


Key = Callable[[_RenameSide, Item], Hashable]


def match_items(old: Definition, new: Definition) -> Mapping[str, str]:
    """The new name of each table and text that both definitions have, by its old name.

    Most names are the same in both. In the order of the older definition, tables before texts.
    """
    return _match_items(
        _RenameSide(old, _match(old.signals, new.signals, _signal_content)), _RenameSide(new, {})
    )


def match_elements(old: Definition, new: Definition) -> Matches:
    """The new names of all elements with names that both definitions have."""
    signals = _match(old.signals, new.signals, _signal_content)
    items = _match_items(_RenameSide(old, signals), _RenameSide(new, {}))
    partners = [
        (table, new.tables[items[name]])
        for name, table in old.tables.items()
        if items.get(name) in new.tables
    ]
    axes = _match_axes(old, new, items, signals, partners)
    axis_partners = [(old.axes[name], new.axes[partner]) for name, partner in axes.items()]
    uses = ((axis.signal, partner.signal) for axis, partner in axis_partners)
    more = ((table.signal or "", partner.signal or "") for table, partner in partners)
    _pair_by_use(signals, chain(uses, more), old.signals, new.signals)
    conversions = _match(old.conversions, new.conversions, _conversion_content)
    uses = ((table.conversion or "", partner.conversion or "") for table, partner in partners)
    more = (
        (axis.conversion or "", partner.conversion or "")
        for axis, partner in axis_partners
        if isinstance(axis, StoredAxis) and isinstance(partner, StoredAxis)
    )
    _pair_by_use(conversions, chain(uses, more), old.conversions, new.conversions)
    return Matches(items, axes, signals, conversions)


def renamed(pairs: Mapping[str, str]) -> dict[str, str]:
    """Those of the matched names that differ, new by old."""
    return {old: new for old, new in pairs.items() if old != new}


# Tables and texts


def _match_items(old: _RenameSide, new: _RenameSide) -> dict[str, str]:
    before, after = _items(old.definition), _items(new.definition)
    pairs = {name: name for name in before if name in after}
    old_rest = {name: item for name, item in before.items() if name not in pairs}
    new_rest = {name: item for name, item in after.items() if name not in pairs}
    if not (old_rest and new_rest):
        return pairs
    for key in (_place_and_quantities, _place_and_title, _title_and_quantities):
        _pair(pairs, _by_key(old, old_rest, key), _by_key(new, new_rest, key), old_rest, new_rest)
    matched = [(before[name], after[new_name]) for name, new_name in pairs.items()]
    moved = _by_moved_place(old, old_rest, matched)
    _pair(pairs, moved, _by_key(new, new_rest, _place_and_quantities), old_rest, new_rest)
    return {name: pairs[name] for name in before if name in pairs}


def _items(definition: Definition) -> Items:
    return {**definition.tables, **definition.texts}


def _by_key(side: _RenameSide, items: Items, key: Key) -> dict[Hashable, list[str]]:
    names: dict[Hashable, list[str]] = {}
    for name, item in items.items():
        names.setdefault(key(side, item), []).append(name)
    return names


def _pair(
    pairs: dict[str, str],
    old_names: Mapping[Hashable, list[str]],
    new_names: Mapping[Hashable, list[str]],
    old_rest: dict[str, ElementType],
    new_rest: dict[str, ElementType],
) -> None:
    """Move what a key has once on both sides from the rests to the pairs."""
    for key, names in old_names.items():
        others = new_names.get(key, [])
        if len(names) == len(others) == 1 and names[0] in old_rest and others[0] in new_rest:
            pairs[names[0]] = others[0]
            del old_rest[names[0]], new_rest[others[0]]


def _by_moved_place(
    side: _RenameSide, items: Items, matched: Iterable[tuple[Item, Item]]
) -> dict[Hashable, list[str]]:
    """The items by the places to which their nearest matched neighbours moved; one item may have two."""
    moves = sorted((old.at, new.at - old.at) for old, new in matched)
    names: dict[Hashable, list[str]] = {}
    for name, item in items.items():
        nearest = bisect_left(moves, (item.at,))
        shifts = {shift for _, shift in moves[max(nearest - 1, 0) : nearest + 1]}
        for shift in sorted(shifts):
            names.setdefault(_place_and_quantities(side, item, shift), []).append(name)
    return names


def _shape(side: _RenameSide, item: Item) -> Hashable:
    if isinstance(item, Text):
        return item.length
    counts = side.counts
    return item.kind, counts.get(item.x, 1), counts.get(item.y, 1)


def _place(side: _RenameSide, item: Item, shift: int = 0) -> Hashable:
    if isinstance(item, Text):
        return item.at + shift, item.length, item.encoding
    storage = item.storage
    # Names are hashed faster than enumerations.
    stored = storage.type.name, storage.byte_order.name, storage.stride, storage.mask
    return item.at + shift, _shape(side, item), stored, item.y_first


def _quantities(side: _RenameSide, item: Item) -> Hashable:
    """The unit of a table, and the signals and units of its axes."""
    if isinstance(item, Text):
        return None
    quantities = side.quantities
    return side.unit_of(item), quantities.get(item.x), quantities.get(item.y)


def _place_and_quantities(side: _RenameSide, item: Item, shift: int = 0) -> Hashable:
    return _place(side, item, shift), _quantities(side, item)


def _place_and_title(side: _RenameSide, item: Item) -> Hashable:
    return _place(side, item), item.title


def _title_and_quantities(side: _RenameSide, item: Item) -> Hashable:
    return item.title, _shape(side, item), _quantities(side, item)


# Axes, signals and conversions


def _match(
    old: Mapping[str, ElementType], new: Mapping[str, ElementType], content: Callable[[ElementType], Hashable]
) -> dict[str, str]:
    """Pairs of the same name, then of the same content if it occurs once on both sides."""
    pairs = {name: name for name in old if name in new}
    rests = [{name: item for name, item in side.items() if name not in pairs} for side in (old, new)]
    if rests[0] and rests[1]:
        contents: list[dict[Hashable, list[str]]] = [{}, {}]
        for rest, names in zip(rests, contents, strict=True):
            for name, item in rest.items():
                names.setdefault(content(item), []).append(name)
        _pair(pairs, contents[0], contents[1], rests[0], rests[1])
    return pairs


def _signal_content(signal: Signal) -> Hashable:
    return replace(signal, name="", line=0)


def _conversion_content(conversion: Conversion) -> Hashable:
    return repr(replace(conversion, name="", line=0))  # the names of states are a mapping


def _match_axes(
    old: Definition,
    new: Definition,
    items: Mapping[str, str],
    signals: Mapping[str, str],
    partners: Iterable[tuple[Table, Table]],
) -> dict[str, str]:
    pairs = {name: name for name in old.axes if name in new.axes}
    for name in old.axes:
        table, mark, along = name.rpartition("/")
        own = f"{items.get(table)}/{along}"
        if mark and name not in pairs and own in new.axes:
            pairs[name] = own
    uses = (pair for table, partner in partners for pair in zip(table.axes, partner.axes, strict=False))
    _pair_by_use(pairs, uses, old.axes, new.axes)
    taken = set(pairs.values())
    contents: list[dict[Hashable, list[str]]] = [{}, {}]
    rests = [{name: axis for name, axis in old.axes.items() if name not in pairs}]
    rests.append({name: axis for name, axis in new.axes.items() if name not in taken})
    for rest, names, known in zip(rests, contents, (signals, {}), strict=True):
        for name, axis in rest.items():
            names.setdefault(_axis_content(axis, known), []).append(name)
    _pair(pairs, contents[0], contents[1], rests[0], rests[1])
    return pairs


def _axis_content(axis: Axis, signals: Mapping[str, str]) -> Hashable:
    signal = signals.get(axis.signal, axis.signal)
    if isinstance(axis, FixedAxis):
        return signal, axis.values, axis.falling
    if isinstance(axis, DerivedAxis):
        return signal, axis.curve, axis.derivation, axis.count, axis.falling
    return signal, axis.at, axis.storage, axis.count, axis.falling


def _pair_by_use(
    pairs: dict[str, str],
    uses: Iterable[tuple[str, str]],
    old: Mapping[str, object],
    new: Mapping[str, object],
) -> None:
    """Pair what is still without a partner if all uses of the one are uses of the other now."""
    taken = set(pairs.values())
    if len(pairs) == len(old) or len(taken) == len(new):
        return  # no name is without a partner; most definitions are so
    partners: dict[str, set[str]] = {}
    users: dict[str, set[str]] = {}
    for name, partner in uses:
        partners.setdefault(name, set()).add(partner)
        users.setdefault(partner, set()).add(name)
    for name, candidates in partners.items():
        partner = min(candidates)
        is_free = name in old and partner in new and name not in pairs and partner not in taken
        if is_free and len(candidates) == len(users[partner]) == 1:
            pairs[name] = partner
