"""What fuzzing starts from and what it found is harmless, and a short run finds nothing new."""

from __future__ import annotations

import os
import platform
import re
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from tests.fuzz.__main__ import FOUND
from tests.fuzz.seeds import mutated, seeds
from tests.fuzz.targets import TARGETS
from tests.running import REPOSITORY, environment

_MUTATIONS = 20
_RUNS = 50

#: Where atheris can be installed, and a bare machine has to have it.
_HAS_WHEELS = sys.platform == "linux" and platform.machine() == "x86_64" and sys.version_info < (3, 14)

needs_atheris = pytest.mark.skipif(
    find_spec("atheris") is None and not (_HAS_WHEELS and os.environ.get("CALLINT_CI")),
    reason="atheris is not installed; it comes for Linux on x86_64 and Python 3.11 to 3.13 only",
)


@pytest.mark.parametrize("target", TARGETS)
def test_what_fuzzing_starts_from_and_mutations_of_it_are_harmless(target: str) -> None:
    for data in seeds(target):
        TARGETS[target](data)
        for seed in range(_MUTATIONS):
            TARGETS[target](mutated(data[:4000], 4000, seed))


@pytest.mark.parametrize(
    "path", sorted(FOUND.glob("*/*")), ids=lambda path: f"{path.parent.name}/{path.name}"
)
def test_inputs_that_once_failed_are_harmless(path: Path) -> None:
    TARGETS[path.parent.name](path.read_bytes())


def test_every_find_belongs_to_a_target() -> None:
    assert {path.name for path in FOUND.iterdir() if path.is_dir()} <= TARGETS.keys()


@needs_atheris
def test_short_runs_find_nothing(tmp_path: Path) -> None:
    # A number of inputs from one seed, however long that takes: 0 seconds are no limit. All targets have one
    # process, and atheris follows only the readers: it takes seconds to instrument all of callint.
    arguments = [*TARGETS, "--runs", str(_RUNS), "--seed", "1", "--seconds", "0", "--finds", str(tmp_path)]
    arguments += ["--instrument", "callint.reading", "callint.comparing.table_query"]
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz", *arguments],
        cwd=REPOSITORY,
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
    )
    errors = done.stderr.decode("utf-8", "replace")
    assert done.returncode == 0, errors[-3000:]
    assert re.findall(r"Done (\d+) runs", errors) == [str(_RUNS)] * len(TARGETS)
