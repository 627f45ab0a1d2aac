"""When two values differ by more than they may, and which digits of an uncertain value are printed."""

from __future__ import annotations

import numpy as np
import pytest

from callint import fmt
from callint.comparing.decimal_compare import exceeds
from callint.model.definition import Linear

#: The distance from numbers between 1 and 2 to the next ones (IEEE 754: 52 bits behind the point).
DIGIT = 2.0**-52


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("digits", "is_more"), [(0, False), (4, False), (5, True)])
def test_four_units_in_the_last_place_of_the_larger_value_do_not_exceed_a_limit(
    digits: int, is_more: bool, sign: int
) -> None:
    small, large = np.array([0.25 * sign]), np.array([(1.25 + digits * DIGIT) * sign])
    assert exceeds(small, large, 1.0).tolist() == exceeds(large, small, 1.0).tolist() == [is_more]


def test_a_tenth_is_a_tenth() -> None:
    assert 1.1 - 1.0 > 0.1, "what plain floating point makes of it"
    assert not exceeds(np.array([1.0]), np.array([1.1]), 0.1).any()


def test_not_a_number_never_exceeds_a_limit_and_an_infinite_distance_does() -> None:
    old = np.array([np.nan, 1.0, np.inf, 1.7e308])
    new = np.array([1.0, np.nan, np.inf, -1.7e308])
    assert exceeds(old, new, np.full(4, 2.0)).tolist() == [False, False, False, True]


@pytest.mark.parametrize(
    ("value", "within", "text"),
    [
        (1198.6, 25.0, "1200"),
        (1198.6, 2.5, "1199"),
        # The smallest number there is, and a distance of more digits than numbers have: all are certain.
        (1198.6, 5e-324, "1198.6"),
        (1e300, 1e-300, "1e300"),
        (1198.6, 0.0, "1198.6"),
    ],
)
def test_an_uncertain_value_has_the_digits_that_are_certain(value: float, within: float, text: str) -> None:
    assert fmt.rounded(value, within, Linear("pressure", "bar", None, 0.1, 0.0, 0)) == text
