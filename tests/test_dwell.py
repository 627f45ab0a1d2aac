"""The dwell of a logged engine in cells, against plain Python and numbers computed by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from callint.decoding.log_residency import CellTime, LogSummary, LogTime
from callint.decoding.surfaces import Surface
from callint.model.definition import Range, Signal
from callint.model.policy import LogColumns
from callint.reading.logs import Log, LogChunk
from tests.building import table_surface
from tests.example_counts import examples

NONE = math.nan
Row = tuple[float, float, float]
#: The longest step in seconds that is not a gap.
MAX_GAP = 5.0


def piece(rows: Sequence[Row], timed: bool = True) -> LogChunk:
    """Rows of time, speed and load."""
    times, speeds, loads = (np.array([row[n] for row in rows], np.float64) for n in range(3))
    return LogChunk(times if timed else None, {"speed": speeds, "load": loads})


def dwell_of(item: Surface, *pieces: Sequence[Row], timed: bool = True) -> tuple[list[list[float]], LogTime]:
    """The times by cell, row by row, and the clock."""
    dwell = CellTime([item], MAX_GAP)
    for rows in pieces:
        dwell.add(piece(rows, timed))
    times = dwell.of("t")
    assert times is not None
    return times.tolist(), dwell.clock


def used(item: Surface, rows: Sequence[Row], *cells: tuple[int, int]) -> float | None:
    """The time in which any of some cells, by row and column, counts."""
    dwell = CellTime([item], MAX_GAP)
    dwell.add(piece(rows))
    flags = np.zeros(item.grid.physical.shape, bool)
    for cell in cells:
        flags[cell] = True
    return dwell.in_use("t", flags)


def curve(*rows: tuple[float, float], axis: Sequence[float] = (1000, 2000, 3000)) -> list[float]:
    """The times on a curve over speed, of rows of time and speed."""
    times, _ = dwell_of(table_surface(list(axis)), [(time, speed, NONE) for time, speed in rows])
    return times[0]


# Worked by hand


def test_the_time_to_the_next_row_goes_to_the_two_cells_around_by_their_weights() -> None:
    # 2 s at 1250 rpm: a quarter of the way from 1000 to 2000 rpm. Then 1 s at 3000 rpm.
    assert curve((0, 1250), (2, 3000), (3, 3000)) == [1.5, 0.5, 1]


def test_in_a_map_four_cells_share_the_time() -> None:
    # A quarter of the way along speed, half of the way along load.
    times, clock = dwell_of(table_surface([1000, 2000], [0, 50]), [(0, 1250, 25), (4, 1000, 0)])
    assert times == [[1.5, 0.5], [1.5, 0.5]]
    assert clock == LogTime(total=4)


def test_beyond_the_ends_of_an_axis_the_cells_at_the_ends_have_the_time() -> None:
    assert curve((0, 100), (1, 9000), (3, 0)) == [1, 0, 2]


def test_on_a_falling_axis_each_cell_has_the_same_time() -> None:
    assert curve((0, 1250), (2, 3000), (3, 3000), axis=(3000, 2000, 1000)) == [1, 0.5, 1.5]


def test_a_cell_alone_has_all_time_with_a_reading() -> None:
    assert curve((0, 1), (1, 9000), (2, 2), axis=[1000]) == [2]
    times, _ = dwell_of(table_surface([1000], [0, 50]), [(0, 5, 25), (2, 5, 50), (3, 5, 0)])
    assert times == [[1], [2]]
    assert curve((0, NONE), (2, 2), (3, 2), axis=[1000]) == [1]


def test_a_step_beyond_the_accepted_gap_is_left_out_and_counted() -> None:
    item = table_surface([1000, 2000])
    times, clock = dwell_of(item, [(0, 1000, 0), (5, 2000, 0), (10.5, 1000, 0), (11, 1000, 0)])
    assert times == [[5.5, 0]]
    assert clock == LogTime(total=5.5, gaps=1, lost=5.5)


def test_a_clock_that_goes_back_is_counted_and_restarts() -> None:
    times, clock = dwell_of(
        table_surface([1000, 2000]), [(8, 1000, 0), (9, 1000, 0), (0, 2000, 0), (2, 2000, 0)]
    )
    assert times == [[1, 2]]
    assert clock == LogTime(total=3, resets=1)


def test_the_last_of_several_rows_with_one_time_counts() -> None:
    assert curve((0, 1000), (1, 2000), (1, 3000), (2, 1000)) == [1, 0, 1]


def test_a_row_without_a_time_is_passed_over() -> None:
    assert curve((0, 1000), (NONE, 3000), (2, 2000), (3, 2000)) == [2, 1, 0]
    assert curve((NONE, 3000), (NONE, 3000)) == [0, 0, 0]


def test_the_last_reading_counts_until_there_is_another() -> None:
    assert curve((0, 1000), (1, NONE), (2, NONE), (3, 3000), (4, 3000)) == [3, 0, 1]


def test_a_reading_is_held_no_longer_than_a_gap() -> None:
    rows = [(0, 1000), (2, NONE), (4, NONE), (6, NONE), (8, 3000), (9, 3000)]
    assert curve(*rows) == [6, 0, 1]  # at 6 s the reading is 6 s old


def test_nothing_is_held_over_a_gap_or_a_reset() -> None:
    assert curve((0, 1000), (5.5, NONE), (6, NONE), (7, 3000), (8, 3000)) == [0, 0, 1]
    assert curve((4, 1000), (0, NONE), (5, NONE), (6, 3000), (7, 3000)) == [0, 0, 1]


def test_signals_that_are_recorded_in_turn_meet_in_a_map() -> None:
    # Speed at full seconds, load half a second later.
    rows = [(0, 1000, NONE), (0.5, NONE, 0), (1, 2000, NONE), (1.5, NONE, 50), (2, 2000, NONE)]
    times, _ = dwell_of(table_surface([1000, 2000], [0, 50]), rows)
    assert times == [[0.5, 0.5], [0, 0.5]]


def test_rows_of_a_log_without_a_time_count_one_each_and_nothing_is_held() -> None:
    rows = [(NONE, 1000, 0), (NONE, 1500, 0), (NONE, NONE, 0)]
    times, clock = dwell_of(table_surface([1000, 2000]), rows, timed=False)
    assert times == [[1.5, 0.5]]
    assert clock == LogTime(total=3)


def test_a_cell_is_in_use_as_long_as_it_has_any_weight() -> None:
    item = table_surface([1000, 2000, 3000])
    rows = [
        (0.0, 1250.0, 0.0),
        (2.0, 2000.0, 0.0),
        (3.0, 2900.0, 0.0),
        (7.0, 3000.0, 0.0),
        (8.0, 3000.0, 0.0),
    ]
    assert [used(item, rows, (0, x)) for x in range(3)] == [2, 7, 5]
    assert used(item, rows, (0, 0), (0, 2)) == 7
    assert used(item, rows) == 0
    assert [used(table_surface([3000, 2000, 1000]), rows, (0, x)) for x in range(3)] == [5, 7, 2]


def test_in_a_map_four_cells_are_in_use_at_once() -> None:
    item = table_surface([1000, 2000], [0, 50])
    rows = [(0.0, 1250.0, 25.0), (4.0, 1000.0, 25.0), (5.0, 2000.0, 50.0), (5.5, 2000.0, 50.0)]
    assert [used(item, rows, cell) for cell in ((0, 0), (0, 1), (1, 0), (1, 1))] == [5, 4, 5, 4.5]
    assert used(item, rows, (0, 1), (1, 0)) == 5
    assert CellTime([], MAX_GAP).in_use("t", np.ones((1, 1), bool)) is None


def test_between_three_rows_a_reading_is_in_the_use_of_the_rows_around_it() -> None:
    item = table_surface([1000, 2000], [0, 50, 100])
    rows = [(0.0, 1000.0, 75.0), (2.0, 1000.0, 25.0), (5.0, 1000.0, 100.0), (6.0, 1000.0, 0.0)]
    assert [used(item, rows, (y, 0)) for y in range(3)] == [3, 5, 3]


def test_a_reading_is_held_into_the_rows_that_are_read_next() -> None:
    item = table_surface([1000, 2000])
    assert dwell_of(item, [(0, 2000, 0), (1, 2000, 0)], [(2, NONE, 0), (3, 1000, 0)])[0] == [[0, 3]]
    # Held for as long as a gap may be, and no longer.
    assert dwell_of(item, [(0, 2000, 0)], [(4, NONE, 0)], [(6, NONE, 0), (7, NONE, 0)])[0] == [[0, 6]]


def test_shares_are_of_the_time_in_the_whole_table(tmp_path: Path) -> None:
    dwell = CellTime([table_surface([1000, 2000, 3000])], MAX_GAP)
    path = tmp_path / "drive.csv"
    path.write_text("time,speed\n0,1000\n", "utf-8")
    logged = LogSummary("drive.csv", dwell, Log(path, LogColumns(), ["speed"]))
    middle = np.array([[False, True, False]])
    assert logged.shares("t") is None
    assert logged.share_in_use("t", middle) is None
    dwell.add(piece([(0, 1000, NONE), (3, 1500, NONE), (4, 3000, NONE)]))
    shares = logged.shares("t")
    assert shares is not None
    assert shares.tolist() == [[0.875, 0.125, 0]]
    assert logged.share_in_use("t", middle) == 0.25
    assert logged.share_in_use("t", ~middle) == 1
    assert logged.shares("another") is None
    assert logged.share_in_use("another", middle) is None


SPEED = Signal("speed", "", "rpm", Range(0, 6000), None, 1)


def test_a_reading_that_is_not_plausible_is_counted_and_nothing_is_known_until_the_next() -> None:
    for timed in (True, False):
        dwell = CellTime([table_surface([1000, 2000])], MAX_GAP, {"speed": SPEED})
        # Also where the next piece begins with a row without a reading.
        dwell.add(piece([(0, 1000, 0), (1, 65535, 0)], timed))
        dwell.add(piece([(2, NONE, 0), (3, -1, 0), (4, 6000, 0), (6, 0, 0)], timed))
        times = dwell.of("t")
        assert times is not None
        assert times.tolist() == ([[1, 2]] if timed else [[2, 1]])
        assert dwell.implausible == {"speed": 2}


def test_a_scalar_has_no_times() -> None:
    dwell = CellTime([table_surface(None)], MAX_GAP)
    dwell.add(piece([(0, 1000, 0), (1, 1000, 0)]))
    assert dwell.of("t") is None
    assert dwell.of("unknown") is None


def test_a_table_on_a_signal_that_the_log_lacks_is_named() -> None:
    dwell = CellTime([table_surface([1000, 2000], [0, 50])], MAX_GAP)
    dwell.add(LogChunk(np.arange(3.0), {"speed": np.full(3, 1500.0)}))
    assert dwell.unweighed(["speed"]) == (["load"], [])
    assert dwell.of("t") is not None
    assert not np.any(dwell.of("t"))


def test_a_table_whose_signals_never_come_together_is_named() -> None:
    dwell = CellTime([table_surface([1000, 2000], [0, 50])], MAX_GAP)
    dwell.add(piece([(0, 1000, NONE), (4, 1000, NONE), (8, NONE, NONE), (12, NONE, 10), (13, NONE, 10)]))
    assert dwell.unweighed(["speed", "load"]) == ([], ["t"])


def test_a_piece_without_rows_changes_nothing() -> None:
    item = table_surface([1000, 2000])
    rows = [(0.0, 1000.0, 0.0), (1.0, 1500.0, 0.0), (2.0, 1500.0, 0.0)]
    assert dwell_of(item, [], rows[:1], [], rows[1:], []) == dwell_of(item, rows)


# Against plain Python


def plain_times(rows: Sequence[Row], speeds: list[float], loads: list[float]) -> dict[tuple[int, int], float]:
    """The same for a map on rising axes, row by row, as one would do it with a pencil."""
    rows = [row for row in rows if not math.isnan(row[0])]
    times = {(y, x): 0.0 for y in range(len(loads)) for x in range(len(speeds))}
    latest: list[tuple[float, float] | None] = [None, None]
    for here, following in pairwise(rows):
        for n, reading in enumerate(here[1:]):
            if not math.isnan(reading):
                latest[n] = here[0], reading
        step = following[0] - here[0]
        point = [item[1] if item and here[0] - item[0] <= MAX_GAP else NONE for item in latest]
        if not 0 <= step <= MAX_GAP:
            latest = [None, None]
            continue
        if any(map(math.isnan, point)):
            continue
        for x, along in plain_weights(speeds, point[0]):
            for y, across in plain_weights(loads, point[1]):
                times[y, x] += step * along * across
    return times


def plain_weights(axis: list[float], value: float) -> list[tuple[int, float]]:
    if value <= axis[0]:
        return [(0, 1.0)]
    for n, (low, high) in enumerate(pairwise(axis)):
        if value <= high:
            return [(n, (high - value) / (high - low)), (n + 1, (value - low) / (high - low))]
    return [(len(axis) - 1, 1.0)]


axes = st.lists(st.integers(-20, 20).map(float), min_size=1, max_size=4, unique=True).map(sorted)
readings = st.one_of(st.just(NONE), st.integers(-30, 30).map(float))


def as_rows(steps: list[tuple[int | None, float, float]]) -> list[Row]:
    """Rows by the quarters of a second before each of them, None where the time is not known."""
    rows, time = [], 0.0
    for quarters, speed, load in steps:
        time += (quarters or 0) / 4
        rows.append((NONE if quarters is None else time, speed, load))
    return rows


#: Rows with steps of all kinds, in quarters of a second so that sums are exact.
logs = st.lists(
    st.tuples(st.one_of(st.integers(0, 22), st.integers(-40, 60), st.just(None)), readings, readings),
    min_size=1,
    max_size=30,
).map(as_rows)


@given(rows=logs, speeds=axes, loads=axes)
@examples(80)
def test_times_are_those_of_plain_python(rows: list[Row], speeds: list[float], loads: list[float]) -> None:
    times, clock = dwell_of(table_surface(speeds, loads), rows)
    expected = plain_times(rows, speeds, loads)
    assert {(y, x): time for y, row in enumerate(times) for x, time in enumerate(row)} == pytest.approx(
        expected, abs=1e-9
    )
    assert np.sum(times) <= clock.total + 1e-9


@given(rows=logs, speeds=axes, loads=axes)
@settings(max_examples=60, deadline=None)
def test_turning_an_axis_round_turns_the_times_round(
    rows: list[Row], speeds: list[float], loads: list[float]
) -> None:
    times, _ = dwell_of(table_surface(speeds, loads), rows)
    turned, _ = dwell_of(table_surface(speeds[::-1], loads[::-1]), rows)
    np.testing.assert_allclose(np.array(turned)[::-1, ::-1], times, atol=1e-9)


@given(rows=logs, cuts=st.lists(st.integers(0, 30), max_size=4).map(sorted), timed=st.booleans())
@examples(80)
def test_a_log_gives_the_same_wherever_it_is_cut(rows: list[Row], cuts: list[int], timed: bool) -> None:
    item = table_surface([-10, 0, 10], [-10, 10])
    pieces = [rows[low:high] for low, high in pairwise([0, *cuts, len(rows)])]
    times, clock = dwell_of(item, *pieces, timed=timed)
    whole, clock_of_whole = dwell_of(item, rows, timed=timed)
    np.testing.assert_allclose(times, whole, atol=1e-9)
    assert clock == clock_of_whole


@given(rows=logs)
@settings(max_examples=60, deadline=None)
def test_all_cells_together_have_the_time_with_readings_of_both(rows: list[Row]) -> None:
    complete = [(time, 0 if math.isnan(speed) else speed, 0.0) for time, speed, _ in rows]
    times, clock = dwell_of(table_surface([-10, 0, 10], [-10, 10]), complete)
    assert np.sum(times) == pytest.approx(clock.total)
