"""Reworks are compared, merged and carried as reviewed."""

from __future__ import annotations

import pytest

from tests.golden import assert_as_reviewed
from tests.rework_cases import CASES, said, stored


def test_the_golden_file_covers_all_cases() -> None:
    assert [*stored()] == [" / ".join(case) for case in CASES]


@pytest.mark.parametrize("case", CASES, ids=" / ".join)
def test_a_rework_is_compared_merged_and_carried_as_reviewed(case: tuple[str, str]) -> None:
    assert_as_reviewed(said(*case), stored()[" / ".join(case)])
