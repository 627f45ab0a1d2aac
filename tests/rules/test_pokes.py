"""What is found where one number of an image is changed is what it was when somebody last read it over."""

from __future__ import annotations

import pytest

from tests.rules.pokes import POKES, said, stored


def test_what_is_stored_is_of_all_numbers() -> None:
    assert [*stored()] == [str(at) for at in POKES]


@pytest.mark.parametrize("at", POKES)
def test_another_number_is_found_out_as_was_read_over(at: int) -> None:
    assert said(at) == stored()[str(at)]
