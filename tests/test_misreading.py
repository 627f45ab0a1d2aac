"""What a false reading does to tables, against dense sampling with NumPy and SciPy, and through chains."""

from __future__ import annotations

import struct
import tracemalloc
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from callint.comparing import sensor_faults as misreading
from callint.comparing.sensor_faults import ComparedSignal, FalseReading, FaultEffect, SensorFault, Threshold
from callint.decoding.signal_graph import CycleError, ReachedTables, reached_tables
from callint.decoding.surfaces import surface
from tests.building import decoded, definition_xml
from tests.example_counts import examples

Numbers = NDArray[np.float64]

SIGNALS = {
    "temp": 'unit="degC" plausible="-40 140" operating="0 100"',
    "speed": 'unit="rpm" plausible="0 6000" operating="700 4200"',
    "load": 'unit="mg" plausible="0 100"',
    "gear": 'unit="-"',
    "supply": 'unit="V" plausible="5 5"',
    **dict.fromkeys("abcde", 'unit="-"'),
}


@dataclass(frozen=True)
class Sheet:
    """A table of doubles to be laid into an image; NaN cells are off (they hold the off code)."""

    name: str
    axes: Mapping[str, Iterable[float]]
    cells: Iterable[Iterable[float]] | Iterable[float]
    produces: str = ""
    signal: str = ""
    unit: str = "-"


OFF = -9999


def conversion_name(unit: str) -> str:
    return {"-": "plain", "%": "percent"}.get(unit, unit)


def built(*sheets: Sheet, signals: Mapping[str, str] = SIGNALS) -> World:
    data, tables = b"", ""
    for item in sheets:
        axes = ""
        for place, (signal, breakpoints) in zip("xy", item.axes.items(), strict=False):
            values = list(breakpoints)
            axes += f'<{place}><axis signal="{signal}" at="{len(data)}" type="float64"'
            axes += f' count="{len(values)}"/></{place}>'
            data += struct.pack(f">{len(values)}d", *values)
        cells = np.array(list(item.cells), np.float64).ravel()
        cells = np.where(np.isnan(cells), OFF, cells)
        kind = ("scalar", "curve", "map")[len(item.axes)]
        more = f' produces="{item.produces}"' if item.produces else ""
        more += f' signal="{item.signal}"' if item.signal else ""
        tables += (
            f'<{kind} name="{item.name}" title="T" purpose="general" at="{len(data)}" type="float64"'
            f' conversion="{conversion_name(item.unit)}"{more}>'
            f'{axes}<off raw="{OFF}" allowed="anywhere"/></{kind}>\n'
        )
        data += struct.pack(f">{len(cells)}d", *cells)
    conversions = "".join(
        f'<linear name="{conversion_name(unit)}" unit="{unit}" factor="1"/>'
        for unit in dict.fromkeys(item.unit for item in sheets)
    )
    text = "".join(f'<signal name="{name}" {rest}>S</signal>' for name, rest in signals.items())
    xml = definition_xml(tables, conversions=conversions, signals=text, size=len(data))
    return World(xml, data)


@dataclass(frozen=True)
class World:
    """A definition and an image."""

    xml: bytes
    data: bytes

    def misread(
        self, signal: str, true: float | list[float], false: float | list[float], **given: float
    ) -> SensorFault:
        image = decoded(self.xml, self.data)
        definition = image.layout.definition
        surfaces = {
            table.name: result
            for table in definition.tables.values()
            if (result := surface(image, table)) is not None
        }
        truth, reading = (np.array(item, np.float64).reshape(-1) for item in (true, false))
        return SensorFault(
            definition,
            surfaces,
            reached_tables(definition, signal),
            FalseReading(signal, truth, reading),
            given,
        )

    def effects(
        self, signal: str, true: float | list[float], false: float | list[float], **given: float
    ) -> dict[str, FaultEffect]:
        result = self.misread(signal, true, false, **given).effects()
        return {item.table.name: item for item in result}

    def reach(self, signal: str) -> ReachedTables:
        return reached_tables(decoded(self.xml, self.data).layout.definition, signal)


def output(breakpoints: Mapping[str, Iterable[float]], cells: object, **at: Numbers | float) -> Numbers:
    """A table's output by SciPy, held at its ends; cells are rows of y for two axes."""
    axes = [np.array(list(values), np.float64) for values in breakpoints.values()]
    grid = np.array(cells, np.float64)
    grid = grid.T if len(axes) == 2 else grid
    points = [np.clip(at[name], axis[0], axis[-1]) for name, axis in zip(breakpoints, axes, strict=True)]
    flat = np.broadcast_arrays(*points)
    places = np.stack([item.ravel() for item in flat], axis=-1)
    return np.asarray(RegularGridInterpolator(axes, grid)(places)).reshape(flat[0].shape)


# Direct tables: exact


def rising(least: int, low: int, high: int) -> st.SearchStrategy[list[float]]:
    return st.lists(st.integers(low, high), min_size=least, max_size=6, unique=True).map(
        lambda values: [float(value) for value in sorted(values)]
    )


@st.composite
def maps(draw: st.DrawFn) -> tuple[list[float], list[float], list[list[float]]]:
    """Breakpoints over temp and speed, also beyond their ranges, and rows of cells over speed."""
    temps, speeds = draw(rising(2, -60, 160)), draw(rising(2, 0, 6000))
    value = st.integers(-500, 500).map(float)
    row = st.lists(value, min_size=len(temps), max_size=len(temps))
    return temps, speeds, draw(st.lists(row, min_size=len(speeds), max_size=len(speeds)))


@given(table=maps(), true=st.integers(-60, 160), false=st.integers(-60, 160))
@examples(60)
def test_the_worst_case_of_a_direct_map_is_the_worst_anywhere(
    table: tuple[list[float], list[float], list[list[float]]], true: float, false: float
) -> None:
    temps, speeds, cells = table
    axes = {"temp": temps, "speed": speeds}
    result = built(Sheet("t", axes, cells)).effects("temp", true, false)["t"]
    # Dense samples, and the places where the difference bends, so that nothing is between them.
    inside = [speed for speed in speeds if 700 < speed < 4200]
    every = np.unique(np.concatenate([np.linspace(700, 4200, 701), inside]))
    apart = np.abs(output(axes, cells, temp=false, speed=every) - output(axes, cells, temp=true, speed=every))
    assert abs(result.false - result.true) == pytest.approx(apart.max(), abs=1e-9)
    speed = result.at["speed"]
    assert 700 <= speed <= 4200
    assert result.true == pytest.approx(output(axes, cells, temp=true, speed=speed).item(), abs=1e-9)
    assert result.false == pytest.approx(output(axes, cells, temp=false, speed=speed).item(), abs=1e-9)
    span = np.ptp(cells)
    assert result.share == pytest.approx(apart.max() / span if span else 0.0, abs=1e-9)


def test_a_curve_depends_on_nothing_else_and_its_share_is_of_its_own_span() -> None:
    result = built(Sheet("t", {"temp": [0, 50, 100]}, [10, 20, 50])).effects("temp", 50, 25)["t"]
    assert (result.true, result.false, result.at, result.points, result.via) == (20, 15, {}, 1, ())
    assert result.share == 5 / 40


def test_a_flat_table_has_no_span_and_no_share() -> None:
    result = built(Sheet("t", {"temp": [0, 50]}, [7, 7])).effects("temp", 0, 50)["t"]
    assert (result.true, result.false, result.share) == (7, 7, 0)


def test_the_worst_of_several_readings_is_named() -> None:
    world = built(Sheet("t", {"temp": [0, 50, 100]}, [0, 1, 10]))
    result = world.effects("temp", [0, 50, 100], [10, 60, 60])["t"]
    assert (result.reading, result.true) == (2, 10)
    assert result.false == pytest.approx(2.8)
    assert result.points == 3


# The other signals


def tried(result: SensorFault, table: str = "t") -> dict[str, list[float]]:
    """The values of the other signals that are tried for a table."""
    (item,) = [effect.table for effect in result.effects() if effect.table.name == table]
    return {signal: values.tolist() for signal, values in result.points_of(item).items()}


@pytest.mark.parametrize(
    ("signal", "breakpoints", "expected"),
    [
        # operating 700 to 4200: its ends, and the breakpoints between
        ("speed", [0, 700, 2000, 6000], [700, 2000, 4200]),
        # no operating range: the plausible one, 0 to 100
        ("load", [-10, 30, 130], [0, 30, 100]),
        # neither: the breakpoints
        ("gear", [1, 2, 5], [1, 2, 5]),
        # a range of one value: that value, once
        ("supply", [4, 5, 6], [5]),
    ],
)
def test_another_signal_has_its_operating_range_or_its_plausible_one_or_its_breakpoints(
    signal: str, breakpoints: list[float], expected: list[float]
) -> None:
    cells = [[0, 1]] * len(breakpoints)
    world = built(Sheet("t", {"temp": [0, 100], signal: breakpoints}, cells))
    assert tried(world.misread("temp", 0, 100)) == {signal: expected}


@pytest.mark.parametrize(("peak", "expected"), [(0, 700), (2000, 2000), (6000, 4200)])
def test_the_worst_place_is_where_the_tables_rows_differ_most(peak: float, expected: float) -> None:
    speeds = [0, 2000, 6000]
    cells = [[0, 10 if speed == peak else 0] for speed in speeds]
    result = built(Sheet("t", {"temp": [0, 100], "speed": speeds}, cells)).effects("temp", 0, 100)["t"]
    assert result.at == {"speed": expected}


def test_a_given_signal_has_one_value_even_beyond_its_range() -> None:
    world = built(Sheet("t", {"temp": [0, 100], "speed": [0, 10000]}, [[0, 0], [0, 100]]))
    result = world.effects("temp", 0, 100, speed=9000)["t"]
    assert (result.true, result.false, result.at, result.points) == (0, 90, {"speed": 9000}, 1)


# Off cells


def test_a_table_that_is_off_by_one_reading_is_switched_which_counts_more_than_any_distance() -> None:
    cells: list[list[float]] = [[0, 1000, np.nan], [0, 1000, 5], [0, 1000, 6]]
    world = built(Sheet("t", {"temp": [0, 50, 100], "speed": [1000, 2000, 3000]}, cells))
    result = world.effects("temp", [0, 0], [50, 100])["t"]
    assert (result.true, result.share) == (0, 1)
    assert np.isnan(result.false)
    assert (result.reading, result.at["speed"] <= 1000) == (1, True)
    # Points are 700, 1000, 2000, 3000, 4200, twice: off at 700 and 1000 of the second.
    assert (result.switched, result.points) == (2, 10)


def test_a_table_may_be_switched_on_and_one_that_is_off_either_way_does_not_differ() -> None:
    world = built(Sheet("t", {"temp": [0, 50, 100]}, [np.nan, 3, np.nan]))
    on = world.effects("temp", 0, 50)["t"]
    assert np.isnan(on.true) and (on.false, on.share, on.switched) == (3, 1, 1)
    off = world.effects("temp", 0, 100)["t"]
    assert np.isnan(off.true) and np.isnan(off.false)
    assert (off.share, off.switched) == (0, 0)


def test_a_span_does_not_count_cells_that_are_off() -> None:
    world = built(Sheet("t", {"temp": [0, 50, 100]}, [0, 10, np.nan]))
    assert world.effects("temp", 0, 50)["t"].share == 1
    assert world.effects("temp", 0, 25)["t"].share == 0.5


# Chains

HALF = Sheet("half", {"temp": [0, 100]}, [0, 50], produces="a")
PLUS = Sheet("plus", {"a": [0, 50]}, [10, 60], produces="b")
TWICE = Sheet("twice", {"b": [0, 100]}, [0, 200])


def test_a_table_two_tables_away_gets_what_they_make_of_the_reading() -> None:
    # Last first, so that the order of the definition does not do the work.
    result = built(TWICE, PLUS, HALF).effects("temp", 20, 80)
    assert {name: (item.true, item.false) for name, item in result.items()} == {
        "twice": (40, 100),
        "plus": (20, 50),
        "half": (10, 40),
    }
    assert [result[name].via for name in ("half", "plus", "twice")] == [(), ("half",), ("half", "plus")]
    assert list(result) == ["twice", "plus", "half"], "the order of the definition"


def test_a_chain_branches_and_joins_again() -> None:
    # temp goes to a = temp / 2 and to d = 100 - temp, which meet in a map that adds them up: 100 - temp / 2.
    falling = Sheet("falling", {"temp": [0, 100]}, [100, 0], produces="d")
    joined = Sheet("joined", {"a": [0, 50], "d": [0, 100]}, [[0, 50], [100, 150]], produces="e")
    behind = Sheet("behind", {"e": [0, 200]}, [0, 200])
    result = built(behind, joined, HALF, falling, Sheet("aside", {"speed": [0, 1]}, [0, 1])).effects(
        "temp", 20, 80
    )
    assert set(result) == {"half", "falling", "joined", "behind"}
    assert result["joined"].true == pytest.approx(90)
    assert result["joined"].false == pytest.approx(60)
    assert result["behind"].false == pytest.approx(60)
    assert result["behind"].via == ("half", "joined")
    assert result["joined"].at == {}, "both of its axes follow the false signal"


def test_progress_is_the_number_of_tables_that_are_done() -> None:
    done: list[int] = []
    assert len(built(HALF, PLUS).misread("temp", 20, 80).effects(done.append)) == 2
    assert done == [1, 2]


def test_the_shortest_way_is_named() -> None:
    far = Sheet("far", {"temp": [0, 100], "b": [0, 100]}, [[0, 1], [1, 2]], produces="c")
    end = Sheet("end", {"c": [0, 2], "a": [0, 50]}, [[0, 1], [1, 2]])
    result = built(HALF, PLUS, far, end).effects("temp", 0, 100)
    assert result["far"].via == ()
    assert len(result["end"].via) == 1


def test_tables_fed_by_a_cell_that_is_off_are_off() -> None:
    broken = replace(HALF, cells=[0, np.nan])
    result = built(broken, PLUS).effects("temp", 0, 100)
    assert (result["plus"].true, result["plus"].switched) == (10, 1)
    assert np.isnan(result["plus"].false)
    # An off cell without weight at the reading does not matter.
    ends = Sheet("ends", {"temp": [0, 50, 100]}, [0, 25, np.nan], produces="a")
    assert built(ends, PLUS).effects("temp", 0, 50)["plus"].false == 35


@given(first=maps(), second=maps(), true=st.integers(0, 100), false=st.integers(0, 100))
@examples(30)
def test_the_worst_case_through_a_chain_is_real_and_nearly_the_worst_of_a_dense_sampling(
    first: tuple[list[float], list[float], list[list[float]]],
    second: tuple[list[float], list[float], list[list[float]]],
    true: float,
    false: float,
) -> None:
    axes = {"temp": first[0], "speed": first[1]}
    behind = {"a": second[0], "load": [item / 60 for item in second[1]]}
    world = built(Sheet("one", axes, first[2], produces="a"), Sheet("two", behind, second[2]))
    result = world.effects("temp", true, false)["two"]

    def outputs(reading: float, speed: Numbers | float, load: Numbers | float) -> Numbers:
        return output(behind, second[2], a=output(axes, first[2], temp=reading, speed=speed), load=load)

    at = (result.at["speed"], result.at["load"])
    assert result.true == pytest.approx(outputs(true, *at).item(), abs=1e-7)
    assert result.false == pytest.approx(outputs(false, *at).item(), abs=1e-7)
    size = abs(result.false - result.true)
    merged_breakpoints = {
        name: np.array(item) for name, item in tried(world.misread("temp", true, false), "two").items()
    }
    speed, load = np.meshgrid(merged_breakpoints["speed"], merged_breakpoints["load"], indexing="ij")
    apart = np.abs(outputs(false, speed, load) - outputs(true, speed, load))
    assert size == pytest.approx(apart.max(), abs=1e-7)
    # Between the points that were tried it may be worse, by what the second table makes of a step.
    speed, load = np.meshgrid(np.linspace(700, 4200, 400), np.linspace(0, 100, 60), indexing="ij")
    dense = np.abs(outputs(false, speed, load) - outputs(true, speed, load))
    assert size >= dense.max() - _slack(axes, first[2], behind, second[2], merged_breakpoints, (true, false))


def _slack(
    axes: Mapping[str, list[float]],
    cells: list[list[float]],
    behind: Mapping[str, list[float]],
    other: list[list[float]],
    merged_breakpoints: Mapping[str, Numbers],
    readings: tuple[float, float],
) -> float:
    """The steepest slope of the second table, times how far the first goes in half a step."""
    slope = np.abs(np.diff(np.array(other, float), axis=1) / np.diff(behind["a"])).max()
    moves = [
        np.abs(np.diff(output(axes, cells, temp=reading, speed=merged_breakpoints["speed"]))).max(initial=0.0)
        / 2
        for reading in readings
    ]
    return float(slope * sum(moves)) + 1e-7


def test_a_cycle_is_refused_with_the_names_of_its_tables() -> None:
    back = Sheet("back", {"b": [0, 100]}, [0, 50], produces="a")
    with pytest.raises(CycleError, match=r"^plus feeds back feeds plus$"):
        built(HALF, PLUS, back).reach("temp")


def test_a_table_whose_output_is_its_own_input_or_the_false_signal_is_a_cycle() -> None:
    with pytest.raises(CycleError, match=r"^own feeds own$"):
        built(HALF, Sheet("own", {"a": [0, 1]}, [0, 1], produces="a")).reach("temp")
    with pytest.raises(CycleError, match=r"^half feeds back feeds half$"):
        built(HALF, Sheet("back", {"a": [0, 50]}, [0, 100], produces="temp")).reach("temp")


def test_a_cycle_that_the_signal_does_not_reach_has_no_effect() -> None:
    ring = [
        Sheet("there", {"d": [0, 1]}, [0, 1], produces="e"),
        Sheet("back", {"e": [0, 1]}, [0, 1], produces="d"),
    ]
    assert set(built(HALF, *ring).effects("temp", 0, 100)) == {"half"}


@pytest.mark.parametrize(
    ("count", "end"),
    [(8, "feeds t7 feeds t0"), (9, "feeds t7 feeds 1 more feeds t0"), (50, "42 more feeds t0")],
)
def test_a_long_cycle_names_its_first_tables_and_counts_the_rest(count: int, end: str) -> None:
    signals = {f"s{n}": 'unit="-"' for n in range(count)}
    ring = [Sheet(f"t{n}", {f"s{n}": [0, 1]}, [0, 1], produces=f"s{(n + 1) % count}") for n in range(count)]
    with pytest.raises(CycleError) as caught:
        built(*ring, signals=signals).reach("s0")
    assert str(caught.value).startswith("t0 feeds t1 feeds")
    assert str(caught.value).endswith(end)


def test_a_chain_may_be_longer_than_pythons_stack() -> None:
    count = 1500
    signals = {f"s{n}": 'unit="-"' for n in range(count + 1)}
    chain = [Sheet(f"t{n}", {f"s{n}": [0, 1]}, [0, 1], produces=f"s{n + 1}") for n in range(count)]
    world = built(*chain, signals=signals)
    assert [table.name for table in world.reach("s0").tables] == [f"t{n}" for n in range(count)]


@pytest.mark.parametrize("kept", [0, 100, 100_000])
def test_tables_of_a_chain_that_depend_on_different_signals_have_their_outputs(
    monkeypatch: pytest.MonkeyPatch, kept: int
) -> None:
    monkeypatch.setattr(misreading, "_MOST_KEPT", kept)
    speeds, loads = [700.0, 1500.0, 4200.0], [0.0, 40.0, 100.0]
    chain = [
        Sheet("first", {"temp": [0, 100]}, [0, 50], produces="a"),
        Sheet("second", {"a": [0, 50], "speed": speeds}, [[0, 9], [4, 30], [5, 8]], produces="b"),
        Sheet("third", {"b": [0, 30]}, [3, 20], produces="c"),
        Sheet("fourth", {"c": [0, 20], "load": loads}, [[1, 7], [2, 9], [8, 1]], produces="d"),
        Sheet("fifth", {"b": [0, 30], "a": [0, 50]}, [[0, 5], [6, 7]]),
        Sheet("sixth", {"d": [0, 10], "b": [0, 30]}, [[0, 1], [2, 9]]),
    ]
    readings = {"true": [20.0, 35.0], "false": [80.0, 10.0]}
    effects = built(*reversed(chain)).effects("temp", *readings.values())
    assert effects.keys() == {item.name for item in chain}
    for effect in effects.values():
        for side, values in readings.items():
            point: dict[str, Numbers | float] = {"temp": values[effect.reading], **effect.at}
            for item in chain:
                if item.axes.keys() <= point.keys():
                    outputs = output(item.axes, item.cells, **{name: point[name] for name in item.axes})
                    if item.name == effect.table.name:
                        assert getattr(effect, side) == pytest.approx(outputs.item())
                    point[item.produces] = outputs


def test_a_table_that_many_tables_feed_is_tried_at_fewer_points(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(misreading, "MOST_POINTS", 1000)
    speeds = np.linspace(700, 4200, 901).tolist()
    signals = {"temp": 'unit="-"', "speed": 'unit="-"'} | {f"s{n}": 'unit="-"' for n in range(32)}
    first = Sheet("t0", {"temp": [0, 1], "speed": speeds}, np.zeros((901, 2)).tolist(), produces="s0")
    chain = [Sheet(f"t{n}", {f"s{n - 1}": [0, 1]}, [0, 1], produces=f"s{n}") for n in range(1, 33)]
    result = built(first, *chain, signals=signals).effects("temp", 0, 1)
    assert result["t8"].points == 1000
    assert result["t32"].points == 250


def test_the_first_of_several_producers_is_followed_and_the_others_are_named() -> None:
    other = Sheet("other", {"speed": [0, 1]}, [0, 1], produces="a")
    third = Sheet("third", {"temp": [0, 100]}, [100, 0], produces="a")
    world = built(other, HALF, third, PLUS)
    result = world.reach("temp")
    assert result.producers["a"].name == "half"
    assert [table.name for table in result.other_producers["a"]] == ["other", "third"]
    effects = world.effects("temp", 0, 100)
    assert set(effects) == {"half", "third", "plus"}
    assert (effects["plus"].true, effects["plus"].false) == (10, 60)


def test_many_ways_that_part_and_meet_again_are_walked_once() -> None:
    """Thirty steps with two ways each: a thousand million ways, and sixty tables."""
    signals = {"s0": 'unit="-"', "t0": 'unit="-"'}
    sheets = []
    for n in range(30):
        signals |= {f"s{n + 1}": 'unit="-"', f"t{n + 1}": 'unit="-"'}
        for side in "st":
            axes = {f"s{n}": [0, 1], f"t{n}": [0, 1]} if n else {"s0": [0, 1]}
            cells = [[0, 0.5], [0.5, 1]] if n else [0, 1]
            sheets.append(Sheet(f"{side}_{n}", axes, cells, produces=f"{side}{n + 1}"))
    result = built(*sheets, signals=signals).effects("s0", 0, 1)
    assert len(result) == 60
    assert result["s_29"].false == pytest.approx(1)


# Tables that cannot be read


def test_a_table_whose_axis_cannot_be_read_and_all_behind_it_are_named() -> None:
    falls = Sheet("falls", {"temp": [0, 100, 50]}, [0, 1, 2], produces="a")
    beside = Sheet("beside", {"a": [0, 50], "temp": [0, 100]}, [[0, 1], [1, 2]])
    fine = Sheet("fine", {"temp": [0, 100]}, [0, 1])
    result = built(falls, PLUS, TWICE, beside, fine).misread("temp", 0, 100)
    assert sorted(result.unread) == ["beside", "falls", "plus", "twice"]
    assert [item.table.name for item in result.effects()] == ["fine"]


# Many points


def test_points_above_the_bound_are_thinned_and_keep_their_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(misreading, "MOST_POINTS", 1000)
    speeds = list(np.linspace(700, 4200, 901))
    loads = list(np.linspace(0, 100, 51))
    item = Sheet("one", {"temp": [0, 100], "speed": speeds}, np.zeros((901, 2)).tolist(), produces="a")
    two = Sheet("two", {"a": [0, 1], "load": loads}, np.zeros((51, 2)).tolist())
    result = built(item, two).misread("temp", [0, 50], [1, 2])
    for effect in result.effects():
        assert effect.points <= 1000
    merged_breakpoints = tried(result, "two")
    assert 2 * len(merged_breakpoints["speed"]) * len(merged_breakpoints["load"]) > 500, (
        "the bound is made use of"
    )
    assert (merged_breakpoints["speed"][0], merged_breakpoints["speed"][-1]) == (700, 4200)
    assert (merged_breakpoints["load"][0], merged_breakpoints["load"][-1]) == (0, 100)


def test_the_outputs_that_are_kept_for_other_tables_have_a_bound() -> None:
    names = [f"t{n}" for n in range(10)]
    signals = {"temp": 'unit="-"'} | {f"s{n}": 'unit="-"' for n in range(10)}
    fan = [Sheet(name, {"temp": [0, 1]}, [0, 8], produces=f"s{n}") for n, name in enumerate(names)]
    readings = np.linspace(0, 1, misreading.MOST_POINTS)
    result = built(*fan, signals=signals).misread("temp", readings.tolist(), (readings / 2).tolist())
    kept: list[int] = []
    tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        effects = result.effects(lambda done: kept.append(tracemalloc.get_traced_memory()[0] - before))
    finally:
        tracemalloc.stop()
    assert [(effect.table.name, effect.true, effect.false) for effect in effects] == [
        (name, 8, 4) for name in names
    ]
    output_size = 2 * readings.nbytes
    # Eight outputs at the most points; without the bound all ten are kept.
    assert 7 * output_size < max(kept) < 9 * output_size


def test_sixty_signals_are_tried_at_no_more_points_than_the_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two values of each would be more points than fit in memory, and more dimensions than NumPy has."""
    signals = {f"s{n}": 'unit="-"' for n in range(61)} | {f"f{n}": 'unit="-"' for n in range(60)}
    chain = [
        Sheet(f"t{n}", {f"s{n}": [0, 1], f"f{n}": [0, 1]}, [[0, 1], [0, 1]], produces=f"s{n + 1}")
        for n in range(60)
    ]
    monkeypatch.setattr(misreading, "MOST_POINTS", 5000)
    result = built(*chain, signals=signals).effects("s0", 0, 1)
    assert len(result) == 60
    assert max(value.points for value in result.values()) <= 5000
    assert (result["t59"].true, result["t59"].false) == (0, 1)
    assert len(result["t59"].at) == 60


# Thresholds


def thresholds(result: SensorFault, watched: Mapping[str, ComparedSignal]) -> dict[str, Threshold]:
    return {item.table.name: item for item in result.thresholds(watched)}


def watch(unit: str, true: list[float], false: list[float]) -> ComparedSignal:
    return ComparedSignal(unit, np.array(true, np.float64), np.array(false, np.float64))


@pytest.mark.parametrize(
    ("value", "true", "false", "crossed"),
    [
        (90, [80], [100], True),
        (90, [100], [80], True),
        (90, [80], [85], False),
        (90, [95], [100], False),
        (90, [80], [90], True),
        (90, [90], [80], True),
        (90, [90], [90], False),
        # Of several readings one is enough, even where their ranges overlap.
        (90, [0, 50, 100], [10, 60, 80], True),
        (90, [0, 50, 100], [10, 60, 95], False),
        (np.nan, [0], [100], False),
    ],
)
def test_a_threshold_is_crossed_where_a_reading_lies_on_its_other_side(
    value: float, true: list[float], false: list[float], crossed: bool
) -> None:
    world = built(Sheet("alarm", {}, [value], signal="temp", unit="degC"))
    result = thresholds(world.misread("temp", true, false), {"temp": watch("degC", true, false)})
    assert result["alarm"].is_crossed is crossed
    assert (result["alarm"].true, result["alarm"].false) == ((min(true), max(true)), (min(false), max(false)))


def test_a_scalar_is_compared_with_the_output_of_a_table_on_the_way() -> None:
    limit = Sheet("limit", {}, [30], signal="a")
    aside = Sheet("aside", {}, [30], signal="speed")
    result = thresholds(built(HALF, limit, aside).misread("temp", 20, 80), {})
    assert list(result) == ["limit"]
    assert (result["limit"].true, result["limit"].false, result["limit"].is_crossed) == (
        (10, 10),
        (40, 40),
        True,
    )


def test_volts_and_millivolts_are_compared_and_other_units_are_not() -> None:
    world = built(
        Sheet("low", {}, [300], signal="a", unit="mV"),
        Sheet("high", {}, [4.8], signal="a", unit="V"),
        Sheet("share", {}, [50], signal="a", unit="%"),
    )
    result = thresholds(world.misread("temp", 0, 1), {"a": watch("V", [2.5], [0.1])})
    assert list(result) == ["low", "high"]
    assert result["low"].false == pytest.approx((100, 100))
    assert (result["low"].is_crossed, result["high"].is_crossed) == (True, False)
