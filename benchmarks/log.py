"""python -m benchmarks log: what reading a driving log costs beside a bare csv.reader over the same file."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from benchmarks.generate import Sample
from benchmarks.measure import cost, print_table

_BYTES = 100_000_000
#: Rows that are written at a time.
_ROWS = 20_000
_RUNS = 3
_BARE = "import csv, sys\nfor row in csv.reader(open(sys.argv[1], newline='')): pass"


def measure(folder: Path, sample: Sample) -> None:
    """A diff with a log of one rate, and with one of several, whose slow signals have empty cells."""
    without = cost(["-m", "callint", *_diff(sample)], _RUNS)
    rows = []
    for name, is_multi in (("one rate", False), ("several rates, cells empty", True)):
        log = folder / "log.csv"
        count = _write_log(log, is_multi)
        bare = cost(["-c", _BARE, log], _RUNS)
        logged = cost(["-m", "callint", *_diff(sample), "--log", log], _RUNS)
        ratio = (logged.seconds - without.seconds) / bare.seconds
        more = (logged.memory - without.memory) >> 20
        rows.append([f"callint diff --log, {name}", f"{count:,}", f"{ratio:.1f}", "4.0", f"{more}", "60"])
    title = (
        f"A driving log of {_BYTES // 10**6} MB; time above that of callint diff alone in multiples of a\n"
        "bare csv.reader, and peak memory above it in MiB"
    )
    print_table(title, ["", "rows", "ratio", "aim", "MiB", "aim"], rows)


def _diff(sample: Sample) -> list[str | Path]:
    return ["diff", sample.base, sample.image, "--definition", sample.definition]


def _write_log(path: Path, is_multi: bool) -> int:
    """A drive in rows of 20 ms; with several rates, fuel is in every second row and heat in each fiftieth."""
    numbers = np.random.default_rng(1)
    count = 0
    with path.open("w", encoding="utf-8") as file:
        file.write("time,engine_speed,fuel,heat,pressure,note\n")
        while file.tell() < _BYTES:
            times = (count + np.arange(_ROWS)) * 0.02
            speeds = 2500 + 1200 * np.sin(times / 60) + numbers.normal(0, 20, _ROWS)
            fuels = 400 + 250 * np.sin(times / 37)
            lines = []
            for row, (time, speed, fuel) in enumerate(
                zip(times.tolist(), speeds.tolist(), fuels.tolist(), strict=True)
            ):
                quick = f"{fuel:.2f}" if not is_multi or row % 2 == 0 else ""
                slow = f"{80 + fuel / 100:.1f}" if not is_multi or row % 50 == 0 else ""
                lines.append(f"{time:.2f},{speed:.1f},{quick},{slow},{1000 + fuel:.0f},\n")
            file.write("".join(lines))
            count += _ROWS
    return count
