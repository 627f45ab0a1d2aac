"""What a definition says of bytes is what is read from them, and what is written to them reads back."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from callint.decoding.conversions import quantise
from callint.decoding.encode import encode
from callint.reporting.definition.xml import definition_lines
from tests.building import read
from tests.laws.trying import laws
from tests.laws.worlds import PLAIN, Item, Linear, Pointwise, Quotient, World, edited, edits, images, worlds
from tests.running import REPOSITORY, call
from tests.test_definition_xml import bare

#: Doubles have 53 bits; a few operations lose the last ones.
_ROUNDING = Fraction(1, 2**49)


@cache
def _xsd() -> etree.XMLSchema:
    """The schema that ``callint schema definition`` prints."""
    return etree.XMLSchema(etree.fromstring(call("schema", "definition", cwd=REPOSITORY).stdout.encode()))


@laws
@given(worlds())
def test_every_definition_that_keeps_to_the_printed_schema_is_read_whole(world: World) -> None:
    assert _xsd().validate(etree.fromstring(world.xml())), _xsd().error_log
    definition = world.definition
    assert list(definition.tables) == [table.name for table in world.tables]
    assert len(world.layout.items) == len(world.items)


@laws
@given(worlds())
def test_a_definition_that_is_written_reads_back_as_the_same_model(world: World) -> None:
    written = "".join(definition_lines(world.definition)).encode()
    assert bare(read(written)) == bare(world.definition)
    assert "".join(definition_lines(read(written))).encode() == written


@laws
@given(st.data())
def test_every_cell_is_what_a_plain_reading_of_its_bytes_gives(data: st.DataObject) -> None:
    world = data.draw(worlds())
    image = data.draw(images(world))
    decoded = world.decoded(image)
    for item in world.items:
        number = (world.layout.axis_items if item.kind == "axis" else world.layout.table_items)[item.name]
        raw, physical = decoded.raw_of(number), decoded.of_item(decoded.physical, number)
        off = decoded.of_item(decoded.off, number)
        assert raw.shape == (item.rows, item.columns)
        for x, y in item.places:
            bits = world.bits(image, item, x, y)
            assert int(raw.view(f"u{item.cells.size}")[y, x]) == bits
            assert bool(off[y, x]) == (item.off is not None and item.cells.number(bits) == item.off)
            _assert_value(item, bits, float(physical[y, x]))


def _assert_value(item: Item, bits: int, found: float) -> None:
    exact = item.physical(bits)
    raw = item.cells.number(bits)
    if exact is None:
        if isinstance(item.conversion, Pointwise) and np.isinf(raw):
            assert found == float(item.conversion.points[-1 if raw > 0 else 0][1])  # held at the ends
        else:
            assert not np.isfinite(found)
        return
    rule = item.conversion or PLAIN
    if isinstance(rule, Linear) and item.cells.is_integer and item.cells.size <= 4:
        assert found == float(exact)  # the double nearest to the true value
        return
    slack = rule.slack(Fraction(raw)) * _ROUNDING
    if abs(exact) + slack > Fraction(np.finfo(float).max):
        return  # beyond what a double holds
    assert abs(Fraction(found) - exact) <= slack + Fraction(float(np.finfo(float).smallest_subnormal))


@laws
@given(st.data())
def test_raw_values_that_are_written_read_back_bit_for_bit_and_nothing_else_changes(
    data: st.DataObject,
) -> None:
    world = data.draw(worlds())
    image = data.draw(images(world))
    changes = data.draw(edits(world, most=8))
    decoded = world.decoded(image)
    raw = [numbers.copy() for numbers in decoded.raw]
    cells = np.zeros(world.layout.size, bool)
    for (name, x, y), bits in changes.items():
        table = world.layout.table_items[name]
        cell = int(world.layout.first[table]) + y * world.layout.shape(table)[1] + x
        group = world.layout.group_of(cell)
        here = world.layout.groups[group].cells
        raw[group].view(f"u{raw[group].itemsize}")[cell - here.start] = bits
        cells[cell] = True
    written = encode(decoded, raw, cells, {}).content.tobytes()
    for item, x, y in world.every_cell:
        expected = changes.get((item.name, x, y), world.bits(image, item, x, y))
        assert world.bits(written, item, x, y) == expected
    without_sums = bytearray(edited(world, image, changes))
    for one in world.sums:
        place, size = one.at - world.start, one.width // 8
        without_sums[place : place + size] = image[place : place + size]
    assert written == bytes(without_sums)


@laws
@given(st.data())
def test_a_physical_value_that_is_stored_is_within_half_a_step(data: st.DataObject) -> None:
    world = data.draw(worlds())
    for item in world.tables:
        rule = item.conversion or PLAIN
        if not item.cells.is_integer or isinstance(rule, Quotient):
            continue
        table = world.definition.tables[item.name]
        conversion = world.definition.conversion_of(table)
        top = min(item.cells.width, 40)
        raw = Fraction(data.draw(st.integers(0, 2**top)), data.draw(st.integers(1, 7)))
        wanted = rule.physical(raw)
        assert wanted is not None
        asked = float(wanted)
        stored = quantise(conversion, table.storage, np.array([asked]))
        if not stored.fits[0]:
            continue
        found = Fraction(int(stored.raw[0]))
        position = rule.raw(Fraction(asked))
        assert position is not None
        if isinstance(rule, Pointwise):
            slopes = [
                Fraction(above - below) / (high - low)
                for (below, low), (above, high) in pairwise(rule.points)
            ]
            steepest = max(slopes)
            rounding = rule.slack(found) * _ROUNDING * max(Fraction(1), steepest) + abs(found) * _ROUNDING
        else:
            factor = rule.factor if isinstance(rule, Linear) else Fraction(1)
            rounding = (rule.slack(found) / abs(factor) + abs(found)) * _ROUNDING
        assert abs(found - position) <= Fraction(1, 2) + rounding


@laws
@given(st.data())
def test_a_stored_value_that_is_stored_again_stays_as_it_is(data: st.DataObject) -> None:
    world = data.draw(worlds())
    image = data.draw(images(world))
    decoded = world.decoded(image)
    for item in world.tables:
        rule = item.conversion or PLAIN
        if not (isinstance(rule, Linear) and item.cells.is_integer and item.cells.size <= 4):
            continue
        table = world.definition.tables[item.name]
        grid = decoded.grid(table)
        again = quantise(world.definition.conversion_of(table), table.storage, grid.physical)
        assert again.fits.all() and np.array_equal(again.raw, grid.raw)
