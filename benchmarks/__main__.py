"""python -m benchmarks: what callint costs beside bare Python, and how the cost grows.

``python -m benchmarks start`` measures what a start costs, ``beside`` what callint costs beside what people
do today, ``growth`` how that grows, ``throughput`` many images, ``history`` the history alone, ``import`` the
import of descriptions, ``definitions`` the comparison of two definitions, ``causes``
what looking for the causes of findings costs and ``review`` the page of a large review, in Chromium too.

``python -m benchmarks fleet`` measures a fleet of 10,000 images, which takes 6 GB of disk.

``python -m benchmarks slips`` measures no time, but how many number-entry slips are found, ``python -m
benchmarks relocate`` how many items are found in a sibling software, and ``python -m benchmarks coverage``
how many items that a definition lacks are suggested, and how many suggestions are right.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from benchmarks import (
    beside,
    causes,
    coverage,
    definition_diff,
    descriptions,
    fleet,
    growth,
    history,
    log,
    relocation,
    review,
    slips,
    start,
    throughput,
)
from benchmarks.generate import Sample, as_hex, write_sample
from benchmarks.measure import Cost, cost, print_table

_MIB = 2**20
#: The measurements that share one sample.
_PARTS = {
    "start": start.measure,
    "beside": beside.measure,
    "growth": growth.measure,
    "throughput": throughput.measure,
    "history": history.measure,
    "import": descriptions.measure,
    "definitions": definition_diff.measure,
    "log": log.measure,
    "causes": causes.measure,
    "review": review.measure,
}


def _check(sample: Sample, runs: int = 7) -> Cost:
    files: list[str | Path] = [sample.image, "--base", sample.base, "--definition", sample.definition]
    return cost(["-m", "callint", "check", *files], runs)


def main() -> int:
    """Run all measurements but the slips, the relocation, the suggestions and the fleet.

    Everything is a ratio within this run, because machines differ.
    """
    if sys.argv[1:] == ["slips"]:
        slips.report()
        return 0
    if sys.argv[1:] == ["fleet"]:
        fleet.report()
        return 0
    if sys.argv[1:] == ["relocate"]:
        relocation.report()
        return 0
    if sys.argv[1:] in (["coverage"], ["coverage", "--tuning"]):
        coverage.report(coverage.TUNING if sys.argv[2:] else coverage.REPORTED)
        coverage.growth()
        return 0
    asked = sys.argv[1:]
    if unknown := [name for name in asked if name not in _PARTS]:
        print(f"No measurement has the name {unknown[0]}.\n\n{__doc__}", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as folder:
        sample = write_sample(Path(folder) / "main", 2_000, 2 * _MIB)
        if not asked:
            main_job(sample)
        for name in asked or _PARTS:
            _PARTS[name](Path(folder), sample)
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


def _ratio(item: Cost, other: Cost) -> str:
    return f"{item.seconds / other.seconds:.1f}"


def _memory(item: Cost) -> str:
    return f"{item.memory / _MIB:.0f}"


if __name__ == "__main__":
    sys.exit(main())
