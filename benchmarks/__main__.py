"""python -m benchmarks: what callint costs beside bare Python, and how the cost grows.

``python -m benchmarks start`` measures what a start costs, ``history`` the history alone, ``import`` the
import of descriptions and ``review`` the page of a large review, in Chromium too. ``python -m benchmarks
slips`` measures no time, but how many number-entry slips are found.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from benchmarks import descriptions, history, log, review, slips, start, throughput
from benchmarks.generate import Sample, as_hex, write_sample
from benchmarks.measure import Cost, cost, print_table

_MIB = 2**20


def _check(sample: Sample, runs: int = 7) -> Cost:
    files: list[str | Path] = [sample.image, "--base", sample.base, "--definition", sample.definition]
    return cost(["-m", "callint", "check", *files], runs)


def main() -> int:
    """Run all measurements but the slips; everything is a ratio within this run, because machines differ."""
    if sys.argv[1:] == ["slips"]:
        slips.report()
        return 0
    with tempfile.TemporaryDirectory() as folder:
        sample = write_sample(Path(folder) / "main", 2_000, 2 * _MIB)
        parts = {
            "start": start.measure,
            "history": history.measure,
            "import": descriptions.measure,
            "log": log.measure,
            "review": review.measure,
            "throughput": throughput.measure,
        }
        asked = sys.argv[1:]
        if not asked:
            main_job(sample)
            growth(Path(folder))
        for name in asked or parts:
            parts[name](Path(folder), sample)
    return 0


def main_job(sample: Sample) -> None:
    """One image against its base."""
    bare = cost(["-c", "import numpy, lxml.etree"])
    checked = _check(sample)
    diffed = cost(
        ["-m", "callint", "diff", sample.base, sample.image, "--definition", sample.definition, "--stat"]
    )
    records = _check(as_hex(sample))
    rows = [
        ["callint check", _ratio(checked, bare), "6.0", _memory(checked), "150"],
        ["callint check, Intel HEX", _ratio(records, bare), "", _memory(records), ""],
        ["callint diff --stat", _ratio(diffed, bare), "", _memory(diffed), ""],
    ]
    title = (
        f"{sample.size // _MIB} MiB image, {sample.tables:,} tables, {sample.cells:,} cells; "
        "time in multiples of\npython -c 'import numpy, lxml.etree', peak memory in MiB"
    )
    print_table(title, ["", "ratio", "aim", "MiB", "aim"], rows)


def growth(folder: Path) -> None:
    """The same work at growing size: the cost above the bare imports should grow as the tables do."""
    bare = cost(["-c", "import numpy, lxml.etree, click"])
    rows = []
    last: tuple[int, float] | None = None
    for tables in (1_250, 2_500, 5_000, 10_000, 20_000):
        sample = write_sample(folder / str(tables), tables, max(2 * _MIB, tables * 1024))
        checked = _check(sample, runs=5)
        above = checked.seconds - bare.seconds
        grown = "" if last is None else f"{above / last[1]:.2f}"
        more = "" if last is None else f"{tables / last[0]:.0f}"
        rows.append([f"{tables:,}", _ratio(checked, bare), grown, more, _memory(checked)])
        last = tables, above
    title = (
        "Growth of callint check: time in multiples of the bare imports, and how much more\n"
        "the time above them is than in the step before"
    )
    print_table(title, ["tables", "ratio", "time ×", "tables ×", "MiB"], rows)


def _ratio(one: Cost, other: Cost) -> str:
    return f"{one.seconds / other.seconds:.1f}"


def _memory(one: Cost) -> str:
    return f"{one.memory / _MIB:.0f}"


if __name__ == "__main__":
    sys.exit(main())
