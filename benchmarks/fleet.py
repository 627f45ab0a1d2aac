"""python -m benchmarks fleet: 10,000 images beside each other, beside reading and hashing their files."""

from __future__ import annotations

import hashlib
import sys
import tempfile
from pathlib import Path

import numpy as np

from benchmarks.generate import Sample, write_sample
from benchmarks.measure import Cost, aside, print_table, python_once

_POLICY = '[[images]]\npaths = ["boats/*.bin"]\ndefinition = "definition.xml"\n'
_IMAGES, _SIZE, _TABLES = 10_000, 512 * 2**10, 1_000
#: Calibrations that many images share, and the tables that an image has for itself.
_SHARED, _OWN = 12, 3
#: The places at which a shared calibration differs from the base: this many of a thousand tables at most.
_EDITED = 40
_RUNS = 2
#: Before this address lie axes, after it the tables.
_FIRST = 0x1000


def report(images: int = _IMAGES) -> None:
    """Print the cost of a fleet, of a second run after one image changed, and the memory of each process."""
    with tempfile.TemporaryDirectory() as folder:
        sample = aside(write_sample, Path(folder) / "sample", _TABLES, _SIZE)
        for title, is_unlike in (
            ("images that share most calibrations", False),
            ("images without one in common", True),
        ):
            count = images // 10 if is_unlike else images
            root = Path(folder) / ("unlike" if is_unlike else "alike")
            aside(write_fleet, root, sample, count, is_unlike)
            print_table(*aside(_measure, root, count, title))


def _measure(root: Path, images: int, title: str) -> tuple[str, list[str], list[list[str]]]:
    """The title, the heads and the rows of a table, from a small process: a child begins with its memory."""
    cache = root.parent / f"{root.name}-cache"
    off, on = {"CALLINT_CACHE": ""}, {"CALLINT_CACHE": str(cache)}
    fleet = ["-m", "callint", "fleet"]
    best: dict[str, Cost] = {}

    def run(name: str, arguments: list[str], environment: dict[str, str]) -> None:
        item = python_once(arguments, root, environment)
        best[name] = best.get(name, item).better(item)

    for _ in range(_RUNS):  # the calls take turns, and the best run of each counts
        run("bare pass", ["-m", "benchmarks.fleet"], off)
        run("fleet --jobs 1, no cache", [*fleet, "--jobs", "1"], off)
        run("fleet --jobs 2, no cache", [*fleet, "--jobs", "2"], off)
        for entry in cache.glob("*") if cache.exists() else ():
            entry.unlink()
        run("fleet, first run", fleet, on)
        path = root / "boats" / f"{images // 2:05}.bin"
        data = bytearray(path.read_bytes())
        data[_FIRST] ^= 1
        path.write_bytes(data)
        run("fleet, one image changed", fleet, on)
        run("fleet --where, nothing changed", [*fleet, "--where", "any table_0 > 100"], on)
    bare, first = best["bare pass"], best["fleet, first run"]
    rows = [
        [
            name,
            f"{item.seconds / bare.seconds:.2f}",
            f"{item.processor / bare.processor:.2f}",
            f"{item.seconds / first.seconds:.3f}",
            f"{item.memory / 2**20:.0f}",
        ]
        for name, item in best.items()
    ]
    heading = (
        f"{images:,} {title}, {_SIZE >> 10} KiB with {_TABLES:,} tables each: in multiples of a bare pass\n"
        "that reads and hashes each file (aim 3), and of the first run (aim for one changed image 0.1);\n"
        f"peak memory of the largest process in MiB (aim 256); best of {_RUNS} runs that take turns"
    )
    return heading, ["", "time", "processor", "of first", "MiB"], rows


def write_fleet(root: Path, sample: Sample, images: int, is_unlike: bool) -> None:
    """Write images that all differ, also in the bytes that the definition does not describe.

    Each has one of a few calibrations of every table and some tables of its own, all from one seed; with
    ``is_unlike``, every byte of its tables is its own.
    """
    (root / "boats").mkdir(parents=True)
    (root / "callint.toml").write_text(_POLICY, "utf-8")
    (root / "definition.xml").write_bytes(sample.definition.read_bytes())
    random = np.random.default_rng(28)
    base = np.frombuffer(sample.base.read_bytes(), np.uint8)
    last = int(np.flatnonzero(base[:-0x100] != 0xFF)[-1]) + 1
    shared = []
    for _ in range(_SHARED):
        calibration = base.copy()
        places = random.integers(_FIRST, last, _EDITED)
        calibration[places] = random.integers(0, 256, len(places))
        shared.append(calibration)
    for number in range(images):
        image = shared[number * number % _SHARED].copy()
        if is_unlike:
            image[_FIRST:last] = random.integers(0, 256, last - _FIRST, np.uint8)
        own = random.integers(_FIRST, last, _OWN)
        image[own] = random.integers(0, 256, _OWN)
        image[last:-0x100] = random.integers(0, 256, len(image) - 0x100 - last, np.uint8)
        (root / f"boats/{number:05}.bin").write_bytes(image.tobytes())


def bare_pass(root: Path) -> str:
    """What the same work costs at least: every file read and hashed."""
    digest = hashlib.sha256()
    for path in sorted((root / "boats").iterdir()):
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


if __name__ == "__main__":
    sys.stdout.write(f"{bare_pass(Path.cwd())}\n")
