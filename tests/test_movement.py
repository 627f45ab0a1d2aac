"""The movement of an output in unusual tables and images."""

from __future__ import annotations

import math
import struct

import pytest

from callint.comparing.compare import compare, selected
from callint.model.change import ChangeSet, OutputShift
from callint.reporting.changes.json import changes_document
from tests.building import decoded, definition_xml, image, u16
from tests.rules.example import axis, table
from tests.running import valid

AXIS = '<axis signal="{}" at="{}" type="uint16" conversion="rpm" count="{}"/>'
OFF = '<off raw="65535" allowed="anywhere"/>'


def changes(xml: bytes, old: bytes, new: bytes) -> ChangeSet:
    return compare(decoded(xml, old), decoded(xml, new))


def only(result: ChangeSet) -> OutputShift:
    (movement,) = result.output_shifts
    return movement


def curve(*cells: int, speeds: tuple[int, ...]) -> bytes:
    return image(at_0=u16(*speeds), at_20=u16(*cells))


def curve_xml(count: int) -> bytes:
    return definition_xml(
        table("curve", "fuel", f"<x>{AXIS.format('speed', 0, count)}</x>{OFF}", at=20, conversion="rpm")
    )


def test_a_table_without_changed_axes_has_no_shift() -> None:
    xml = curve_xml(2)
    old, new = curve(1, 2, speeds=(10, 20)), curve(1, 3, speeds=(10, 20))
    assert changes(xml, old, new).output_shifts == ()
    assert changes(xml, old, old).output_shifts == ()


def test_an_axis_of_one_breakpoint_moves_nothing() -> None:
    result = only(changes(curve_xml(1), curve(7, speeds=(10,)), curve(7, speeds=(20,))))
    assert (result.size, result.is_slight) == (0, True)


def test_falling_breakpoints_are_read_as_reversed_rising_ones() -> None:
    xml = curve_xml(3)
    rising = only(changes(xml, curve(1, 2, 9, speeds=(10, 20, 30)), curve(1, 2, 9, speeds=(10, 24, 30))))
    falling = only(changes(xml, curve(9, 2, 1, speeds=(30, 20, 10)), curve(9, 2, 1, speeds=(30, 24, 10))))
    assert (rising.old, rising.new, rising.at) == (falling.old, falling.new, falling.at)


def test_an_output_may_move_further_than_there_are_numbers() -> None:
    stored = table(
        "curve", "fuel", f"<x>{AXIS.format('speed', 0, 3)}</x>", at=20, type="float64", conversion="rpm"
    )
    old, new = (
        image(at_0=u16(*speeds), at_20=struct.pack(">3d", 0, *cells))
        for speeds, cells in (((10, 20, 30), (-1.7e308, 0)), ((10, 21, 30), (1.7e308, 0)))
    )
    result = only(changes(definition_xml(stored), old, new))
    assert (result.old, result.at) == (-1.7e308, {"speed": 20.0})
    assert not result.is_slight


@pytest.mark.parametrize("speeds", [(10, 20, 20), (10, 30, 20), (20, 20, 20)])
def test_breakpoints_that_repeat_or_turn_back_give_no_movement(speeds: tuple[int, ...]) -> None:
    xml, good = curve_xml(3), curve(1, 2, 3, speeds=(10, 20, 30))
    bad = curve(1, 2, 3, speeds=speeds)
    assert changes(xml, good, bad).output_shifts == changes(xml, bad, good).output_shifts == ()


def test_a_cell_that_is_switched_off_is_not_a_slight_shift() -> None:
    old, new = curve(5, 5, 5, speeds=(10, 20, 30)), curve(5, 5, 65535, speeds=(10, 21, 30))
    result = only(changes(curve_xml(3), old, new))
    assert result.switched
    assert not result.is_slight


def test_a_table_that_is_off_in_one_of_the_images_has_no_largest_movement() -> None:
    old, new = curve(5, 5, 5, speeds=(10, 20, 30)), curve(*[65535] * 3, speeds=(10, 21, 30))
    assert changes(curve_xml(3), old, new).output_shifts == ()


def test_cells_that_an_image_does_not_hold_are_not_switched_off() -> None:
    old, new = curve(5, 6, 7, speeds=(10, 20, 30)), curve(5, 6, 7, speeds=(10, 22, 30))[:24]
    assert not only(changes(curve_xml(3), old, new)).switched


def test_a_map_with_a_row_that_is_off_is_compared_in_its_other_rows() -> None:
    inside = f"<x>{AXIS.format('speed', 0, 2)}</x><y>{AXIS.format('load', 4, 3)}</y>{OFF}"
    xml = definition_xml(table("map", "fuel", inside, at=20, conversion="rpm"))
    cells = (65535, 65535, 1, 2, 3, 9)
    old, new = (image(at_0=u16(10, last, 1, 2, 3), at_20=u16(*cells)) for last in (20, 30))
    result = only(changes(xml, old, new))
    assert not result.switched
    assert result.at == {"speed": 20.0, "load": 3.0}
    assert (result.old, result.new) == (9.0, 6.0)


FLOATS = (
    '\n<curve name="fuel" title="T" purpose="general" at="16" type="float64">'
    '<x><axis signal="speed" at="0" type="float64" count="2"/></x></curve>\n'
)


@pytest.mark.parametrize("odd", [math.nan, math.inf, -math.inf, 1e308, -1e308, 5e-324])
@pytest.mark.parametrize("place", range(4))
def test_numbers_that_are_none_or_hardly_any_keep_the_json_to_its_contract(odd: float, place: int) -> None:
    old, new = [0.0, 10.0, 5.0, 7.0], [0.0, 12.0, 5.0, 7.0]
    new[place] = odd
    xml = definition_xml(FLOATS)
    for item, other in ((old, new), (new, old)):
        result = changes(xml, struct.pack(">4d", *item), struct.pack(">4d", *other))
        valid(changes_document(result, "old", "new", "test.xml"), "changes.schema.json")
        assert all(math.isfinite(number) for m in result.output_shifts for number in (m.old, m.new))


def test_equal_infinite_numbers_have_no_distance_and_huge_ones_an_infinite_one() -> None:
    xml = definition_xml(FLOATS)

    def moved(old: tuple[float, float], new: tuple[float, float]) -> OutputShift:
        images = ((0.0, 10.0, *old), (0.0, 12.0, *new))
        return only(changes(xml, *(struct.pack(">4d", *content) for content in images)))

    result = moved((5.0, math.inf), (5.0, math.inf))
    assert (result.old, result.new, result.at) == (5.0, 5.0, {"speed": 0.0})
    result = moved((-1.7e308, 1.7e308), (-1.7e308, -1.7e308))
    assert (result.old, result.new, result.at) == (1.7e308, -1.7e308, {"speed": 10.0})
    assert (result.span, result.size) == (math.inf, math.inf)


def test_a_selection_of_tables_keeps_the_movements_on_their_axes() -> None:
    xml = definition_xml(
        table("curve", "one", '<x axis="speeds"/>', at=20)
        + table("curve", "two", '<x axis="speeds"/>', at=24)
        + table("curve", "three", '<x axis="others"/>', at=28),
        axes=axis("speeds", at=0) + axis("others", at=4),
    )
    old, new = image(at_0=u16(1, 2, 1, 2)), image(at_0=u16(1, 3, 1, 3))
    result = selected(changes(xml, old, new), {"one"})
    assert [item.table.name for item in result.output_shifts] == ["one", "two"]
