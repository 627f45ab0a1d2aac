"""How many hidden axes, curves and maps are suggested rightly, for ``python -m benchmarks coverage``.

The images are those of ``siblings``: tables of stated formulas or of published libraries, with axes, numbers,
texts and undescribed bytes between, among them copies of tables that no definition has. Half of the functions
of each lose something of their definition: half of them all axes and tables, the others some tables, while
their axes stay described. A suggestion is right if its address, byte order and counts are, and its type; the
sign counts only if a number is negative, as the bytes show nothing of it otherwise. A lost item with a count
in front of it that the suggestion names too is found with it.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchmarks import shapes
from benchmarks.measure import print_table
from benchmarks.siblings import Sibling, sibling
from callint.decoding.coverage import measure_coverage
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.table_suggestions.suggest import Suggestions, suggest_tables
from callint.model.definition import Definition, Kind, StoredAxis, Table
from callint.model.image import Image
from callint.reading.definition_file import DefinitionFile

#: The seeds that constants may be chosen by, and those that are reported.
TUNING, REPORTED = (*range(201, 217), *range(421, 429)), tuple(range(441, 457))
_ITEMS = 200
#: The items of a small image and of one of about 2 MiB, which are timed, and how many tables are described.
_GROWTH, _DESCRIBED = (1_000, 19_000), 50
#: The aims: the least share of suggestions that are right, and the least share found by kind.
_RIGHT = 0.93
_FOUND = {"axis": 0.7, "curve": 0.4, "map": 0.55}
#: Address, bytes of a number, whether it is whole, rows, columns, and whether it is an axis.
_Key = tuple[int, int, bool, int, int, bool]


@dataclass
class Score:
    """Counts by kind: hidden items, those suggested rightly, all suggestions, and wrong ones that overlap."""

    hidden: Counter[str] = field(default_factory=Counter)
    right: Counter[str] = field(default_factory=Counter)
    suggested: Counter[str] = field(default_factory=Counter)
    overlapping: Counter[str] = field(default_factory=Counter)
    same_sign: Counter[str] = field(default_factory=Counter)
    expected: Counter[str] = field(default_factory=Counter)


def hide(definition: Definition, content: bytes, seed: int) -> tuple[Definition, list[StoredAxis | Table]]:
    """A definition that lacks some axes, curves and maps, and what it lacks.

    Functions with an axis that does not rise in the image keep all: nobody could recognize it.
    """
    numbers = np.random.default_rng([seed, 77])
    lost: dict[str, StoredAxis | Table] = {}
    functions: dict[str, list[Table]] = {}
    for table in definition.tables.values():
        if table.axes:
            functions.setdefault(table.axes[0], []).append(table)
    for tables in functions.values():
        way = int(numbers.integers(4))
        axes = {
            axis.name: axis for axis in definition.stored_axes if any(axis.name in t.axes for t in tables)
        }
        if not all(_rises(axis, content) for axis in axes.values()):
            continue
        if way == 0:
            lost.update({table.name: table for table in tables})
            lost.update(axes)
        elif way == 1:
            lost.update({table.name: table for table in tables if numbers.random() < 0.5})
    left = replace(
        definition,
        axes={name: axis for name, axis in definition.axes.items() if name not in lost},
        tables={name: table for name, table in definition.tables.items() if name not in lost},
    )
    return left, list(lost.values())


def suggestions(pair: Sibling, definition: Definition) -> Suggestions:
    loaded = LoadedDefinition(DefinitionFile("", definition, ()), definition)
    image = Image.raw(pair.old)
    coverage = measure_coverage(loaded, [image], None)
    stretches = [(item.start, item.size) for item in coverage.stretches]
    return suggest_tables(loaded, stretches, [image], None)


def score(pairs: Sequence[Sibling], seeds: Sequence[int]) -> Score:
    result = Score()
    for pair, seed in zip(pairs, seeds, strict=True):
        left, lost = hide(pair.definition, pair.old, seed)
        hidden = {_key(item, pair.definition): item for item in lost}
        result.hidden.update(kind(item) for item in lost)
        tables = pair.definition.tables
        copies = [replace(tables[name], at=at) for at, name in pair.copies]
        for copy in copies:
            if hidden.setdefault(_key(copy, pair.definition), copy) is copy:
                result.hidden[kind(copy)] += 1
        for item in suggestions(pair, left).items:
            name, size = kind(item.item), item.item.storage.type.size
            key = (
                item.item.at,
                size,
                item.item.storage.type.is_integer,
                item.rows,
                item.columns,
                name == "axis",
            )
            result.suggested[name] += 1
            result.expected[name] += item.confidence  # type: ignore[assignment]
            found = hidden.get(key)
            if found is not None and _is_read_alike(found, item.item, item.other_type):
                result.right[name] += 1
                result.same_sign[name] += found.storage.type is item.item.storage.type
            elif any(_overlap(key, other) for other in hidden):
                result.overlapping[name] += 1
    return result


def _rises(axis: StoredAxis, content: bytes) -> bool:
    raw = np.frombuffer(content, axis.storage.dtype, axis.count, axis.at)
    return bool((np.diff(raw.astype(np.int64)) > 0).all())


def kind(item: StoredAxis | Table) -> str:
    return "axis" if isinstance(item, StoredAxis) else "map" if item.kind is Kind.MAP else "curve"


def _key(item: StoredAxis | Table, definition: Definition) -> _Key:
    is_axis = isinstance(item, StoredAxis)
    rows, columns = (1, item.count) if isinstance(item, StoredAxis) else definition.shape_of(item)
    return item.at, item.storage.type.size, item.storage.type.is_integer, rows, columns, is_axis


def _is_read_alike(hidden: StoredAxis | Table, item: StoredAxis | Table, other: str | None) -> bool:
    """Whether type and byte order are those of the hidden item, or the other sign that reads the same."""
    same_order = hidden.storage.byte_order is item.storage.byte_order or item.storage.type.size == 1
    return same_order and hidden.storage.type.name in (item.storage.type.name, other)


def _overlap(first: _Key, second: _Key) -> bool:
    sizes = [key[1] * key[3] * key[4] for key in (first, second)]
    return first[0] < second[0] + sizes[1] and second[0] < first[0] + sizes[0]


def formula_pairs(seeds: Sequence[int]) -> list[Sibling]:
    return [sibling(seed, _ITEMS, 0, shapes.shapes(seed), "") for seed in seeds]


def real_pairs(seeds: Sequence[int]) -> list[Sibling]:
    from benchmarks import engineering  # its libraries take seconds to import

    tables = [[*engineering.tuned(seed), *engineering.untuned(seed)] for seed in seeds]
    return [sibling(seed, _ITEMS, 0, shapes, "") for seed, shapes in zip(seeds, tables, strict=True)]


def growth() -> None:
    """Print how long the suggestions take in a large image that tables fill, beside a small one."""
    rows, first = [], 0.0
    for items in _GROWTH:
        pair = sibling(7, items, 0, shapes.shapes(7), "")
        left = _described(pair.definition, _DESCRIBED)
        start = time.process_time()
        found = suggestions(pair, left)
        seconds = time.process_time() - start
        rate = seconds / (len(pair.old) - found.unread)
        first = first or rate
        rows.append([f"{len(pair.old):,}", f"{len(found.items):,}", f"{found.unread:,}", f"{seconds:.0f} s",
                     f"{rate * 1e6:.0f} µs", f"{rate / first:.2f}"])  # fmt: skip
    heads = ["bytes", "suggested", "not read", "time", "a byte", "ratio"]
    print_table("Images that tables fill, nearly all of them undescribed", heads, rows)


def _described(definition: Definition, count: int) -> Definition:
    """A definition of the first tables, and of their axes."""
    tables = dict(list(definition.tables.items())[:count])
    used = {axis for table in tables.values() for axis in table.axes}
    axes = {name: axis for name, axis in definition.axes.items() if name in used}
    return replace(definition, axes=axes, tables=tables)


def report(seeds: Sequence[int] = REPORTED) -> None:
    """Print the shares found and right, on images that no constant was chosen by."""
    print("Constants were chosen by seeds 201 to 216 and 421 to 428.\n")
    for title, pairs in (("formulas", formula_pairs(seeds)), ("published libraries", real_pairs(seeds))):
        start = time.process_time()
        result = score(pairs, seeds)
        seconds = time.process_time() - start
        print_score(f"Tables of {title}, seeds {seeds[0]} to {seeds[-1]}", result)
        print(f"{seconds / len(pairs):.1f} s of processor time an image\n")


def print_score(title: str, result: Score) -> None:
    rows = []
    for name in ("axis", "curve", "map", "all"):
        counts = (result.hidden, result.right, result.suggested, result.overlapping, result.same_sign,
                  result.expected)  # fmt: skip
        hidden, right, suggested, overlapping, same_sign, expected = (
            sum(count.values()) if name == "all" else count[name] for count in counts
        )
        aim = f"{_FOUND[name]:.2f}" if name in _FOUND else ""
        rows.append(
            [name, f"{hidden:,}", _share(right, hidden), aim, f"{suggested:,}", _share(right, suggested),
             f"{_RIGHT:.2f}", _share(expected, suggested), _share(same_sign, suggested), f"{overlapping}",
             f"{suggested - right - overlapping}"]
        )  # fmt: skip
    heads = ["", "hidden", "found", "aim", "suggested", "right", "aim", "as stated", "with sign",
             "wrong size", "no item"]  # fmt: skip
    print_table(title, heads, rows)


def _share(count: float, total: int) -> str:
    return f"{count / total:.3f}" if total else "-"
