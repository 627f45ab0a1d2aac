"""Record layouts of a description: where in memory each part of a record lies, and how it is stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from callint.model.definition import ByteOrder, NumberType, Storage
from callint.reading.asap2.parser import Description, RecordLayout
from callint.reading.asap2.report import ImportReport, LostError

_TYPES = {
    "UBYTE": NumberType.uint8,
    "SBYTE": NumberType.int8,
    "UWORD": NumberType.uint16,
    "SWORD": NumberType.int16,
    "ULONG": NumberType.uint32,
    "SLONG": NumberType.int32,
    "A_UINT64": NumberType.uint64,
    "A_INT64": NumberType.int64,
    "FLOAT32_IEEE": NumberType.float32,
    "FLOAT64_IEEE": NumberType.float64,
}
_SIZES = {name: number_type.size for name, number_type in _TYPES.items()} | {"FLOAT16_IEEE": 2}
_RESERVED = {"BYTE": "UBYTE", "WORD": "UWORD", "LONG": "ULONG"}
_ALIGNED = {
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
    "BIG_ENDIAN": ByteOrder.BIG,
    "LITTLE_ENDIAN": ByteOrder.LITTLE,
}


@dataclass(frozen=True, slots=True)
class RecordSlot:
    """Where numbers of one kind begin, in the standard's type, and how far they are apart in bytes."""

    at: int
    type: str
    stride: int


@dataclass
class Layouts:
    """The record layouts of a description; ``told`` is what of them has been listed so far."""

    description: Description
    ledger: ImportReport
    told: set[str] = field(default_factory=set)

    def layout(self, name: str) -> RecordLayout:
        found = self.description.layouts.get(name)
        if found is None:
            raise LostError(f"its RECORD_LAYOUT {name} is not described")
        if found.unknown:
            raise LostError(f"its RECORD_LAYOUT {name} has {found.unknown}")
        return found

    def spots(self, layout: RecordLayout, address: int, counts: Mapping[str, int]) -> dict[str, RecordSlot]:
        """Where each part of a record lies, by its keyword; ``counts`` has the parts of several numbers.

        A part begins at the next address that its type's alignment divides, the first part where the
        record does.
        """
        found: dict[str, RecordSlot] = {}
        at = address
        elements = sorted(layout.elements, key=lambda element: element.position)
        positions = [element.position for element in elements]
        woven = {"FNC_VALUES", self.woven(layout)}
        done: set[str] = set()
        for number, element in enumerate(elements):
            keyword = element.keyword
            if keyword in done:
                if keyword in woven and len(woven) > 1:
                    continue
                if keyword != "RESERVED":
                    raise LostError(f"its RECORD_LAYOUT {layout.name} has {keyword} twice")
            if keyword in woven and len(woven) > 1:
                at = self.weave(layout, at, number == 0, counts, found)
                done |= woven
                continue
            if positions.count(element.position) > 1:
                raise LostError(
                    f"its RECORD_LAYOUT {layout.name} has two parts at position {element.position}"
                )
            type_name = element.words[0]
            type_name = _RESERVED.get(type_name, type_name) if keyword == "RESERVED" else type_name
            amount = counts.get(keyword, 1)
            if keyword.startswith("AXIS_RESCALE_"):
                amount = 2 * _whole(element.words[1])
            if number:
                at = self.aligned(layout, type_name, at)
            size = size_of(type_name)
            found[keyword] = RecordSlot(at, type_name, size)
            self.check_addressing(element.keyword, element.words)
            done.add(keyword)
            at += amount * size
        return found

    def check_addressing(self, keyword: str, words: tuple[str, ...]) -> None:
        if keyword == "FNC_VALUES" or keyword.startswith(("AXIS_PTS_", "AXIS_RESCALE_")):
            if words[-1] != "DIRECT":
                raise LostError(f"its {keyword} is found through a pointer ({words[-1][:20]})")
            if words[-2] == "INDEX_DECR":
                raise LostError(f"its {keyword} is stored backwards (INDEX_DECR)")

    def woven(self, layout: RecordLayout) -> str:
        """The keyword of the axis whose breakpoints alternate with values; FNC_VALUES for none."""
        for element in layout.elements:
            if element.keyword == "FNC_VALUES" and element.words[1].startswith("ALTERNATE"):
                along = {"ALTERNATE_WITH_X": "AXIS_PTS_X", "ALTERNATE_WITH_Y": "AXIS_PTS_Y"}
                if element.words[1] not in along:
                    raise LostError(f"the index mode {element.words[1]} is not covered")
                return along[element.words[1]]
        return "FNC_VALUES"

    def weave(
        self,
        layout: RecordLayout,
        at: int,
        is_first: bool,
        counts: Mapping[str, int],
        found: dict[str, RecordSlot],
    ) -> int:
        """Breakpoints and values in turn; the address behind them. Only a curve's are evenly spaced."""
        axis = self.woven(layout)
        points = counts.get(axis, 0)
        if not points or counts.get("FNC_VALUES") != points:
            raise LostError("values that alternate with breakpoints are only kept in a curve")
        parts = [element for element in layout.elements if element.keyword in ("FNC_VALUES", axis)]
        # The axis first where both have one position.
        parts.sort(key=lambda element: (element.position, element.keyword == "FNC_VALUES"))
        if len(parts) != 2:
            raise LostError(f"its RECORD_LAYOUT {layout.name} lacks {axis}")
        begins, here = [], at
        for number in range(4):
            part = parts[number % 2]
            if number or not is_first:
                here = self.aligned(layout, part.words[0], here)
            begins.append(here)
            here += size_of(part.words[0])
        stride = begins[2] - begins[0]
        if begins[3] - begins[1] != stride or any(
            stride % self.alignment(layout, part.words[0]) for part in parts
        ):
            raise LostError("its alternating values and breakpoints are not evenly spaced")
        for part, begin in zip(parts, begins, strict=False):
            self.check_addressing(part.keyword, part.words)
            found[part.keyword] = RecordSlot(begin, part.words[0], stride)
        return begins[1] + (points - 1) * stride + size_of(parts[1].words[0])

    def aligned(self, layout: RecordLayout, type_name: str, at: int) -> int:
        """The next address at which a number of such a type can lie."""
        keyword = "ALIGNMENT_FLOAT64_IEEE"
        found = _up(at, self.alignment(layout, type_name))
        is_given = keyword in layout.alignments or keyword in self.description.alignments
        if type_name == "FLOAT64_IEEE" and not is_given and found != _up(at, 4):
            # Compilers differ in this one alignment.
            self.tell(keyword, "it is not given; FLOAT64_IEEE is taken to begin at multiples of 8 bytes")
        return found

    def tell(self, name: str, reason: str) -> None:
        """List once what is taken for granted in the whole description."""
        if name not in self.told:
            self.told.add(name)
            self.ledger.lose("MOD_COMMON", name, reason, self.description.place)

    def alignment(self, layout: RecordLayout, type_name: str) -> int:
        keyword = f"ALIGNMENT_{_ALIGNED.get(type_name, '')}"
        found = layout.alignments.get(keyword, self.description.alignments.get(keyword))
        if found is None:
            found = size_of(type_name)
        if not 0 < found <= 4096:
            raise LostError(f"{keyword} is {found}")
        return found

    def storage(self, spot: RecordSlot, byte_order: str, mask: int | None = None) -> Storage:
        number_type = _TYPES.get(spot.type)
        if number_type is None:
            raise LostError(f"the type {spot.type[:40]} is not covered")
        given = byte_order or self.description.byte_order
        if not given:
            given = "MSB_LAST"
            if number_type.size > 1:
                self.tell("BYTE_ORDER", "it is not given; the least significant byte is taken to come first")
        order = _ORDERS.get(given)
        if order is None:
            if number_type.size > 1:
                raise LostError(f"the byte order {given[:40]} is not covered")
            order = ByteOrder.LITTLE
        if given.endswith("_ENDIAN") and given not in self.told:
            self.told.add(given)
            end = "most" if order is ByteOrder.BIG else "least"
            reason = f"read as {end} significant byte first; some take it for the other"
            self.ledger.lose("BYTE_ORDER", given, reason, self.description.place)
        if mask is not None:
            if not 0 < mask < 1 << 8 * number_type.size:
                raise LostError(f"BIT_MASK 0x{max(mask, 0):X} does not fit {spot.type}")
            if mask == (1 << 8 * number_type.size) - 1:
                mask = None
            elif number_type.kind != "u":
                raise LostError(f"a BIT_MASK of {spot.type} is not covered")
        return Storage(number_type, order, spot.stride, mask)


def size_of(type_name: str) -> int:
    """The bytes of one of the standard's types."""
    if type_name not in _SIZES:
        raise LostError(f"the type {type_name[:40]} is not covered")
    return _SIZES[type_name]


def _whole(word: str) -> int:
    try:
        return max(int(word, 16) if word[:2].lower() == "0x" else int(word), 0)
    except ValueError:
        raise LostError(f"{word[:40]!r} stands where a whole number belongs") from None


def _up(address: int, border: int) -> int:
    """The next address that the border divides."""
    return -(-address // border) * border
