"""A curve or map is suggested only if nothing beside it shows that it is a part of a larger table."""

from __future__ import annotations

import numpy as np

from callint.decoding.table_suggestions.certainty import confident
from callint.decoding.table_suggestions.readings import ItemReading
from callint.model.definition import ByteOrder, NumberType, Storage
from callint.model.image import Image
from tests.building import u16

STORAGE = Storage(NumberType.uint16, ByteOrder.BIG, 2)
CURVE = [500, 540, 600, 690, 800, 930, 1060, 1170]


def is_suggested(before: list[int], table: list[int], behind: list[int], rows: int = 1) -> bool:
    columns = len(table) // rows
    reading = ItemReading(2 * len(before), STORAGE, rows, columns, False, 150.0, probability=0.999)
    image = Image.raw(u16(*before, *table, *behind))
    return bool(list(confident([reading], image, 0xFF)))


def surface(rows: int) -> list[int]:
    y, x = np.mgrid[:rows, :8]
    return [int(value) for value in (1000 + 150 * y + 20 * y * y + 9 * x * x).ravel()]


def test_a_curve_between_other_numbers_is_suggested() -> None:
    assert is_suggested([40000] * 8, CURVE, [7] * 8)


def test_a_curve_whose_next_number_follows_is_a_part_of_a_longer_one() -> None:
    assert not is_suggested([40000] * 8, CURVE, [1260, *[7] * 7])
    assert not is_suggested([*[40000] * 7, 470], CURVE, [7] * 8)


def test_a_curve_with_a_row_beside_that_rises_with_it_is_a_row_of_a_map() -> None:
    scaled = [int(1.5 * value) for value in CURVE]
    assert not is_suggested([40000] * 8, CURVE, scaled)
    assert is_suggested([40000] * 8, CURVE, CURVE)  # a copy


def test_a_map_whose_next_row_is_as_near_as_its_own_is_a_part_of_a_larger_one() -> None:
    assert is_suggested([9] * 8, surface(6), [60000] * 8, rows=6)
    whole = surface(7)
    assert not is_suggested([9] * 8, whole[:48], whole[48:], rows=6)
    assert not is_suggested(whole[:8], whole[8:], [60000] * 8, rows=6)


def test_two_copies_of_a_map_are_not_one_map() -> None:
    assert not is_suggested([9] * 8, [*surface(4), *surface(4)], [60000] * 8, rows=8)


def test_a_table_that_begins_or_ends_with_fill_is_not_suggested() -> None:
    assert not is_suggested([9] * 8, [*CURVE[:7], 0xFFFF], [9] * 8)
