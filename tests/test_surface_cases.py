"""How tables stand to each other is what it was when somebody last read it over."""

from __future__ import annotations

import pytest

from tests.golden import assert_as_reviewed
from tests.surface_cases import SURFACES, said, stored


def test_what_is_stored_is_of_all_tables() -> None:
    assert [*stored()] == [*SURFACES]


@pytest.mark.parametrize("name", SURFACES)
def test_a_table_stands_beside_the_others_as_was_read_over(name: str) -> None:
    assert_as_reviewed(said(name), stored()[name])
