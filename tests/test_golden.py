"""The comparison of texts with golden files."""

from __future__ import annotations

import pytest

from tests.golden import assert_as_reviewed, number, point


@pytest.mark.parametrize(
    ("value", "text"), [(0.1 + 0.2, "0.3"), (1e-17, "0"), (-2.5, "-2.5"), (1234567.0, "1.23457e+06")]
)
def test_a_number_has_six_significant_digits(value: float, text: str) -> None:
    assert number(value) == text


def test_a_point_names_its_signals() -> None:
    assert point({"speed": 1000.0, "load": 0.1 + 0.2}) == "speed 1000, load 0.3"


@pytest.mark.parametrize(
    ("text", "reviewed"),
    [("excess 0.123457", "excess 0.123456"), ("excess 2", "excess 2.00001"), ("-1.5e+300", "-1.50001e+300")],
)
def test_the_last_digit_may_differ(text: str, reviewed: str) -> None:
    assert_as_reviewed(text, reviewed)


@pytest.mark.parametrize(
    ("text", "reviewed"),
    [
        ("excess 0.12346", "excess 0.12345"),
        ("excess 1.5", "excess -1.5"),
        ("sum 123457", "sum 123456"),
        ("kept, 1.5", "broken, 1.5"),
        ("table_1", "table_2"),
        ("1 mg", "1 mg\n2 mg"),
        ("1 mg", ""),
    ],
)
def test_every_other_difference_fails(text: str, reviewed: str) -> None:
    with pytest.raises(AssertionError):
        assert_as_reviewed(text, reviewed)
