"""python -m benchmarks beside: callint beside what people do today to see what a rework changed."""

from __future__ import annotations

import shlex
import shutil
import struct
import sys
from pathlib import Path

from benchmarks.generate import Sample, write_sample
from benchmarks.measure import Cost, once, print_table

_MIB = 2**20
_RUNS = 5


def measure(folder: Path, sample: Sample) -> None:
    """Print the time of callint in multiples of three others', from runs that take turns."""
    four = write_sample(folder / "four", 4_000, 4 * _MIB)
    old, new = (shlex.quote(str(path)) for path in (four.base, four.image))
    python = shlex.quote(sys.executable)
    # The program for hex dumps that the machine has; both write offsets, bytes and characters.
    dump = "hexdump -C" if shutil.which("hexdump") else "od -A x -t x1z -v"
    dumped = f"{dump} {old} > {folder}/old.txt; {dump} {new} > {folder}/new.txt"
    calls = {
        "callint diff --stat": f"{python} -m callint diff {old} {new} --definition {four.definition} --stat",
        "callint diff": f"{python} -m callint diff {old} {new} --definition {four.definition}",
        "callint check": f"{python} -m callint check {new} --base {old} --definition {four.definition}",
        "cmp -l": f"cmp -l {old} {new}",
        f"{dump.split(maxsplit=1)[0]}, diff": f"{dumped}; diff {folder}/old.txt {folder}/new.txt",
        "struct loop": f"{python} -m benchmarks.beside {four.definition} {old} {new}",
    }
    actual: dict[str, Cost] = {}
    for _ in range(_RUNS):
        for name, line in calls.items():
            item = once(["sh", "-c", f"{line}; true"])
            actual[name] = actual.get(name, item).better(item)
    others = list(calls)[3:]
    rows = [
        [name, *(f"{actual[name].seconds / actual[other].seconds:.2f}" for other in others)]
        for name in list(calls)[:3]
    ]
    title = (
        f"{four.size // _MIB} MiB, {four.tables:,} tables, {four.cells:,} cells: callint in multiples\n"
        f"of others' time; aim: below 1.0 beside the dumps. Best of {_RUNS} runs that take turns"
    )
    print_table(title, ["", *others], rows)


def struct_loop(definition: Path, old: Path, new: Path) -> int:
    """How many cells differ, read one after another, as a script of a few lines does it."""
    from xml.etree import ElementTree

    codes = {"uint8": "B", "int16": "h", "uint16": "H", "uint32": "I", "float32": "f"}
    space = "{urn:callint:definition:1}"
    root = ElementTree.parse(definition).getroot()
    counts = {axis.get("name"): int(axis.get("count", "1")) for axis in root.iter(f"{space}axis")}
    before, after = old.read_bytes(), new.read_bytes()
    changed = 0
    for table in root.find(f"{space}tables") or ():
        size = 1
        for side in ("x", "y"):
            axis = table.find(f"{space}{side}")
            if axis is not None:
                size *= counts[axis.get("axis")]
        code = ">" + codes[table.get("type", "")]
        width, at = struct.calcsize(code), int(table.get("at", "0"), 0)
        for number in range(size):
            (item,) = struct.unpack_from(code, before, at + number * width)
            (other,) = struct.unpack_from(code, after, at + number * width)
            if item != other:
                changed += 1
    return changed


if __name__ == "__main__":
    print(struct_loop(*map(Path, sys.argv[1:])))
