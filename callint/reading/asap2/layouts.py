"""Reads record layouts of a description: the address and the storage of each part of a record."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from callint.model.definition import ByteOrder, NumberType, Storage
from callint.reading.asap2.nodes import Description, LayoutElement, RecordLayout
from callint.reading.asap2.report import ImportLog, NotKeptError

_TYPES = {
    "UBYTE": NumberType.uint8,
    "SBYTE": NumberType.int8,
    "UWORD": NumberType.uint16,
    "SWORD": NumberType.int16,
    "ULONG": NumberType.uint32,
    "SLONG": NumberType.int32,
    "A_UINT64": NumberType.uint64,
    "A_INT64": NumberType.int64,
    "FLOAT16_IEEE": NumberType.float16,
    "FLOAT32_IEEE": NumberType.float32,
    "FLOAT64_IEEE": NumberType.float64,
}
_SIZES = {name: number_type.size for name, number_type in _TYPES.items()}
_RESERVED = {"BYTE": "UBYTE", "WORD": "UWORD", "LONG": "ULONG"}
_ALIGNMENT_OF = {
    "UBYTE": "BYTE",
    "SBYTE": "BYTE",
    "UWORD": "WORD",
    "SWORD": "WORD",
    "ULONG": "LONG",
    "SLONG": "LONG",
    "A_UINT64": "INT64",
    "A_INT64": "INT64",
    "FLOAT16_IEEE": "FLOAT16_IEEE",
    "FLOAT32_IEEE": "FLOAT32_IEEE",
    "FLOAT64_IEEE": "FLOAT64_IEEE",
}
_ORDERS = {
    "MSB_FIRST": ByteOrder.BIG,
    "MSB_LAST": ByteOrder.LITTLE,
    "MSB_FIRST_MSW_LAST": ByteOrder.BIG_SWAPPED,
    "MSB_LAST_MSW_FIRST": ByteOrder.LITTLE_SWAPPED,
    "BIG_ENDIAN": ByteOrder.BIG,
    "LITTLE_ENDIAN": ByteOrder.LITTLE,
}


class RecordSlot(NamedTuple):
    """The numbers of one part of a record: first address, type in the standard, and distance in bytes.

    ``is_reversed`` says that the last breakpoint comes first (INDEX_DECR).
    """

    at: int
    type: str
    stride: int
    is_reversed: bool = False


@dataclass(frozen=True, slots=True)
class RecordPlan:
    """The properties that all records of a layout share.

    ``elements`` are in the order of memory, ``axes`` the keywords of stored breakpoints, ``crowded`` the
    positions of more than one element, ``mode`` the index mode of the values or "" without any, and
    ``interleaved`` the keywords that alternate, or FNC_VALUES alone.
    """

    elements: tuple[LayoutElement, ...]
    keywords: frozenset[str]
    axes: tuple[str, ...]
    crowded: frozenset[int]
    mode: str
    interleaved: frozenset[str]


@dataclass
class Layouts:
    """The record layouts of a description.

    ``_reported`` has the assumptions already logged, ``_reported_arrays`` those about arrays, by layout.
    """

    description: Description
    log: ImportLog
    _reported: set[str] = field(default_factory=set)
    _reported_arrays: set[str] = field(default_factory=set)
    _plans: dict[str, RecordPlan] = field(default_factory=dict)

    def layout(self, name: str) -> RecordLayout:
        """A record layout by its name. Raises NotKeptError if it is missing or not understood."""
        layout = self.description.layouts.get(name)
        if layout is None:
            raise NotKeptError(f"its RECORD_LAYOUT {name} is not described")
        if layout.has_unknown_keyword:
            raise NotKeptError(f"its RECORD_LAYOUT {name} has an unknown keyword")
        return layout

    def plan(self, layout: RecordLayout) -> RecordPlan:
        """The plan of all records of a layout. Raises NotKeptError if its index mode is not covered."""
        plan = self._plans.get(layout.name)
        if plan is None:
            elements = sorted(layout.elements, key=lambda element: element.position)
            keywords = [element.keyword for element in elements]
            positions = [element.position for element in elements]
            plan = self._plans[layout.name] = RecordPlan(
                elements=tuple(elements),
                keywords=frozenset(keywords),
                axes=tuple(keyword for keyword in keywords if keyword.startswith("AXIS_PTS_")),
                crowded=frozenset(place for place in positions if positions.count(place) > 1),
                mode=next((item.arguments[1] for item in elements if item.keyword == "FNC_VALUES"), ""),
                interleaved=frozenset(("FNC_VALUES", self._interleaved_with(layout))),
            )
        return plan

    def slots(
        self, layout: RecordLayout, address: int, counts: Mapping[str, int], element: int = 0
    ) -> dict[str, RecordSlot]:
        """The slot of each part of a record by its keyword; ``counts`` has the number of values of a part.

        The first part begins at ``address``, each other part at the next multiple of its type's alignment.
        ``element`` is the number of the record in an array of records of this size, which begins there.
        """
        slots, end = self._record(layout, address, counts)
        if element:
            address += element * self._distance(layout, end - address)
            slots, _ = self._record(layout, address, counts)
        return slots

    def _distance(self, layout: RecordLayout, size: int) -> int:
        """The distance of records in an array: as in C, all their parts are aligned."""
        types = [_RESERVED.get(item.arguments[0], item.arguments[0]) for item in layout.elements]
        alignment = math.lcm(*(self._alignment(layout, name) for name in types))
        distance = _round_up(size, alignment)
        if distance != size and layout.name not in self._reported_arrays:
            self._reported_arrays.add(layout.name)
            reason = f"the records of its arrays are assumed to begin at multiples of {alignment} bytes"
            self.log.change("RECORD_LAYOUT", layout.name, reason, layout.place)
        return distance

    def _record(
        self, layout: RecordLayout, address: int, counts: Mapping[str, int]
    ) -> tuple[dict[str, RecordSlot], int]:
        """The slots of a record by keyword, and the address after them."""
        slots: dict[str, RecordSlot] = {}
        at = address
        plan = self.plan(layout)
        interleaved = plan.interleaved if len(plan.interleaved) > 1 else frozenset()
        done: set[str] = set()
        for number, element in enumerate(plan.elements):
            keyword = element.keyword
            if keyword in done:
                if keyword in interleaved:
                    continue
                if keyword != "RESERVED":
                    raise NotKeptError(f"its RECORD_LAYOUT {layout.name} has {keyword} twice")
            if keyword in interleaved:
                at = self._interleave(layout, at, number == 0, counts, slots)
                done |= interleaved
                continue
            if element.position in plan.crowded:
                raise NotKeptError(
                    f"its RECORD_LAYOUT {layout.name} has two parts at position {element.position}"
                )
            type_name = element.arguments[0]
            type_name = _RESERVED.get(type_name, type_name) if keyword == "RESERVED" else type_name
            amount = counts.get(keyword, 1)
            if keyword.startswith("AXIS_RESCALE_"):
                amount = 2 * _whole(element.arguments[1])
            if number:
                at = self._aligned(layout, type_name, at)
            size = size_of(type_name)
            is_reversed = "INDEX_DECR" in element.arguments
            slots[keyword] = RecordSlot(at, type_name, size, is_reversed)
            _check_addressing(element)
            done.add(keyword)
            at += amount * size
        return slots, at

    def rescale_pairs(self, layout: RecordLayout) -> int:
        """The number of pairs of a rescale axis along x."""
        elements = (element for element in layout.elements if element.keyword == "AXIS_RESCALE_X")
        return max((_whole(element.arguments[1]) for element in elements), default=0)

    def _interleaved_with(self, layout: RecordLayout) -> str:
        """The keyword of the axis whose breakpoints alternate with the values; FNC_VALUES for none."""
        for element in layout.elements:
            if element.keyword == "FNC_VALUES" and element.arguments[1].startswith("ALTERNATE"):
                along = {"ALTERNATE_WITH_X": "AXIS_PTS_X", "ALTERNATE_WITH_Y": "AXIS_PTS_Y"}
                if element.arguments[1] not in along:
                    raise NotKeptError(f"the index mode {element.arguments[1]} is not covered")
                return along[element.arguments[1]]
        return "FNC_VALUES"

    def _interleave(
        self,
        layout: RecordLayout,
        at: int,
        is_first: bool,
        counts: Mapping[str, int],
        slots: dict[str, RecordSlot],
    ) -> int:
        """Enter the slots of alternating breakpoints and values; return the address after them.

        Only a curve is supported: in a map they are not evenly spaced.
        """
        axis = self._interleaved_with(layout)
        points = counts.get(axis, 0)
        if not points or counts.get("FNC_VALUES") != points:
            raise NotKeptError("values that alternate with breakpoints are only kept in a curve")
        parts = [element for element in layout.elements if element.keyword in ("FNC_VALUES", axis)]
        # The axis comes first if both have the same position.
        parts.sort(key=lambda element: (element.position, element.keyword == "FNC_VALUES"))
        if len(parts) != 2:
            raise NotKeptError(f"its RECORD_LAYOUT {layout.name} lacks {axis}")
        starts, here = [], at
        for number in range(4):
            part = parts[number % 2]
            if number or not is_first:
                here = self._aligned(layout, part.arguments[0], here)
            starts.append(here)
            here += size_of(part.arguments[0])
        stride = starts[2] - starts[0]
        if starts[3] - starts[1] != stride or any(
            stride % self._alignment(layout, part.arguments[0]) for part in parts
        ):
            raise NotKeptError("its alternating values and breakpoints are not evenly spaced")
        for part, start in zip(parts, starts, strict=False):
            _check_addressing(part)
            is_reversed = "INDEX_DECR" in part.arguments
            slots[part.keyword] = RecordSlot(start, part.arguments[0], stride, is_reversed)
        return starts[1] + (points - 1) * stride + size_of(parts[1].arguments[0])

    def _aligned(self, layout: RecordLayout, type_name: str, at: int) -> int:
        """The next address at which a number of a type can begin."""
        keyword = "ALIGNMENT_FLOAT64_IEEE"
        aligned = _round_up(at, self._alignment(layout, type_name))
        is_given = keyword in layout.alignments or keyword in self.description.alignments
        if type_name == "FLOAT64_IEEE" and not is_given and aligned != _round_up(at, 4):
            # Compilers differ only in this alignment.
            self._report(keyword, "it is not given; FLOAT64_IEEE is assumed to begin at multiples of 8 bytes")
        return aligned

    def _report(self, name: str, reason: str) -> None:
        """Record an assumption for the whole description, once."""
        if name not in self._reported:
            self._reported.add(name)
            self.log.change("MOD_COMMON", name, reason, self.description.place)

    def _alignment(self, layout: RecordLayout, type_name: str) -> int:
        keyword = f"ALIGNMENT_{_ALIGNMENT_OF.get(type_name, '')}"
        alignment = layout.alignments.get(keyword, self.description.alignments.get(keyword))
        if alignment is None:
            alignment = size_of(type_name)
        if not 0 < alignment <= 4096:
            raise NotKeptError(f"{keyword} is {alignment}")
        return alignment

    def storage(self, slot: RecordSlot, byte_order: str, mask: int | None = None) -> Storage:
        """How the numbers of a slot are stored; ``byte_order`` is "" for that of the module.

        Raises NotKeptError for a type, byte order or mask that is not covered.
        """
        number_type = _TYPES.get(slot.type)
        if number_type is None:
            raise NotKeptError(f"the type {slot.type[:40]} is not covered")
        given = byte_order or self.description.byte_order
        if not given:
            given = "MSB_LAST"
            if number_type.size > 1:
                self._report(
                    "BYTE_ORDER", "it is not given; the least significant byte is assumed to come first"
                )
        order = _ORDERS.get(given)
        if order is None:
            if number_type.size > 1:
                raise NotKeptError(f"the byte order {given[:40]} is not covered")
            order = ByteOrder.LITTLE  # irrelevant for a single byte
        if given.endswith("_ENDIAN") and given not in self._reported:
            self._reported.add(given)
            end = "most" if order is ByteOrder.BIG else "least"
            reason = f"it is read as {end} significant byte first; some programs read it the other way"
            self.log.change("BYTE_ORDER", given, reason, self.description.place)
        if mask is not None:
            if not 0 < mask < 1 << 8 * number_type.size:
                raise NotKeptError(f"BIT_MASK 0x{max(mask, 0):X} does not fit {slot.type}")
            if mask == (1 << 8 * number_type.size) - 1:
                mask = None
            elif number_type.kind != "u":
                raise NotKeptError(f"a BIT_MASK of {slot.type} is not covered")
        return Storage(number_type, order, slot.stride, mask)


def _check_addressing(element: LayoutElement) -> None:
    """Raise NotKeptError unless the values of a part lie in the record itself."""
    keyword, arguments = element.keyword, element.arguments
    has_addressing = keyword == "FNC_VALUES" or keyword.startswith(("AXIS_PTS_", "AXIS_RESCALE_"))
    if has_addressing and arguments[-1] != "DIRECT":
        raise NotKeptError(f"its {keyword} is stored behind a pointer ({arguments[-1][:20]})")


def size_of(type_name: str) -> int:
    """The size of one of the standard's types in bytes."""
    if type_name not in _SIZES:
        raise NotKeptError(f"the type {type_name[:40]} is not covered")
    return _SIZES[type_name]


def _whole(word: str) -> int:
    try:
        return max(int(word, 16) if word[:2].lower() == "0x" else int(word), 0)
    except ValueError:
        raise NotKeptError(f"{word[:40]!r} is not a whole number") from None


def _round_up(address: int, alignment: int) -> int:
    """The next multiple of an alignment."""
    return -(-address // alignment) * alignment
