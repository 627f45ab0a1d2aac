"""python -m benchmarks causes: what it costs to look for the causes of findings."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from benchmarks.generate import Sample
from benchmarks.measure import print_table, python_once

#: The best of this number of runs counts.
_RUNS = 9
#: A check that finds something may take this many times as long as without its causes.
_AIM = 1.5


def measure(folder: Path, sample: Sample) -> None:
    """Print the time of a check with causes in multiples of one without, for each image of the demo.

    Both run in this process, where the definition is read already: what a start costs does not count.
    """
    root = folder / "demo"
    python_once(["-m", "callint", "demo", root])
    rows = []
    for name, images in (
        ("boats/petrel.bin, eight mistakes", ["boats/petrel.bin"]),
        ("boats/heron.bin, an honest rework", ["boats/heron.bin"]),
        ("factory/sk28-0412.bin, nothing found", ["factory/sk28-0412.bin"]),
    ):
        without = _seconds(root, images, False)
        ratio = _seconds(root, images, True) / min(without, _seconds(root, images, False))
        rows.append([name, f"{ratio:.2f}", f"{_AIM}"])
    title = "time of a check with the causes of its findings, in multiples of one without"
    print_table(title, ["", "ratio", "aim"], rows)


def _seconds(root: Path, images: Sequence[str], finds_causes: bool) -> float:
    """The shortest time of a check of images of the demo."""
    from callint.checking.assignments import Assignment
    from callint.checking.checker import Checker
    from callint.checking.image_findings import FindingDetails
    from callint.checking.loading import Definitions
    from callint.reading.workspace import open_workspace

    before = Path.cwd()
    os.chdir(root)
    try:
        workspace, definitions = open_workspace(None), Definitions()
        assigned = [
            Assignment(image, ("definitions/skerry-28.xml",), ("factory/sk28-0412.bin",)) for image in images
        ]
        times = []
        for _ in range(_RUNS + 1):  # the first run fills caches, and is never the shortest
            checker = Checker(
                workspace,
                workspace.policy,
                date.today(),
                definitions=definitions,
                details=FindingDetails(causes=finds_causes),
            )
            started = time.perf_counter()
            checker.report(assigned)
            times.append(time.perf_counter() - started)
        return min(times)
    finally:
        os.chdir(before)
