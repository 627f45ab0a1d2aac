"""python -m benchmarks throughput: a repository of many images, beside a bare NumPy pass."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from benchmarks.generate import Sample, sealed, without_slips
from benchmarks.measure import Cost, print_table, python_once

_POLICY = '[[images]]\npaths = ["boats/*.bin"]\ndefinition = "definition.xml"\nbase = "base.bin"\n'
#: Images in the small and in the large repository: the difference is free of what a start costs.
_FEW, _MANY = 100, 1000
_RUNS = 3


def measure(folder: Path, sample: Sample) -> None:
    """Print the cost of an image, how much faster two processes are, and whether the memory stays flat."""
    few, many = (_repository(folder / str(images), sample, images) for images in (_FEW, _MANY))
    quick = ["-m", "callint", "check", "--jobs"]
    calls = {
        "bare": ["-m", "benchmarks.throughput"],
        "callint check --jobs 1": [*quick, "1"],
        "callint check --jobs 2": [*quick, "2"],
    }
    actual: dict[tuple[str, int], Cost] = {}
    for _ in range(_RUNS):  # the calls take turns, and the best run of each counts
        for name, arguments in calls.items():
            for images, root in ((_FEW, few), (_MANY, many)):
                item = python_once(arguments, root)
                actual[name, images] = actual.get((name, images), item).better(item)
    each = {name: actual[name, _MANY].seconds - actual[name, _FEW].seconds for name in calls}
    processor = {name: actual[name, _MANY].processor - actual[name, _FEW].processor for name in calls}
    rows = [
        [
            name,
            f"{each[name] / each['bare']:.2f}",
            f"{processor[name] / processor['bare']:.2f}",
            "3.0" if name.endswith("1") else "",
            *(f"{actual[name, images].memory / 2**20:.0f}" for images in (_FEW, _MANY)),
        ]
        for name in list(calls)[1:]
    ]
    title = (
        f"{_MANY:,} images of {sample.size >> 20} MiB with {sample.tables:,} tables: an image in multiples "
        "of a bare\nNumPy pass that reads, gathers, scales and range-checks its cells; peak memory of the\n"
        f"largest process in MiB, with {_FEW} images and with all; best of {_RUNS} runs that take turns"
    )
    print_table(title, ["", "time", "processor", "aim", "MiB", "MiB"], rows)


def _repository(root: Path, sample: Sample, images: int) -> Path:
    """A repository with so many reworks, no two of them alike."""
    (root / "boats").mkdir(parents=True)
    (root / "callint.toml").write_text(_POLICY, "utf-8")
    (root / "definition.xml").write_bytes(sample.definition.read_bytes())
    (root / "base.bin").write_bytes(sample.base.read_bytes())
    rework = bytearray(without_slips(sample))
    base = np.frombuffer(sample.base.read_bytes(), np.uint8)
    edited = int(np.flatnonzero(np.frombuffer(bytes(rework), np.uint8) != base)[0])
    for number in range(images):
        # One cell of the edited region, by a step or two: no slip, and another checksum.
        rework[edited] = base[edited] + 1 + number % 3
        rework[edited + 2] = base[edited + 2] + 1 + number // 3 % 3
        (root / f"boats/{number:04}.bin").write_bytes(sealed(bytearray(rework)))
    return root


def bare_pass(root: Path) -> int:
    """What the same work costs at least: every cell read, scaled and held against its limits."""
    from callint.decoding.conversions import linear_terms
    from callint.decoding.layout import make_layout
    from callint.model.definition import Linear
    from callint.reading.definition_cache import open_definition

    definition = open_definition((root / "definition.xml").read_bytes(), "definition.xml").definition
    assert definition is not None
    layout = make_layout(definition)
    low, high = map(layout.spread, layout.limits)
    conversions = map(definition.conversion_of, layout.items)
    terms = [
        linear_terms(conversion.factor, conversion.offset)
        for conversion in conversions
        if isinstance(conversion, Linear)
    ]
    factor, offset, divisor = (layout.spread(np.array(column)) for column in zip(*terms, strict=True))
    beyond = 0
    for path in sorted((root / "boats").iterdir()):
        data = path.read_bytes()
        physical = np.empty(layout.size, np.float64)
        for group in layout.groups:
            every = np.ndarray((len(data) - group.type.size + 1,), group.dtype, data, strides=(1,))
            physical[group.cells] = every[layout.address[group.cells]]
        physical *= factor
        physical += offset
        physical /= divisor
        beyond += len(np.flatnonzero((physical < low) | (physical > high)))
    return beyond


if __name__ == "__main__":
    print(bare_pass(Path.cwd()))
