"""The related tables that a review draws, against SciPy and against the judgement of the relation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from callint.comparing.relation_lines import is_broken, lines_along
from callint.model.definition import Range, Relation
from tests.example_counts import examples
from tests.outside.test_surfaces import CLOSE, KINDS, by_scipy, made, round_trips, tables

SHAPES = [
    ((), ()),
    ((), ("speed",)),
    (("speed",), ("speed",)),
    (("speed",), ("speed", "load")),
    (("speed", "load"), ("speed",)),
    (("speed", "load"), ("load", "speed")),
]


def relation(kind: str, amount: float) -> Relation:
    return Relation(kind, "first", "second", amount, 1)


@pytest.mark.parametrize(("item", "other"), SHAPES, ids=[f"{len(a)} and {len(b)} signals" for a, b in SHAPES])
@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data(), amount=st.integers(-80, 80), is_first=st.booleans())
@examples(15)
def test_lines_show_the_other_table_and_break_where_the_relation_does(
    kind: str, item: tuple[str, ...], other: tuple[str, ...], data: st.DataObject, amount: int, is_first: bool
) -> None:
    table, related = data.draw(tables(*item)), data.draw(tables(*other))
    asked = relation(kind, amount / 8)
    ordered = (table, related) if is_first else (related, table)
    pair = made(ordered[0]), made(ordered[1])
    reads = by_scipy(table), by_scipy(related)
    broken = is_broken(asked, pair, {})
    marks = 0
    for signal in item or ("",):
        lines = lines_along(asked, pair, is_first, signal, {})
        if lines is None:
            assert not broken  # no operating point in common
            continue
        across = [name for name in item if name != signal]
        rows = table[0][across[0]] if across else [0.0]
        for row, fixed in enumerate(rows):
            drawn = np.isfinite(lines.values[row])
            points = {signal: lines.at[row][drawn], **{name: np.full(drawn.sum(), fixed) for name in across}}
            if set(other) <= set(item):
                np.testing.assert_allclose(reads[1](points), lines.values[row][drawn], rtol=0, atol=CLOSE)
            at_break = np.isfinite(lines.broken_at[row])
            marks += int(at_break.sum())
            places = {
                signal: lines.broken_at[row][at_break],
                **{name: np.full(at_break.sum(), fixed) for name in across},
            }
            np.testing.assert_allclose(reads[0](places), lines.broken[row][at_break], rtol=0, atol=CLOSE)
            values = lines.broken[row][at_break], lines.values[row][at_break]
            missed = KINDS[kind][1](*(values if is_first else values[::-1]), amount / 8)
            assert (missed > 0).all()
    # Between the lines of a map, a relation may be broken without a mark.
    assert bool(marks) == broken if len(item) < 2 else not marks or broken


@given(pair=round_trips(), is_first=st.booleans())
@examples(60)
def test_an_inverse_is_drawn_mirrored_and_breaks_only_if_the_round_trip_does(
    pair: tuple[tuple[dict[str, list[float]], list[float]], ...], is_first: bool
) -> None:
    asked = relation("inverse", 0.5)
    table, other = pair if is_first else pair[::-1]
    own, back = ("torque", "load") if is_first else ("load", "torque")
    surfaces = made(pair[0]), made(pair[1])
    lines = lines_along(asked, surfaces, is_first, own, {})
    if lines is None:
        return
    read = by_scipy(other)
    rows = table[0].get("speed", [0.0]) if "speed" in other[0] else [0.0]
    for row, speed in enumerate(rows):
        points = {back: lines.values[row], "speed": np.full(lines.values.shape[1], speed)}
        np.testing.assert_allclose(read(points), lines.at[row], rtol=0, atol=CLOSE)
    if np.isfinite(lines.broken_at).any():
        assert is_broken(asked, surfaces, {})
    elif "speed" not in table[0]:
        assert not is_broken(asked, surfaces, {})


def test_no_line_is_drawn_where_the_relation_need_not_hold() -> None:
    speeds = [1000.0, 2000.0, 3000.0]
    pair = made(({"speed": speeds}, [10.0, 20.0, 30.0])), made(({"speed": speeds}, [15.0, 15.0, 15.0]))
    lines = lines_along(relation("at-most", 0.0), pair, True, "speed", {"speed": Range(1000, 1500)})
    assert lines is not None
    assert lines.at.tolist() == [[1000.0, 1500.0]]
    assert not np.isfinite(lines.broken_at).any()
    wider = lines_along(relation("at-most", 0.0), pair, True, "speed", {"speed": Range(1000, 1750)})
    assert wider is not None
    assert np.nanmax(wider.broken_at) == 1750
    assert np.nanmax(wider.broken) == 17.5


def test_a_line_dips_where_the_bound_does_between_two_breakpoints() -> None:
    """The example of relation/exceeds-bound: neither cell of the demand is above the ceiling."""
    demand = made(({"speed": [2000.0, 3000.0]}, [1180.0, 1240.0]))
    ceiling = made(({"speed": [2000.0, 2500.0, 3000.0]}, [1300.0, 1200.0, 1300.0]))
    lines = lines_along(relation("at-most", 0.0), (demand, ceiling), True, "speed", {})
    assert lines is not None
    assert lines.values.tolist() == [[1300.0, 1200.0, 1300.0]]
    np.testing.assert_array_equal(lines.broken_at, [[np.nan, 2500.0, np.nan]])
    np.testing.assert_array_equal(lines.broken, [[np.nan, 1210.0, np.nan]])
