"""Whole processes by the clock and their peak memory, and tables of the results."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import reduce
from multiprocessing import get_context
from pathlib import Path
from statistics import median
from typing import Any, TypeVar

Result = TypeVar("Result")

#: The project's own folder, from which callint is imported wherever a process runs.
_TOP = Path(__file__).resolve().parent.parent

#: The best of so many runs counts: other work on the machine only ever adds time.
RUNS = 7


@dataclass(frozen=True, slots=True)
class Cost:
    """What a program costs in several runs.

    ``seconds`` is the shortest run, the memory the largest resident set in bytes, and the processor time the
    least one in seconds, child processes included.
    """

    seconds: float
    memory: int
    processor: float

    def better(self, other: Cost) -> Cost:
        """What counts of two runs."""
        return Cost(
            min(self.seconds, other.seconds),
            max(self.memory, other.memory),
            min(self.processor, other.processor),
        )


def cost(arguments: Sequence[str | Path], runs: int = RUNS) -> Cost:
    """The cost of a Python process with these arguments; its output is thrown away."""
    python_once(arguments)  # fills the caches of the machine
    return reduce(Cost.better, (python_once(arguments) for _ in range(runs)))


def aside(function: Callable[..., Result], *arguments: Any) -> Result:
    """What a function returns that takes much memory, which a process started here would seem to take too."""
    with ProcessPoolExecutor(1, get_context("spawn")) as executor:
        return executor.submit(function, *arguments).result()


def python_once(
    arguments: Sequence[str | Path], folder: Path | None = None, environment: Mapping[str, str] | None = None
) -> Cost:
    """The cost of one run of a Python process in a folder; ``environment`` is beside this process's own."""
    return once([sys.executable, *map(str, arguments)], folder, environment)


def once(
    command: Sequence[str], folder: Path | None = None, environment: Mapping[str, str] | None = None
) -> Cost:
    """The cost of one run of any process; 0 and 1 are the statuses of work that was done without errors."""
    whole = {**os.environ, "PYTHONDONTWRITEBYTECODE": "", "PYTHONPATH": str(_TOP), **(environment or {})}
    start = time.perf_counter()
    process = subprocess.Popen(
        command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=whole
    )
    assert process.stderr is not None
    said = process.stderr.read()
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 1) or said:
        raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}: {said.decode()}")
    memory = usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    return Cost(seconds, memory, usage.ru_utime + usage.ru_stime)


@dataclass(frozen=True, slots=True)
class Call:
    """A Python process: its arguments, where it runs, and what is beside this process's own environment."""

    arguments: Sequence[str]
    folder: Path = _TOP
    environment: Mapping[str, str] = field(default_factory=dict)


def medians(calls: Mapping[str, Call], runs: int) -> tuple[dict[str, float], dict[str, float]]:
    """The median seconds of each call by the clock and of the processor, its children's included.

    The calls take turns, so that whatever else the machine does meets them all alike.
    """
    wall: dict[str, list[float]] = {name: [] for name in calls}
    processor: dict[str, list[float]] = {name: [] for name in calls}
    for turn in range(runs + 1):  # the first turn fills the caches
        for name, call in calls.items():
            environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "", "PYTHONPATH": str(_TOP)}
            start = time.perf_counter()
            process = subprocess.Popen(
                [sys.executable, *call.arguments],
                cwd=call.folder,
                env={**environment, **call.environment},
                stdout=subprocess.DEVNULL,
            )
            _, status, usage = os.wait4(process.pid, 0)
            seconds = time.perf_counter() - start
            process.returncode = os.waitstatus_to_exitcode(status)
            if process.returncode not in (0, 1):
                raise RuntimeError(f"{' '.join(call.arguments)} ended with {process.returncode}")
            if turn:
                wall[name].append(seconds)
                processor[name].append(usage.ru_utime + usage.ru_stime)
    return _medians(wall), _medians(processor)


def _medians(result: Mapping[str, Sequence[float]]) -> dict[str, float]:
    return {name: median(seconds) for name, seconds in result.items()}


def print_table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A table with its title; the first column is words, the rest are numbers."""
    widths = [max(len(row[column]) for row in (heads, *rows)) for column in range(len(heads))]
    print(title)
    for row in (heads, *rows):
        first, *rest = (
            text.ljust(w) if n == 0 else text.rjust(w)
            for n, (text, w) in enumerate(zip(row, widths, strict=True))
        )
        print("  " + "  ".join([first, *rest]).rstrip())
    print()
