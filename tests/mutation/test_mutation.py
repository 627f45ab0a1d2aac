"""What no test notices is said, and what one notices is not."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutation.mutants import Source
from tests.running import REPOSITORY, environment

MODULE = '''\
"""A module whose 10 is a limit."""

from __future__ import annotations

LIMIT = 10
Numbers = list[int]


def total(numbers: Numbers, start: int = 0) -> int:
    """Only what is above 0 counts."""
    found = start
    for number in numbers:
        if number <= 0:
            continue
        found += number
    return found


def within(value: int) -> bool:
    if value < 0:
        raise ValueError("below zero there is nothing")
    return value < LIMIT


def unused(value: int) -> int:
    return value + 1
'''
TESTS = """\
from small.sums import total, within


def test_totals_leave_out_what_is_below_zero():
    assert total([1, -3, 2]) == 3


def test_the_limit_is_not_within_itself():
    assert within(9) and not within(10)
"""


@pytest.fixture
def small(tmp_path: Path) -> Path:
    (tmp_path / "small").mkdir()
    (tmp_path / "small" / "__init__.py").touch()
    (tmp_path / "small" / "sums.py").write_text(MODULE, "utf-8")
    (tmp_path / "test_small.py").write_text(TESTS, "utf-8")
    return tmp_path


def changed_lines(source: Source) -> list[str]:
    return [line for mutant in source.mutants for line in source.difference(mutant) if line.startswith("+")]


def test_what_only_people_and_type_checkers_read_is_not_mutated(small: Path) -> None:
    changed = changed_lines(Source(small / "small" / "sums.py"))
    assert "+ LIMIT = 11" in changed
    assert "+ if number < 0:" in changed
    for word in ("import", "Numbers =", '"""', "XX"):
        assert not [line for line in changed if word in line]


def test_every_mutant_is_a_program_and_changes_something(small: Path) -> None:
    source = Source(small / "small" / "sums.py")
    texts = [source.mutated(mutant) for mutant in source.mutants]
    for text in texts:
        compile(text, "sums.py", "exec")
    assert len({*texts, source.text}) == len(texts) + 1


@pytest.mark.skipif(sys.platform != "linux", reason="forks, and asks Linux how much memory it takes")
def test_mutants_that_a_test_notices_are_killed_and_the_others_are_named(small: Path) -> None:
    done = subprocess.run(
        [
            *(sys.executable, "-m", "tests.mutation", "small/sums.py", "--tests", "test_small.py"),
            *("--sample", "0", "--least", "90"),
        ],
        cwd=small,
        env=environment(PYTHONPATH=f"{REPOSITORY}:{small}"),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 1, done.stderr  # fewer than 90 % are killed
    # Nothing changes the total where 0 counts too.
    assert "survived\n    - if number <= 0:\n    + if number < 0:\n" in done.stdout
    # Nobody calls it.
    assert "unreached\n    - return value + 1\n    + return value - 1\n" in done.stdout
    for killed in (
        "+ found -= number",
        "+ LIMIT = 11",
        "+ if number > 0:",
        "+ return value <= LIMIT",
        "+ continue",
    ):
        assert killed not in done.stdout
    assert "killed, " in done.stdout.splitlines()[-1]
