"""Moves inherited elements to other addresses: ``<shift>`` and ``<at>`` in ``<inherited>``."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from itertools import pairwise

from lxml import etree

from callint.model.definition import StoredAxis
from callint.reading.definition_bounds import MAX_ADDRESS
from callint.reading.elements.attributes import required, to_integer
from callint.reading.elements.inherited_elements import InheritedElements
from callint.reading.elements.reader import ElementReader

_ADDRESSES = ("at", "count-at", "x-at", "x-count-at", "y-at", "y-count-at")


class AddressChanges:
    """The new addresses that a child gives the elements of its parent."""

    def __init__(self, reader: ElementReader, inherited: InheritedElements) -> None:
        self._reader = reader
        self._inherited = inherited

    def shift(self, shifts: list[etree._Element]) -> None:
        """Move everything that begins in a range; reports ranges that overlap or that hold nothing."""
        stretches = []
        for element in shifts:
            stretch = self._reader.build(_read_shift, element)
            if stretch is None:
                self._inherited.drop_all(self._reader.line(element), self._reader.invalid)
                return
            stretches.append(stretch)
        stretches.sort(key=lambda stretch: stretch.start)
        for first, second in pairwise(stretches):
            if first.end > second.start:
                self._reader.report(second.element, "it overlaps another stretch; move each address once")
        starts = [stretch.start for stretch in stretches]

        def moved(at: int) -> int:
            place = bisect_right(starts, at) - 1
            if place < 0 or at >= stretches[place].end:
                return at
            stretches[place].count += 1
            return at + stretches[place].by

        if not stretches:
            return
        elements = self._inherited.elements
        for name, axis in elements.axes.items():
            if isinstance(axis, StoredAxis):
                count = axis.stored_count and replace(axis.stored_count, at=moved(axis.stored_count.at))
                elements.axes[name] = replace(axis, at=moved(axis.at), stored_count=count)
        for name, table in elements.tables.items():
            elements.tables[name] = replace(table, at=moved(table.at))
        for name, text in elements.texts.items():
            elements.texts[name] = replace(text, at=moved(text.at))
        for stretch in stretches:
            if not stretch.count:
                self._reader.report(
                    stretch.element, f"nothing of {self._inherited.path} begins in this stretch"
                )

    def place(self, element: etree._Element) -> None:
        """Apply ``<at>``: new addresses of a table or an axis."""
        table, axis = element.get("table"), element.get("axis")
        if (table is None) == (axis is None):
            raise ValueError("give either table or axis")
        given = [name for name in _ADDRESSES if element.get(name) is not None]
        if not given:
            raise ValueError("give the new address")
        elements, line = self._inherited.elements, self._reader.line(element)
        if axis is not None:
            if not {"at", "count-at"}.issuperset(given):
                raise ValueError(f"{given[-1]} needs table, not axis")
            elements.axes[axis] = self._placed_axis(element, axis, "")
            self._inherited.changed_at[elements.axes[axis].line] = line
            return
        assert table is not None
        item = self._inherited.item(table)
        if element.get("count-at") is not None:
            raise ValueError("count-at needs axis; write x-count-at or y-count-at")
        if element.get("at") is not None:
            self._inherited.put(replace(item, at=self._reader.address(element, "at")))
        for along in "xy":
            if element.get(f"{along}-at") is not None or element.get(f"{along}-count-at") is not None:
                name = f"{table}/{along}"
                elements.axes[name] = self._placed_axis(element, name, f"{along}-")
                self._inherited.changed_at[elements.axes[name].line] = line
        self._inherited.changed_at[item.line] = line

    def _placed_axis(self, element: etree._Element, name: str, prefix: str) -> StoredAxis:
        """An axis at the addresses of an element, whose attributes have a prefix."""
        axis = self._inherited.known("axis", self._inherited.elements.axes, name)
        if not isinstance(axis, StoredAxis):
            raise ValueError(f"axis {name} is not stored in the image and has no address")
        if element.get(f"{prefix}at") is not None:
            axis = replace(axis, at=self._reader.address(element, f"{prefix}at"))
        if element.get(f"{prefix}count-at") is not None:
            if axis.stored_count is None:
                raise ValueError(f"axis {name} has no stored count")
            at = self._reader.address(element, f"{prefix}count-at")
            axis = replace(axis, stored_count=replace(axis.stored_count, at=at))
        return axis


@dataclass
class _ShiftedRange:
    """A range of memory that moves; ``count`` is the number of addresses in it."""

    element: etree._Element
    start: int
    end: int
    by: int
    count: int = 0


def _read_shift(reader: ElementReader, element: etree._Element) -> _ShiftedRange:
    start, size = reader.address(element, "start"), to_integer(required(element, "size"))
    text = required(element, "by").strip()
    by = -to_integer(text[1:]) if text.startswith("-") else to_integer(text)
    if start + by < 0 or start + size + by > MAX_ADDRESS:
        raise ValueError("it moves to addresses below 0, or above the highest that is read")
    return _ShiftedRange(element, start, start + size, by)
