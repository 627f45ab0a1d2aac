"""Comparing two images: every byte that differs is accounted for, once."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from callint.comparing.compare import RUN_GAP, compare
from callint.decoding.decode import decode
from callint.decoding.layout import make_layout
from callint.model.change import ChangeSet, Run
from callint.model.definition import Definition
from callint.model.image import Image, Segment
from tests.building import definition_xml, image, read, u16
from tests.example_counts import examples

SIZE = 200
SIZES = {"uint8": 1, "int8": 1, "uint16": 2, "int16": 2, "uint32": 4, "int32": 4, "uint64": 8, "float32": 4}


def changes(definition: Definition, old: Image, new: Image) -> ChangeSet:
    layout = make_layout(definition)
    return compare(decode(layout, old), decode(layout, new))


def changes_of(xml: bytes, old: bytes, new: bytes) -> ChangeSet:
    definition = read(xml)
    start = definition.memory.start
    return changes(definition, Image.raw(old, start), Image.raw(new, start))


# A definition at random, and what each of its parts covers, worked out without callint's plan


@dataclass(frozen=True)
class Place:
    """A table or stored axis: where its cells lie, and which bits of each belong to it."""

    name: str
    at: int
    type: str
    order: str
    stride: int
    columns: int = 1
    rows: int = 1
    mask: int | None = None
    y_first: bool = False
    counted_at: int | None = None

    def cells(self) -> list[dict[int, int]]:
        """For every cell, x fastest, the bits that it covers by address."""
        size = SIZES[self.type]
        mask = ((1 << 8 * size) - 1 if self.mask is None else self.mask).to_bytes(
            size, "big" if self.order == "big" else "little"
        )
        numbers = (
            x * self.rows + y if self.y_first else y * self.columns + x
            for y in range(self.rows)
            for x in range(self.columns)
        )
        return [
            {self.at + self.stride * number + byte: mask[byte] for byte in range(size)} for number in numbers
        ]

    @property
    def storage(self) -> str:
        return f'at="{self.at}" type="{self.type}" byte-order="{self.order}" stride="{self.stride}"'

    def as_table(self) -> str:
        more = ' order="y-first"' if self.y_first else ""
        more += "" if self.mask is None else f' mask="{self.mask}"'
        axes = "".join(
            f'<{axis}><fixed-axis signal="speed" count="{count}" start="0" step="1"/></{axis}>'
            for axis, count in (("x", self.columns), ("y", self.rows))
        )
        return f'<map name="{self.name}" title="T" purpose="general" {self.storage}{more}>{axes}</map>'

    def as_axis(self) -> str:
        count = f' count-at="{self.counted_at}"' if self.counted_at is not None else ""
        return f'<axis name="{self.name}" signal="speed" count="{self.columns}" {self.storage}{count}/>'


@dataclass(frozen=True)
class Reference:
    """A definition with its parts."""

    definition: Definition
    tables: tuple[Place, ...]
    axes: tuple[Place, ...]
    texts: dict[str, range]
    identities: dict[str, range]
    checksums: dict[str, range]

    @property
    def stretches(self) -> Iterator[range]:
        """Everything that is covered whole: texts, identities, checksums and stored counts."""
        yield from (*self.texts.values(), *self.identities.values(), *self.checksums.values())
        yield from self.counts

    @property
    def counts(self) -> list[range]:
        return [
            range(axis.counted_at, axis.counted_at + 1) for axis in self.axes if axis.counted_at is not None
        ]


@st.composite
def places(draw: st.DrawFn, name: str, columns: int, rows: int) -> Place:
    type_name = draw(st.sampled_from(sorted(SIZES)))
    size = SIZES[type_name]
    stride = size + draw(st.sampled_from([0, 0, 1, 3]))
    masks = st.integers(1, (1 << 8 * size) - 1)
    return Place(
        name=name,
        at=draw(st.integers(0, SIZE - stride * columns * rows)),
        type=type_name,
        order=draw(st.sampled_from(["big", "little"])),
        stride=stride,
        columns=columns,
        rows=rows,
        mask=draw(st.none() | masks) if rows and type_name.startswith("u") and name[0] == "t" else None,
        y_first=draw(st.booleans()) and name[0] == "t",
        counted_at=draw(st.none() | st.integers(0, SIZE - 1)) if name[0] == "a" else None,
    )


@st.composite
def references(draw: st.DrawFn) -> Reference:
    """Tables, axes and all else anywhere in a small memory, overlapping or not."""
    few = st.integers(1, 3)
    tables = [draw(places(f"t{n}", draw(few), draw(few))) for n in range(draw(st.integers(0, 4)))]
    axes = [draw(places(f"a{n}", draw(few), 1)) for n in range(draw(st.integers(0, 2)))]
    begin = st.integers(0, SIZE - 8)
    texts = {f"x{n}": range(at, at + 6) for n, at in enumerate(draw(st.lists(begin, max_size=2)))}
    identities = {f"i{n}": range(at, at + 4) for n, at in enumerate(draw(st.lists(begin, max_size=1)))}
    checksums = {f"c{n}": range(at, at + 2) for n, at in enumerate(draw(st.lists(begin, max_size=1)))}
    memory = "".join(f'<identity name="{name}" at="{at[0]}" text="SKRY"/>' for name, at in identities.items())
    memory += "".join(
        f'<checksum name="{name}" algorithm="sum16" start="0" size="{SIZE}" stored-at="{at[0]}"/>'
        for name, at in checksums.items()
    )
    elements = "".join(table.as_table() for table in tables) + "".join(
        f'<text name="{name}" title="T" purpose="general" at="{at[0]}" length="6"/>'
        for name, at in texts.items()
    )
    xml = definition_xml(elements, axes="".join(axis.as_axis() for axis in axes), memory=memory, size=SIZE)
    return Reference(read(xml), tuple(tables), tuple(axes), texts, identities, checksums)


@st.composite
def edits(draw: st.DrawFn) -> tuple[bytes, bytes]:
    """An image and the same with some bytes changed, alone or in stretches."""
    old = draw(st.binary(min_size=SIZE, max_size=SIZE))
    new = bytearray(old)
    for at, content in draw(
        st.lists(st.tuples(st.integers(0, SIZE - 1), st.binary(min_size=1, max_size=5)), max_size=8)
    ):
        new[at : at + len(content)] = content[: SIZE - at]
    return old, bytes(new)


def held(item: Image) -> dict[int, int]:
    """The bytes of an image by address."""
    return {segment.start + n: byte for segment in item.segments for n, byte in enumerate(segment.data)}


def check_runs(runs: tuple[Run, ...], addresses: set[int]) -> None:
    """The runs hold exactly the addresses, each once, and are as long as they can be."""
    covered: set[int] = set()
    for run in runs:
        inside = {item for item in addresses if run.start <= item < run.start + run.size}
        assert run.start in inside and run.start + run.size - 1 in inside
        assert run.changed == len(inside)
        assert not covered & inside
        assert all(b - a <= RUN_GAP for a, b in itertools.pairwise(sorted(inside)))
        covered |= inside
    assert covered == addresses
    assert all(b.start - (a.start + a.size - 1) > RUN_GAP for a, b in itertools.pairwise(runs))
    assert sum(run.changed for run in runs) == len(addresses)


def check_everything(reference: Reference, old: Image, new: Image) -> None:
    """Hold a change set against the bytes themselves."""
    result = changes(reference.definition, old, new)
    before, after = held(old), held(new)
    both = before.keys() & after.keys()
    differing = {item: before[item] ^ after[item] for item in both if before[item] != after[item]}
    assert result.bytes == len(differing)

    # What is said to have changed has changed, and what has changed is said.
    reported: dict[int, int] = {}
    for place in (*reference.tables, *reference.axes):
        change = result.by_table.get(place.name) or result.by_axis.get(place.name)
        flags = [False] * len(place.cells()) if change is None else change.changed.ravel().tolist()
        for cell, flag in zip(place.cells(), flags, strict=True):
            whole = cell.keys() <= both and contiguous(old, cell) and contiguous(new, cell)
            assert flag == (whole and any(differing.get(item, 0) & bits for item, bits in cell.items()))
            if flag:
                reported |= {item: reported.get(item, 0) | bits for item, bits in cell.items()}
        assert change is None or any(flags)
    for names, stretches in (
        ([text.text.name for text in result.texts], reference.texts),
        ([identity.identity.name for identity in result.identities], reference.identities),
        ([checksum.checksum.name for checksum in result.checksums], reference.checksums),
    ):
        changed = [name for name, at in stretches.items() if set(at) <= both and set(at) & differing.keys()]
        for name in names:
            assert name in changed
            reported |= dict.fromkeys(stretches[name], 0xFF)
    for at in reference.counts:
        reported |= dict.fromkeys(at, 0xFF)

    # Every differing bit is in something that is reported, or its byte is in one unexplained run. A byte that
    # something covers but does not report is in a run too: nothing may go unseen.
    check_runs(
        result.unexplained, {item for item, bits in differing.items() if bits & ~reported.get(item, 0)}
    )

    missing = [item for run in result.missing for item in range(run.start, run.start + run.size)]
    assert sorted(missing) == sorted(before.keys() ^ after.keys())
    assert all(run.changed == run.size for run in result.missing)
    assert result.is_empty == (before == after)


def contiguous(item: Image, cell: dict[int, int]) -> bool:
    """Whether one segment holds the cell whole; segments do not touch, so any that holds its ends does."""
    return item.read(min(cell), len(cell)) is not None


@given(reference=references(), pair=edits())
@examples(80)
def test_every_differing_byte_is_in_a_reported_change_or_in_one_unexplained_run(
    reference: Reference, pair: tuple[bytes, bytes]
) -> None:
    check_everything(reference, Image.raw(pair[0]), Image.raw(pair[1]))


@given(reference=references(), old=st.binary(max_size=SIZE), new=st.binary(max_size=SIZE))
@settings(max_examples=60, deadline=None)
def test_every_differing_byte_is_accounted_for_in_images_of_different_length(
    reference: Reference, old: bytes, new: bytes
) -> None:
    check_everything(reference, Image.raw(old), Image.raw(new))


@st.composite
def gapped(draw: st.DrawFn, content: bytes) -> Image:
    """The content with gaps."""
    segments, at = [], draw(st.integers(0, 30))
    while at < SIZE:
        end = min(SIZE, at + draw(st.integers(1, 80)))
        segments.append(Segment(at, content[at:end]))
        at = end + draw(st.integers(1, 20))
    return Image(tuple(segments))


@given(reference=references(), pair=edits(), data=st.data())
@examples(50)
def test_every_differing_byte_is_accounted_for_in_images_with_gaps(
    reference: Reference, pair: tuple[bytes, bytes], data: st.DataObject
) -> None:
    check_everything(reference, data.draw(gapped(pair[0])), data.draw(gapped(pair[1])))


@given(reference=references(), content=st.binary(min_size=SIZE, max_size=SIZE), data=st.data())
@settings(max_examples=50, deadline=None)
def test_equal_images_have_no_changes(reference: Reference, content: bytes, data: st.DataObject) -> None:
    item = data.draw(gapped(content))
    result = changes(
        reference.definition, item, Image(tuple(Segment(s.start, bytes(s.data)) for s in item.segments))
    )
    assert result.is_empty and result == ChangeSet(reference.definition)
    assert result.cells == 0 and not result.by_table and not result.by_axis


@given(reference=references(), pair=edits())
@settings(max_examples=60, deadline=None)
def test_the_way_back_undoes_the_change(reference: Reference, pair: tuple[bytes, bytes]) -> None:
    there, back = (
        changes(reference.definition, Image.raw(pair[0]), Image.raw(pair[1])),
        changes(reference.definition, Image.raw(pair[1]), Image.raw(pair[0])),
    )
    assert there.unexplained == back.unexplained and there.bytes == back.bytes
    assert [table.table for table in there.tables] == [table.table for table in back.tables]
    for item, other in zip(there.tables, back.tables, strict=True):
        assert (item.changed == other.changed).all() and item.count == other.count > 0
        assert item.old.raw.tobytes() == other.new.raw.tobytes()
    assert [(text.old, text.new) for text in there.texts] == [(text.new, text.old) for text in back.texts]
    assert [(checksum.old, checksum.new) for checksum in there.checksums] == [
        (checksum.new, checksum.old) for checksum in back.checksums
    ]


# By example

SCALAR = '<scalar name="s" title="S" purpose="general" at="4" type="uint16" conversion="mg"/>'


def test_a_changed_cell_is_shown_old_and_new() -> None:
    result = changes_of(definition_xml(SCALAR), image(at_4=u16(410)), image(at_4=u16(445)))
    (change,) = result.tables
    assert change.table.name == "s" and change.count == 1 and result.cells == 1
    assert (change.old.raw[0, 0], change.new.raw[0, 0]) == (410, 445)
    assert (change.old.physical[0, 0], change.new.physical[0, 0]) == (41.0, 44.5)
    assert result.bytes == 1 + (410 >> 8 != 445 >> 8)
    assert not result.unexplained and not result.is_empty


def test_an_axis_change_has_its_breakpoints_old_and_new() -> None:
    axes = '<axis name="a" signal="speed" at="8" type="uint16" conversion="rpm" count="3"/>'
    curve = '<curve name="c" title="C" purpose="general" at="20" type="uint8"><x axis="a"/></curve>'
    old, new = image(at_8=u16(600, 1000, 2000)), image(at_8=u16(600, 1200, 2000))
    result = changes_of(definition_xml(curve, axes=axes), old, new)
    (change,) = result.axes
    assert change.axis.name == "a" and not result.tables
    assert change.old.tolist() == [600, 1000, 2000] and change.new.tolist() == [600, 1200, 2000]
    assert change.changed.tolist() == [False, True, False]


def test_texts_checksums_and_identities_are_shown_old_and_new() -> None:
    text = '<text name="hull" title="Hull" purpose="general" at="20" length="6"/>'
    memory = (
        '<identity name="number" at="0" text="SK28"/>'
        '<checksum name="sum" algorithm="sum16" start="0" size="30" stored-at="30"/>'
    )
    old = image(at_0=b"SK28", at_20=b"HERON ", at_30=u16(1000))
    new = image(at_0=b"SK27", at_20=b"PETREL", at_30=u16(1001))
    result = changes_of(definition_xml(text, memory=memory), old, new)
    assert [(text.text.name, text.old, text.new) for text in result.texts] == [("hull", "HERON", "PETREL")]
    assert [(checksum.checksum.name, checksum.old, checksum.new) for checksum in result.checksums] == [
        ("sum", 1000, 1001)
    ]
    assert [(identity.identity.name, identity.old, identity.new) for identity in result.identities] == [
        ("number", b"SK28", b"SK27")
    ]
    assert not result.unexplained and not result.tables


def test_changes_are_in_the_order_of_the_definition() -> None:
    tables = "\n".join(
        f'<scalar name="{name}" title="T" purpose="general" at="{at}" type="{type_name}"/>'
        for name, at, type_name in (("one", 30, "uint8"), ("two", 2, "int16"), ("three", 10, "float32"))
    )
    result = changes_of(definition_xml(tables), bytes(64), bytes([1] * 64))
    assert [table.table.name for table in result.tables] == ["one", "two", "three"]


@pytest.mark.parametrize(("old", "new"), [(b"HERON ", b"      "), (b"\x00" * 6, b"TERN  ")])
def test_a_text_may_become_empty_and_an_empty_one_a_text(old: bytes, new: bytes) -> None:
    xml = definition_xml('<text name="hull" title="Hull" purpose="general" at="20" length="6"/>')
    (change,) = changes_of(xml, image(at_20=old), image(at_20=new)).texts
    assert (change.old, change.new) == (old.decode().strip(" \0"), new.decode().strip(" \0"))


@pytest.mark.parametrize("at", [0, 5])
@pytest.mark.parametrize(("bit", "explained"), [(0x04, True), (0x08, True), (0x02, False), (0x10, False)])
def test_a_changed_bit_outside_every_mask_is_unexplained(bit: int, explained: bool, at: int) -> None:
    tables = "\n".join(
        f'<scalar name="m{mask}" title="M" purpose="general" at="{at}" type="uint8" mask="{mask}"/>'
        for mask in (4, 8)
    )
    result = changes_of(definition_xml(tables), image(), image(**{f"at_{at}": bytes([bit])}))  # type: ignore[arg-type]
    assert [table.table.name for table in result.tables] == ([f"m{bit}"] if explained else [])
    assert result.unexplained == (() if explained else (Run(at, 1, 1),))
    assert result.bytes == 1


def test_a_byte_with_a_changed_bit_inside_and_one_outside_is_both() -> None:
    table = '<scalar name="m" title="M" purpose="general" at="4" type="uint16" mask="0x0010"/>'
    result = changes_of(definition_xml(table), image(), image(at_4=b"\x01\x30"))
    assert result.cells == 1
    assert result.unexplained == (Run(4, 2, 2),)


def test_bytes_between_the_cells_of_a_stride_are_unexplained() -> None:
    curve = (
        '<curve name="c" title="C" purpose="general" at="0" type="uint8" stride="3">'
        '<x><fixed-axis signal="speed" values="1 2 3"/></x></curve>'
    )
    result = changes_of(definition_xml(curve), image(), image(at_0=bytes([1] * 9)))
    assert result.cells == 3
    assert result.unexplained == (Run(1, 8, 6),)


def test_minus_zero_and_another_nan_are_changes() -> None:
    tables = "\n".join(
        f'<scalar name="f{at}" title="F" purpose="general" at="{at}" type="float32"/>' for at in (0, 4)
    )
    old = image(at_0=bytes(4), at_4=bytes.fromhex("7FC00000"))
    new = image(at_0=bytes.fromhex("80000000"), at_4=bytes.fromhex("7FC00001"))
    result = changes_of(definition_xml(tables), old, new)
    assert [table.table.name for table in result.tables] == ["f0", "f4"]
    assert result.by_table["f0"].old.physical[0, 0] == result.by_table["f0"].new.physical[0, 0] == 0
    assert math.isnan(result.by_table["f4"].new.physical[0, 0])


@pytest.mark.parametrize(("equal", "runs"), [(RUN_GAP - 1, 1), (RUN_GAP, 2)])
def test_runs_part_where_as_many_equal_bytes_lie_between_as_the_gap(equal: int, runs: int) -> None:
    new = bytearray(64)
    new[20] = new[20 + equal + 1] = 1
    result = changes_of(definition_xml(""), bytes(64), bytes(new))
    assert len(result.unexplained) == runs
    assert sum(run.changed for run in result.unexplained) == 2
    assert sum(run.size for run in result.unexplained) == (equal + 2 if runs == 1 else 2)


@pytest.mark.parametrize("start", [0, 0x40000])
def test_cells_that_only_the_longer_image_holds_are_missing(start: int) -> None:
    table = f'<scalar name="s" title="S" purpose="general" at="{start + 60}" type="uint16"/>'
    xml = definition_xml(table, start=start)
    for old, new in ((bytes(64), bytes(50)), (bytes(50), bytes(64))):
        result = changes_of(xml, old, new)
        assert result.missing == (Run(start + 50, 14, 14),)
        assert result.bytes == 0 and not result.tables and not result.unexplained
        assert not result.is_empty


def test_everything_is_missing_beside_an_empty_image() -> None:
    result = changes_of(definition_xml(SCALAR), bytes(64), b"")
    assert result.missing == (Run(0, 64, 64),) and result.bytes == 0


def test_a_gap_in_one_image_is_missing_and_what_lies_around_it_is_compared() -> None:
    definition = read(definition_xml(SCALAR))
    old = Image.raw(bytes(64))
    new = Image((Segment(0, image(10, at_4=u16(7))), Segment(16, bytes([1]) + bytes(40))))
    result = changes(definition, old, new)
    assert result.missing == (Run(10, 6, 6), Run(57, 7, 7))
    assert result.cells == 1 and result.unexplained == (Run(16, 1, 1),)


@pytest.mark.parametrize(
    "element",
    [
        '<scalar name="s" title="S" purpose="general" at="8" type="uint32"/>',
        '<text name="t" title="T" purpose="general" at="8" length="4"/>',
    ],
)
def test_a_changed_byte_of_something_that_one_image_holds_only_in_part_does_not_go_unseen(
    element: str,
) -> None:
    # Nothing can be said about the value, so the byte is like any other that nothing accounts for.
    definition = read(definition_xml(element))
    old = Image.raw(bytes(10))
    new = Image.raw(image(20, at_8=b"\x01\x02\x03\x04"))
    result = changes(definition, old, new)
    assert result.bytes == 2 and not result.tables and not result.texts
    assert result.unexplained == (Run(8, 2, 2),)
