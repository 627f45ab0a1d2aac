"""What of a definition cannot be judged, because something in its file is invalid or refers to nothing."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from callint.decoding.layout import Layout
from callint.model.declarations import REPEATED, InvalidElement, InvalidNames
from callint.model.definition import Definition, StoredAxis, Table, Text
from callint.model.derived_axis import DerivedAxis

#: The largest number of bytes of a stored checksum.
_CHECKSUM_SIZE = 8
#: First addresses and those after the last, rising.
Ranges = Sequence[tuple[int, int]]


@dataclass(frozen=True)
class Unread:
    """What is invalid in a definition, and what builds on that.

    An invalid element is present as a name: whatever refers to it is right, and is judged only when the
    element is. False if nothing is invalid.
    """

    definition: Definition
    invalid: tuple[InvalidElement, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.invalid)

    @cached_property
    def elements(self) -> InvalidNames:
        """The names of the invalid elements."""
        return InvalidNames(self.invalid)

    @cached_property
    def names(self) -> frozenset[str]:
        """All elements with a name that are invalid or build on invalid ones."""
        if not self.invalid:
            return frozenset()
        invalid = (
            element for element in self.invalid if element.space not in (REPEATED, "relation", "sensor")
        )
        own = {name for element in invalid for name in element.names}
        return frozenset(own | self._items)

    @cached_property
    def _items(self) -> set[str]:
        """The axes and tables that are invalid or build on invalid elements."""
        definition = self.definition
        items: set[str] = set()
        before = -1
        while before < len(items):  # an axis may be derived from a curve over another axis
            before = len(items)
            for axis in definition.axes.values():
                if self._builds_on_invalid(axis, items):
                    items.add(axis.name)
            for table in definition.tables.values():
                if self._builds_on_invalid(table, items):
                    items.add(table.name)
            items.update(name for name in definition.texts if self.elements.has("table", name))
        return items

    def _builds_on_invalid(self, item: object, items: set[str]) -> bool:
        if isinstance(item, Table):
            used = [("signal", item.signal), ("signal", item.produces), ("conversion", item.conversion)]
            own, parts = ("table", item.name), item.axes
        else:
            used = [("signal", item.signal)]  # type: ignore[attr-defined]
            if isinstance(item, StoredAxis):
                used.append(("conversion", item.conversion))
            own, parts = ("axis", item.name), ()  # type: ignore[attr-defined]
            if isinstance(item, DerivedAxis):
                parts = (item.curve,)
        if any(part in items or self.elements.has("axis", part) for part in parts):
            return True
        return any(name is not None and self.elements.has(space, name) for space, name in (own, *used))

    @cached_property
    def open_names(self) -> frozenset[str]:
        """``names``, and those that several elements have: nobody knows which of them has it rightly."""
        return self.names.union(*(item.names for item in self.invalid if item.space == REPEATED))

    def may_be(self, space: str, at: int | None) -> bool:
        """Whether an element that is not there may be an invalid one, or one of two with one name."""
        twins = [item for item in self.invalid if item.space == REPEATED]
        items: dict[str, Table | Text] = {**self.definition.tables, **self.definition.texts}
        places = {item.at for item in twins}
        places.update(items[name].at for twin in twins for name in twin.names if name in items)
        nameless = any(item.space == space and not item.names for item in self.invalid)
        return nameless or (at is not None and at in places)

    # What is not decoded

    def left_out(self, layout: Layout) -> list[str]:
        """The tables, texts and axes that are not decoded for what is invalid, in the order of the file."""
        definition = self.definition
        known = {*definition.texts, *layout.table_items, *layout.axis_items}
        known.update(name for name, axis in definition.axes.items() if not isinstance(axis, StoredAxis))
        lines: dict[str, int] = {}
        for element in self.invalid:
            if element.space in ("table", "axis"):
                lines.update((name, element.line) for name in element.names if name not in known)
        for item in _stored(definition):
            if item.name in self._items and item.name not in known:
                lines.setdefault(item.name, item.line)
        return sorted(lines, key=lines.__getitem__)

    def undescribed(self, layout: Layout) -> Ranges | None:
        """The bytes that tables, texts and axes may hold that are not decoded for what is invalid.

        Where such an item ends is not known if its size is not; then it may reach to the next one. None if
        it is not known where an item begins.
        """
        definition = self.definition
        left_out = set(self.left_out(layout))
        ranges: list[tuple[int, int]] = []
        starts = set()
        for element in self.invalid:
            unseen = left_out - definition.tables.keys() - definition.axes.keys()
            is_left_out = not element.names or not unseen.isdisjoint(element.names)
            if element.space == REPEATED and element.at is not None:
                starts.add(element.at)
            elif element.space == "checksum" or (element.space in ("table", "axis") and is_left_out):
                if element.at is None:
                    return None
                if element.space == "checksum":
                    ranges.append((element.at, element.at + _CHECKSUM_SIZE))
                else:
                    starts.add(element.at)
        for item in _stored(definition):
            if item.name in left_out:
                ranges += self._own_ranges(item, starts)
        taken = sorted({*layout.address.tolist(), *(text.at for text in definition.texts.values())})
        others = sorted({*taken, *starts, *(start for start, _ in ranges)})
        for start in starts:
            place = bisect_right(others, start)
            end = others[place] if place < len(others) else definition.memory.end
            ranges.append((start, end))
        return sorted(ranges)

    def _own_ranges(self, item: StoredAxis | Table, starts: set[int]) -> Iterator[tuple[int, int]]:
        """The cells of an item whose axes are known; else its address becomes one of ``starts``."""
        axes = item.axes if isinstance(item, Table) else ()
        if any(axis not in self.definition.axes for axis in axes):
            starts.add(item.at)
            return
        if isinstance(item, Table):
            rows, columns = self.definition.shape_of(item)
            count = rows * columns
        else:
            count = item.count
        size, stride = item.storage.type.size, item.storage.stride
        if size == stride:
            yield item.at, item.at + count * size
            return
        for number in range(count):
            yield item.at + number * stride, item.at + number * stride + size


def unresolved(definition: Definition, layout: Layout) -> Iterator[InvalidElement]:
    """The tables and axes that are not decoded, because they name a conversion or axis that is not there."""
    if len(layout.items) == len(definition.tables) + len(definition.stored_axes):
        return
    for item in _stored(definition):
        axes = item.axes if isinstance(item, Table) else ()
        is_known = item.conversion is None or item.conversion in definition.conversions
        if not is_known or any(axis not in definition.axes for axis in axes):
            space = "table" if isinstance(item, Table) else "axis"
            yield InvalidElement(space, (item.name,), item.line, item.at)


def _stored(definition: Definition) -> Iterator[StoredAxis | Table]:
    yield from definition.stored_axes
    yield from definition.tables.values()


def outside(start: int, end: int, ranges: Ranges) -> Iterator[tuple[int, int]]:
    """The parts from ``start`` to before ``end`` that lie in none of some ranges, which are rising."""
    for low, high in ranges:
        if high <= start or low >= end:
            continue
        if start < low:
            yield start, low
        start = max(start, high)
    if start < end:
        yield start, end
