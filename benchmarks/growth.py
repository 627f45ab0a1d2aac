"""python -m benchmarks growth: how time and memory grow with each kind of size, one at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.generate import Sample, sealed, write_sample
from benchmarks.measure import Cost, aside, print_table, python_once

_MIB = 2**20
_KIB = 2**10
#: Runs of a step; the best counts. Steps of more than so many seconds are run once.
_RUNS, _LONG = 3, 5.0
#: A definition is read anew each time, so that small and large ones, which the cache does not keep, compare.
_UNCACHED = {"CALLINT_CACHE": ""}


@dataclass(frozen=True, slots=True)
class Step:
    """One size and the call that is measured at it."""

    size: int
    words: Sequence[str | Path]


def measure(folder: Path, sample: Sample) -> None:
    """Print a table for each kind of size."""
    bare = _best(["-c", "import numpy, lxml.etree, click"])
    small = aside(write_sample, folder / "small", 10, 64 * _KIB)
    nothing = _best(_check(replace(small, image=small.base)))
    kinds = {
        "tables, callint check": _tables(folder),
        "bytes of the image, callint check": _images(folder),
        "changed cells, callint check": _changed(folder, "check"),
        "changed cells, callint diff": _changed(folder, "diff"),
        "findings, callint check": _findings(folder, ()),
        "findings, callint check --format json": _findings(folder, ("--format", "json")),
        "bytes of the definition, callint check": _definitions(folder),
    }
    for title, steps in kinds.items():
        rows = []
        last: tuple[int, float] | None = None
        for step in steps:
            item = _best(step.words)
            # What a check of next to nothing takes does not grow.
            above = max(item.seconds - nothing.seconds, 0.002)
            grown = limit = ""
            if last is not None:
                grown, limit = f"{above / last[1]:.2f}", f"{1.2 * step.size / max(last[0], 1):.0f}"
            rows.append(
                [
                    f"{step.size:,}",
                    f"{item.seconds / bare.seconds:.1f}",
                    grown,
                    limit,
                    f"{item.memory / _MIB:.0f}",
                ]
            )
            last = step.size, above
        heading = (
            f"Growth: {title}. Processor time in multiples of the bare imports,\n"
            "without cache; how many times as much is above a check of next to nothing as in the\n"
            "step before, and the most it may be: 1.2 times as much as the size grows"
        )
        print_table(heading, ["", "ratio", "time ×", "at most", "MiB"], rows)


def _best(arguments: Sequence[str | Path]) -> Cost:
    result = python_once(arguments, environment=_UNCACHED)
    for _ in range(_RUNS if result.seconds < _LONG else 0):
        result = result.better(python_once(arguments, environment=_UNCACHED))
    return result


def _check(sample: Sample, *more: str) -> list[str | Path]:
    files: list[str | Path] = [sample.image, "--base", sample.base, "--definition", sample.definition]
    return ["-m", "callint", "check", *files, *more]


def _tables(folder: Path) -> Iterator[Step]:
    for tables in (100, 1_000, 10_000, 100_000):
        sample = aside(write_sample, folder / f"tables-{tables}", tables, max(64 * _KIB, tables * 400))
        yield Step(tables, _check(sample))


def _images(folder: Path) -> Iterator[Step]:
    for size in (64 * _KIB, _MIB, 8 * _MIB, 64 * _MIB):
        yield Step(size, _check(aside(write_sample, folder / f"image-{size}", 100, size)))


def _changed(folder: Path, command: str) -> Iterator[Step]:
    sample = aside(write_sample, folder / f"changed-{command}", 8_100, 4 * _MIB)
    for amount in (1, 1_000, 10_000, 100_000, 1_000_000):
        image = aside(_with_cells, sample, amount, None)
        changed = replace(sample, image=image)
        if command == "check":
            yield Step(amount, _check(changed))
        else:
            arguments: list[str | Path] = ["-m", "callint", "diff", sample.base, image]
            yield Step(amount, [*arguments, "--definition", sample.definition])


def _findings(folder: Path, more: tuple[str, ...]) -> Iterator[Step]:
    sample = aside(write_sample, folder / f"findings-{len(more)}", 2_000, 2 * _MIB)
    for amount in (0, 1_000, 10_000, 100_000):
        yield Step(amount, _check(replace(sample, image=aside(_with_cells, sample, amount, 251)), *more))


def _definitions(folder: Path) -> Iterator[Step]:
    for tables in (65, 4_600, 46_000, 460_000):
        sample = aside(write_sample, folder / f"definition-{tables}", tables, max(64 * _KIB, tables * 400))
        yield Step(sample.definition.stat().st_size, _check(sample))


def _with_cells(sample: Sample, amount: int, value: int | None) -> Path:
    """The base with so many cells of its tables one step higher, or at a value."""
    from callint.decoding.layout import make_layout
    from callint.model.definition import Table
    from callint.reading.definition_cache import open_definition

    definition = open_definition(sample.definition.read_bytes(), "definition.xml").definition
    assert definition is not None
    layout = make_layout(definition)
    is_table = np.array([isinstance(item, Table) for item in layout.items])
    chosen = np.flatnonzero(layout.spread(is_table))[:amount]
    if len(chosen) < amount:
        raise ValueError(f"there are no {amount} cells")
    data = bytearray(sample.base.read_bytes())
    for group in layout.groups:
        cells = chosen[(chosen >= group.cells.start) & (chosen < group.cells.stop)]
        every = np.ndarray((len(data) - group.type.size + 1,), group.dtype, data, strides=(1,))
        positions = layout.address[cells]
        every[positions] = every[positions] + 1 if value is None else value
    image = sample.image.with_name(f"cells-{amount}.bin")
    image.write_bytes(sealed(data))
    return image
