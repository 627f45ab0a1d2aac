"""What callint reads of a description is what the published ASAP2 reader xba2l reads, field by field.

xba2l guesses the encoding of a file unless it is given. It does not keep the places of blocks.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from xba2l.a2l_base import Options
from xba2l.a2l_util import parse_a2l

from benchmarks.descriptions import write_description
from callint.reading.asap2.nodes import Description
from callint.reading.asap2.parser import read_asap2
from tests.outside.test_asap2_reader import DEMO, completed, exported, shipped

KEYWORDS = ("FNC_VALUES", "AXIS_PTS_X", "AXIS_PTS_Y", "NO_AXIS_PTS_X", "AXIS_RESCALE_X", "NO_RESCALE_X")


def other_reading(path: Path) -> Any:
    options = Options()
    options.ignore_measurements = False
    error, _, module = parse_a2l(str(path), encoding="utf-8-sig", options=options)
    assert error is None, error
    return module


@pytest.fixture(scope="module", params=["completed demo", "generated", "exported"])
def both(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Description, Any]:
    """A description as callint reads it, and as the other reader does."""
    path = tmp_path_factory.mktemp("asap2") / "description.a2l"
    if request.param == "generated":
        write_description(path, 80)
    elif request.param == "exported":
        path.write_text(exported(), "utf-8")
    else:
        path.write_text(completed(shipped(DEMO).decode("latin-1")), "utf-8")
    return read_asap2(path), other_reading(path)


def optional(item: Any, name: str) -> Any:
    return None if item is None else getattr(item, name)


def test_both_read_the_same_tables_at_the_same_addresses_with_the_same_limits(
    both: tuple[Description, Any],
) -> None:
    here, there = both
    assert len(here.characteristics) >= 54
    assert {
        name: (item.type, item.address, item.layout, item.conversion, item.limits.low, item.limits.high)
        for name, item in here.characteristics.items()
    } == {
        item.name: (
            item.type,
            item.address,
            item.record_layout,
            item.conversion,
            item.lower_limit,
            item.upper_limit,
        )
        for item in there.characteristics
    }


def test_both_read_the_same_axes_of_tables(both: tuple[Description, Any]) -> None:
    here, there = both
    assert {
        name: [
            (axis.attribute, axis.input, axis.conversion, axis.points, axis.limits.low, axis.limits.high)
            for axis in item.axes
        ]
        for name, item in here.characteristics.items()
    } == {
        item.name: [
            (
                axis.attribute,
                axis.input_quantity,
                axis.conversion,
                axis.max_axis_points,
                axis.lower_limit,
                axis.upper_limit,
            )
            for axis in item.axis_descrs or ()
        ]
        for item in there.characteristics
    }


def test_both_read_the_same_shared_axes(both: tuple[Description, Any]) -> None:
    here, there = both
    assert {
        name: (item.address, item.input, item.layout, item.conversion, item.points, item.limits.low)
        for name, item in here.axes.items()
    } == {
        item.name: (
            item.address,
            item.input_quantity,
            item.record_layout,
            item.conversion,
            item.max_axis_points,
            item.lower_limit,
        )
        for item in there.axis_ptses
    }


def test_both_read_the_same_conversions(both: tuple[Description, Any]) -> None:
    here, there = both
    assert {
        name: (item.type, item.unit, item.numbers, item.table) for name, item in here.methods.items()
    } == {
        item.name: (
            item.conversion_type,
            item.unit,
            tuple(item.coeffs or item.coeffs_linear or ()),
            item.compu_tab_ref or "",
        )
        for item in there.compu_methods
    }
    assert {
        name: [(row[0], str(row[-1])) for row in item.rows]
        for name, item in here.conversion_tables.items()
        if item.kind == "COMPU_VTAB"
    } == {item.name: list(item.pair_values) for item in there.compu_vtabs}


def test_both_read_the_same_types_in_records(both: tuple[Description, Any]) -> None:
    here, there = both
    compared = 0
    for item in there.record_layouts:
        elements = {element.keyword: element for element in here.layouts[item.name].elements}
        for keyword in KEYWORDS:
            part = getattr(item, keyword.lower())
            mine = elements.get(keyword)
            assert (part is None) == (mine is None), (item.name, keyword)
            if part is not None and mine is not None:
                assert (part.position, part.data_type) == (mine.position, mine.arguments[0])
                compared += 1
    assert compared >= 3
