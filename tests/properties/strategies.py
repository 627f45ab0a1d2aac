"""Small valid definitions of every kind, as XML and as a plain account of what lies where.

The account is made beside the XML and without callint: cells are read and written with ``struct``, physical
values worked out in fractions, checksums added up or taken from the standard library.
"""

from __future__ import annotations

import binascii
import struct
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from typing import TypeVar
from xml.sax.saxutils import escape, quoteattr

from hypothesis import strategies as st

from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import Layout, make_layout
from callint.model.definition import Definition
from callint.model.image import Image
from tests.building import read
from tests.example_counts import KEPT_DEFINITIONS, drawn

_FORMATS = {
    "uint8": "B",
    "int8": "b",
    "uint16": "H",
    "int16": "h",
    "uint32": "I",
    "int32": "i",
    "uint64": "Q",
    "int64": "q",
    "float16": "e",
    "float32": "f",
    "float64": "d",
}
_SIGNALS = {"speed": "rpm", "load": "mg"}


def attributes(**pairs: object) -> str:
    """XML attributes; those that are None are left out."""
    return "".join(
        f" {name.rstrip('_').replace('_', '-')}={quoteattr(str(value))}"
        for name, value in pairs.items()
        if value is not None
    )


# How numbers lie


@dataclass(frozen=True)
class Cells:
    """How the numbers of a table or axis are stored."""

    type: str
    order: str
    stride: int
    mask: int | None = None

    @property
    def size(self) -> int:
        return struct.calcsize(f"={_FORMATS[self.type]}")

    @property
    def is_integer(self) -> bool:
        return not self.type.startswith("float")

    @property
    def shift(self) -> int:
        return 0 if self.mask is None else (self.mask & -self.mask).bit_length() - 1

    @property
    def width(self) -> int:
        """How many bits a raw value has at most."""
        return 8 * self.size if self.mask is None else (self.mask >> self.shift).bit_length()

    def can_be(self, bits: int) -> bool:
        """Whether these are bits of a raw value: a mask may have holes."""
        return self.mask is None or not (bits << self.shift) & ~self.mask

    def bits(self, data: bytes | bytearray, place: int) -> int:
        """The raw value at a place as a whole number of its bits, masked and shifted down."""
        stored = self._number(data[place : place + self.size])
        return stored if self.mask is None else (stored & self.mask) >> self.shift

    def put(self, data: bytearray, place: int, bits: int) -> None:
        """Store a raw value; bits outside the mask stay."""
        if self.mask is not None:
            stored = self._number(data[place : place + self.size])
            bits = (stored & ~self.mask) | (bits << self.shift & self.mask)
        content = bits.to_bytes(self.size, "big" if self.order.startswith("big") else "little")
        data[place : place + self.size] = self._words(content)

    def _number(self, content: bytes | bytearray) -> int:
        return int.from_bytes(self._words(content), "big" if self.order.startswith("big") else "little")

    def _words(self, content: bytes | bytearray) -> bytes:
        """The bytes, their 16-bit words in the opposite order if that is how they lie."""
        if not self.order.endswith("swapped") or self.size < 4:
            return bytes(content)
        words = struct.unpack(f"{self.size // 2 * '2s'}", content)
        return b"".join(reversed(words))

    def number(self, bits: int) -> int | float:
        """The raw value that these bits are."""
        form = "B" if self.mask is not None else _FORMATS[self.type]
        if self.mask is not None:
            return bits
        value: int | float = struct.unpack(f">{form}", bits.to_bytes(self.size, "big"))[0]
        return value

    def bits_of(self, number: float) -> int:
        """The bits of a raw value."""
        if self.mask is not None:
            return int(number)
        return int.from_bytes(struct.pack(f">{_FORMATS[self.type]}", number), "big")

    @property
    def xml(self) -> str:
        stride = None if self.stride == self.size else self.stride
        mask = None if self.mask is None else hex(self.mask)
        return attributes(type=self.type, byte_order=self.order, stride=stride, mask=mask)


# How they are converted


@dataclass(frozen=True)
class Linear:
    """physical = raw * factor + offset."""

    name: str
    factor: Fraction
    offset: Fraction
    decimals: int | None

    @property
    def xml(self) -> str:
        more = attributes(factor=_decimal(self.factor), offset=_decimal(self.offset), decimals=self.decimals)
        return f'<linear name="{self.name}" unit="mg"{more}/>'

    def physical(self, raw: Fraction) -> Fraction | None:
        return raw * self.factor + self.offset

    def raw(self, physical: Fraction) -> Fraction | None:
        return (physical - self.offset) / self.factor

    def slack(self, raw: Fraction) -> Fraction:
        """How large the numbers are that a physical value is put together from."""
        return abs(raw * self.factor) + abs(self.offset)


@dataclass(frozen=True)
class Quotient:
    """raw = c / (e p + f), one of the forms that a rational conversion has."""

    name: str
    c: int
    e: int
    f: int

    @property
    def xml(self) -> str:
        numbers = attributes(a=0, b=0, c=self.c, d=0, e=self.e, f=self.f)
        return f'<rational name="{self.name}" unit="mg"{numbers}/>'

    def physical(self, raw: Fraction) -> Fraction | None:
        return (Fraction(self.c) / raw - self.f) / self.e if raw else None

    def raw(self, physical: Fraction) -> Fraction | None:
        below = self.e * physical + self.f
        return self.c / below if below else None

    def slack(self, raw: Fraction) -> Fraction:
        return (abs(Fraction(self.c) / raw) + abs(self.f)) / self.e if raw else Fraction(0)


@dataclass(frozen=True)
class Named:
    """Raw values with names; the raw value is the physical one."""

    name: str
    names: Mapping[int, str]

    @property
    def xml(self) -> str:
        states = "".join(f'<state raw="{raw}">{escape(word)}</state>' for raw, word in self.names.items())
        return f'<states name="{self.name}">{states}</states>'

    def physical(self, raw: Fraction) -> Fraction | None:
        return raw

    def raw(self, physical: Fraction) -> Fraction | None:
        return physical

    def slack(self, raw: Fraction) -> Fraction:
        return abs(raw)


@dataclass(frozen=True)
class Pointwise:
    """Straight lines between points, held at the ends; both columns rise."""

    name: str
    points: tuple[tuple[int, Fraction], ...]

    @property
    def xml(self) -> str:
        points = "".join(f'<point raw="{raw}" physical="{_decimal(value)}"/>' for raw, value in self.points)
        return f'<interpolated name="{self.name}" unit="mg">{points}</interpolated>'

    def physical(self, raw: Fraction) -> Fraction | None:
        return _between([(Fraction(item), value) for item, value in self.points], raw)

    def raw(self, physical: Fraction) -> Fraction | None:
        return _between([(value, Fraction(item)) for item, value in self.points], physical)

    def slack(self, raw: Fraction) -> Fraction:
        return max(abs(value) for _, value in self.points)


def _between(points: Sequence[tuple[Fraction, Fraction]], at: Fraction) -> Fraction:
    if at <= points[0][0]:
        return points[0][1]
    for (low, below), (high, above) in pairwise(points):
        if at <= high:
            return below + (above - below) * (at - low) / (high - low)
    return points[-1][1]


Conversion = Linear | Quotient | Named | Pointwise

#: What a table without a conversion has.
PLAIN = Linear("", Fraction(1), Fraction(0), None)


def _decimal(number: Fraction) -> str:
    """A decimal fraction as it is written, with every digit."""
    places = 0
    while (number * 10**places).denominator != 1:
        places += 1
    digits = str(abs(int(number * 10**places))).rjust(places + 1, "0")
    text = f"{digits[:-places]}.{digits[-places:]}" if places else digits
    return f"-{text}" if number < 0 else text


# What lies where


@dataclass(frozen=True)
class Item:
    """A table or a stored axis; ``demands`` are the elements in it that ask something of its cells.

    ``falling`` has the ways, x and y, along which the last cell comes first in memory.
    """

    name: str
    kind: str
    at: int
    cells: Cells
    conversion: Conversion | None
    columns: int = 1
    rows: int = 1
    y_first: bool = False
    axes: tuple[str, ...] = ()
    purpose: str = "general"
    title: str = "T"
    demands: str = ""
    off: int | None = None
    count_at: int | None = None
    falling: str = ""

    @property
    def places(self) -> list[tuple[int, int]]:
        """X and y of every cell, x fastest."""
        return [(x, y) for y in range(self.rows) for x in range(self.columns)]

    def address(self, x: int, y: int) -> int:
        x = self.columns - 1 - x if "x" in self.falling else x
        y = self.rows - 1 - y if "y" in self.falling else y
        number = x * self.rows + y if self.y_first else y * self.columns + x
        return self.at + number * self.cells.stride

    @property
    def end(self) -> int:
        return self.at + (self.rows * self.columns - 1) * self.cells.stride + self.cells.size

    def physical(self, bits: int) -> Fraction | None:
        """The exact physical value of a raw one; None where it has none."""
        number = self.cells.number(bits)
        if number != number or number in (float("inf"), float("-inf")):
            return None
        return (self.conversion or PLAIN).physical(Fraction(number))

    @property
    def xml(self) -> str:
        conversion = self.conversion.name if self.conversion else None
        where = attributes(at=hex(self.at), conversion=conversion) + self.cells.xml
        if self.kind == "axis":
            counted = None if self.count_at is None else hex(self.count_at)
            more = attributes(count=self.columns, count_at=counted, order="falling" if self.falling else None)
            return f'<axis name="{self.name}" signal="{self.axes[0]}"{where}{more}/>'
        head = attributes(name=self.name, title=self.title, purpose=self.purpose)
        order = ' order="y-first"' if self.y_first else ""
        inside = "".join(f'<{way} axis="{axis}"/>' for way, axis in zip("xy", self.axes, strict=False))
        return f"<{self.kind}{head}{where}{order}>{inside}{self.demands}</{self.kind}>"


@dataclass(frozen=True)
class Text:
    name: str
    at: int
    length: int
    encoding: str

    @property
    def xml(self) -> str:
        return (
            f'<text name="{self.name}" title="A text" purpose="general" at="{self.at}" '
            f'length="{self.length}" encoding="{self.encoding}"/>'
        )


@dataclass(frozen=True)
class Sum:
    """A stored checksum; ``word`` is 1 or 2 bytes, which a sum adds up."""

    name: str
    algorithm: str
    start: int
    size: int
    at: int
    order: str
    complement: str | None
    word: int = 1

    @property
    def width(self) -> int:
        return {"sum8": 8, "xor8": 8, "sum16": 16, "CRC-16/XMODEM": 16}.get(self.algorithm, 32)

    @property
    def xml(self) -> str:
        word = "uint16" if self.word == 2 else None
        pairs = attributes(
            name=self.name,
            algorithm=self.algorithm,
            start=self.start,
            size=self.size,
            stored_at=self.at,
            byte_order=self.order,
            complement=self.complement,
            word=word,
        )
        return f"<checksum{pairs}/>"

    def value(self, data: bytes | bytearray, start: int) -> int:
        """What it should be in an image that begins at ``start``."""
        covered = bytes(data[self.start - start : self.start - start + self.size])
        match self.algorithm:
            case "xor8":
                result = 0
                for byte in covered:
                    result ^= byte
            case "CRC-32/ISO-HDLC":
                result = zlib.crc32(covered)
            case "CRC-16/XMODEM":
                result = binascii.crc_hqx(covered, 0)
            case _:
                order, word = ">" if self.order == "big" else "<", "BH"[self.word - 1]
                values: tuple[int, ...] = struct.unpack(f"{order}{len(covered) // self.word}{word}", covered)
                result = sum(values) & (1 << self.width) - 1
        modulus = 1 << self.width
        if self.complement == "ones":
            return modulus - 1 - result
        return -result % modulus if self.complement == "twos" else result

    def stored(self, data: bytes | bytearray, start: int) -> int:
        held = data[self.at - start : self.at - start + self.width // 8]
        return int.from_bytes(held, "big" if self.order == "big" else "little")

    def seal(self, data: bytearray, start: int) -> None:
        content = self.value(data, start).to_bytes(
            self.width // 8, "big" if self.order == "big" else "little"
        )
        data[self.at - start : self.at - start + len(content)] = content


@dataclass(frozen=True)
class Reference:
    """A definition, and what it says in plain words.

    ``head`` is what stands in it before the axes; ``sums`` come in the order in which they are computed.
    """

    start: int
    size: int
    order: str
    head: str
    axes: tuple[Item, ...]
    fixed: Mapping[str, str]
    tables: tuple[Item, ...]
    texts: tuple[Text, ...]
    sums: tuple[Sum, ...]
    identity: bytes
    identity_at: int
    relations: str

    def xml(self, leave_out: str = "", turned: bool = False) -> bytes:
        """The file, without the table of that name; ``turned`` gives the tables in the opposite order."""
        every: list[Item | Text] = [*self.tables, *self.texts]
        tables = [item.xml for item in every if item.name != leave_out]
        rows = "\n    ".join(reversed(tables) if turned else tables)
        axes = "\n    ".join([*(axis.xml for axis in self.axes), *self.fixed.values()])
        relations = "" if leave_out else f"<relations>{self.relations}</relations>"
        return (
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            '<definition xmlns="urn:callint:definition:1" name="world" '
            f'revision="1" byte-order="{self.order}">\n  {self.head}\n  <axes>\n    {axes}\n  </axes>\n'
            f"  <tables>\n    {rows}\n  </tables>\n  {relations}\n</definition>\n"
        ).encode()

    @cached_property
    def definition(self) -> Definition:
        return read(self.xml())

    @cached_property
    def layout(self) -> Layout:
        return make_layout(self.definition)

    def image(self, data: bytes) -> Image:
        return Image.raw(data, self.start)

    def decoded(self, data: bytes) -> Decoded:
        return decode(self.layout, self.image(data))

    @property
    def items(self) -> tuple[Item, ...]:
        return (*self.axes, *self.tables)

    @cached_property
    def by_name(self) -> dict[str, Item]:
        return {item.name: item for item in self.items}

    @cached_property
    def every_cell(self) -> list[tuple[Item, int, int]]:
        """Every cell of the tables."""
        return [(item, x, y) for item in self.tables for x, y in item.places]

    def bits(self, data: bytes | bytearray, item: Item, x: int, y: int) -> int:
        return item.cells.bits(data, item.address(x, y) - self.start)

    def put(self, data: bytearray, item: Item, x: int, y: int, bits: int) -> None:
        item.cells.put(data, item.address(x, y) - self.start, bits)

    def sealed(self, data: bytes | bytearray) -> bytes:
        new = bytearray(data)
        for checksum in self.sums:
            checksum.seal(new, self.start)
        return bytes(new)

    def is_sealed(self, data: bytes) -> bool:
        return all(
            checksum.value(data, self.start) == checksum.stored(data, self.start) for checksum in self.sums
        )


# Strategies

T = TypeVar("T")

# Drawing takes most of the time of the properties, and Hypothesis checks every strategy that is made anew: so
# they are made once. It keeps those with the same integers, and the same tuples, by itself.
_SCALES = st.sampled_from((1, 10, 100, 1000))
_DECIMALS = st.builds(Fraction, st.integers(-9999, 9999), _SCALES)
_POSITIVE_DECIMALS = st.builds(Fraction, st.integers(1, 9999), _SCALES)
_PLACES = st.none() | st.integers(0, 3)
_ORDERS = st.sampled_from(("big", "little"))
_CELL_ORDERS = st.sampled_from(("big", "little", "big", "little", "big-word-swapped", "little-word-swapped"))


def _any_of(draw: st.DrawFn, choices: Sequence[T]) -> T:
    """One of several things: ``sampled_from`` for those that are different for every definition."""
    return choices[draw(st.integers(0, len(choices) - 1))]


def _conversions(draw: st.DrawFn) -> list[Conversion]:
    raws = sorted(draw(st.sets(st.integers(-40, 260), min_size=2, max_size=4)))
    values = sorted(draw(st.sets(_DECIMALS, min_size=len(raws), max_size=len(raws))))
    return [
        Linear("rising", draw(_POSITIVE_DECIMALS), draw(_DECIMALS), draw(_PLACES)),
        Linear("falling", -draw(_POSITIVE_DECIMALS), draw(_DECIMALS), draw(_PLACES)),
        Quotient(
            "quotient", draw(st.integers(1, 9999)), draw(st.integers(1, 99)), draw(st.integers(-99, 99))
        ),
        Named("switch", {0: "off", 1: "on & <ready>", draw(st.integers(2, 99)): "bereit für See"}),
        Pointwise("points", tuple(zip(raws, values, strict=True))),
    ]


def _cells(draw: st.DrawFn, can_mask: bool, types: Sequence[str] = tuple(_FORMATS)) -> Cells:
    kind = draw(st.sampled_from(types))
    size = struct.calcsize(f"={_FORMATS[kind]}")
    mask = None
    if can_mask and kind.startswith("u") and draw(st.integers(0, 3)) == 0:
        mask = draw(st.integers(1, 2 ** (8 * size) - 1))
    return Cells(kind, draw(_CELL_ORDERS), size + draw(st.sampled_from((0, 0, 0, 1, 3))), mask)


def _demands(
    draw: st.DrawFn, kind: str, cells: Cells, conversion: Conversion | None
) -> tuple[str, int | None]:
    """The demands of a table in the order of the schema, and its off code."""
    parts, off = [], None
    for element in ("limits", "expected"):
        if draw(st.booleans()):
            low, high = sorted([draw(_DECIMALS), draw(_DECIMALS)])
            parts.append(f"<{element}{attributes(min=_decimal(low), max=_decimal(high))}/>")
    if cells.is_integer and draw(st.booleans()):
        off = draw(st.integers(0, min(127, cells.mask >> cells.shift if cells.mask is not None else 127)))
        allowed = draw(st.sampled_from(("anywhere", "outside-operating", "nowhere")))
        parts.append(f"<off{attributes(raw=off, allowed=allowed)}/>")
    ways = {"scalar": "", "curve": "x", "map": "xy"}[kind]
    for along in ways:
        if draw(st.integers(0, 2)) == 0:
            direction = draw(st.sampled_from(("rising", "falling")))
            parts.append(f"<monotonic{attributes(along=along, direction=direction)}/>")
    for along in ways:
        if draw(st.integers(0, 2)) == 0:
            parts.append(f"<gradient{attributes(along=along, max=_decimal(draw(_POSITIVE_DECIMALS)))}/>")
    if draw(st.integers(0, 2)) == 0:
        parts.append(f"<change{attributes(max=_decimal(draw(_POSITIVE_DECIMALS)))}/>")
    if draw(st.booleans()):
        guards = [f'<guard above="{_decimal(draw(_DECIMALS))}"/>', '<guard flat="true"/>', '<guard raw="0"/>']
        if isinstance(conversion, Named):
            guards.append('<guard state="off"/>')
        parts.append(_any_of(draw, guards))
    return "".join(parts), off


class _Memory:
    """Hands out addresses, one thing behind the other with gaps now and then."""

    def __init__(self, draw: st.DrawFn, start: int) -> None:
        self.draw, self.next = draw, start

    def take(self, size: int) -> int:
        at = self.next + self.draw(st.sampled_from((0, 0, 0, 1, 5)))
        self.next = at + size
        return at

    def lay(self, item: Item) -> Item:
        """An item of which only the address is missing."""
        at = self.take(item.end - item.at)
        return Item(**{**item.__dict__, "at": at})


@st.composite
def new_references(draw: st.DrawFn) -> Reference:
    """A definition of a few hundred bytes with all that the format has."""
    start = draw(st.sampled_from((0, 0x100, 0x8000, 0xFFF0, 0x8000_0000)))
    memory = _Memory(draw, start)
    identity = draw(st.sampled_from((b"SK28-01", b"YARD", bytes((0, 255, 7)))))
    identity_at = memory.take(len(identity))
    conversions = _conversions(draw)
    axes, fixed = _axes(draw, memory, conversions)
    tables = _tables(draw, memory, conversions, axes, fixed)
    texts = tuple(
        Text(
            f"text_{number}",
            memory.take(length),
            length,
            draw(st.sampled_from(("ascii", "latin-1", "utf-8"))),
        )
        for number, length in enumerate(draw(st.lists(st.integers(1, 9), max_size=2)))
    )
    calibration = memory.next - start
    sums = tuple(_sums(draw, memory, start))
    size = memory.next - start + draw(st.integers(0, 9))
    held = identity.decode() if identity.isascii() and identity.isalnum() else None
    named = attributes(text=held, bytes=None if held else identity.hex())
    fill = draw(st.sampled_from((None, "0x00")))
    parts = [
        f'<region name="calibration" start="{start}" size="{calibration}"/>',
        f'<region name="rest" start="{start + calibration}" size="{max(1, size - calibration)}"/>',
        f'<identity name="software" at="{identity_at}"{named}/>',
        *(checksum.xml for checksum in sums),
    ]
    signals = "".join(
        f'<signal name="{name}" unit="{unit}" plausible="-100000 100000" operating="10 200">{name}</signal>'
        for name, unit in _SIGNALS.items()
    )
    head = (
        "<title>A world &amp; its boats</title>\n"
        f"  <memory{attributes(start=hex(start), size=size, fill=fill)}>"
        f"{''.join(parts)}</memory>\n  <signals>{signals}</signals>\n"
        f"  <conversions>{''.join(conversion.xml for conversion in conversions)}</conversions>"
    )
    relations = ""
    if len(tables) > 1 and draw(st.booleans()):
        item, other = draw(st.permutations([table.name for table in tables]))[:2]
        kinds = [
            f'<at-most table="{item}" bound="{other}"/>',
            f'<equal table="{item}" mirror="{other}"/>',
            f'<gap upper="{item}" lower="{other}" min="1"/>',
        ]
        relations = _any_of(draw, kinds)
    order = draw(_ORDERS)
    return Reference(
        start, size, order, head, axes, fixed, tables, texts, sums, identity, identity_at, relations
    )


def references() -> st.SearchStrategy[Reference]:
    """Definitions: in the suite those that are kept, as drawing them would take half of the time.

    Nothing that callint works out is kept with them, so a property reads each definition itself.
    """
    if not _KEPT:
        return new_references()
    return st.integers(0, len(_KEPT) - 1).map(lambda number: replace(_KEPT[number]))


def _axes(
    draw: st.DrawFn, memory: _Memory, conversions: Sequence[Conversion]
) -> tuple[tuple[Item, ...], dict[str, str]]:
    rising = conversions[0]
    stored, fixed = [], {}
    for number in range(draw(st.integers(1, 3))):
        cells = _cells(draw, False, ("uint8", "uint16", "int16", "uint32", "float16", "float32", "float64"))
        signal = draw(st.sampled_from(tuple(_SIGNALS)))
        conversion = _any_of(draw, [None, rising])
        count_at = memory.take(1) if draw(st.integers(0, 2)) == 0 else None
        falling = draw(st.sampled_from(("", "", "x")))
        item = Item(
            f"axis_{number}",
            "axis",
            0,
            cells,
            conversion,
            draw(st.integers(1, 5)),
            axes=(signal,),
            falling=falling,
        )
        stored.append(memory.lay(Item(**{**item.__dict__, "count_at": count_at})))
    if draw(st.booleans()):
        values = sorted(draw(st.sets(_DECIMALS, min_size=1, max_size=4)))
        written = " ".join(_decimal(value) for value in values)
        order = draw(st.sampled_from(("", "", ' order="falling"')))
        fixed[f"fixed_{len(values)}"] = (
            f'<fixed-axis name="fixed_{len(values)}" signal="load" values="{written}"{order}/>'
        )
    return tuple(stored), fixed


def _tables(
    draw: st.DrawFn,
    memory: _Memory,
    conversions: Sequence[Conversion],
    axes: Sequence[Item],
    fixed: Mapping[str, str],
) -> tuple[Item, ...]:
    counts = {axis.name: axis.columns for axis in axes} | {name: int(name[-1]) for name in fixed}
    purposes = st.sampled_from(("protection", "emissions", "demand", "correction", "diagnosis", "general"))
    titles = st.sampled_from(("Fuel", 'A & B <"quoted">', "Überhöhe, µm"))
    turned = {axis.name for axis in axes if axis.falling}
    turned |= {name for name, xml in fixed.items() if "falling" in xml}
    tables: list[Item] = []
    for number in range(draw(st.integers(1, 4))):
        kind = draw(st.sampled_from(("scalar", "curve", "map")))
        on = tuple(_any_of(draw, list(counts)) for _ in {"scalar": "", "curve": "x", "map": "xy"}[kind])
        cells, conversion = _cells(draw, True), _any_of(draw, [None, *conversions])
        demands, off = _demands(draw, kind, cells, conversion)
        item = Item(
            f"table_{number}",
            kind,
            0,
            cells,
            conversion,
            columns=counts[on[0]] if on else 1,
            falling="".join(way for way, axis in zip("xy", on, strict=False) if axis in turned),
            rows=counts[on[1]] if len(on) > 1 else 1,
            y_first=kind == "map" and draw(st.booleans()),
            axes=on,
            purpose=draw(purposes),
            title=draw(titles),
            demands=demands,
            off=off,
        )
        tables.append(memory.lay(item))
    if draw(st.booleans()):
        # Two scalars that share one byte.
        at, mask = memory.take(1), draw(st.integers(1, 254))
        for name, bits in (("flag_a", mask), ("flag_b", 0xFF & ~mask)):
            tables.append(Item(name, "scalar", at, Cells("uint8", "big", 1, bits), None))
    return tuple(tables)


def _sums(draw: st.DrawFn, memory: _Memory, start: int) -> Iterator[Sum]:
    """Checksums of which each covers the ones before it."""
    for number in range(draw(st.integers(0, 2))):
        algorithm = draw(
            st.sampled_from(("sum8", "sum16", "sum32", "xor8", "CRC-32/ISO-HDLC", "CRC-16/XMODEM"))
        )
        word = draw(st.sampled_from((1, 2))) if algorithm.startswith("sum") else 1
        size = (memory.next - start) // word * word
        complement = draw(st.sampled_from((None, "ones", "twos")))
        made = Sum(f"sum {number}", algorithm, start, size, 0, draw(_ORDERS), complement, word)
        yield Sum(**{**made.__dict__, "at": memory.take(made.width // 8)})


@st.composite
def images(draw: st.DrawFn, reference: Reference) -> bytes:
    """A whole image of a world's software with valid checksums, its axes rising in most of them."""
    data = bytearray(draw(st.binary(min_size=reference.size, max_size=reference.size)))
    place = reference.identity_at - reference.start
    data[place : place + len(reference.identity)] = reference.identity
    for axis in reference.axes:
        if axis.count_at is not None:
            data[axis.count_at - reference.start] = axis.columns
        if draw(st.integers(0, 4)):
            first = draw(st.integers(0, 40))
            for x in range(axis.columns):
                first += draw(st.integers(1, 30))
                reference.put(data, axis, x, 0, axis.cells.bits_of(first))
    for table in reference.tables:
        if not table.cells.is_integer and draw(st.booleans()):
            # Random bytes are hardly ever a zero, of which floats have two.
            for x, y in table.places:
                reference.put(data, table, x, y, _any_of(draw, _odd(table)))
    return reference.sealed(data)


def _odd(item: Item) -> list[int]:
    """Floats that compare in ways of their own: both zeros, numbers that are none, infinity."""
    result = [item.cells.bits_of(number) for number in (0.0, -0.0, float("nan"), float("inf"))]
    return [*result, result[2] + 1]


def raws(item: Item) -> st.SearchStrategy[int]:
    """Raw values of an item, as their bits."""
    every = st.integers(0, 2**item.cells.width - 1)
    if not item.cells.is_integer:
        return every | st.sampled_from(_odd(item))
    if item.cells.mask is None:
        return every
    return every.map(lambda bits: (bits << item.cells.shift & (item.cells.mask or 0)) >> item.cells.shift)


@st.composite
def edits(draw: st.DrawFn, reference: Reference, most: int = 5) -> dict[tuple[str, int, int], int]:
    """New raw values for some cells of tables: name, x and y of each, and its bits."""
    chosen = draw(
        st.lists(
            st.sampled_from(reference.every_cell), max_size=most, unique_by=lambda c: (c[0].name, *c[1:])
        )
    )
    return {(item.name, x, y): draw(raws(item)) for item, x, y in chosen}


def edited(reference: Reference, data: bytes, changes: Mapping[tuple[str, int, int], int]) -> bytes:
    """An image with other cells, its checksums right again."""
    new = bytearray(data)
    for (name, x, y), bits in changes.items():
        reference.put(new, reference.by_name[name], x, y, bits)
    return reference.sealed(new)


@st.composite
def reworks(draw: st.DrawFn, reference: Reference, data: bytes) -> bytes:
    """An image with edits of every kind: cells, breakpoints, texts and bytes that nothing describes."""
    new = bytearray(edited(reference, data, draw(edits(reference))))
    for axis in reference.axes:
        if draw(st.integers(0, 3)) == 0:
            reference.put(new, axis, draw(st.integers(0, axis.columns - 1)), 0, draw(raws(axis)))
    for text in reference.texts:
        if draw(st.integers(0, 2)) == 0:
            place = text.at - reference.start
            new[place : place + text.length] = draw(st.binary(min_size=text.length, max_size=text.length))
    if draw(st.integers(0, 3)) == 0:
        new[-1] ^= draw(st.integers(1, 255))
    return reference.sealed(new)


@st.composite
def pairs(draw: st.DrawFn) -> tuple[Reference, bytes, bytes]:
    """A world, a base and a rework of it."""
    reference = draw(references())
    base = draw(images(reference))
    return reference, base, draw(reworks(reference, base))


#: The definitions that all properties of the suite share, drawn once per process.
_KEPT = drawn(new_references(), KEPT_DEFINITIONS)
