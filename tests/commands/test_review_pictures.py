"""What a review gives to the pictures of its page: bounds, the base, related tables, moved outputs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.building import u16
from tests.running import (
    CUT,
    GOOD,
    SMOKE,
    Yard,
    edited,
    fuel_cell,
    make_repository_yard,
    make_yard,
    valid,
    yard_base,
    yard_definition,
)

BASE, OLD, NEW = "factory/base.bin", "boats/old.bin", "boats/new.bin"
#: The speed axis has 3300 rpm in place of 3200, the cut is above its bounds, and a cap lies below the fuel.
CHANGED = edited(GOOD, {0x06: u16(3300), CUT: u16(4750), SMOKE + 2: u16(430), fuel_cell(2, 1): u16(470)})
RELATIONS = '<at-most table="fuel" bound="smoke_cap" margin="2"/>'


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> Any:
    yard = make_yard(tmp_path_factory.mktemp("pictures") / "yard", old=GOOD, new=CHANGED)
    yard.write("defs/yard.xml", yard_definition(relations=RELATIONS))
    return reviewed(yard, OLD, NEW)


def reviewed(yard: Yard, old: str, new: str) -> Any:
    output = yard.root.parent / "review.json"
    done = yard.call("review", old, new, "--format", "json", "--output", str(output))
    assert (done.status, done.stderr) == (0, "")
    return valid(json.loads(output.read_text("utf-8")), "review.schema.json")


def tables_of(document: Any) -> dict[str, Any]:
    return {table["name"]: table for table in document["images"][0]["tables"]}


def test_the_bounds_of_a_table_are_its_limits_expected_range_and_guards(document: Any) -> None:
    cut = tables_of(document)["overspeed_cut"]
    assert [(item["kind"], item["side"], item["value"], item["text"]) for item in cut["bounds"]] == [
        ("limit", "below", 3000, "at least 3000 rpm"),
        ("limit", "above", 4800, "at most 4800 rpm"),
        ("expected", "below", 3500, "expected at least 3500 rpm"),
        ("expected", "above", 4600, "expected at most 4600 rpm"),
        ("guard", "above", 4700, "no longer protects above 4700 rpm"),
    ]
    guard = tables_of(document)["smoke_cap"]["bounds"][-1]
    assert guard["text"] == "no longer protects above 95 mg in 50 % of the cells"


def test_the_base_is_there_where_it_differs_from_the_old_image(document: Any) -> None:
    tables = tables_of(document)
    # The old boat has 45 mg in place of 44; only the new one has another axis.
    axis = ["800", "1600", "2400", "3200"]
    assert tables["fuel"]["base"] == {"cells": [[5, 1]], "values": [44], "x": axis}
    assert "base" not in tables["overspeed_cut"]  # the old boat has the cut of the base


def test_two_revisions_are_drawn_beside_the_base_too(tmp_path: Path) -> None:
    yard = make_repository_yard(tmp_path / "yard", boat=GOOD)
    yard.write("boats/boat.bin", edited(GOOD, {fuel_cell(1, 1): u16(460), SMOKE: u16(610)}))
    yard.commit()
    tables = tables_of(reviewed(yard, "HEAD~1", "HEAD"))
    assert tables["fuel"]["base"] == {"cells": [[5, 1]], "values": [44]}
    assert "base" not in tables["smoke_cap"]  # before this change, the boat had the cap of the base


def test_a_review_against_the_base_draws_no_base_beside_it(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", new=CHANGED)
    tables = tables_of(reviewed(yard, BASE, NEW))
    assert [name for name, table in tables.items() if "base" in table] == []
    assert [name for name, table in tables.items() if "relations" in table] == []


def test_a_related_table_is_drawn_at_the_points_at_which_the_relation_is_judged(document: Any) -> None:
    (entry,) = tables_of(document)["fuel"]["relations"]
    assert entry["text"] == "must be at least 2 mg below smoke_cap"
    assert (entry["kind"], entry["name"], entry["broken"]) == ("at-most", "smoke_cap", True)
    # By hand: the caps are 60, 43, 80 and 85 mg; the loads of 40 and 70 mg give more than 41 mg at 1600 rpm.
    assert entry["x"]["at"] == [800, 1600, 2400, 3300]
    assert entry["x"]["values"] == [60, 43, 80, 85] * 3
    assert entry["x"]["breaks"] == [[1, 1600, 45], [2, 800, 70], [2, 1600, 72]]
    # Along the load, the cap is the same for all loads.
    assert entry["y"]["at"] == [10, 40, 70]
    assert entry["y"]["values"] == [60] * 3 + [43] * 3 + [80] * 3 + [85] * 3
    assert entry["y"]["breaks"] == [[0, 70, 70], [1, 40, 45], [1, 70, 72]]


def test_the_bound_shows_the_most_that_the_bounded_table_demands(document: Any) -> None:
    (entry,) = tables_of(document)["smoke_cap"]["relations"]
    assert entry["text"] == "must be at least 2 mg above fuel"
    # The fuel depends on the load too: its largest counts, which is that at 70 mg.
    assert entry["x"]["values"] == [70, 72, 74, 76]
    assert entry["x"]["breaks"] == [[0, 800, 60], [0, 1600, 43]]


def test_moved_breakpoints_bring_the_difference_of_the_outputs(document: Any) -> None:
    """Against NumPy's interpolation at the breakpoints of both images."""
    outputs = tables_of(document)["egr"]["outputs"]
    assert outputs["x"] == [800, 1600, 2400, 3200, 3300]
    assert outputs["x_of"] == [0, 1, 2, 4]
    cells = [30, 24, 12, 3]
    before = np.interp(outputs["x"], [800, 1600, 2400, 3200], cells)
    after = np.interp(outputs["x"], [800, 1600, 2400, 3300], cells)
    np.testing.assert_allclose(outputs["differences"], after - before, rtol=0, atol=1e-6)
    fuel = tables_of(document)["fuel"]["outputs"]
    assert (fuel["y"], fuel["y_of"], len(fuel["differences"])) == ([10, 40, 70], [0, 1, 2], 15)
    assert fuel["differences"][5:10] == [0, 0, 1, pytest.approx(1 / 9 - 2 / 9, abs=1e-6), 0]
    assert "outputs" not in tables_of(document)["overspeed_cut"]


def test_outputs_that_cannot_be_read_have_no_difference(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", new=edited(yard_base(), {0x06: u16(2000)}))
    for table in tables_of(reviewed(yard, BASE, NEW)).values():
        assert table["movement"] == "the movement of its output is unknown"
        assert "outputs" not in table
