"""Two software versions: other addresses and further breakpoints are no change; every change is listed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from callint.comparing.carry.apply import carry
from callint.comparing.carry.result import UNEXPLAINED
from callint.comparing.compare import compare
from callint.comparing.softwares.carried_change import compare_carried
from callint.comparing.softwares.causes import Obstacle
from callint.comparing.softwares.compare import compare_softwares, matched_tables
from callint.comparing.softwares.pairs import SoftwareTables, table_pair
from callint.comparing.softwares.tables import TableComparison, compare_tables
from callint.decoding.decode import Decoded, decode
from callint.decoding.encode import encode
from callint.decoding.layout import make_layout
from callint.model.definition import Definition, Linear, States, StoredAxis
from callint.model.image import Image
from tests.example_counts import property_examples
from tests.properties.strategies import Reference, images, pairs, references
from tests.softwares.building import compared, fixed, table


def moved(definition: Definition) -> tuple[Definition, int]:
    """The definition with every item in a copy of the memory of its own, and the number of copies."""
    size, copies = definition.memory.size, 1
    places: dict[str, int] = {}
    for name in (*definition.tables, *definition.axes, *definition.texts):
        places[name] = copies * size
        copies += 1
    tables = {name: replace(item, at=item.at + places[name]) for name, item in definition.tables.items()}
    texts = {name: replace(item, at=item.at + places[name]) for name, item in definition.texts.items()}
    axes = {
        name: replace(item, at=item.at + places[name], stored_count=None)
        if isinstance(item, StoredAxis)
        else item
        for name, item in definition.axes.items()
    }
    memory = replace(definition.memory, size=copies * size, checksums=(), regions=())
    return replace(definition, tables=tables, texts=texts, axes=axes, memory=memory), copies


def relocated(reference: Reference, data: bytes) -> Decoded:
    """The same image as of a software version in which everything lies elsewhere."""
    definition, copies = moved(reference.decoded(data).layout.definition)
    return decode(make_layout(definition), Image.raw(data * copies, definition.memory.start))


@property_examples
@given(st.data())
def test_an_image_of_which_only_the_addresses_changed_has_no_change(data: st.DataObject) -> None:
    reference = data.draw(references())
    content = data.draw(images(reference))
    old, new = reference.decoded(content), relocated(reference, content)
    change = compare_softwares(old, new)
    assert change.is_silent
    assert change.equal == len(old.layout.table_items)
    definitions = old.layout.definition, new.layout.definition
    with np.errstate(all="ignore"):
        for before, after in matched_tables(*definitions):
            pair = table_pair(definitions[0], before, definitions[1], after)
            assert isinstance(pair, SoftwareTables)
            comparison = compare_tables(old, new, pair)
            # Not only because their bytes are the same.
            assert isinstance(comparison, TableComparison)
            assert not (comparison.changed | comparison.within | comparison.unknown).any()


@property_examples
@given(pairs())
def test_the_changed_cells_of_a_rework_are_those_between_two_versions(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    reference, base, rework = pair
    old, new = reference.decoded(base), reference.decoded(rework)
    within_one = compare(old, new)
    between_two = compare_softwares(old, relocated(reference, rework))
    for name, item in old.layout.definition.tables.items():
        if any(axis in within_one.by_axis for axis in item.axes):
            continue
        one, two = within_one.by_table.get(name), between_two.changes.by_table.get(name)
        expected = np.zeros(old.grid(item).physical.shape, bool)
        if one is not None:
            # Bits with the same reading are not a change to the engine.
            same = (one.old.physical == one.new.physical) | (
                np.isnan(one.old.physical) & np.isnan(one.new.physical)
            )
            is_integer = item.storage.type.is_integer
            expected = one.changed & (~same | (one.old.off != one.new.off) | is_integer)
        listed = np.zeros(expected.shape, bool) if two is None else two.changed
        if two is not None:
            for axis, own in ((two.new.x, new.grid(item).x), (two.new.y, new.grid(item).y)):
                assert axis is None or np.array_equal(axis, own)  # type: ignore[arg-type]
        assert listed.tolist() == expected.tolist()


@property_examples
@given(pairs())
def test_both_directions_list_the_same_tables(pair: tuple[Reference, bytes, bytes]) -> None:
    reference, base, rework = pair
    old, new = reference.decoded(base), relocated(reference, rework)
    forward, backward = compare_softwares(old, new), compare_softwares(new, old)
    assert forward.changes.by_table.keys() == backward.changes.by_table.keys()
    for name, change in forward.changes.by_table.items():
        assert change.changed.tolist() == backward.changes.by_table[name].changed.tolist()
    assert forward.is_empty == backward.is_empty


@st.composite
def refinements(draw: st.DrawFn) -> tuple[Decoded, Decoded]:
    """A map, and the same with further breakpoints between, rounded to the storage."""
    axes: list[list[float]] = []
    finer: list[list[float]] = []
    for _ in range(2):
        breakpoints = sorted(draw(st.lists(st.integers(0, 4000), min_size=2, max_size=5, unique=True)))
        further = draw(st.lists(st.integers(breakpoints[0], breakpoints[-1]), max_size=4))
        axes.append([float(value) for value in breakpoints])
        finer.append(sorted({*axes[-1], *map(float, further)}))
    rows, columns = len(axes[1]), len(axes[0])
    raw = draw(st.lists(st.integers(0, 6000), min_size=rows * columns, max_size=rows * columns))
    conversion, factor = draw(st.sampled_from([("mg", 1), ("half", 2), ("tenth", 10)]))
    values = np.array(raw, float).reshape(rows, columns)
    along_x = np.array([np.interp(finer[0], axes[0], row) for row in values])
    along_y = np.array([np.interp(finer[1], axes[1], column) for column in along_x.T]).T
    new_raw = [int(value) for value in np.rint(along_y * factor).ravel()]
    names = ("speed", "load")
    old_axes, new_axes = (
        [fixed(name, *axis) for name, axis in zip(names, side, strict=True)] for side in (axes, finer)
    )
    return (
        table(raw, *old_axes, size=1024),
        table(new_raw, *new_axes, conversion=conversion, type_="uint16", size=1024),
    )


@property_examples
@given(refinements())
def test_breakpoints_that_interpolation_adds_change_nothing_beyond_half_a_step(
    pair: tuple[Decoded, Decoded],
) -> None:
    old, new = pair
    change = compared(old, new)
    assert change.is_empty
    assert not change.unknown
    assert all(slight.is_rounding for slight in change.slight)


@property_examples
@given(refinements(), st.data())
def test_a_cell_that_is_off_is_listed_at_its_breakpoints(
    pair: tuple[Decoded, Decoded], data: st.DataObject
) -> None:
    old, new = pair
    item = new.layout.definition.tables["fuel"]
    grid = new.grid(item)
    assert grid.x is not None and grid.y is not None
    y, x = (data.draw(st.integers(0, size - 1)) for size in grid.physical.shape)
    raw = grid.raw.astype(np.int64)
    # More than a hundredth of the span, and than two steps of 1 mg in any storage.
    raw[y, x] += 30 + int(raw.max() - raw.min()) // 50
    content = bytearray(new.image.segments[0].data)
    content[item.at : item.at + 2 * raw.size] = raw.astype(">u2").tobytes()
    change = compared(old, decode(new.layout, Image.raw(bytes(content))))
    (listed,) = change.changes.tables
    assert listed.new.x is not None and listed.new.y is not None
    column, row = (
        list(axis).index(value) for axis, value in ((listed.new.x, grid.x[x]), (listed.new.y, grid.y[y]))
    )
    assert listed.changed[row, column]
    # Nothing changes beyond the neighbours of the cell.
    for axis, own, index, along in ((listed.new.x, grid.x, x, 0), (listed.new.y, grid.y, y, 1)):
        reach = own[max(index - 1, 0)], own[min(index + 1, len(own) - 1)]
        touched = axis[listed.changed.any(axis=along)]
        assert ((touched >= reach[0]) & (touched <= reach[1])).all()


@property_examples
@given(pairs(), st.data())
def test_a_carried_rework_has_the_same_change_and_one_further_edit_has_not(
    pair: tuple[Reference, bytes, bytes], data: st.DataObject
) -> None:
    reference, base, rework = pair
    old = reference.decoded(base), reference.decoded(rework)
    new_base = relocated(reference, base)
    done = carry(*old, new_base, left_out=[UNEXPLAINED])
    assume(done.image is not None)
    assert done.image is not None
    names = [*old[0].layout.definition.tables, *old[0].layout.definition.texts]
    carried = decode(new_base.layout, done.image)
    result = compare_carried(old, (new_base, carried), names)
    assert not any(table.differs.any() for table in result.tables)
    assert all(text.is_same for text in result.texts)
    # A rework may put the breakpoints of a table into order, which its base has not.
    assert {item.cause for item in result.unjudged} <= {Obstacle.AXES_NOT_MONOTONIC}

    cell = data.draw(st.integers(0, carried.layout.size - 1))
    item, _, _ = carried.layout.place(cell)
    assume(not isinstance(item, StoredAxis) and carried.present[cell] and not carried.off[cell])
    spoilt, value = _with_other_bits(carried, cell)
    # Another value, and no off code: a change of the sign of zero is none.
    assume(np.isfinite(value) and value != carried.physical[cell] and not spoilt.off[cell])
    # The difference of floats, and of the largest numbers, is rounded by more than their lowest bit; the
    # steps of other conversions may be of very different sizes.
    assume(np.isfinite(carried.physical[cell]) and item.storage.type.is_integer)
    number = carried.layout.table_items[item.name]
    assume(all(np.abs(of.raw_of(number).astype(float)).max() < 2**31 for of in (*old, new_base, carried)))
    assume(isinstance(carried.layout.definition.conversion_of(item), Linear | States))
    result = compare_carried(old, (new_base, spoilt), names)
    judged = {table.table.name for table in result.tables if not table.is_same}
    judged |= {unjudged.name for unjudged in result.unjudged}
    assert item.name in judged


def _with_other_bits(decoded: Decoded, cell: int) -> tuple[Decoded, float]:
    """The image with a cell that has another lowest bit, and the value that it then has."""
    group = decoded.layout.groups[decoded.layout.group_of(cell)]
    raw = [numbers.copy() for numbers in decoded.raw]
    bits = raw[decoded.layout.group_of(cell)].view(f"u{group.type.size}")
    bits[cell - group.cells.start] ^= 1
    changed = np.zeros(decoded.layout.size, bool)
    changed[cell] = True
    spoilt = decode(decoded.layout, encode(decoded, raw, changed, {}))
    return spoilt, float(spoilt.physical[cell])
