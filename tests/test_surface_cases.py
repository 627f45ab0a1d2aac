"""Comparisons of small tables give the reviewed results."""

from __future__ import annotations

import pytest

from tests.golden import assert_as_reviewed
from tests.surface_cases import SURFACES, said, stored


def test_the_golden_file_covers_all_tables() -> None:
    assert [*stored()] == [*SURFACES]


@pytest.mark.parametrize("name", SURFACES)
def test_a_table_is_judged_beside_the_others_as_reviewed(name: str) -> None:
    assert_as_reviewed(said(name), stored()[name])
