"""The share of the operating range that cells account for, against SciPy's integration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad, quad
from scipy.interpolate import RegularGridInterpolator

from callint.decoding.operating_range import operating_share
from tests.building import definition_xml, read, table_surface

Range = tuple[float, float] | None


def share(
    x: list[float] | None, y: list[float] | None, flags: list[bool], speed: Range = None, load: Range = None
) -> float | None:
    """The share of flagged cells, x fastest, with operating ranges of speed and load."""
    signals = ""
    for name, given_range in (("speed", speed), ("load", load)):
        operating = f'operating="{given_range[0]} {given_range[1]}"' if given_range else ""
        signals += f'<signal name="{name}" unit="-" {operating}>S</signal>'
    axes = "".join(
        f'<{axis}><axis signal="{signal}" at="0" type="float64" count="{len(points)}"/></{axis}>'
        for axis, signal, points in (("x", "speed", x), ("y", "load", y))
        if points is not None
    )
    kind = "scalar" if x is None else "curve" if y is None else "map"
    table = f'<{kind} name="t" title="T" purpose="general" at="0" type="float64">{axes}</{kind}>'
    definition = read(definition_xml(table, signals=signals, size=4096))
    # The cells lie in an image of a definition without such ranges; this one says the rest.
    grid = replace(table_surface(x, y).grid, table=definition.tables["t"])
    return operating_share(definition, grid, np.reshape(flags, grid.physical.shape))


# Worked by hand


def test_a_triangle_of_40_in_50_degrees_is_40_percent() -> None:
    assert share([0, 20, 40, 60], None, [False, False, True, False], (10, 60)) == pytest.approx(0.4)


def test_a_range_that_cuts_through_cells_counts_what_lies_inside() -> None:
    # From 15 to 25: the weight of the cell at 20 falls from 1 to 3/4 on both sides.
    assert share([0, 20, 40], None, [False, True, False], (15, 25)) == pytest.approx(0.875)


def test_beyond_the_axis_the_cell_at_the_end_is_read() -> None:
    # 10 of the 20 lie beyond the end, the other 10 have a triangle of half.
    assert share([0, 10], None, [False, True], (0, 20)) == pytest.approx(0.75)
    assert share([0, 10], None, [False, True], (30, 40)) == 1
    assert share([0, 10], None, [True, False], (30, 40)) == 0


def test_a_range_of_no_width_is_a_point() -> None:
    assert share([0, 10], None, [False, True], (4, 4)) == pytest.approx(0.4)
    assert share([0, 10], [0, 10], [False, False, False, True], (4, 4), (0, 10)) == pytest.approx(0.2)


def test_a_signal_without_an_operating_range_has_that_of_its_axis() -> None:
    assert share([0, 10, 40], None, [False, False, True]) == pytest.approx(15 / 40)
    assert share([0, 10], [0, 100], [True, True, False, False], None, (0, 50)) == pytest.approx(0.75)


def test_a_cell_alone_is_all_or_nothing() -> None:
    for flag in (True, False):
        assert share(None, None, [flag]) == float(flag)
        assert share([5], None, [flag], (0, 10)) == float(flag)
        assert share([5], None, [flag]) == float(flag)


# Against SciPy

axes = st.lists(st.integers(-10, 10).map(float), min_size=2, max_size=4, unique=True).map(sorted)
ranges = st.one_of(
    st.none(),
    st.lists(st.integers(-60, 60).map(lambda item: item / 4), min_size=2, max_size=2).map(
        lambda two: tuple(sorted(two))
    ),
)


@given(x=axes, operating=ranges, falls=st.booleans(), data=st.data())
@settings(max_examples=80, deadline=None)
def test_the_share_on_a_curve_is_scipys_integral(
    x: list[float], operating: Range, falls: bool, data: st.DataObject
) -> None:
    flags = data.draw(st.lists(st.booleans(), min_size=len(x), max_size=len(x)))
    low, high = operating or (x[0], x[-1])

    def weight(point: float) -> float:
        return float(np.interp(point, x, flags))

    inner = [point for point in x if low < point < high]
    expected = weight(low) if low == high else quad(weight, low, high, points=inner or None)[0] / (high - low)
    order = slice(None, None, -1 if falls else 1)
    assert share(x[order], None, flags[order], operating) == pytest.approx(expected, abs=1e-8)


@given(x=axes, y=axes, speed=ranges, load=ranges, data=st.data())
@settings(max_examples=60, deadline=None)
def test_the_share_on_a_map_is_the_mean_of_many_points(
    x: list[float], y: list[float], speed: Range, load: Range, data: st.DataObject
) -> None:
    flags = data.draw(st.lists(st.booleans(), min_size=len(x) * len(y), max_size=len(x) * len(y)))
    surface = RegularGridInterpolator((y, x), np.reshape(flags, (len(y), len(x))).astype(float))
    points = []
    for axis, operating in ((y, load), (x, speed)):
        low, high = operating or (axis[0], axis[-1])
        # The middles of strips of a 32nd at most: the mean of what is linear between quarters is exact.
        count = max(1, round(8 * (high - low)))
        middles = low + (np.arange(count) + 0.5) * (high - low) / count
        points.append(np.clip(middles, axis[0], axis[-1]))
    expected = surface(tuple(np.meshgrid(*points, indexing="ij"))).mean()
    assert share(x, y, flags, speed, load) == pytest.approx(expected, abs=1e-8)


def test_the_share_on_a_map_is_scipys_double_integral() -> None:
    x, y = [0.0, 10.0, 30.0], [-5.0, 0.0, 20.0]
    flags = [False, True, False, False, True, True, True, False, False]
    surface = RegularGridInterpolator((y, x), np.reshape(flags, (3, 3)).astype(float))

    def weight(across: float, along: float) -> float:
        return float(surface([[np.clip(across, -5, 20), np.clip(along, 0, 30)]])[0])

    total = 0.0
    for low, high in ((4, 10), (10, 30), (30, 33)):
        for below, above in ((-7, -5), (-5, 0), (0, 13)):
            total += dblquad(weight, low, high, below, above)[0]
    assert share(x, y, flags, (4, 33), (-7, 13)) == pytest.approx(total / (29 * 20))
