"""What a cell stores for a wanted value: the nearest number, a state, the off code, or nothing."""

from __future__ import annotations

import math
import struct
from fractions import Fraction

import numpy as np
import pytest

from callint.decoding.decode import Decoded, decode
from callint.decoding.stored_values import Outcome, StoredValues, WantedValues, stored_values, write_values
from callint.model.image import Image, Segment
from tests.building import decoded, definition_xml, u16

CONVERSIONS = """
    <linear name="bar" unit="bar" factor="0.5" offset="10"/>
    <states name="switch">
      <state raw="0">open</state><state raw="1">shut</state><state raw="3">shut</state>
    </states>
    <interpolated name="bent" unit="%">
      <point raw="0" physical="0"/><point raw="100" physical="50"/><point raw="200" physical="50"/>
    </interpolated>
"""
TABLES = """
    <map name="rail" title="Rail" purpose="demand" at="0" type="uint16" conversion="bar">
      <x><fixed-axis signal="speed" values="1 2"/></x><y><fixed-axis signal="load" values="1 2"/></y>
    </map>
    <scalar name="valve" title="Valve" purpose="general" at="8" type="uint8" conversion="switch"/>
    <scalar name="trim" title="Trim" purpose="general" at="9" type="int8">
      <off raw="-1" allowed="anywhere"/>
    </scalar>
    <scalar name="opening" title="Opening" purpose="general" at="10" type="uint8" conversion="bent"/>
    <scalar name="low" title="Low" purpose="general" at="11" type="uint8" mask="0x0F"/>
    <scalar name="both" title="Both" purpose="general" at="11" type="uint8"/>
    <scalar name="real" title="Real" purpose="general" at="12" type="float32"/>
    <scalar name="count" title="Count" purpose="general" at="16" type="uint64"/>
"""
XML = definition_xml(TABLES, conversions=CONVERSIONS, size=64)
DATA = u16(0, 1, 2, 3) + bytes([3, 5, 150, 0xA7]) + struct.pack(">fQ", 0.1, 2**53 + 1) + bytes(40)


def image() -> Decoded:
    return decoded(XML, DATA)


def store(table: str, *values: float | str | None, exact: dict[int, Fraction] | None = None) -> StoredValues:
    """What a table of the image stores for numbers, names, and cells that are to stay (None)."""
    item = image().layout.table_items[table]
    shape = image().layout.shape(item)
    numbers = np.array(
        [value if isinstance(value, float | int) else math.nan for value in values], np.float64
    )
    names = tuple(value for value in values if isinstance(value, str))
    indexes = np.array([names.index(value) if isinstance(value, str) else -1 for value in values])
    wanted = WantedValues(numbers.reshape(shape), indexes.reshape(shape), names, exact or {})
    return stored_values(image(), item, wanted)


def outcome(stored: StoredValues) -> list[Outcome]:
    return [Outcome(value) for value in stored.outcomes.ravel().tolist()]


def test_a_number_is_stored_as_the_nearest_one_and_a_difference_is_reported() -> None:
    stored = store("rail", 20.0, 20.3, None, 11.5)
    assert stored.raw.tolist() == [[20, 21], [2, 3]]
    assert outcome(stored) == [Outcome.STORED, Outcome.STORED, Outcome.KEPT, Outcome.KEPT]
    assert stored.physical.tolist() == [[20, 20.5], [11, 11.5]]
    assert stored.differs.tolist() == [[False, True], [False, False]]


@pytest.mark.parametrize("value", [9.7, 32777.8, math.inf, -math.inf])
def test_a_number_beyond_the_storage_is_refused_and_nothing_changes(value: float) -> None:
    stored = store("rail", value, None, None, None)
    assert outcome(stored)[0] is Outcome.UNSTORABLE and stored.refused[0, 0]
    assert stored.raw.tolist() == [[0, 1], [2, 3]]


def test_a_state_goes_by_its_name_and_one_with_the_same_name_stays() -> None:
    assert outcome(store("valve", "shut")) == [Outcome.KEPT]
    assert store("valve", "open").raw.tolist() == [[0]]
    assert outcome(store("valve", "ajar")) == [Outcome.UNKNOWN_NAME]
    # A raw number without a name is a value too.
    assert store("valve", 2.0).raw.tolist() == [[2]]


def test_the_off_code_goes_by_its_name_alone() -> None:
    assert store("trim", "off").raw.tolist() == [[-1]]
    assert outcome(store("trim", -1.0)) == [Outcome.OFF_CODE]
    assert outcome(store("trim", -0.6)) == [Outcome.OFF_CODE]
    assert outcome(store("opening", "off")) == [Outcome.UNKNOWN_NAME]


def test_a_value_that_several_numbers_have_keeps_its_bits() -> None:
    assert (outcome(store("opening", 50.0)), store("opening", 50.0).raw.tolist()) == ([Outcome.KEPT], [[150]])
    assert outcome(store("opening", 50.1)) == [Outcome.UNSTORABLE]


def test_whole_numbers_that_doubles_cannot_tell_apart_are_exact() -> None:
    same, next_one = Fraction(2**53 + 1), Fraction(2**53 + 2)
    assert outcome(store("count", float(same), exact={0: same})) == [Outcome.KEPT]
    stored = store("count", float(next_one), exact={0: next_one})
    assert (stored.raw.tolist(), stored.differs.tolist()) == ([[2**53 + 2]], [[False]])
    most = Fraction(2**64)
    assert outcome(store("count", float(most), exact={0: most})) == [Outcome.UNSTORABLE]


def test_a_float_is_stored_as_the_nearest_float_and_the_difference_is_reported() -> None:
    stored = store("real", 0.2)
    assert stored.raw.tobytes() == np.float32(0.2).tobytes() and stored.differs.all()


def test_cells_that_the_image_lacks_are_refused() -> None:
    whole = image()
    part = decode(whole.layout, Image((Segment(0, DATA[:6]),), is_part=True))
    item = part.layout.table_items["rail"]
    stored = stored_values(part, item, WantedValues(np.full((2, 2), 20.0), np.full((2, 2), -1)))
    assert outcome(stored) == [Outcome.STORED] * 3 + [Outcome.MISSING]
    written, overwritten = write_values(part, {item: stored})
    assert isinstance(written, Image) and overwritten == ()
    assert written.content[:6].tobytes() == u16(20, 20, 20) and whole.image.content[:6].tobytes() == DATA[:6]


def test_items_that_overwrite_each_other_are_named() -> None:
    items = image().layout.table_items
    values = {items["low"]: store("low", 1.0), items["both"]: store("both", 2.0)}
    written, overwritten = write_values(image(), values)
    assert overwritten and set(overwritten) < {items["low"], items["both"]}
    alone, none = write_values(image(), {items["low"]: store("low", 1.0)})
    assert (alone.content[11], none) == (0xA1, ())
    assert written.content[12:].tobytes() == DATA[12:]
