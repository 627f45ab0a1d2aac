"""Rescale axes (RES_AXIS) and curve axes (CURVE_AXIS) of a description become derived axes.

The order of the parts of a pair, the breakpoint and then its virtual value, is from memory of ASAM MCD-2 MC.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from callint.decoding.computed_axes import with_computed_axes
from callint.decoding.decode import decode
from callint.decoding.layout import make_layout
from callint.model.cell_demands import Gradient
from callint.model.definition import Definition, StoredAxis
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.image import Image
from callint.reading.asap2.build import Imported
from tests.building import u16
from tests.describing import axis, cells, imported, made, reasons, value

RECORD = (
    "/begin RECORD_LAYOUT PAIRS NO_RESCALE_X 1 UBYTE NO_AXIS_PTS_X 2 UBYTE RESERVED 3 BYTE "
    "AXIS_RESCALE_X 4 UBYTE 4 {0} DIRECT /end RECORD_LAYOUT "
    "/begin RECORD_LAYOUT ALONE AXIS_RESCALE_X 1 UBYTE 1 INDEX_INCR DIRECT /end RECORD_LAYOUT "
    "/begin RECORD_LAYOUT BYTES FNC_VALUES 1 UBYTE ROW_DIR DIRECT /end RECORD_LAYOUT"
)
ON_SPEEDS = axis("RES_AXIS", 5, "MAX_GRAD 3 MONOTONY MON_INCREASE AXIS_PTS_REF SPEEDS")


def points(layout: str = "PAIRS", rest: str = "") -> str:
    parameters = f'SPEEDS "Speeds" 0x20 NO_INPUT_QUANTITY {layout} 0 SPEED 5 0 6000'
    return f"/begin AXIS_PTS {parameters} {rest} /end AXIS_PTS"


def rescaled(folder: Path, layout: str = "PAIRS", index: str = "INDEX_INCR", rest: str = "") -> Imported:
    curve = value("C", ON_SPEEDS, type="CURVE", at="0x40")
    return imported(folder, RECORD.format(index), points(layout, rest), curve)


def an_image(used: int, *pairs: tuple[int, int], values: bytes = u16(10, 20, 30, 40, 50)) -> bytes:
    stored = [number for pair in pairs for number in pair]
    return bytes(0x20) + bytes([used, 5, 0, *stored]).ljust(0x20, b"\xff") + values


def breakpoints(definition: Definition, data: bytes, name: str = "SPEEDS") -> list[float]:
    values: list[float] = decode(make_layout(definition), Image.raw(data)).breakpoints(name).tolist()
    return values


FOUR = (50, 0), (100, 128), (150, 192), (200, 255)


def test_a_rescale_axis_follows_from_its_pairs_in_every_image(tmp_path: Path) -> None:
    result = rescaled(tmp_path)
    definition = made(result)
    assert (reasons(result), result.is_complete) == ([], True)
    assert definition.axes["SPEEDS"] == DerivedAxis("SPEEDS", "N", "SPEEDS.pairs", Derivation.RESCALED, 5, 0)
    assert definition.tables["C"].x == "SPEEDS"
    assert definition.tables["C"].demands.gradients == (Gradient("x", 3, 0),)
    # 20 rpm a step; at 0, 64, 128, 192 and 255.
    assert breakpoints(definition, an_image(4, *FOUR)) == [1000, 1500, 2000, 3000, 4000]
    other = (60, 0), (80, 64), (150, 192), (200, 255)
    assert breakpoints(definition, an_image(4, *other)) == [1200, 1600, 2300, 3000, 4000]


def test_its_stored_numbers_are_kept(tmp_path: Path) -> None:
    definition = made(rescaled(tmp_path))
    data = an_image(4, *FOUR)
    assert cells(definition, data, "SPEEDS.pairs") == [1000, 2000, 3000, 4000]
    assert cells(definition, data, "SPEEDS.no_axis_pts_x") == [5]
    assert definition.tables["SPEEDS.no_axis_pts_x"].demands.change == 0
    virtual = definition.axes["SPEEDS.pairs/x"]
    assert isinstance(virtual, StoredAxis) and virtual.stored_count is not None
    assert (virtual.at, virtual.storage.stride, virtual.stored_count.at) == (0x24, 2, 0x20)


def test_an_image_gives_the_number_of_pairs_that_it_uses(tmp_path: Path) -> None:
    data = an_image(3, (50, 0), (100, 128), (200, 255), (0, 0))
    result = with_computed_axes(rescaled(tmp_path), Image.raw(data), "base.bin")
    definition = made(result)
    assert definition.axes["SPEEDS.pairs/x"].count == 3
    assert breakpoints(definition, data) == pytest.approx([1000, 1500, 2000, 2000 + 2000 * 64 / 127, 4000])


def test_pairs_stored_backwards_rise(tmp_path: Path) -> None:
    definition = made(rescaled(tmp_path, index="INDEX_DECR"))
    assert breakpoints(definition, an_image(4, *reversed(FOUR))) == [1000, 1500, 2000, 3000, 4000]


def test_falling_breakpoints_turn_the_cells_round(tmp_path: Path) -> None:
    definition = made(rescaled(tmp_path, rest="MONOTONY STRICT_DECREASE"))
    falling = (200, 0), (150, 128), (100, 192), (50, 255)
    data = an_image(4, *falling)
    assert breakpoints(definition, data) == [1000, 2000, 3000, 3500, 4000]
    assert cells(definition, data, "C") == [5, 4, 3, 2, 1]


def test_a_single_pair_is_listed(tmp_path: Path) -> None:
    result = rescaled(tmp_path, layout="ALONE")
    assert ("SPEEDS", "its RECORD_LAYOUT ALONE has less than two pairs in AXIS_RESCALE_X") in reasons(result)
    assert ("C", "the AXIS_PTS of its RES_AXIS is not kept; its axis counts cells instead") in reasons(result)
    assert not made(result).derived_axes


def curved(folder: Path, reference: str = "ROWS") -> Imported:
    on_rows = axis("CURVE_AXIS", 3, f"CURVE_AXIS_REF {reference}")
    return imported(
        folder,
        RECORD.format("INDEX_INCR"),
        value("A", on_rows, type="CURVE", at="0x10"),
        value("B", on_rows, type="CURVE", at="0x18"),
        value(
            "ROWS",
            axis("FIX_AXIS", 3, "FIX_AXIS_PAR_DIST 50 50 3"),
            type="CURVE",
            layout="BYTES",
            at="0x20",
            method="NO_COMPU_METHOD",
        ),
    )


def test_tables_over_one_curve_share_the_axis_that_follows_from_it(tmp_path: Path) -> None:
    result = curved(tmp_path)
    definition = made(result)
    assert (reasons(result), [axis.name for axis in definition.derived_axes]) == ([], ["ROWS.axis_3"])
    assert {definition.tables[name].x for name in "AB"} == {"ROWS.axis_3"}
    data = bytes(0x10) + u16(10, 20, 30, 0, 40, 50, 60, 0) + bytes([0, 1, 2])
    assert breakpoints(definition, data, "ROWS.axis_3") == [1000, 2000, 3000]


def test_a_factory_image_shows_that_the_curve_falls(tmp_path: Path) -> None:
    data = bytes(0x10) + u16(10, 20, 30, 0, 40, 50, 60, 0) + bytes([2, 1, 0])
    definition = made(with_computed_axes(curved(tmp_path), Image.raw(data), "base.bin"))
    assert breakpoints(definition, data, "ROWS.axis_3") == [1000, 2000, 3000]
    assert cells(definition, data, "A") == [3, 2, 1]


def test_a_curve_that_is_not_kept_is_listed(tmp_path: Path) -> None:
    result = curved(tmp_path, reference="OTHER")
    listed = [name for name, reason in reasons(result) if "its CURVE_AXIS follows from OTHER" in reason]
    assert listed == ["A", "B"] and not made(result).derived_axes
