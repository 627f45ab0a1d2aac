"""Breakpoints of derived axes against ``axis_rescale`` of the published package pya2ldb, and against NumPy.

The tests of that package name its first example as the one of the standard.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from random import Random

import numpy as np
import pytest

from callint.decoding.derived_axes import inverted, rescaled
from tests.running import environment

PROGRAM = Path(__file__).parent / "rescale_axes.py"

#: The breakpoints of the pairs, their virtual values, and the number of breakpoints that follow.
Pairs = tuple[list[float], list[float], int]


def random_pairs(seed: int) -> list[Pairs]:
    """Pairs whose virtual values begin at 0, as those of the standard do, with counts of every kind."""
    random, pairs = Random(seed), []
    for _ in range(300):
        span = random.choice([255, 65535, 1000])
        between = sorted(random.sample(range(1, span), random.randint(0, 9)))
        values = [float(random.randint(-500, 500)) for _ in range(len(between) + 2)]
        count = random.choice([2, 3, 5, 9, 17, 33, 65, 7, 12, 100])
        pairs.append((values, [0.0, *map(float, between), float(span)], count))
    return pairs


def reference(pairs: list[Pairs]) -> list[list[float]]:
    done = subprocess.run(
        [sys.executable, PROGRAM],
        input=json.dumps(pairs),
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    results: list[list[float]] = json.loads(done.stdout)
    return results


#: The example of the standard, and one with more breakpoints than virtual values.
STANDARD: Pairs = ([0, 100, 216], [0, 192, 255], 9)
FEW: Pairs = ([0.0, 30.0], [0.0, 3.0], 9)
PAIRS = [STANDARD, *random_pairs(seed=4096)]


@pytest.fixture(scope="module")
def references() -> list[list[float]]:
    """The package's breakpoints of FEW and PAIRS; it takes longer to start than to compute them."""
    return reference([FEW, *PAIRS])


def test_rescaled_breakpoints_are_those_of_a_published_package(references: list[list[float]]) -> None:
    assert references[1][:2] == [0, 100 / 6]
    for (values, virtual, count), expected in zip(PAIRS, references[1:], strict=True):
        found = rescaled(np.array(virtual), np.array(values), count)
        assert found == pytest.approx(np.array(expected), rel=1e-12, abs=1e-9), (values, virtual, count)


def test_virtual_values_that_begin_elsewhere_give_the_same_breakpoints() -> None:
    """The package adds the first virtual value in one place only, so it is no reference here."""
    for values, virtual, count in random_pairs(seed=7)[:50]:
        moved = rescaled(np.array(virtual) + 40, np.array(values), count)
        assert moved == pytest.approx(rescaled(np.array(virtual), np.array(values), count))


def test_more_breakpoints_than_virtual_values_repeat_the_last_one(references: list[list[float]]) -> None:
    """The package gives fewer breakpoints than asked for there."""
    values, virtual, count = FEW
    assert len(references[0]) < count
    found = rescaled(np.array(virtual), np.array(values), count)
    assert found == pytest.approx([0, 5, 10, 15, 20, 25, 30, 30, 30])


@pytest.mark.parametrize("virtual", [[0, 9, 9], [9, 4, 0], [0, np.nan, 9]])
def test_virtual_values_that_do_not_rise_give_no_breakpoints(virtual: list[float]) -> None:
    assert np.isnan(rescaled(np.array(virtual), np.array([1.0, 2.0, 3.0]), 5)).all()


def test_a_single_breakpoint_is_the_last_value() -> None:
    assert rescaled(np.array([0.0, 255.0]), np.array([3, 8]), 1).tolist() == [8]


def test_at_inverted_breakpoints_the_curve_gives_the_numbers_of_the_cells() -> None:
    """``np.interp`` evaluates the curve, rising or falling, with ends that may stay at the outer cells."""
    random = np.random.default_rng(3)
    for _ in range(200):
        count = int(random.integers(2, 9))
        numbers = np.sort(random.uniform(0.01, count - 1.01, int(random.integers(0, 6))))
        ends = [np.zeros(int(random.integers(1, 3))), np.full(int(random.integers(1, 3)), count - 1.0)]
        numbers = np.concatenate([ends[0], numbers, ends[1]])[:: random.choice([1, -1])]
        points = np.cumsum(random.uniform(1, 50, len(numbers)))
        found = inverted(points, numbers, count)
        assert np.interp(found, points, numbers) == pytest.approx(np.arange(count), abs=1e-9)
        assert (np.diff(found) > 0).all() or (np.diff(found) < 0).all()


@pytest.mark.parametrize(
    "numbers", [[0, 1, 1, 3], [1, 2, 3, 4], [0, 1, 1.5, 1.9], [0, 2, 1, 3], [0, np.nan, 2, 3]]
)
def test_a_curve_that_does_not_give_each_cell_at_one_place_gives_no_breakpoints(numbers: list[float]) -> None:
    assert np.isnan(inverted(np.arange(4.0), np.array(numbers), 3)).all()
