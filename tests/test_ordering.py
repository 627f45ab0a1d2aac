"""Distinct values and medians against NumPy's own functions; and the omissions of a plan."""

from __future__ import annotations

import warnings

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from callint.decoding.layout import make_layout
from callint.decoding.statistics import distinct, median
from callint.model.definition import Definition
from tests.example_counts import examples
from tests.test_definition_xml import definitions

# Few values, so that many are equal.
FEW = st.sampled_from([float("nan"), float("inf"), float("-inf"), -0.0, 0.0, 0.1, 1.5, 2.0]) | st.floats()
REALS = arrays(np.float64, st.integers(0, 12), elements=FEW)
WHOLE = arrays(np.int64, st.integers(0, 12), elements=st.integers(-3, 3))


@given(REALS | WHOLE)
def test_distinct_values_are_those_of_numpy(values: np.ndarray) -> None:
    result = distinct(values)
    assert result.dtype == values.dtype
    np.testing.assert_array_equal(result, np.unique(values))


@given(REALS | WHOLE)
def test_the_value_in_the_middle_is_that_of_numpy(values: np.ndarray) -> None:
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")  # NumPy's about no values at all
        expected = np.median(values)
        np.testing.assert_array_equal(median(values), expected)


@given(definitions())
@examples(40)
def test_a_layout_has_all_completely_described_items_and_their_shapes(definition: Definition) -> None:
    known = [item for item in definition.stored_axes if definition.is_resolved(item)]
    tables = [item for item in definition.tables.values() if definition.is_resolved(item)]
    # Only few cells: any definition may claim 2 to the power of 26.
    if sum(int(np.prod(definition.shape_of(table))) for table in tables) > 100_000:
        return
    layout = make_layout(definition)
    assert set(layout.axis_items) == {axis.name for axis in known}
    assert set(layout.table_items) == {table.name for table in tables}
    for table in tables:
        assert layout.shape(layout.table_items[table.name]) == definition.shape_of(table)
