"""How far outputs moved and how relations stand, against NumPy, SciPy and a round trip in plain Python."""

from __future__ import annotations

import bisect
import struct
import tracemalloc
from collections.abc import Callable, Sequence
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from callint.comparing import relations
from callint.comparing.output_shift import output_shift
from callint.comparing.relations import MOST_POINTS, RelationResult
from callint.decoding.surfaces import Surface, surface
from callint.model.change import OutputShift
from tests.building import decoded, definition_xml
from tests.example_counts import examples

Numbers = NDArray[np.float64]
#: Breakpoints by signal, x first, then the cells, x fastest.
Table = tuple[dict[str, list[float]], list[float]]
#: Interpolation in another order of operations differs by rounding only.
CLOSE = 1e-9
DENSE = 200

SIGNALS = "".join(
    f'<signal name="{name}" unit="-">{name}</signal>' for name in ("speed", "load", "torque", "height")
)


def definition(table: Table) -> bytes:
    """A table of doubles: its axes, then its cells."""
    axes, cells = table
    parts, at = "", 0
    for element, (signal, breakpoints) in zip("xy", axes.items(), strict=False):
        count = len(breakpoints)
        parts += f'<{element}><axis signal="{signal}" at="{at}" type="float64" count="{count}"/></{element}>'
        at += 8 * count
    kind = ("scalar", "curve", "map")[len(axes)]
    inside = f'<{kind} name="t" title="T" purpose="general" at="{at}" type="float64">{parts}</{kind}>'
    return definition_xml(inside, signals=SIGNALS, size=at + 8 * len(cells))


def content(table: Table) -> bytes:
    axes, cells = table
    numbers = [*(value for breakpoints in axes.values() for value in breakpoints), *cells]
    return struct.pack(f">{len(numbers)}d", *numbers)


def made(table: Table) -> Surface:
    item = decoded(definition(table), content(table))
    result = surface(item, item.layout.definition.tables["t"])
    assert result is not None
    return result


def moved(old: Table, new: Table) -> OutputShift:
    """The movement from one table to another of the same shape."""
    before, after = (decoded(definition(old), content(item)) for item in (old, new))
    result = output_shift(before, after, before.layout.definition.tables["t"], in_cells=True)
    assert result is not None
    return result


def by_scipy(table: Table) -> Callable[[dict[str, Numbers]], Numbers]:
    """What SciPy reads from a table at clamped points, shape (points,) by signal."""
    axes, cells = table
    rising = {signal: sorted(breakpoints) for signal, breakpoints in axes.items()}
    array = np.reshape(np.array(cells), [len(breakpoints) for breakpoints in reversed(axes.values())])
    for number, breakpoints in enumerate(reversed(axes.values())):
        if len(breakpoints) > 1 and breakpoints[0] > breakpoints[-1]:
            array = np.flip(array, number)
    many = [signal for signal in reversed(axes) if len(axes[signal]) > 1]
    array = array.squeeze()

    def read(points: dict[str, Numbers]) -> Numbers:
        if not many:
            return np.full(np.shape(next(iter(points.values()), 0.0)), float(array))
        at = [np.clip(points[signal], rising[signal][0], rising[signal][-1]) for signal in many]
        result: Numbers = RegularGridInterpolator([rising[signal] for signal in many], array)(
            np.column_stack([np.atleast_1d(item) for item in at])
        )
        return result

    return read


def dense(tables: Sequence[Table], seed: int, within: bool) -> dict[str, Numbers] | None:
    """Operating points at random; within what all tables on a signal cover, or somewhat beyond."""
    random = np.random.default_rng(seed)
    points: dict[str, Numbers] = {}
    for signal in sorted({signal for axes, _ in tables for signal in axes}):
        several = [axes[signal] for axes, _ in tables if signal in axes]
        if within:
            low, high = max(map(min, several)), min(map(max, several))
        else:
            low, high = min(map(min, several)) - 10, max(map(max, several)) + 10
        if low > high:
            return None
        points[signal] = random.uniform(low, high, DENSE)
    return points or {"none": np.zeros(1)}


def here(at: dict[str, float]) -> dict[str, Numbers]:
    return {signal: np.array([value]) for signal, value in at.items()} or {"none": np.zeros(1)}


def breakpoints(least: int = 1) -> st.SearchStrategy[list[float]]:
    """Strictly rising or falling, of any spacing from 1/8 up."""
    lists = st.lists(st.integers(-400, 400), min_size=least, max_size=6, unique=True)
    return st.tuples(lists, st.booleans()).map(
        lambda result: [item / 8 for item in sorted(result[0], reverse=result[1])]
    )


def cells(count: int) -> st.SearchStrategy[list[float]]:
    return st.lists(st.integers(-8000, 8000).map(lambda item: item / 8), min_size=count, max_size=count)


@st.composite
def tables(draw: st.DrawFn, *signals: str) -> Table:
    axes = {signal: draw(breakpoints()) for signal in signals}
    return axes, draw(cells(int(np.prod([len(axis) for axis in axes.values()], dtype=int))))


@st.composite
def re_spaced(draw: st.DrawFn) -> tuple[Table, Table]:
    """A curve or a map, and one with as many other breakpoints and other cells."""
    axes, old = draw(tables("speed") | tables("speed", "load"))
    others = {}
    for signal, breakpoints in axes.items():
        count = len(breakpoints)
        drawn = draw(st.lists(st.integers(-400, 400), min_size=count, max_size=count, unique=True))
        others[signal] = [item / 8 for item in sorted(drawn)]
    return (axes, old), (others, draw(st.just(old) | cells(len(old))))


@given(pair=re_spaced(), seed=st.integers(0, 2**32 - 1))
@examples(50)
def test_no_output_moves_further_than_reported(pair: tuple[Table, Table], seed: int) -> None:
    old, new = pair
    result = moved(old, new)
    points = dense(pair, seed, within=False)
    assert points is not None
    distances = np.abs(by_scipy(new)(points) - by_scipy(old)(points))
    assert distances.max() <= result.size + CLOSE
    np.testing.assert_allclose(by_scipy(old)(here(result.at)), result.old, rtol=0, atol=CLOSE)
    np.testing.assert_allclose(by_scipy(new)(here(result.at)), result.new, rtol=0, atol=CLOSE)


@given(old=tables("speed"), seed=st.integers(0, 2**32 - 1))
@examples(60)
def test_cells_recalculated_for_wider_breakpoints_leave_a_straight_line_unchanged(
    old: Table, seed: int
) -> None:
    ((axis,), count) = (list(old[0].values()), len(old[1]))
    assume(count > 1)
    random = np.random.default_rng(seed)
    low, high = min(axis), max(axis)
    line = [3.7 * item + 0.1 for item in sorted(axis)]
    inner = np.sort(random.uniform(low, high, count - 2)).tolist()
    assume(len({low, high, *inner}) == count)
    spread = [low, *inner, high]
    result = moved(
        ({"speed": sorted(axis)}, line), ({"speed": spread}, [3.7 * item + 0.1 for item in spread])
    )
    assert (result.size, result.is_slight) == (0, True)


SHAPES = [
    ((), ()),
    ((), ("speed", "load")),
    (("speed",), ("speed",)),
    (("speed",), ("speed", "load")),
    (("speed", "load"), ("load",)),
    (("speed", "load"), ("load", "speed")),
    (("speed", "load"), ("torque", "speed")),
    (("speed", "load"), ("torque", "height")),
    (("speed",), ("load",)),
]
every_shape = pytest.mark.parametrize(
    ("item", "other"),
    SHAPES,
    ids=[f"{'x'.join(a) or 'scalar'} and {'x'.join(b) or 'scalar'}" for a, b in SHAPES],
)

#: How a relation is judged, and by how much two values miss it.
KINDS: dict[
    str, tuple[Callable[..., RelationResult | None], Callable[[Numbers, Numbers, float], Numbers]]
] = {
    "at-most": (relations.at_most, lambda value, bound, margin: value - bound + margin),
    "equal": (relations.equal, lambda value, mirror, tolerance: np.abs(value - mirror) - tolerance),
    "gap": (relations.gap, lambda upper, lower, smallest: smallest - (upper - lower)),
}


@every_shape
@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data(), seed=st.integers(0, 2**32 - 1), amount=st.integers(0, 80))
@examples(8)
def test_no_relation_is_missed_by_more_than_reported(
    kind: str, item: tuple[str, ...], other: tuple[str, ...], data: st.DataObject, seed: int, amount: int
) -> None:
    judge, missed = KINDS[kind]
    first, second = data.draw(tables(*item)), data.draw(tables(*other))
    result = judge(made(first), made(second), amount / 8)
    points = dense((first, second), seed, within=True)
    if result is None:
        assert points is None
        return
    assert points is not None
    values, others = by_scipy(first), by_scipy(second)
    assert missed(values(points), others(points), amount / 8).max() <= result.excess + CLOSE
    assert set(result.at) == {*item, *other}
    np.testing.assert_allclose(values(here(result.at)), result.value, rtol=0, atol=CLOSE)
    np.testing.assert_allclose(others(here(result.at)), result.other, rtol=0, atol=CLOSE)
    np.testing.assert_allclose(
        missed(np.array(result.value), np.array(result.other), amount / 8), result.excess, rtol=0, atol=CLOSE
    )


@every_shape
@given(data=st.data())
@examples(10)
def test_a_relation_has_the_same_result_at_its_worst_point_alone(
    item: tuple[str, ...], other: tuple[str, ...], data: st.DataObject
) -> None:
    first, second = made(data.draw(tables(*item))), made(data.draw(tables(*other)))
    for judge, _ in KINDS.values():
        result = judge(first, second, 0.5)
        assert result is None or judge(first, second, 0.5, result.at) == result


# The round trip, worked out in plain Python: rows of numbers, one interpolation at a time


def at(axis: Sequence[float], values: Sequence[float], point: float) -> float:
    """What a rising curve gives at a point inside it."""
    right = min(max(bisect.bisect_right(axis, point), 1), len(axis) - 1)
    share = (point - axis[right - 1]) / (axis[right] - axis[right - 1])
    return values[right - 1] + share * (values[right] - values[right - 1])


def held(axis: Sequence[float], point: float) -> float:
    """A point, held at the ends of an axis."""
    return min(max(point, axis[0]), axis[-1])


def section(table: Table, along: str, shared: float) -> list[float]:
    """A map's values along its first axis, at one value of its second; a curve's own."""
    axes, values = table
    if len(axes) == 1:
        return values
    width = len(axes[along])
    (second,) = (axis for signal, axis in axes.items() if signal != along)
    columns = (values[column::width] for column in range(width))
    return [at(second, list(column), min(max(shared, second[0]), second[-1])) for column in columns]


def worst_round_trip(table: Table, other: Table) -> float | None:
    """The largest error of torque to load and back."""
    takes, gives = table[0]["torque"], other[0]["load"]
    errors = []
    speeds: list[float] = [0.0]
    if "speed" in table[0] and "speed" in other[0]:
        low = max(table[0]["speed"][0], other[0]["speed"][0])
        high = min(table[0]["speed"][-1], other[0]["speed"][-1])
        speeds = [item for item in (*table[0]["speed"], *other[0]["speed"]) if low <= item <= high]
    for speed in speeds:
        there, back = section(table, "torque", speed), section(other, "load", speed)
        for given_value in (*takes, *back):
            if takes[0] - CLOSE <= given_value <= takes[-1] + CLOSE:
                half_way = at(takes, there, held(takes, given_value))
                if gives[0] - CLOSE <= half_way <= gives[-1] + CLOSE:
                    errors.append(abs(at(gives, back, held(gives, half_way)) - given_value))
    return max(errors, default=None)


def rising_axis() -> st.SearchStrategy[list[float]]:
    return breakpoints(2).map(sorted)


@st.composite
def round_trips(draw: st.DrawFn) -> tuple[Table, Table]:
    result = []
    shared = draw(st.booleans())
    for own in ("torque", "load"):
        axes = {own: draw(rising_axis())}
        if shared:
            axes["speed"] = draw(rising_axis())
        count = int(np.prod([len(axis) for axis in axes.values()]))
        numbers = st.integers(-400, 400).map(lambda item: item / 8)
        result.append((axes, draw(st.lists(numbers, min_size=count, max_size=count))))
    return result[0], result[1]


@given(round_trips())
@examples(60)
def test_a_round_trip_is_as_bad_as_one_worked_out_by_hand(pair: tuple[Table, Table]) -> None:
    table, other = pair
    expected = worst_round_trip(table, other)
    result = relations.inverse(made(table), made(other))
    assert (result is None) == (expected is None)
    if result is None:
        return
    assert result.excess == pytest.approx(expected, abs=1e-6)
    assert abs(result.value - result.other) == pytest.approx(result.excess)
    speed = result.at.get("speed", 0.0)
    takes, gives = table[0]["torque"], other[0]["load"]
    half_way = at(takes, section(table, "torque", speed), held(takes, result.at["torque"]))
    assert half_way == pytest.approx(result.between, abs=CLOSE)
    back = at(gives, section(other, "load", speed), held(gives, half_way))
    assert back == pytest.approx(result.value, abs=1e-6)


@pytest.mark.parametrize(
    ("cell", "other", "margin"),
    [(-1000.0, 25.0, 2.0), (25.0, -1000.0, 2.0), (25.0, 2.0, 1000.0), (25.0, 2.0, -1000.0)],
)
def test_a_relation_allows_eight_units_in_the_last_place_of_its_largest_number(
    cell: float, other: float, margin: float
) -> None:
    table, bound = made(({}, [cell])), made(({}, [other]))
    for result in (
        relations.at_most(table, bound, margin),
        relations.equal(table, bound, margin),
        relations.gap(table, bound, margin),
    ):
        assert result is not None
        assert result.slack == 8 * np.spacing(1000.0)
        assert not RelationResult(0.0, 0.0, {}, result.slack, result.slack).is_broken
        assert RelationResult(0.0, 0.0, {}, 2 * result.slack, result.slack).is_broken


def test_a_table_and_what_undoes_it_are_an_inverse_but_for_rounding() -> None:
    x = [0.1 * item for item in range(20)]
    y = [7.3 * item + 0.3 for item in x]
    result = relations.inverse(made(({"torque": x}, y)), made(({"load": y}, x)))
    assert result is not None and not result.is_broken


def test_a_round_trip_may_be_off_by_more_than_there_are_numbers() -> None:
    there = made(({"torque": [1e308, 1.5e308]}, [0.0, 1.0]))
    back = made(({"load": [0.0, 1.0]}, [-1.5e308, -1e308]))
    result = relations.inverse(there, back)
    assert result is not None and result.is_broken
    assert (result.value, result.other, result.excess) == (-1.5e308, 1e308, np.inf)


def test_a_round_trip_at_one_point_is_not_evidence_for_the_others() -> None:
    there = made(({"torque": [0.0, 10.0]}, [0.0, 10.0]))
    back = made(({"load": [0.0, 5.0, 10.0]}, [0.0, 7.0, 10.0]))
    everywhere = relations.inverse(there, back)
    # 7, which comes back at a breakpoint, goes two fifths of the way from 5 to 10: 7 + 3 * 2 / 5.
    assert everywhere is not None and (everywhere.value, everywhere.other) == pytest.approx((8.2, 7))
    # Half of the way to the middle: 2.5 goes out, and 3.5 comes back.
    here = relations.inverse(there, back, at={"torque": 2.5})
    assert here is not None
    assert (here.value, here.other, here.between) == pytest.approx((3.5, 2.5, 2.5))
    assert here.at == {"torque": 2.5}


# Size


def big(*signals: str, count: int = 64) -> Table:
    axes = {signal: [float(item) for item in range(count)] for signal in signals}
    return axes, [float(signal % 97) for signal in range(count ** len(signals))]


def test_two_maps_over_four_signals_are_not_laid_out_in_four_dimensions() -> None:
    item, other = made(big("speed", "load")), made(big("torque", "height"))
    tracemalloc.start()
    try:
        result = relations.at_most(item, other)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # In four dimensions 64**4 doubles would take 128 MiB; each map alone takes 32 KiB.
    assert peak < 4 << 20
    assert result is not None
    assert (result.value, result.other) == (96.0, 0.0)


def test_long_tables_that_lie_across_each_other_are_not_compared() -> None:
    count = 4000
    long, short = [float(item) for item in range(count)], [0.0, 1.0]
    item = made(({"speed": long, "load": short}, [1.0] * 2 * count))
    other = made(({"speed": short, "load": long}, [0.0] * 2 * count))
    assert (
        relations.points_needed("at-most", {"speed": count, "load": 2}, {"speed": 2, "load": count})
        > MOST_POINTS
    )
    assert relations.at_most(item, other) is None


def test_corners_alone_decide() -> None:
    """The largest difference of two maps, looked for on a lattice a hundred times as fine."""
    item, other = (
        big("speed", "load", count=4),
        ({"speed": [0.0, 1.5, 3.0], "load": [0.0, 2.2, 3.0]}, [5.0] * 9),
    )
    result = relations.at_most(made(item), made(other))
    assert result is not None
    fine = np.linspace(0, 3, 301)
    points = np.array(list(product(fine, fine)))
    at_points = {"speed": points[:, 0], "load": points[:, 1]}
    assert result.excess == pytest.approx((by_scipy(item)(at_points) - by_scipy(other)(at_points)).max())
