"""Both sides of a table at the breakpoints of both, against SciPy's interpolation on a grid."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from callint.comparing.softwares.pairs import SoftwareTables, table_pair
from callint.comparing.softwares.tables import TableComparison, compare_tables
from callint.decoding.decode import Decoded
from tests.example_counts import examples
from tests.softwares.building import fixed, table


@st.composite
def maps(draw: st.DrawFn) -> tuple[Decoded, list[list[float]], np.ndarray]:
    axes = [
        [n / 8 for n in sorted(draw(st.lists(st.integers(0, 8000), min_size=2, max_size=6, unique=True)))]
        for _ in range(2)
    ]
    size = len(axes[0]) * len(axes[1])
    cells = draw(st.lists(st.integers(0, 60000), min_size=size, max_size=size))
    made = table(cells, fixed("speed", *axes[0]), fixed("load", *axes[1]), size=1024)
    return made, axes, np.array(cells, float).reshape(len(axes[1]), len(axes[0]))


@given(old=maps(), new=maps())
@examples(60)
def test_both_sides_are_read_as_scipy_interpolates_them(
    old: tuple[Decoded, list[list[float]], np.ndarray], new: tuple[Decoded, list[list[float]], np.ndarray]
) -> None:
    definitions = [side[0].layout.definition for side in (old, new)]
    pair = table_pair(
        definitions[0], definitions[0].tables["fuel"], definitions[1], definitions[1].tables["fuel"]
    )
    assert isinstance(pair, SoftwareTables)
    comparison = compare_tables(old[0], new[0], pair)
    assert isinstance(comparison, TableComparison)
    x, y = (union.points for union in comparison.unions)
    assert x.tolist() == sorted({*old[1][0], *new[1][0]})
    assert y.tolist() == sorted({*old[1][1], *new[1][1]})
    for (_, axes, cells), reading in ((old, comparison.old), (new, comparison.new)):
        # SciPy does not hold tables at their ends, so the points are.
        held = np.meshgrid(
            np.clip(y, axes[1][0], axes[1][-1]), np.clip(x, axes[0][0], axes[0][-1]), indexing="ij"
        )
        expected = RegularGridInterpolator((axes[1], axes[0]), cells)(tuple(held))
        assert np.allclose(reading.values, expected, rtol=1e-12, atol=1e-9)
    differs = np.abs(comparison.new.values - comparison.old.values)
    assert (comparison.changed == (differs > np.where(comparison.is_cell, 0, 0.5) + 1e-9)).all()
