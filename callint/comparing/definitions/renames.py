"""Recognises tables and texts that only have another name in the newer of two definitions.

A name that both definitions have stands for the same item. What is left is paired by evidence, the strongest
first, and only if no second item on either side has the same evidence:

1. the same place, storage, shape, and signals and units (or, in place of those, the same title);
2. the same title, shape, signals and units, if the address moved;
3. the place to which the neighbours' move takes it, and the same storage, shape, signals and units.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Hashable, Mapping

from callint.model.definition import Definition, Table, Text

Item = Table | Text
Items = dict[str, Item]
Key = Callable[[Definition, Item], Hashable]


def match_items(old: Definition, new: Definition) -> Mapping[str, str]:
    """The new name of each table and text that both definitions have, by its old name.

    Most names are the same in both. In the order of the older definition, tables before texts.
    """
    before, after = _items(old), _items(new)
    pairs = {name: name for name in before if name in after}
    old_rest = {name: item for name, item in before.items() if name not in pairs}
    new_rest = {name: item for name, item in after.items() if name not in pairs}
    for key in (_place_and_quantities, _place_and_title, _title_and_quantities):
        if not (old_rest and new_rest):
            break
        _pair(pairs, _by_key(old, old_rest, key), _by_key(new, new_rest, key), old_rest, new_rest)
    if old_rest and new_rest:
        matched = [(before[name], after[new_name]) for name, new_name in pairs.items()]
        moved = _by_moved_place(old, old_rest, matched)
        stays = _by_key(new, new_rest, _place_and_quantities)
        _pair(pairs, moved, stays, old_rest, new_rest)
    return {name: pairs[name] for name in before if name in pairs}


def renamed(pairs: Mapping[str, str]) -> dict[str, str]:
    """Those of the matched names that differ, new by old."""
    return {old: new for old, new in pairs.items() if old != new}


def _items(definition: Definition) -> Items:
    return {**definition.tables, **definition.texts}


def _by_key(definition: Definition, items: Items, key: Key) -> dict[Hashable, list[str]]:
    names: dict[Hashable, list[str]] = {}
    for name, item in items.items():
        names.setdefault(key(definition, item), []).append(name)
    return names


def _pair(
    pairs: dict[str, str],
    old_names: Mapping[Hashable, list[str]],
    new_names: Mapping[Hashable, list[str]],
    old_rest: Items,
    new_rest: Items,
) -> None:
    """Move what a key has once on both sides from the rests to the pairs."""
    for key, names in old_names.items():
        others = new_names.get(key, [])
        if len(names) == len(others) == 1 and names[0] in old_rest and others[0] in new_rest:
            pairs[names[0]] = others[0]
            del old_rest[names[0]], new_rest[others[0]]


def _by_moved_place(
    definition: Definition, items: Items, matched: list[tuple[Item, Item]]
) -> dict[Hashable, list[str]]:
    """The items by the places to which their nearest matched neighbours moved; one item may have two."""
    moves = sorted((old.at, new.at - old.at) for old, new in matched)
    names: dict[Hashable, list[str]] = {}
    for name, item in items.items():
        nearest = bisect_left(moves, (item.at,))
        shifts = {shift for _, shift in moves[max(nearest - 1, 0) : nearest + 1]}
        for shift in sorted(shifts):
            names.setdefault(_place_and_quantities(definition, item, shift), []).append(name)
    return names


def _shape(definition: Definition, item: Item) -> Hashable:
    if isinstance(item, Text):
        return item.length
    return item.kind, definition.shape_of(item)


def _place(definition: Definition, item: Item, shift: int = 0) -> Hashable:
    if isinstance(item, Text):
        return item.at + shift, item.length, item.encoding
    return item.at + shift, _shape(definition, item), item.storage, item.y_first


def _quantities(definition: Definition, item: Item) -> Hashable:
    """The unit of a table, and the signals and units of its axes."""
    if isinstance(item, Text):
        return None
    axes = [definition.axes[name] for name in item.axes if name in definition.axes]
    return definition.unit_of(item), tuple((axis.signal, definition.unit_of(axis)) for axis in axes)


def _place_and_quantities(definition: Definition, item: Item, shift: int = 0) -> Hashable:
    return _place(definition, item, shift), _quantities(definition, item)


def _place_and_title(definition: Definition, item: Item) -> Hashable:
    return _place(definition, item), item.title


def _title_and_quantities(definition: Definition, item: Item) -> Hashable:
    return item.title, _shape(definition, item), _quantities(definition, item)
