"""Decoding against the standard library's ``struct``: two's complement and IEEE 754."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import make_layout
from callint.model.image import Image, Segment
from tests.building import decoded, definition_xml, read
from tests.example_counts import examples

#: The letters of ``struct`` for the storage types.
LETTERS = {
    "uint8": "B",
    "int8": "b",
    "uint16": "H",
    "int16": "h",
    "uint32": "I",
    "int32": "i",
    "uint64": "Q",
    "int64": "q",
    "float32": "f",
    "float64": "d",
}
UNSIGNED = ("uint8", "uint16", "uint32", "uint64")
SIZE = 400
STARTS = (0, 1, 0x40000, 2**32 - 7, 2**40 + 3)


def size_of(type_name: str) -> int:
    return struct.calcsize(f"<{LETTERS[type_name]}")


@dataclass(frozen=True)
class Layout:
    """A table or stored axis as the definition says it; ``offset`` counts from the memory's start."""

    type: str
    order: str | None
    offset: int
    stride: int
    columns: int = 1
    rows: int = 1
    mask: int | None = None
    y_first: bool = False
    kind: str = "scalar"

    def addresses(self) -> list[int]:
        """Where the cells lie, x fastest, counted from the memory's start."""
        return [
            self.offset + self.stride * (x * self.rows + y if self.y_first else y * self.columns + x)
            for y in range(self.rows)
            for x in range(self.columns)
        ]

    def attributes(self, start: int) -> str:
        result = f'at="{start + self.offset}" type="{self.type}" stride="{self.stride}"'
        if self.order:
            result += f' byte-order="{self.order}"'
        if self.mask:
            result += f' mask="{self.mask:#x}"'
        return result + (' order="y-first"' if self.y_first else "")

    def xml(self, name: str, start: int) -> str:
        """The element; its axes are fixed ones of its own."""
        axes = "".join(
            f'<{axis}><fixed-axis signal="speed" count="{count}" start="0" step="1"/></{axis}>'
            for axis, count in (("x", self.columns), ("y", self.rows))
        )
        axes = {"scalar": "", "curve": axes.partition("<y>")[0], "map": axes}[self.kind]
        place = self.attributes(start)
        return f'<{self.kind} name="{name}" title="T" purpose="general" {place}>{axes}</{self.kind}>'

    def format(self, default: str) -> str:
        order = self.order or default
        return (">" if order == "big" else "<") + LETTERS[self.type]

    def raw(self, data: bytes, address: int, default: str) -> int | float:
        """The number at an address, by ``struct``."""
        number: int | float = struct.unpack_from(self.format(default), data, address)[0]
        if self.mask is None:
            return number
        assert isinstance(number, int)
        return sum(
            (number >> bit & 1) << (bit - lowest_bit(self.mask))
            for bit in range(8 * size_of(self.type))
            if self.mask >> bit & 1
        )

    def bits(self, data: bytes, address: int, default: str) -> int:
        """The stored bits of the number as a whole number; floats included, NaN payloads and all."""
        size = size_of(self.type)
        return int.from_bytes(
            data[address : address + size], "big" if self.format(default)[0] == ">" else "little"
        )


def lowest_bit(mask: int) -> int:
    return next(bit for bit in range(64) if mask >> bit & 1)


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    """Any table: any type, order and kind, anywhere in the memory, aligned or not."""
    kind = draw(st.sampled_from(["scalar", "curve", "map"]))
    type_name = draw(st.sampled_from(sorted(LETTERS)))
    size = size_of(type_name)
    stride = size + draw(st.sampled_from([0, 0, 1, 2, 5]))
    # Maps of a few cells and of some hundred, which are read in another way.
    columns = 1 if kind == "scalar" else draw(st.integers(1, 5) | st.integers(1, 30))
    columns = min(columns, SIZE // stride)
    rows = min(draw(st.integers(1, 5) | st.integers(1, 30)), SIZE // (stride * columns))
    rows = rows if kind == "map" else 1
    # A mask in one piece or with holes: the bits between its ends belong to the raw value's place.
    mask = draw(st.none() | st.integers(1, 2 ** (8 * size) - 1)) if type_name in UNSIGNED else None
    return Layout(
        type=type_name,
        order=draw(st.sampled_from([None, "big", "little"])),
        offset=draw(st.integers(0, SIZE - stride * columns * rows)),
        stride=stride,
        columns=columns,
        rows=rows,
        mask=mask,
        y_first=kind == "map" and draw(st.booleans()),
        kind=kind,
    )


def memory_bytes() -> st.SearchStrategy[bytes]:
    """Random content of the whole memory, in part from the numbers where types end."""
    edges = st.sampled_from(
        [
            bytes(8),
            b"\xff" * 8,
            b"\x80" + bytes(7),
            b"\x7f" + b"\xff" * 7,
            bytes(7) + b"\x80",
            b"\x7f\xc0" * 4,
            b"\x7f\xa0" * 4,
            b"\x7f\x80" + bytes(6),
            b"\x7f\xf0" + bytes(6),
            b"\x00\x01" * 4,
        ]
    )
    pieces = st.lists(edges | st.binary(min_size=8, max_size=8), min_size=10, max_size=10)
    return pieces.map(lambda result: (b"".join(result) * (SIZE // 80 + 1))[:SIZE])


def same(value: float, other: float) -> bool:
    """Whether two numbers are equal, NaN being equal to NaN."""
    return value == other or (math.isnan(value) and math.isnan(other))


def one_scalar(type_name: str, content: bytes, order: str = "big") -> Decoded:
    """A memory that holds one number."""
    table = Layout(type_name, order, 0, len(content))
    return decoded(definition_xml(table.xml("t", 0), size=len(content)), content)


@given(
    items=st.lists(layouts(), min_size=1, max_size=6),
    data=memory_bytes(),
    start=st.sampled_from(STARTS),
    default=st.sampled_from(["big", "little"]),
)
@examples(60)
def test_every_number_of_a_definition_decodes_as_struct_reads_it(
    items: list[Layout], data: bytes, start: int, default: str
) -> None:
    tables = "".join(item.xml(f"t{number}", start) for number, item in enumerate(items))
    image = decoded(definition_xml(tables, start=start, size=SIZE, byte_order=default), data)
    for number, item in enumerate(items):
        grid = image.grid(image.layout.definition.tables[f"t{number}"])
        assert grid.raw.shape == grid.physical.shape == (item.rows, item.columns)
        assert grid.raw.dtype == np.dtype(LETTERS[item.type])
        assert grid.present.all() and not grid.off.any()
        bits = grid.raw.view(f"u{size_of(item.type)}").ravel().tolist()
        for cell, address in enumerate(item.addresses()):
            expected = item.raw(data, address, default)
            if item.mask is None:
                assert bits[cell] == item.bits(data, address, default)
            assert same(grid.raw.ravel()[cell].item(), expected)
            assert same(float(grid.physical.ravel()[cell]), float(expected))
            first = int(image.layout.first[image.layout.table_items[f"t{number}"]])
            assert image.layout.address[first + cell] == start + address
            assert same(image.raw_at(first + cell), expected)


#: Factor and offset as a definition writes them.
LINEAR = {
    "tenths": ("0.1", "-40"),
    "whole": ("1", "0"),
    "quarters": ("0.25", "0.5"),
    "little": ("0.003", "7"),
}


@given(
    tables=st.lists(st.tuples(st.sampled_from(sorted(LINEAR)), st.integers(1, 700)), min_size=1, max_size=12),
    seed=st.integers(0, 2**32 - 1),
)
@examples(30)
def test_each_cell_is_converted_by_the_conversion_of_its_table(
    tables: list[tuple[str, int]], seed: int
) -> None:
    conversions = "".join(
        f'<linear name="{name}" unit="1" factor="{factor}" offset="{offset}"/>'
        for name, (factor, offset) in LINEAR.items()
    )
    at, text = 0, ""
    for number, (name, count) in enumerate(tables):
        axis = f'<x><fixed-axis signal="speed" count="{count}" start="0" step="1"/></x>'
        place = f'at="{at}" type="uint16" conversion="{name}"'
        text += f'<curve name="t{number}" title="T" purpose="general" {place}>{axis}</curve>'
        at += 2 * count
    data = np.random.default_rng(seed).bytes(at)
    image = decoded(definition_xml(text, conversions=conversions, size=at), data)
    stored = iter(struct.unpack(f">{at // 2}H", data))
    for number, (name, count) in enumerate(tables):
        factor, offset = map(Fraction, LINEAR[name])
        values = image.grid(image.layout.definition.tables[f"t{number}"]).physical.ravel().tolist()
        # The double nearest to the exact value.
        assert values == [float(raw * factor + offset) for raw in islice(stored, count)]


def test_an_image_that_lacks_part_of_what_lies_behind_one_another_gives_the_rest() -> None:
    table = Layout("uint16", "big", 0, 2, 40, 5, kind="map")
    xml = definition_xml(table.xml("t", 0), size=400)
    data = np.random.default_rng(1).bytes(400)
    layout, numbers = make_layout(read(xml)), np.array(struct.unpack(">200H", data))
    for image in (Image.raw(data[:300]), Image((Segment(0, data[:300]), Segment(310, data[310:])))):
        result = decode(layout, image)
        # The byte 300 begins the number 150, and 310 the number 155.
        lacking = np.zeros(200, bool)
        lacking[150 : 155 if len(image.segments) == 2 else 200] = True
        assert (result.present == ~lacking).all()
        assert (result.raw[0] == np.where(lacking, 0, numbers)).all()
        assert (np.isnan(result.physical) == lacking).all()


@st.composite
def stored_axes(draw: st.DrawFn) -> Layout:
    """Any stored axis: like a curve, without a mask."""
    type_name = draw(st.sampled_from(sorted(LETTERS)))
    count = draw(st.integers(1, 12))
    stride = size_of(type_name) + draw(st.integers(0, 3))
    offset = draw(st.integers(0, SIZE - stride * count))
    return Layout(type_name, draw(st.sampled_from([None, "big", "little"])), offset, stride, count)


@given(x=stored_axes(), y=stored_axes(), data=memory_bytes(), start=st.sampled_from(STARTS))
@examples(60)
def test_breakpoints_decode_as_struct_reads_them(x: Layout, y: Layout, data: bytes, start: int) -> None:
    axes = "".join(
        f'<axis name="{name}" signal="speed" count="{axis.columns}" {axis.attributes(start)}/>'
        for name, axis in (("x", x), ("y", y))
    )
    cells = f'type="uint8" at="{start}"'
    table = f'<map name="m" title="M" purpose="general" {cells}><x axis="x"/><y axis="y"/></map>'
    image = decoded(definition_xml(table, axes=axes, start=start, size=SIZE), data)
    grid = image.grid(image.layout.definition.tables["m"])
    assert grid.physical.shape == (y.columns, x.columns)
    for axis, breakpoints in ((x, grid.x), (y, grid.y)):
        assert breakpoints is not None
        expected = [float(axis.raw(data, address, "big")) for address in axis.addresses()]
        assert all(same(*pair) for pair in zip(breakpoints.tolist(), expected, strict=True))


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("type_name", sorted(LETTERS))
@given(bits=st.integers(0, 2**64 - 1))
@examples(20)
def test_numbers_packed_by_struct_come_back(type_name: str, order: str, bits: int) -> None:
    size = size_of(type_name)
    content = (bits >> 64 - 8 * size).to_bytes(size, "big")
    letter = (">" if order == "big" else "<") + LETTERS[type_name]
    number = struct.unpack(letter, content)[0]
    assert same(one_scalar(type_name, content, order).raw_at(0), number)
    assert struct.unpack(letter, struct.pack(letter, number))[0] == number or math.isnan(number)


@pytest.mark.parametrize(
    ("type_name", "content", "number"),
    [
        ("int8", "80", -128),
        ("int8", "FF", -1),
        ("int16", "8000", -32768),
        ("int16", "7FFF", 32767),
        ("int32", "80000000", -2147483648),
        ("uint32", "FFFFFFFF", 4294967295),
        ("uint64", "FFFFFFFFFFFFFFFF", 18446744073709551615),
        ("uint64", "FFFFFFFFFFFFFFFE", 18446744073709551614),
        ("uint64", "0020000000000001", 9007199254740993),  # 2**53 + 1, which no double holds
        ("int64", "8000000000000000", -9223372036854775808),
        ("int64", "8000000000000001", -9223372036854775807),
        ("int64", "7FFFFFFFFFFFFFFF", 9223372036854775807),
    ],
)
def test_the_ends_of_the_integer_types_are_exact(type_name: str, content: str, number: int) -> None:
    image = one_scalar(type_name, bytes.fromhex(content))
    raw = image.raw_at(0)
    assert isinstance(raw, int) and raw == number
    assert image.physical[0] == float(number)


#: IEEE 754-2019, clause 3.4: sign, biased exponent, fraction.
@pytest.mark.parametrize(
    ("type_name", "content", "number"),
    [
        ("float32", "3F800000", 1.0),
        ("float32", "C0490FDB", -13176795 / 2**22),  # the binary32 nearest to minus pi
        ("float32", "00000001", 2.0**-149),  # the smallest subnormal
        ("float32", "00800000", 2.0**-126),  # the smallest normal
        ("float32", "7F7FFFFF", (2 - 2.0**-23) * 2.0**127),  # the largest
        ("float64", "3FF0000000000000", 1.0),
        ("float64", "3FB999999999999A", 0.1),
        ("float64", "0000000000000001", 2.0**-1074),
        ("float64", "7FEFFFFFFFFFFFFF", (2 - 2.0**-52) * 2.0**1023),
        ("float64", "FFEFFFFFFFFFFFFF", -(2 - 2.0**-52) * 2.0**1023),
    ],
)
def test_ieee_754_patterns_are_the_numbers_of_the_standard(
    type_name: str, content: str, number: float
) -> None:
    image = one_scalar(type_name, bytes.fromhex(content))
    assert image.raw_at(0) == number
    assert image.physical[0] == number


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("type_name", "positive", "negative"),
    [("float32", "7F800000", "FF800000"), ("float64", "7FF0000000000000", "FFF0000000000000")],
)
def test_an_infinity_decodes_as_an_infinity(type_name: str, positive: str, negative: str, sign: int) -> None:
    image = one_scalar(type_name, bytes.fromhex(positive if sign > 0 else negative))
    assert image.physical[0] == sign * math.inf
    assert image.present.all()


@pytest.mark.parametrize(
    ("type_name", "content"),
    [
        ("float32", "7FC00000"),  # quiet
        ("float32", "7FA00000"),  # signalling
        ("float32", "FFFFFFFF"),  # erased flash
        ("float32", "7F800001"),
        ("float64", "7FF8000000000000"),
        ("float64", "7FF0000000000001"),
        ("float64", "FFFFFFFFFFFFFFFF"),
    ],
)
def test_a_nan_decodes_as_not_a_number_with_its_bits_kept(type_name: str, content: str) -> None:
    image = one_scalar(type_name, bytes.fromhex(content))
    assert math.isnan(image.physical[0])
    assert image.present.all()
    assert image.raw[0].view(f"u{len(content) // 2}")[0] == int(content, 16)


def test_a_minus_zero_keeps_its_sign_bit_in_raw() -> None:
    raw = one_scalar("float32", bytes.fromhex("80000000")).raw_at(0)
    assert raw == 0 and math.copysign(1, raw) == -1


@pytest.mark.parametrize(
    ("mask", "raw"), [("0x1", 1), ("0x80", 1), ("0x0C", 1), ("0xF0", 10), ("0xFF", 0xA5), ("0x42", 0)]
)
def test_masked_bits_are_shifted_down_to_bit_0(mask: str, raw: int) -> None:
    table = f'<scalar name="t" title="T" purpose="general" at="3" type="uint8" mask="{mask}"/>'
    assert decoded(definition_xml(table), bytes(3) + b"\xa5" + bytes(60)).raw_at(0) == raw


# Images with gaps


@st.composite
def gapped(draw: st.DrawFn) -> tuple[int, tuple[Segment, ...]]:
    """A memory's start and segments from there on that do not touch."""
    start = draw(st.sampled_from(STARTS))
    segments, address = [], start + draw(st.integers(0, 20))
    for content in draw(st.lists(st.binary(min_size=1, max_size=60), max_size=6)):
        segments.append(Segment(address, content))
        address += len(content) + draw(st.integers(1, 30))
    return start, tuple(segments)


def held(segments: Sequence[Segment], address: int, size: int) -> bytes | None:
    """The bytes at an address, one by one, or None where any is absent or in another segment."""
    for segment in segments:
        inside = range(segment.start, segment.start + len(segment.data))
        if all(item in inside for item in range(address, address + size)):
            return bytes(segment.data[item - segment.start] for item in range(address, address + size))
    return None


@given(memory=gapped(), items=st.lists(layouts(), min_size=1, max_size=5))
@examples(60)
def test_cells_are_present_where_one_segment_holds_all_their_bytes(
    memory: tuple[int, tuple[Segment, ...]], items: list[Layout]
) -> None:
    start, segments = memory
    tables = "".join(item.xml(f"t{number}", start) for number, item in enumerate(items))
    definition = read(definition_xml(tables, start=start, size=SIZE))
    image = decode(make_layout(definition), Image(segments))
    for number, item in enumerate(items):
        grid = image.grid(definition.tables[f"t{number}"])
        for cell, address in enumerate(item.addresses()):
            content = held(segments, start + address, size_of(item.type))
            assert bool(grid.present.ravel()[cell]) == (content is not None)
            if content is None:
                assert math.isnan(grid.physical.ravel()[cell])
                assert grid.raw.ravel()[cell] == 0
            else:
                assert same(grid.raw.ravel()[cell].item(), item.raw(content, 0, "big"))
    assert (image.valued == image.present).all()


@pytest.mark.parametrize(
    ("at", "present"),
    [(15, False), (16, True), (18, True), (19, False), (20, False), (22, False), (24, True)],
)
def test_a_number_that_straddles_the_edge_of_a_segment_is_not_present(at: int, present: bool) -> None:
    table = f'<scalar name="t" title="T" purpose="general" at="{at}" type="uint16"/>'
    definition = read(definition_xml(table))
    segments = (Segment(16, b"\x01\x02\x03\x04"), Segment(23, b"\x05\x06\x07"))
    assert bool(decode(make_layout(definition), Image(segments)).present[0]) is present


def test_nothing_is_present_in_an_image_without_bytes() -> None:
    table = '<scalar name="t" title="T" purpose="general" at="0" type="uint16"/>'
    image = decode(make_layout(read(definition_xml(table))), Image(()))
    assert not image.present.any() and np.isnan(image.physical).all()


@given(gapped())
@examples(40)
def test_positions_and_addresses_turn_each_other_round(memory: tuple[int, tuple[Segment, ...]]) -> None:
    start, segments = memory
    image = Image(segments)
    positions = np.arange(image.size)
    addresses = image.addresses(positions)
    every = [item for segment in segments for item in range(segment.start, segment.end)]
    assert addresses.tolist() == every
    assert (image.positions(addresses, 1) == positions).all()
    assert image.content.tolist() == [held(segments, item, 1)[0] for item in every]  # type: ignore[index]
    around = np.arange(start - 5, start + SIZE)
    for size in (1, 2, 4, 8):
        result = image.positions(around, size)
        for address, position in zip(around.tolist(), result.tolist(), strict=True):
            assert (position >= 0) == (held(segments, address, size) is not None)
            assert image.read(address, size) == held(segments, address, size)
        assert (image.addresses(result[result >= 0]) == around[result >= 0]).all()
