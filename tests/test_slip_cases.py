"""The suspects in edits are as reviewed."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from tests.golden import assert_as_reviewed
from tests.slip_cases import SHAPES, SMALL, SMALL_EDITS, least, said, said_small, stored


def test_the_golden_file_covers_all_shapes() -> None:
    of_shapes = {*SHAPES, *(f"{name}, least" for name in SMALL)}
    assert set(stored()) == of_shapes | {f"small edit {seed}" for seed in SMALL_EDITS}


@pytest.mark.parametrize("name", SHAPES)
def test_the_suspects_of_a_shape_are_as_reviewed(name: str) -> None:
    _compare(said(name), name)


@pytest.mark.parametrize("name", SMALL)
def test_the_least_deviation_that_is_found_is_as_reviewed(name: str) -> None:
    section = f"{name}, least"
    _compare(least(name, stored()[section]), section)


@pytest.mark.parametrize("seed", SMALL_EDITS)
def test_the_slips_of_a_small_edit_are_reported_as_reviewed(seed: int) -> None:
    section = f"small edit {seed}"
    _compare(said_small(seed, stored()[section]), section)


def _compare(lines: Iterable[str], section: str) -> None:
    # A score is a quotient of small differences.
    assert_as_reviewed("\n".join(lines), "\n".join(stored()[section]), tolerance=1e-4)
