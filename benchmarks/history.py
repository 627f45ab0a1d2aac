"""python -m benchmarks history: what the history of a long-lived image costs beside git's own share of it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO

import numpy as np

from benchmarks.generate import Sample
from benchmarks.measure import cost, print_table

_COMMITS = 1_000
_CELLS = 6
_RUNS = 3
#: Behind the axes and before the tables end, see ``generate``.
_FROM, _TO = 0x1000, 0x30000
_BLOCK = 1 << 20


def measure(folder: Path, sample: Sample) -> None:
    """The history of a whole image of many commits, in multiples of listing and reading its contents."""
    repository = folder / "history"
    _write_repository(repository, sample)
    git = _best(lambda: _read_all(repository))
    image, definition = repository / "image.bin", repository / "definition.xml"
    whole: list[str | Path] = ["-m", "callint", "history", image, "--definition", definition]
    history = cost(whole, _RUNS)
    asked: list[str | Path] = [
        "-m", "callint", "history", image, "table_0", "--cell", "1000,50", "--definition", definition,
    ]  # fmt: skip
    values = cost(asked, _RUNS)
    title = (
        f"{_COMMITS:,} commits of a {sample.size >> 20} MiB image; time in multiples of git rev-list "
        "--objects HEAD\nand reading the same contents with git cat-file --batch, peak memory in MiB"
    )
    rows = [
        ["callint history", f"{history.seconds / git:.2f}", "2.0", f"{history.memory >> 20}"],
        ["callint history --cell", f"{values.seconds / git:.2f}", "", f"{values.memory >> 20}"],
    ]
    print_table(title, ["", "ratio", "aim", "MiB"], rows)


def _write_repository(repository: Path, sample: Sample) -> None:
    """A repository whose commits each change a few numbers of the image, as git fast-import packs it."""
    _git(repository.parent, "init", "--quiet", "--initial-branch=main", str(repository))
    importing = subprocess.Popen(
        ["git", "fast-import", "--quiet"], cwd=repository, stdin=subprocess.PIPE, env=_environment()
    )
    assert importing.stdin is not None
    data = bytearray(sample.base.read_bytes())
    numbers = np.random.default_rng(1)
    for commit in range(_COMMITS):
        if commit:
            for place in numbers.integers(_FROM, _TO, _CELLS).tolist():
                data[place] ^= 1
        _write_commit(importing.stdin, commit, bytes(data), sample if not commit else None)
    importing.stdin.close()
    if importing.wait():
        raise RuntimeError("git fast-import failed")
    _git(repository, "reset", "--quiet", "--hard")


def _write_commit(stream: IO[bytes], number: int, data: bytes, sample: Sample | None) -> None:
    message = f"Work {number}".encode()
    stream.write(b"commit refs/heads/main\n")
    stream.write(b"committer Ada Quay <ada@yard.example> %d +0000\n" % (1_700_000_000 + 3600 * number))
    stream.write(b"data %d\n%b\n" % (len(message), message))
    files = {"image.bin": data}
    if sample is not None:
        files["definition.xml"] = sample.definition.read_bytes()
    for name, content in files.items():
        stream.write(b"M 100644 inline %b\ndata %d\n%b\n" % (name.encode(), len(content), content))


def _read_all(repository: Path) -> None:
    """List all objects of the history, and read every content of the image, which the same git does."""
    listed = _git(repository, "rev-list", "--objects", "HEAD").splitlines()
    blobs = [line.split(b" ")[0] for line in listed if line.endswith(b" image.bin")]
    reading = subprocess.Popen(
        ["git", "cat-file", "--batch"],
        cwd=repository,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=_environment(),
    )
    assert reading.stdin is not None and reading.stdout is not None
    for blob in blobs:
        reading.stdin.write(blob + b"\n")
        reading.stdin.flush()
        left = int(reading.stdout.readline().split()[2]) + 1  # a line break ends the content
        while left:
            left -= len(reading.stdout.read(min(left, _BLOCK)))
    reading.stdin.close()
    reading.wait()


def _best(job: Callable[[], None]) -> float:
    """The shortest of some runs in seconds, after one that fills the caches of the machine."""
    shortest = float("inf")
    for _ in range(_RUNS + 1):
        start = time.perf_counter()
        job()
        shortest = min(shortest, time.perf_counter() - start)
    return shortest


def _git(folder: Path, *arguments: str) -> bytes:
    return subprocess.run(
        ["git", *arguments], cwd=folder, env=_environment(), capture_output=True, check=True
    ).stdout


def _environment() -> dict[str, str]:
    """Without a configuration of the machine's own, and without the repository that a hook may point to."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("GIT_")}
    return {**kept, "GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_NOSYSTEM": "1"}


if __name__ == "__main__":
    sys.exit("python -m benchmarks history runs it")
