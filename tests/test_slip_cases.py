"""What is said about edits and slips is what was said when somebody last read it over."""

from __future__ import annotations

import pytest

from tests.slip_cases import SHAPES, SMALL, SMALL_EDITS, least, said, said_small, stored


def test_what_is_stored_is_of_all_shapes() -> None:
    of_shapes = {*SHAPES, *(f"{name}, least" for name in SMALL)}
    assert set(stored()) == of_shapes | {f"small edit {seed}" for seed in SMALL_EDITS}


@pytest.mark.parametrize("name", SHAPES)
def test_the_suspects_of_a_shape_are_those_that_were_read_over(name: str) -> None:
    _compare([*said(name)], stored()[name])


@pytest.mark.parametrize("name", SMALL)
def test_a_cell_is_off_from_so_many_steps_on(name: str) -> None:
    _compare([*least(name)], stored()[f"{name}, least"])


@pytest.mark.parametrize("seed", SMALL_EDITS)
def test_of_a_small_edit_its_slips_are_said(seed: int) -> None:
    _compare([*said_small(seed)], stored()[f"small edit {seed}"])


def _compare(result: list[str], expected: list[str]) -> None:
    assert [_words(line) for line in result] == [_words(line) for line in expected]
    for item, other in zip(result, expected, strict=True):
        assert _numbers(item) == pytest.approx(_numbers(other), rel=1e-4), item


def _words(line: str) -> list[str]:
    return [word for word in line.split() if not _is_number(word)]


def _numbers(line: str) -> list[float]:
    return [float(word) for word in line.split() if _is_number(word)]


def _is_number(word: str) -> bool:
    return word.lstrip("-")[:1].isdigit()
