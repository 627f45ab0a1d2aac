"""Whole processes by the clock and their peak memory, and tables of the results."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

#: The best of so many runs counts: other work on the machine only ever adds time.
RUNS = 7


@dataclass(frozen=True, slots=True)
class Cost:
    """The shortest run in seconds, and the largest resident set of all runs in bytes."""

    seconds: float
    memory: int


def cost(arguments: Sequence[str | Path], runs: int = RUNS) -> Cost:
    """The cost of a Python process with these arguments; its output is thrown away."""
    command = [sys.executable, *map(str, arguments)]
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": ""}
    seconds, memory = float("inf"), 0
    for _ in range(runs + 1):  # the first run fills the caches of the machine
        start = time.perf_counter()
        process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment
        )
        _, status, usage = os.wait4(process.pid, 0)
        seconds = min(seconds, time.perf_counter() - start)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in (0, 1):
            raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}")
        memory = max(memory, usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024))
    return Cost(seconds, memory)


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
