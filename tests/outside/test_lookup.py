"""What a table puts out between its breakpoints, against NumPy and SciPy."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from callint.decoding.interpolation import lookup, position
from callint.model.change import Grid
from tests.building import decoded, definition_xml
from tests.example_counts import examples

Numbers = NDArray[np.float64]


def doubles(*values: float) -> bytes:
    return struct.pack(f">{len(values)}d", *values)


def grid_of(x: list[float] | None, y: list[float] | None, cells: list[float]) -> Grid:
    """A table of doubles in an image: its axes, then its cells, x fastest."""
    axes, data = "", b""
    for name, breakpoints in (("x", x), ("y", y)):
        if breakpoints is not None:
            axes += (
                f'<{name}><axis signal="speed" at="{len(data)}" type="float64" '
                f'count="{len(breakpoints)}"/></{name}>'
            )
            data += doubles(*breakpoints)
    kind = "scalar" if x is None else "curve" if y is None else "map"
    at, size = len(data), len(data) + 8 * len(cells)
    table = f'<{kind} name="t" title="T" purpose="general" at="{at}" type="float64">{axes}</{kind}>'
    image = decoded(definition_xml(table, size=size), data + doubles(*cells))
    return image.grid(image.layout.definition.tables["t"])


def breakpoints(least: int = 2) -> st.SearchStrategy[list[float]]:
    """Strictly rising, of any spacing from 1/8 up."""
    return st.lists(st.integers(-8000, 8000), min_size=least, max_size=8, unique=True).map(
        lambda result: [item / 8 for item in sorted(result)]
    )


values = st.floats(-1e6, 1e6)
points = st.lists(st.floats(-1500, 1500), min_size=1, max_size=20)
#: Interpolation in another order of operations differs by rounding only: some 2**-50 of the largest value.
CLOSE = 1e-9


@pytest.mark.parametrize("sign", [1, -1])
def test_a_point_at_a_breakpoint_stays_there_and_one_beyond_the_axis_is_held_at_its_end(sign: int) -> None:
    axis = sign * np.array([10.0, 20.0, 40.0])
    result = position(axis, sign * np.array([5.0, 10.0, 15.0, 20.0, 25.0, 40.0, 90.0]))
    assert result.low.tolist() == [0, 0, 0, 1, 1, 1, 1]
    assert result.weight.tolist() == [0, 0, 0.5, 0, 0.25, 1, 1]


@st.composite
def curves(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    x = draw(breakpoints())
    return x, draw(st.lists(values, min_size=len(x), max_size=len(x)))


@st.composite
def maps(draw: st.DrawFn) -> tuple[list[float], list[float], list[float]]:
    x, y = draw(breakpoints()), draw(breakpoints())
    size = len(x) * len(y)
    return x, y, draw(st.lists(values, min_size=size, max_size=size))


@given(curve=curves(), at=points)
@examples(80)
def test_the_output_of_a_curve_is_what_numpy_interpolates(
    curve: tuple[list[float], list[float]], at: list[float]
) -> None:
    x, cells = curve
    result = lookup(grid_of(x, None, cells), np.array(at))
    np.testing.assert_allclose(result, np.interp(at, x, cells), rtol=0, atol=CLOSE)


@given(curve=curves(), at=points)
@examples(40)
def test_a_curve_over_a_falling_axis_has_the_same_output_as_a_reversed_one(
    curve: tuple[list[float], list[float]], at: list[float]
) -> None:
    x, cells = curve
    result = lookup(grid_of(x[::-1], None, cells[::-1]), np.array(at))
    np.testing.assert_allclose(result, np.interp(at, x, cells), rtol=0, atol=CLOSE)


@given(table=maps(), at=st.lists(st.tuples(*[st.floats(-1500, 1500)] * 2), min_size=1, max_size=20))
@examples(80)
def test_the_output_of_a_map_is_what_scipy_interpolates_at_the_clipped_point(
    table: tuple[list[float], list[float], list[float]], at: list[tuple[float, float]]
) -> None:
    x, y, cells = table
    px, py = np.array(at).T
    expected = RegularGridInterpolator((y, x), np.reshape(cells, (len(y), len(x))))(
        np.column_stack([np.clip(py, y[0], y[-1]), np.clip(px, x[0], x[-1])])
    )
    np.testing.assert_allclose(lookup(grid_of(x, y, cells), px, py), expected, rtol=0, atol=CLOSE)
    turned = np.reshape(cells, (len(y), len(x)))[::-1, ::-1].ravel().tolist()
    np.testing.assert_allclose(
        lookup(grid_of(x[::-1], y[::-1], turned), px, py), expected, rtol=0, atol=CLOSE
    )


@given(maps())
@examples(40)
def test_the_output_of_a_map_is_exactly_its_cell_at_its_breakpoints(
    table: tuple[list[float], list[float], list[float]],
) -> None:
    x, y, cells = table
    here_x, here_y = np.meshgrid(x, y)
    assert lookup(grid_of(x, y, cells), here_x, here_y).ravel().tolist() == cells


@given(curve=curves(), beyond=st.floats(0, 1e9))
@examples(40)
def test_a_curve_is_held_at_its_ends(curve: tuple[list[float], list[float]], beyond: float) -> None:
    # As control units do: common practice, no source.
    x, cells = curve
    grid = grid_of(x, None, cells)
    assert lookup(grid, x[0] - beyond) == cells[0]
    assert lookup(grid, x[-1] + beyond) == cells[-1]


def test_a_map_is_held_at_its_edges_and_corners() -> None:
    # As control units do: common practice, no source.
    grid = grid_of([0, 10], [0, 10], [1, 2, 3, 4])
    assert lookup(grid, np.array([-5, 15, -5, 15]), np.array([-5, -5, 15, 15])).tolist() == [1, 2, 3, 4]
    assert lookup(grid, np.array([-5, 15]), 5).tolist() == [2, 3]
    assert lookup(grid, 5, np.array([-5, 15])).tolist() == [1.5, 3.5]
    assert lookup(grid, np.inf, -np.inf) == 2


@pytest.mark.parametrize("at", [-100.0, 7.0, 100.0])
def test_the_output_of_a_curve_with_one_breakpoint_is_its_one_cell(at: float) -> None:
    assert lookup(grid_of([7], None, [42]), at) == 42


@given(curve=curves(), at=points)
@examples(25)
def test_a_map_of_one_column_or_one_row_is_a_curve(
    curve: tuple[list[float], list[float]], at: list[float]
) -> None:
    other, cells = curve
    expected = np.interp(at, other, cells)
    column, row = grid_of([3], other, cells), grid_of(other, [3], cells)
    np.testing.assert_allclose(lookup(column, 99, np.array(at)), expected, rtol=0, atol=CLOSE)
    np.testing.assert_allclose(lookup(row, np.array(at), 99), expected, rtol=0, atol=CLOSE)


def test_the_output_of_a_scalar_is_its_value_everywhere() -> None:
    grid = grid_of(None, None, [12.5])
    assert lookup(grid) == 12.5
    assert lookup(grid, np.array([-1e9, 0, 1e9]), 3).tolist() == [12.5] * 3


def test_the_output_has_the_shape_of_the_points() -> None:
    grid = grid_of([0, 10], [0, 10], [1, 2, 3, 4])
    assert lookup(grid, 1.0, 2.0).shape == ()
    assert lookup(grid, np.zeros((2, 3)), np.zeros((2, 3))).shape == (2, 3)
    assert lookup(grid, np.zeros((2, 1)), np.zeros(3)).shape == (2, 3)


# Release of exhaust gas recirculation over intake air and engine temperature, -20 to 80 °C each:
# 8 means off and stands at both ends of both axes, any other value scales the recirculation.
# Common practice, no source; the values are made up.

OFF = 8
TEMPERATURES = list(range(-20, 81, 20))
RELEASE = [
    [OFF, OFF, OFF, OFF, OFF, OFF],
    [OFF, 1, 2, 3, 2, OFF],
    [OFF, 2, 4, 6, 4, OFF],
    [OFF, 3, 6, 7, 5, OFF],
    [OFF, 3, 6, 7, 5, OFF],
    [OFF, OFF, OFF, OFF, OFF, OFF],
]


@pytest.fixture
def release() -> Grid:
    """The map as a definition and an image hold it: one byte a number, 40 °C added to temperatures."""
    axes = "".join(
        f'<{axis}><axis signal="{signal}" at="{at}" type="uint8" conversion="temp" count="6"/></{axis}>'
        for axis, signal, at in (("x", "intake_air", 0), ("y", "engine", 6))
    )
    table = (
        '<map name="egr_release" title="EGR release" purpose="emissions" at="12" type="uint8" '
        f'conversion="share">{axes}<off raw="{OFF}" allowed="outside-operating"/></map>'
    )
    xml = definition_xml(
        table,
        signals='<signal name="intake_air" unit="degC">Intake air</signal>'
        '<signal name="engine" unit="degC">Engine</signal>',
        conversions='<linear name="temp" unit="degC" factor="1" offset="-40"/>'
        '<linear name="share" unit="-" factor="1"/>',
        size=48,
    )
    breakpoints = bytes(temperature + 40 for temperature in TEMPERATURES)
    image = decoded(xml, breakpoints * 2 + bytes(value for row in RELEASE for value in row))
    return image.grid(image.layout.definition.tables["egr_release"])


def test_egr_release_is_off_at_both_ends_of_both_axes(release: Grid) -> None:
    assert release.x is not None and release.y is not None
    assert release.x.tolist() == release.y.tolist() == TEMPERATURES
    inside = np.zeros((6, 6), bool)
    inside[1:-1, 1:-1] = True
    assert (release.off == ~inside).all()


@pytest.mark.parametrize("intake_air", [30, 35, 40])
@pytest.mark.parametrize("engine", [20, 30, 40, 60])
def test_egr_is_released_in_the_middle_of_the_map(release: Grid, intake_air: float, engine: float) -> None:
    share = float(lookup(release, intake_air, engine))
    assert 0 < share < OFF
    assert share == float(
        RegularGridInterpolator((TEMPERATURES, TEMPERATURES), np.array(RELEASE, float))(
            [[engine, intake_air]]
        )[0]
    )


@pytest.mark.parametrize("intake_air", [-20, -40])
def test_egr_is_off_at_any_engine_temperature_when_the_intake_air_reads_minus_20(
    release: Grid, intake_air: float
) -> None:
    engine = np.linspace(-40, 120, 33)
    assert (lookup(release, intake_air, engine) == OFF).all()


def test_egr_is_off_when_the_engine_is_at_its_hottest(release: Grid) -> None:
    assert lookup(release, 35, np.array([80, 110])).tolist() == [OFF, OFF]
