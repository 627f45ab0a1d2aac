"""Merging two reworks: the changes of each side are kept, and conflicts are reported."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from callint.comparing.merge import (
    WORD,
    AxisConflict,
    BytesConflict,
    CellConflict,
    Conflict,
    IdentityConflict,
    MergeResult,
    Side,
    TextConflict,
    leave_open,
    merge,
)
from callint.decoding import checksums
from callint.decoding.checksum_update import UnsealableError, seal
from callint.decoding.decode import decode
from callint.decoding.layout import make_layout
from callint.model.definition import Definition
from callint.model.image import Image, Segment
from tests import test_comparing
from tests.building import definition_xml, image, read, u16
from tests.example_counts import examples
from tests.test_comparing import SIZES, Place, Reference

SIZE = 256
SIDES = (Side.OURS, Side.THEIRS)


def merged(
    definition: Definition, base: bytes, ours: bytes, theirs: bytes, take: Side | None = None
) -> MergeResult:
    """The merge of three raw images, every conflict settled for one side or left open."""
    layout = make_layout(definition)
    start = definition.memory.start
    decoded = [decode(layout, Image.raw(data, start)) for data in (base, ours, theirs)]
    return merge(decoded[0], decoded[1], decoded[2], leave_open if take is None else lambda conflict: take)


def content(result: MergeResult) -> bytes:
    return result.image.content.tobytes()


def sealed(definition: Definition, data: bytes) -> bytes:
    return seal(Image.raw(data, definition.memory.start), definition.memory).image.content.tobytes()


def checksum(name: str, start: int, size: int, at: int, algorithm: str = "sum16") -> str:
    return f'<checksum name="{name}" algorithm="{algorithm}" start="{start}" size="{size}" stored-at="{at}"/>'


# A definition at random, and what is in it, worked out without callint's plan


@dataclass(frozen=True)
class Mapped(Place):
    """A table on stored axes, or on fixed ones where it has no name of a stored one."""

    x: str = ""
    y: str = ""

    def as_table(self) -> str:
        more = ' order="y-first"' if self.y_first else ""
        more += "" if self.mask is None else f' mask="{self.mask}"'
        axes = "".join(
            f'<{way} axis="{name}"/>'
            if name
            else f'<{way}><fixed-axis signal="speed" count="{count}" start="0" step="1"/></{way}>'
            for way, name, count in (("x", self.x, self.columns), ("y", self.y, self.rows))
        )
        return f'<map name="{self.name}" title="T" purpose="general" {self.storage}{more}>{axes}</map>'


@dataclass(frozen=True)
class Yard:
    """A definition whose parts overlap nowhere but in masked tables."""

    definition: Definition
    tables: tuple[Mapped, ...]
    axes: tuple[Place, ...]
    texts: dict[str, range]
    stored: frozenset[int]

    def named(self) -> dict[int, int]:
        """The bits that anything names, by address."""
        bits = dict.fromkeys(self.stored, 0xFF)
        for place in (*self.tables, *self.axes):
            for cell in place.cells():
                bits |= {at: bits.get(at, 0) | mask for at, mask in cell.items()}
        for axis in self.axes:
            if axis.counted_at is not None:
                bits[axis.counted_at] = 0xFF
        for at in self.texts.values():
            bits |= dict.fromkeys(at, 0xFF)
        return bits


@st.composite
def yards(draw: st.DrawFn) -> Yard:
    """Stored axes, tables on them, masked tables that share bytes, a text, and checksums over each other."""
    cursor = draw(st.integers(0, 3))

    def placed(name: str, columns: int, rows: int, types: list[str]) -> Place:
        nonlocal cursor
        type_name = draw(st.sampled_from(types))
        stride = SIZES[type_name] + draw(st.sampled_from([0, 0, 1]))
        place = Place(
            name, cursor, type_name, draw(st.sampled_from(["big", "little"])), stride, columns, rows
        )
        cursor += stride * columns * rows + draw(st.sampled_from([0, 0, 1, 5]))
        return place

    axes = []
    for number in range(draw(st.integers(1, 3))):
        axis = placed(f"a{number}", draw(st.integers(1, 3)), 1, ["uint8", "int16", "uint16"])
        if draw(st.booleans()):
            axis = replace(axis, counted_at=cursor)
            cursor += 1
        axes.append(axis)
    tables = []
    for number in range(draw(st.integers(1, 3))):
        x, y = (draw(st.sampled_from([None, *axes])) for _ in "xy")
        columns, rows = (axis.columns if axis else draw(st.integers(1, 2)) for axis in (x, y))
        masked = draw(st.booleans())
        place = placed(
            f"t{number}", columns, rows, ["uint8", "uint16"] if masked else ["uint8", "int16", "uint32"]
        )
        parts = {**vars(place), "x": x.name if x else "", "y": y.name if y else ""}
        parts["y_first"] = draw(st.booleans())
        if masked:
            whole = (1 << 8 * SIZES[place.type]) - 1
            mask = draw(st.integers(1, whole - 1))
            tables.append(Mapped(**{**parts, "mask": mask}))
            tables.append(Mapped(**{**parts, "name": f"m{number}", "mask": whole & ~mask}))
        else:
            tables.append(Mapped(**parts))
    texts = {"hull": range(cursor, cursor + 4)} if draw(st.booleans()) else {}
    text = "".join(
        f'<text name="{name}" title="T" purpose="general" at="{at[0]}" length="4"/>'
        for name, at in texts.items()
    )
    # The outer one covers the place of the inner one, and stands first.
    memory = ""
    if draw(st.booleans()):
        memory = checksum("outer", 0, SIZE - 2, SIZE - 2) + checksum(
            "inner", 0, SIZE - 4, SIZE - 4, "CRC-8/SMBUS"
        )
    stored = frozenset({SIZE - 4, SIZE - 2, SIZE - 1}) if memory else frozenset()
    xml = definition_xml(
        "".join(table.as_table() for table in tables) + text,
        axes="".join(axis.as_axis() for axis in axes),
        memory=memory,
        size=SIZE,
    )
    return Yard(read(xml), tuple(tables), tuple(axes), texts, stored)


@st.composite
def triples(draw: st.DrawFn, size: int = SIZE) -> tuple[bytes, bytes, bytes]:
    """A base and two reworks, whose edits are equal, contrary or apart."""
    base = draw(st.binary(min_size=size, max_size=size))
    edit = st.tuples(st.integers(0, min(size, 64) - 1), st.binary(min_size=1, max_size=3))
    ours, theirs = bytearray(base), bytearray(base)
    for at, data in draw(st.lists(edit, max_size=4)):
        who = draw(st.sampled_from(["ours", "theirs", "both", "contrary"]))
        other = draw(st.binary(min_size=len(data), max_size=len(data))) if who == "contrary" else data
        end = at + len(data)
        if who != "theirs":
            ours[at:end] = data
        if who != "ours":
            theirs[at:end] = other
    return base, bytes(ours), bytes(theirs)


def value(cell: dict[int, int], data: bytes) -> tuple[int, ...]:
    """The bits of a cell in an image."""
    return tuple(data[at] & bits for at, bits in cell.items())


def axis_value(axis: Place, data: bytes) -> tuple[object, ...]:
    count = None if axis.counted_at is None else data[axis.counted_at]
    return (count, *(value(cell, data) for cell in axis.cells()))


def clashing(base: object, ours: object, theirs: object) -> bool:
    return base not in (ours, theirs) and ours != theirs


def expected(
    yard: Yard, base: bytes, ours: bytes, theirs: bytes
) -> tuple[set[str], set[str], set[tuple[str, int]]]:
    """The axes in conflict, the tables that they hold, and the cells of other tables in conflict."""
    versions = {axis.name: [axis_value(axis, data) for data in (base, ours, theirs)] for axis in yard.axes}
    moved = {name for name, (_, mine, other) in versions.items() if mine != other}
    bad = {name for name in moved if clashing(*versions[name])}
    for name in moved - bad:
        before, mine, _ = versions[name]
        editor = theirs if mine != before else ours
        mover = ours if mine != before else theirs
        for table in yard.tables:
            if name in (table.x, table.y) and any(
                value(cell, editor) not in (value(cell, base), value(cell, mover)) for cell in table.cells()
            ):
                bad.add(name)
    while True:
        held = {table.name for table in yard.tables if {table.x, table.y} & bad}
        more = {name for table in yard.tables if table.name in held for name in (table.x, table.y)} & moved
        if more <= bad:
            break
        bad |= more
    cells = {
        (table.name, number)
        for table in yard.tables
        for number, cell in enumerate(table.cells())
        if table.name not in held and clashing(*(value(cell, data) for data in (base, ours, theirs)))
    }
    return bad, held, cells


def check_laws(yard: Yard, base: bytes, ours: bytes, theirs: bytes) -> None:
    """Hold a merge against the bytes themselves."""
    actual = merged(yard.definition, base, ours, theirs)
    result = content(actual)
    axes, held, cells = expected(yard, base, ours, theirs)
    conflicts = actual.conflicts
    assert {
        axis.axis.name for each in conflicts if isinstance(each, AxisConflict) for axis in each.axes
    } == axes
    message = {
        (each.versions.table.name, int(number))
        for each in conflicts
        if isinstance(each, CellConflict)
        for number in each.versions.cells.ravel().nonzero()[0]
    }
    assert message == cells
    in_axes = {
        (table.table.name, int(number))
        for each in conflicts
        if isinstance(each, AxisConflict)
        for table in each.tables
        for number in table.cells.ravel().nonzero()[0]
    }
    differing = {
        (table.name, number)
        for table in yard.tables
        if table.name in held
        for number, cell in enumerate(table.cells())
        if value(cell, ours) != value(cell, theirs)
    }
    assert in_axes == differing
    texts = {conflict.text.name for conflict in conflicts if isinstance(conflict, TextConflict)}
    wholes = {
        name: [data[at[0] : at[-1] + 1] for data in (base, ours, theirs)] for name, at in yard.texts.items()
    }
    assert texts == {name for name, three in wholes.items() if clashing(*three)}

    # Every thing is whole: as ours where in conflict, else as the one side that changed it.
    for table in yard.tables:
        for number, cell in enumerate(table.cells()):
            before, mine, other = (value(cell, data) for data in (base, ours, theirs))
            is_ours = table.name in held or (table.name, number) in cells or other == before
            assert value(cell, result) == (mine if is_ours else other)
    for axis in yard.axes:
        old, item, two = (axis_value(axis, data) for data in (base, ours, theirs))
        assert axis_value(axis, result) == (item if axis.name in axes or two == old else two)
    for name, (text, our_text, their_text) in wholes.items():
        at = yard.texts[name]
        is_ours = name in texts or their_text == text
        assert result[at[0] : at[-1] + 1] == (our_text if is_ours else their_text)
    check_loose(yard, actual, base, ours, theirs)

    # Nothing is anybody's invention but the checksums, and those are right.
    for place in set(range(SIZE)) - yard.stored:
        one_side, other_side = ours[place], theirs[place]
        assert result[place] & ~(one_side | other_side) == 0 == one_side & other_side & ~result[place]
    after = Image.raw(result)
    for check in yard.definition.memory.checksums:
        assert checksums.stored_value(check, after) == checksums.expected_value(check, after)


def check_loose(yard: Yard, found: MergeResult, base: bytes, ours: bytes, theirs: bytes) -> None:
    """Bytes that nothing names are as one side has them, word by word."""
    named = yard.named()
    result = content(found)
    message: set[int] = set()
    for conflict in found.conflicts:
        if isinstance(conflict, BytesConflict):
            message |= {at // WORD for at in range(conflict.start, conflict.start + len(conflict.ours))}
    clashes = set()
    for word in range(SIZE // WORD):
        bits = {at: 0xFF & ~named.get(at, 0) for at in range(word * WORD, (word + 1) * WORD)}
        before, mine, other, after = (value(bits, data) for data in (base, ours, theirs, result))
        if clashing(before, mine, other):
            clashes.add(word)
        assert after == (mine if word in clashes or other == before else other)
    assert message == clashes


@given(yard=yards(), triple=triples(), are_sealed=st.booleans())
@examples(160)
def test_every_cell_axis_text_and_word_is_merged_whole_and_only_contrary_edits_are_conflicts(
    yard: Yard, triple: tuple[bytes, bytes, bytes], are_sealed: bool
) -> None:
    if are_sealed:  # so that the stored checksums differ, which is nobody's edit
        base, ours, theirs = (sealed(yard.definition, data) for data in triple)
        check_laws(yard, base, ours, theirs)
    else:
        check_laws(yard, *triple)


@given(yard=yards(), triple=triples())
@examples(40)
def test_merging_with_an_unchanged_side_gives_the_other_side(
    yard: Yard, triple: tuple[bytes, bytes, bytes]
) -> None:
    base, ours, _ = triple
    ours = sealed(yard.definition, ours)
    for first, second in ((ours, base), (base, ours), (ours, ours)):
        result = merged(yard.definition, base, first, second)
        assert content(result) == ours
        assert not result.decisions


def about(conflict: Conflict) -> tuple[object, ...]:
    """What a conflict is about, whoever is ours."""
    match conflict:
        case CellConflict():
            return ("cells", conflict.versions.table.name, conflict.versions.cells.tobytes())
        case AxisConflict():
            tables = tuple((table.table.name, table.cells.tobytes()) for table in conflict.tables)
            return ("axes", tuple(axis.axis.name for axis in conflict.axes), tables)
        case TextConflict():
            return ("text", conflict.text.name)
        case IdentityConflict():
            return ("identity", conflict.identity.name)
        case BytesConflict():
            return ("bytes", conflict.start, len(conflict.ours))


@given(yard=yards(), triple=triples())
@examples(60)
def test_swapping_the_sides_swaps_only_what_a_conflict_keeps(
    yard: Yard, triple: tuple[bytes, bytes, bytes]
) -> None:
    base, ours, theirs = triple
    forward, backward = (merged(yard.definition, base, *two) for two in ((ours, theirs), (theirs, ours)))
    assert [about(conflict) for conflict in forward.conflicts] == [
        about(conflict) for conflict in backward.conflicts
    ]
    for side, other in (SIDES, SIDES[::-1]):
        item = merged(yard.definition, base, ours, theirs, side)
        two = merged(yard.definition, base, theirs, ours, other)
        assert content(item) == content(two)
        assert not item.conflicts and len(item.settled) == len(forward.conflicts)
    if not forward.conflicts:
        assert content(forward) == content(backward)
    assert content(forward) == content(merged(yard.definition, base, ours, theirs, Side.OURS))
    assert content(backward) == content(merged(yard.definition, base, ours, theirs, Side.THEIRS))


def overlapping() -> st.SearchStrategy[Reference]:
    """Definitions whose parts overlap anyhow; their checksums cover themselves and are left out."""
    return test_comparing.references().filter(lambda reference: not reference.checksums)


def wholes(reference: Reference) -> Iterator[dict[int, int]]:
    """The bits of every thing that has to stay whole."""
    for table in reference.tables:
        yield from table.cells()
    for at in (*reference.texts.values(), *reference.identities.values()):
        yield dict.fromkeys(at, 0xFF)
    for axis in reference.axes:
        bits: dict[int, int] = {}
        for cell in axis.cells():
            bits |= cell
        yield bits if axis.counted_at is None else bits | {axis.counted_at: 0xFF}


@given(reference=overlapping(), triple=triples(test_comparing.SIZE))
@examples(60)
def test_things_that_overlap_in_memory_stay_whole_too(
    reference: Reference, triple: tuple[bytes, bytes, bytes]
) -> None:
    base, ours, theirs = triple
    for take, kept in ((None, ours), (Side.OURS, ours), (Side.THEIRS, theirs)):
        actual = merged(reference.definition, base, ours, theirs, take)
        result = content(actual)
        for bits in wholes(reference):
            before, mine, other, after = (value(bits, data) for data in (base, ours, theirs, result))
            assert after in (mine, other)
            if clashing(before, mine, other):
                assert after == value(bits, kept)
                assert actual.decisions
            if not actual.decisions:
                assert after == (mine if other == before else other)


# By example

MAP = """
  <map name="fuel" title="Fuel" purpose="demand" at="16" type="uint16" conversion="mg">
    <x axis="speed_2"/><y axis="load_2"/>
  </map>
  <curve name="cap" title="Cap" purpose="protection" at="24" type="uint16" conversion="mg">
    <x axis="speed_2"/>
  </curve>
  <scalar name="cut" title="Cut" purpose="protection" at="28" type="uint16" conversion="rpm"/>
"""
AXES = """
  <axis name="speed_2" signal="speed" at="0" type="uint16" conversion="rpm" count="2"/>
  <axis name="load_2" signal="load" at="4" type="uint16" conversion="mg" count="2"/>
"""
CHART = read(definition_xml(MAP, axes=AXES))
BASE = image(
    at_0=u16(800, 1600), at_4=u16(100, 400), at_16=u16(10, 20, 30, 40), at_24=u16(5, 6), at_28=u16(42)
)


def edited(data: bytes = BASE, **at: bytes) -> bytes:
    new = bytearray(data)
    for name, some in at.items():
        start = int(name.removeprefix("at_"))
        new[start : start + len(some)] = some
    return bytes(new)


def test_edits_of_different_cells_of_one_table_merge() -> None:
    result = merged(CHART, BASE, edited(at_16=u16(11)), edited(at_22=u16(44)))
    assert not result.decisions
    assert content(result) == edited(at_16=u16(11), at_22=u16(44))


def test_two_values_for_one_cell_are_one_conflict_and_ours_is_kept() -> None:
    result = merged(CHART, BASE, edited(at_16=u16(11)), edited(at_16=u16(12), at_28=u16(43)))
    (conflict,) = result.conflicts
    assert isinstance(conflict, CellConflict)
    assert conflict.versions.cells.tolist() == [[True, False], [False, False]]
    assert [grid.raw[0, 0] for grid in (conflict.versions.base, conflict.versions.ours)] == [10, 11]
    assert conflict.versions.theirs.raw[0, 0] == 12
    assert content(result) == edited(at_16=u16(11), at_28=u16(43))


def test_the_halves_of_a_number_are_never_mixed() -> None:
    # One side changed the high byte, the other the low one: no byte was changed by both.
    result = merged(CHART, BASE, edited(at_28=u16(0x012A)), edited(at_28=u16(0x002B)))
    assert len(result.conflicts) == 1
    assert content(result) == edited(at_28=u16(0x012A))


def test_the_same_edit_on_both_sides_is_not_a_conflict() -> None:
    both = edited(at_0=u16(900), at_16=u16(11))
    assert content(merged(CHART, BASE, both, both)) == both


def test_a_moved_axis_and_edited_values_hold_the_axis_and_all_its_tables() -> None:
    ours = edited(at_2=u16(1700), at_26=u16(7))
    theirs = edited(at_16=u16(11), at_28=u16(43))
    result = merged(CHART, BASE, ours, theirs)
    (conflict,) = result.conflicts
    assert isinstance(conflict, AxisConflict)
    assert [axis.axis.name for axis in conflict.axes] == ["speed_2"]
    assert [(table.table.name, table.cells.ravel().tolist()) for table in conflict.tables] == [
        ("fuel", [True, False, False, False]),
        ("cap", [False, True]),
    ]
    assert content(result) == edited(ours, at_28=u16(43))
    assert content(merged(CHART, BASE, ours, theirs, Side.THEIRS)) == theirs


def test_an_axis_moved_by_one_side_alone_is_taken_with_that_sides_values() -> None:
    theirs = edited(at_2=u16(1700), at_16=u16(11))
    result = merged(CHART, BASE, edited(at_28=u16(43)), theirs)
    assert not result.decisions
    assert content(result) == edited(theirs, at_28=u16(43))


def test_another_axis_of_a_held_table_is_held_with_it() -> None:
    # Theirs moved both axes and set the map for them; without its values the second axis means nothing.
    theirs = edited(at_2=u16(1700), at_6=u16(500), at_16=u16(11, 21, 31, 41))
    ours = edited(at_24=u16(9))
    result = merged(CHART, BASE, ours, theirs)
    (conflict,) = result.conflicts
    assert isinstance(conflict, AxisConflict)
    assert [axis.axis.name for axis in conflict.axes] == ["speed_2", "load_2"]
    assert content(result) == ours


def test_one_axis_moved_in_two_ways_is_a_conflict_whichever_breakpoints_moved() -> None:
    result = merged(CHART, BASE, edited(at_0=u16(700)), edited(at_2=u16(1700)))
    (conflict,) = result.conflicts
    assert isinstance(conflict, AxisConflict) and not conflict.tables
    assert content(result) == edited(at_0=u16(700))


def test_a_changed_stored_count_moves_the_axis() -> None:
    axes = '<axis name="a" signal="speed" at="0" type="uint8" count="2" count-at="8"/>'
    curve = '<curve name="c" title="C" purpose="general" at="16" type="uint8"><x axis="a"/></curve>'
    definition = read(definition_xml(curve, axes=axes))
    base = image(at_0=b"\x01\x02", at_8=b"\x02")
    result = merged(definition, base, edited(base, at_8=b"\x01"), edited(base, at_16=b"\x05"))
    (conflict,) = result.conflicts
    assert isinstance(conflict, AxisConflict)
    assert conflict.axes[0].counts == (2, 1, 2)


def test_masked_tables_that_share_a_byte_merge_bit_by_bit() -> None:
    tables = "".join(
        f'<scalar name="m{mask}" title="M" purpose="general" at="5" type="uint8" mask="{mask}"/>'
        for mask in (0x0F, 0xF0)
    )
    definition = read(definition_xml(tables))
    base = image(at_5=b"\x11")
    result = merged(definition, base, edited(base, at_5=b"\x12"), edited(base, at_5=b"\x31"))
    assert not result.decisions
    assert content(result)[5] == 0x32
    result = merged(definition, base, edited(base, at_5=b"\x12"), edited(base, at_5=b"\x33"))
    (conflict,) = result.conflicts
    assert isinstance(conflict, CellConflict) and conflict.versions.table.name == "m15"
    assert content(result)[5] == 0x32


def test_an_unknown_number_is_not_put_together_from_two_halves() -> None:
    result = merged(CHART, BASE, edited(at_40=b"\x01"), edited(at_41=b"\x02", at_44=b"\x03"))
    assert result.conflicts == (BytesConflict(40, b"\0\0", b"\x01\0", b"\0\x02"),)
    assert content(result) == edited(at_40=b"\x01", at_44=b"\x03")


def test_each_of_several_texts_is_merged_on_its_own() -> None:
    texts = "".join(
        f'<text name="{name}" title="T" purpose="general" at="{at}" length="4" encoding="ascii"/>'
        for name, at in (("hull", 8), ("port", 16), ("yard", 32))
    )
    definition = read(definition_xml(texts))
    base = image(at_8=b"gull", at_16=b"pier", at_32=b"shed")
    ours = image(at_8=b"tern", at_16=b"quay", at_32=b"shed")
    theirs = image(at_8=b"gull", at_16=b"mole", at_32=b"barn")
    result = merged(definition, base, ours, theirs)
    (conflict,) = result.conflicts
    assert isinstance(conflict, TextConflict)
    assert (conflict.text.name, conflict.base, conflict.ours, conflict.theirs) == (
        "port",
        "pier",
        "quay",
        "mole",
    )
    assert content(result) == image(at_8=b"tern", at_16=b"quay", at_32=b"barn")
    settled = merged(definition, base, ours, theirs, Side.THEIRS)
    assert content(settled) == image(at_8=b"tern", at_16=b"mole", at_32=b"barn")


def test_each_of_several_identities_is_merged_on_its_own() -> None:
    identities = "".join(
        f'<identity name="{name}" at="{at}" text="SK28"/>'
        for name, at in (("one", 8), ("two", 16), ("three", 32))
    )
    definition = read(definition_xml("", memory=identities))
    base, ours, theirs = (
        image(at_8=item, at_16=two, at_32=three)
        for item, two, three in ((b"SK28",) * 3, (b"SK29", b"SK30", b"SK28"), (b"SK28", b"SK31", b"SK32"))
    )
    result = merged(definition, base, ours, theirs)
    (conflict,) = result.conflicts
    assert isinstance(conflict, IdentityConflict)
    assert (conflict.identity.name, conflict.ours, conflict.theirs) == ("two", b"SK30", b"SK31")
    assert content(result) == image(at_8=b"SK29", at_16=b"SK30", at_32=b"SK32")
    settled = merged(definition, base, ours, theirs, Side.THEIRS)
    assert content(settled) == image(at_8=b"SK29", at_16=b"SK31", at_32=b"SK32")


def test_identity_bytes_changed_differently_are_a_conflict() -> None:
    definition = read(definition_xml(MAP, axes=AXES, memory='<identity name="number" at="48" text="SK28"/>'))
    result = merged(definition, BASE, edited(at_48=b"SK27"), edited(at_48=b"SK29"))
    (conflict,) = result.conflicts
    assert isinstance(conflict, IdentityConflict)
    assert (conflict.base, conflict.ours, conflict.theirs) == (b"\0\0\0\0", b"SK27", b"SK29")


def test_overlapping_things_are_settled_for_theirs_together_or_not_at_all() -> None:
    tables = (
        '<scalar name="wide" title="W" purpose="general" at="4" type="uint16"/>'
        '<scalar name="narrow" title="N" purpose="general" at="5" type="uint8"/>'
    )
    layout = make_layout(read(definition_xml(tables)))
    versions = [image(), image(at_4=b"\x01"), image(at_5=b"\x02")]
    base, ours, theirs = (decode(layout, Image.raw(data)) for data in versions)

    def only_wide(conflict: Conflict) -> Side | None:
        named = isinstance(conflict, CellConflict) and conflict.versions.table.name == "wide"
        return Side.THEIRS if named else None

    result = merge(base, ours, theirs, only_wide)
    assert len(result.conflicts) == 2
    assert content(result) == versions[1]
    assert content(merge(base, ours, theirs, lambda conflict: Side.THEIRS)) == versions[2]


def test_images_with_gaps_merge_and_keep_their_gaps() -> None:
    layout = make_layout(CHART)

    def gapped(data: bytes) -> Image:
        return Image((Segment(0, data[:10]), Segment(14, data[14:40])))

    versions = (BASE, edited(at_0=u16(700)), edited(at_28=u16(43)))
    base, ours, theirs = (decode(layout, gapped(data)) for data in versions)
    result = merge(base, ours, theirs)
    assert result.image == gapped(edited(at_0=u16(700), at_28=u16(43)))
    with pytest.raises(ValueError, match="same addresses"):
        merge(base, ours, decode(layout, Image.raw(BASE)))


def test_a_text_that_the_images_do_not_hold_whole_is_left_as_it_is() -> None:
    text = '<text name="hull" title="Hull" purpose="general" at="36" length="8"/>'
    layout = make_layout(read(definition_xml(MAP + text, axes=AXES)))
    versions = (BASE, edited(at_0=u16(700)), edited(at_28=u16(43), at_37=b"X"))
    base, ours, theirs = (decode(layout, Image.raw(data[:40], 0, is_part=True)) for data in versions)
    result = merge(base, ours, theirs)
    assert not result.conflicts
    assert result.image.content.tobytes() == edited(at_0=u16(700), at_28=u16(43), at_37=b"X")[:40]


# Sealing


def resealed(memory: str, data: bytes) -> tuple[bytes, list[str]]:
    definition = read(definition_xml("", memory=memory))
    result = seal(Image.raw(data), definition.memory)
    return result.image.content.tobytes(), [item.checksum.name for item in result.renewals]


def test_a_checksum_over_another_one_is_computed_after_it() -> None:
    memory = checksum("outer", 0, 40, 50) + checksum("inner", 0, 20, 30)
    data, names = resealed(memory, image(at_0=b"\x07"))
    assert names == ["inner", "outer"]
    assert data == image(at_0=b"\x07", at_30=u16(7), at_50=u16(14))
    assert resealed(memory, data) == (data, [])


@pytest.mark.parametrize(
    ("memory", "message"),
    [
        (checksum("a", 0, 20, 30) + checksum("b", 25, 10, 4), "checksum a and b cover each other"),
        (checksum("a", 0, 20, 18), "checksum a covers its own stored place"),
        (checksum("a", 0, 20, 30) + checksum("b", 1, 18, 30), "is stored at the place of another"),
        (checksum("a", 0, 20, 30, "CRC-16/NOBODY"), "unknown algorithm 'CRC-16/NOBODY'"),
        (checksum("a", 60, 20, 30), "needs bytes outside the memory"),
    ],
)
def test_checksums_that_cannot_be_computed_are_refused(memory: str, message: str) -> None:
    with pytest.raises(UnsealableError, match=message):
        resealed(memory, image(at_0=b"\x07", at_2=b"\x01"))
