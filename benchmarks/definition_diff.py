"""python -m benchmarks definitions: the comparison of two definitions beside reading both with lxml."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from benchmarks.generate import Sample, write_sample
from benchmarks.measure import cost, print_table

#: Tables of the definition, and the most that the comparison may take, in times of reading both files.
_TABLES, _AIM = 5_000, 3
_RUNS = 9


def measure(folder: Path, sample: Sample) -> None:
    """Compare definitions that are equal, and that differ in one limit, all limits, addresses or names."""
    del sample
    from lxml import etree

    from callint.comparing.definitions.diff import compare_definitions
    from callint.model.definition import Definition
    from callint.reading.definition import read_definition

    made = write_sample(folder / "definitions", _TABLES, 8 * 2**20)
    xml = made.definition.read_text("utf-8")

    def definition(text: str) -> Definition:
        read = read_definition(text.encode(), "definition.xml").definition
        assert read is not None
        return read

    first = re.search(r'<limits [^>]*max="([\d.]+)"', xml)
    assert first is not None
    variants = {
        "a comment more": xml.replace("<tables>", "<!-- the tables -->\n<tables>", 1),
        "one limit": xml[: first.start(1)] + "1" + xml[first.start(1) :],
        "every limit": re.sub(r'(<limits [^>]*max=")([\d.]+)', r"\g<1>1\g<2>", xml),
        "every address": re.sub(r' at="0x(\w+)"', lambda at: f' at="{int(at[1], 16) + 64:#x}"', xml),
        "every name": re.sub(r'name="table_(\d+)"', r'name="renamed_\1"', xml),
    }
    old = definition(xml)
    rows = []
    for name, text in variants.items():
        new = definition(text)
        contents = xml.encode(), text.encode()
        reading = sum(_best(partial(etree.fromstring, content)) for content in contents)
        comparing = _best(partial(compare_definitions, old, new))
        changes = len(compare_definitions(old, new).changes)
        rows.append([name, f"{changes:,}", f"{comparing / reading:.2f}", str(_AIM)])
    title = (
        f"Comparing two definitions of {_TABLES:,} tables, {len(xml) / 1e6:.1f} MB each, by what differs;\n"
        "time in multiples of parsing both with lxml"
    )
    print_table(title, ["", "changes", "ratio", "aim"], rows)
    _whole(folder, xml, variants["one limit"])


def _whole(folder: Path, old: str, new: str) -> None:
    """The whole command, with the definitions in the cache and without, beside a process that parses both."""
    paths = [folder / "old.xml", folder / "new.xml"]
    for path, text in zip(paths, (old, new), strict=True):
        path.write_text(text, "utf-8")
    parse = "import sys, lxml.etree\nfor path in sys.argv[1:]: lxml.etree.parse(path)"
    parsing = cost(["-c", parse, *paths], 3)
    command = cost(["-m", "callint", "diff", *paths], 3)
    rows = [
        ["callint diff, whole process, warm cache", f"{command.processor / parsing.processor:.1f}"],
        ["a process that parses both with lxml", "1"],
    ]
    print_table(
        "The whole command; processor time in multiples of a process that parses both", ["", "ratio"], rows
    )


def _best(call: Callable[[], object]) -> float:
    """The shortest processor time of several calls, in seconds."""
    times = []
    for _ in range(_RUNS):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)
