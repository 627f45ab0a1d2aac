"""Makes the memory of a definition: the extent of the image, its regions and its identities."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from callint.model.definition import Identity, Memory, Region, StoredAxis
from callint.reading.asap2.nodes import AxisPoints, MemorySegment
from callint.reading.asap2.state import ImportState, Item
from callint.reading.definition_bounds import MAX_ADDRESS, MAX_MEMORY

_VOLATILE = {"RAM", "REGISTER", "NOT_IN_ECU"}
#: Offsets of a memory segment that stand for "no mirrored segment".
_NO_OFFSET = (-1, 0, 2**32 - 1, 2**64 - 1)


class _Span(NamedTuple):
    """The addresses of a stored item: its first, and the one after its last.

    ``axis`` is the name of a shared axis, ``owner`` the name of the table or text that the item belongs to;
    one of them is "".
    """

    start: int
    end: int
    owner: str = ""
    axis: str = ""


class MemoryBuilder:
    """Makes the memory around the tables, texts and axes that are entered before."""

    def __init__(self, state: ImportState) -> None:
        self.state = state

    def build(self) -> Memory | None:
        """The memory from the first to the last stored item, nonvolatile segments included.

        None if nothing is stored. Items outside the largest image that callint reads are left out.
        """
        spans = self._spans()
        segments = self._valid_segments()
        lasting = [
            _Span(segment.address, segment.address + segment.size)
            for segment in segments
            if segment.memory not in _VOLATILE
        ]
        if not spans and not lasting:
            return None
        start, end = self._extent(spans, lasting)
        identities = self._identities()
        if not lasting:
            # Only the tables determine the end of the image, so it can be extended to hold its identities.
            start, end = _extended(start, end, identities)
        regions = self._regions(segments, start, end)
        inside = self._identities_inside(identities, start, end)
        return Memory(start, end - start, 0xFF, regions, inside, (), 0)

    # Segments and regions

    def _valid_segments(self) -> list[MemorySegment]:
        valid = []
        for segment in self.state.description.segments:
            if not (0 < segment.size <= MAX_MEMORY and 0 <= segment.address < MAX_ADDRESS - segment.size):
                reason = "its address and size are outside the memory that callint reads"
                self.state.change(_item(segment), reason)
                continue
            valid.append(segment)
            if any(offset not in _NO_OFFSET for offset in segment.offsets):
                self.state.change(_item(segment), "its mirrored segments are not kept")
        return valid

    def _regions(self, segments: Iterable[MemorySegment], start: int, end: int) -> tuple[Region, ...]:
        regions: dict[str, Region] = {}
        for segment in segments:
            if not (start <= segment.address and segment.address + segment.size <= end):
                self.state.change(_item(segment), "it lies outside the image that holds the other items")
                continue
            name = self.state.log.name("MEMORY_SEGMENT", segment.name, segment.place)
            if name in regions:
                self.state.change(_item(segment), "the name occurs before")
            else:
                regions[name] = Region(name, segment.address, segment.size, 0)
        return tuple(regions.values())

    # Extent of the image

    def _spans(self) -> list[_Span]:
        """The spans of all stored items."""
        state = self.state
        spans = [_Span(text.at, text.at + text.length, text.name) for text in state.texts.values()]
        for table in state.tables.values():
            cells = math.prod([state.axes[axis].count for axis in table.axes])
            end = table.at + (cells - 1) * table.storage.stride + table.storage.type.size
            spans.append(_Span(table.at, end, table.name))
        for axis in state.axes.values():
            if isinstance(axis, StoredAxis):
                end = axis.at + (axis.count - 1) * axis.storage.stride + axis.storage.type.size
                is_shared = "/" not in axis.name
                owner, shared = ("", axis.name) if is_shared else (axis.name.split("/")[0], "")
                spans.append(_Span(axis.at, end, owner, shared))
                if (count := axis.stored_count) is not None:
                    spans.append(_Span(count.at, count.at + count.storage.type.size, owner, shared))
        return spans

    def _extent(self, spans: list[_Span], lasting: list[_Span]) -> tuple[int, int]:
        """First address of the image and the one after its last; drops the items outside it."""
        both = sorted((span.start, span.end) for span in [*spans, *lasting])
        start, end = both[0][0], max(last for _, last in both)
        if end - start <= MAX_MEMORY:
            return start, end
        # The range of the largest size that holds the most items.
        counted = spans or lasting
        starts = np.sort(np.array([span.start for span in counted], np.int64))
        ends = np.sort(np.array([span.end for span in counted], np.int64))
        held = np.searchsorted(ends, starts + MAX_MEMORY, side="right") - np.arange(len(starts))
        start = int(starts[int(np.argmax(held))])
        limit = start + MAX_MEMORY
        end = max((last for first, last in both if start <= first and last <= limit), default=start + 1)
        self._drop_outside(start, end, spans)
        return start, end

    def _drop_outside(self, start: int, end: int, spans: list[_Span]) -> None:
        """Leave out the items outside the image, and the tables on axes outside it."""
        state = self.state
        reason = f"it lies more than {MAX_MEMORY >> 20} MiB away from the rest, the largest image of callint"
        outside = [span for span in spans if span.start < start or span.end > end]
        owners = {span.owner for span in outside if span.owner}
        axes = {span.axis for span in outside if span.axis}
        axis_names = {name: given for given, name in state.log.names.get("AXIS_PTS", {}).items()}
        tables = [
            table
            for table in state.tables.values()
            if table.name in owners or not axes.isdisjoint(table.axes)
        ]
        for table in tables:
            del state.tables[table.name]
            for axis in table.axes:
                if axis.startswith(f"{table.name}/"):
                    state.axes.pop(axis, None)
            source = state.sources[table.name]
            kind = "AXIS_PTS" if isinstance(source, AxisPoints) else "CHARACTERISTIC"
            state.log.omit(kind, source.name, reason, source.place)
        for name in [name for name in state.texts if name in owners]:
            del state.texts[name]
            source = state.sources[name]
            state.log.omit("CHARACTERISTIC", source.name, reason, source.place)
        for name in [name for name in state.axes if name in axes]:
            del state.axes[name]
            given = axis_names[name]
            points = state.description.axes.get(given)  # absent for the axis of a stack of maps
            place = state.description.place if points is None else points.place
            state.log.omit("AXIS_PTS", given, reason, place)

    # Identities

    def _identities(self) -> list[Identity]:
        """The EPK at each of its addresses, inside the image or not."""
        description = self.state.description
        epk, addresses = description.epk, description.epk_addresses
        if not epk:
            return []
        item = Item("MOD_PAR", "EPK", description.place)
        if not addresses:
            self.state.change(item, "its address is not given (ADDR_EPK)")
            return []
        try:
            content = epk.encode("latin-1")
        except UnicodeEncodeError:
            self.state.change(item, "it has characters that do not fit in one byte")
            return []
        return [Identity("EPK", at, content, 0) for at in dict.fromkeys(addresses)]

    def _identities_inside(
        self, identities: Iterable[Identity], start: int, end: int
    ) -> tuple[Identity, ...]:
        """The identities that lie in the image, numbered if there are several."""
        inside: list[Identity] = []
        for identity in identities:
            last = identity.at + len(identity.content)
            if start <= identity.at and last <= end:
                inside.append(replace(identity, name=f"EPK {len(inside) + 1}") if inside else identity)
                continue
            if start <= identity.at < end:
                reason = f"its end at 0x{last - 1:X} lies outside the image"
            else:
                reason = f"its address 0x{max(identity.at, 0):X} lies outside the image"
            self.state.change(Item("MOD_PAR", "EPK", self.state.description.place), reason)
        return tuple(inside)


def _item(segment: MemorySegment) -> Item:
    return Item("MEMORY_SEGMENT", segment.name, segment.place)


def _extended(start: int, end: int, identities: Iterable[Identity]) -> tuple[int, int]:
    """The extent, enlarged to each identity that still fits into the largest image."""
    for identity in identities:
        low, high = min(start, identity.at), max(end, identity.at + len(identity.content))
        if low >= 0 and high <= MAX_ADDRESS and high - low <= MAX_MEMORY:
            start, end = low, high
    return start, end
