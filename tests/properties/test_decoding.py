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
from tests.example_counts import property_examples
from tests.properties.strategies import (
    PLAIN,
    Item,
    Linear,
    Pointwise,
    Quotient,
    Reference,
    edited,
    edits,
    images,
    references,
)
from tests.running import REPOSITORY, call
from tests.test_definition_xml import bare

#: Doubles have 53 bits; a few operations lose the last ones.
_ROUNDING = Fraction(1, 2**49)


@cache
def _xsd() -> etree.XMLSchema:
    """The schema that ``callint schema definition`` prints."""
    return etree.XMLSchema(etree.fromstring(call("schema", "definition", cwd=REPOSITORY).stdout.encode()))


@property_examples
@given(references())
def test_every_definition_that_keeps_to_the_printed_schema_is_read_whole(
    reference: Reference,
) -> None:
    assert _xsd().validate(etree.fromstring(reference.xml())), _xsd().error_log
    definition = reference.definition
    assert list(definition.tables) == [table.name for table in reference.tables]
    assert len(reference.layout.items) == len(reference.items)


@property_examples
@given(references())
def test_a_definition_that_is_written_reads_back_as_the_same_model(reference: Reference) -> None:
    written = "".join(definition_lines(reference.definition)).encode()
    assert bare(read(written)) == bare(reference.definition)
    assert "".join(definition_lines(read(written))).encode() == written


@property_examples
@given(st.data())
def test_every_cell_is_what_a_plain_reading_of_its_bytes_gives(data: st.DataObject) -> None:
    reference = data.draw(references())
    image = data.draw(images(reference))
    decoded = reference.decoded(image)
    for item in reference.items:
        number = (reference.layout.axis_items if item.kind == "axis" else reference.layout.table_items)[
            item.name
        ]
        raw, physical = decoded.raw_of(number), decoded.of_item(decoded.physical, number)
        off = decoded.of_item(decoded.off, number)
        assert raw.shape == (item.rows, item.columns)
        for x, y in item.places:
            bits = reference.bits(image, item, x, y)
            assert int(raw.view(f"u{item.cells.size}")[y, x]) == bits
            assert bool(off[y, x]) == (item.off is not None and item.cells.number(bits) == item.off)
            _assert_value(item, bits, float(physical[y, x]))


def _assert_value(item: Item, bits: int, result: float) -> None:
    exact = item.physical(bits)
    raw = item.cells.number(bits)
    if exact is None:
        assert not np.isfinite(result)
        return
    rule = item.conversion or PLAIN
    if isinstance(rule, Linear) and item.cells.is_integer and item.cells.size <= 4:
        assert result == float(exact)  # the double nearest to the true value
        return
    slack = rule.slack(Fraction(raw)) * _ROUNDING
    if abs(exact) + slack > Fraction(np.finfo(float).max):
        return  # beyond what a double holds
    assert abs(Fraction(result) - exact) <= slack + Fraction(float(np.finfo(float).smallest_subnormal))


@property_examples
@given(st.data())
def test_raw_values_that_are_written_read_back_bit_for_bit_and_nothing_else_changes(
    data: st.DataObject,
) -> None:
    reference = data.draw(references())
    image = data.draw(images(reference))
    changes = data.draw(edits(reference, most=8))
    decoded = reference.decoded(image)
    raw = [numbers.copy() for numbers in decoded.raw]
    cells = np.zeros(reference.layout.size, bool)
    for (name, x, y), bits in changes.items():
        table = reference.layout.table_items[name]
        cell = int(reference.layout.first[table]) + y * reference.layout.shape(table)[1] + x
        group = reference.layout.group_of(cell)
        here = reference.layout.groups[group].cells
        raw[group].view(f"u{raw[group].itemsize}")[cell - here.start] = bits
        cells[cell] = True
    written = encode(decoded, raw, cells, {}).content.tobytes()
    for item, x, y in reference.every_cell:
        expected = changes.get((item.name, x, y), reference.bits(image, item, x, y))
        assert reference.bits(written, item, x, y) == expected
    without_sums = bytearray(edited(reference, image, changes))
    for checksum in reference.sums:
        place, size = checksum.at - reference.start, checksum.width // 8
        without_sums[place : place + size] = image[place : place + size]
    assert written == bytes(without_sums)


@property_examples
@given(st.data())
def test_a_physical_value_that_is_stored_is_within_half_a_step(data: st.DataObject) -> None:
    reference = data.draw(references())
    for item in reference.tables:
        rule = item.conversion or PLAIN
        if not item.cells.is_integer or isinstance(rule, Quotient):
            continue
        table = reference.definition.tables[item.name]
        conversion = reference.definition.conversion_of(table)
        top = min(item.cells.width, 40)
        raw = Fraction(data.draw(st.integers(0, 2**top)), data.draw(st.integers(1, 7)))
        wanted = rule.physical(raw)
        assert wanted is not None
        asked = float(wanted)
        stored = quantise(conversion, table.storage, np.array([asked]))
        if not stored.fits[0]:
            continue
        result = Fraction(int(stored.raw[0]))
        position = rule.raw(Fraction(asked))
        assert position is not None
        if isinstance(rule, Pointwise):
            slopes = [
                Fraction(above - below) / (high - low)
                for (below, low), (above, high) in pairwise(rule.points)
            ]
            steepest = max(slopes)
            rounding = rule.slack(result) * _ROUNDING * max(Fraction(1), steepest) + abs(result) * _ROUNDING
        else:
            factor = rule.factor if isinstance(rule, Linear) else Fraction(1)
            rounding = (rule.slack(result) / abs(factor) + abs(result)) * _ROUNDING
        assert abs(result - position) <= Fraction(1, 2) + rounding


@property_examples
@given(st.data())
def test_a_stored_value_that_is_stored_again_stays_as_it_is(data: st.DataObject) -> None:
    reference = data.draw(references())
    image = data.draw(images(reference))
    decoded = reference.decoded(image)
    for item in reference.tables:
        rule = item.conversion or PLAIN
        if not (isinstance(rule, Linear) and item.cells.is_integer and item.cells.size <= 4):
            continue
        table = reference.definition.tables[item.name]
        grid = decoded.grid(table)
        again = quantise(reference.definition.conversion_of(table), table.storage, grid.physical)
        assert again.fits.all() and np.array_equal(again.raw, grid.raw)
