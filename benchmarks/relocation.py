"""How many items of a definition are found in a sibling software, for ``python -m benchmarks relocate``."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence

from benchmarks import shapes
from benchmarks.measure import print_table
from benchmarks.siblings import Sibling, sibling
from callint.comparing.relocation.moved_definition import move_definition
from callint.comparing.relocation.relocate import relocate
from callint.comparing.relocation.result import ItemKind, Placement, RelocationEvidence
from callint.comparing.relocation.units import PlacementUnit, item_units
from callint.model.image import Image

#: The seeds that constants may be chosen by, and those that are reported.
TUNING, REPORTED = (range(1, 9), range(401, 417), range(501, 509)), tuple(range(601, 617))
_SIZES = (200, 500, 1000, 2000)
#: The aims: the least share found of grids and axes, and of scalars and switches; the greatest share wrong.
_GRIDS, _SINGLE, _WRONG = 0.98, 0.90, 0.005
_IN_GRIDS = (ItemKind.AXIS, ItemKind.MAP, ItemKind.CURVE)


class Score:
    """Counts by kind of item: to be found, found, placed wrongly, left.

    Gone items are not to be found, nor are those that could change places with a copy beside them; placed
    wrongly, each of them counts as wrong.
    """

    def __init__(self) -> None:
        self.present: Counter[ItemKind] = Counter()
        self.right: Counter[ItemKind] = Counter()
        self.wrong: Counter[ItemKind] = Counter()
        self.absent: Counter[ItemKind] = Counter()
        self.left: Counter[RelocationEvidence] = Counter()
        self.interchangeable = 0

    def add(self, placements: Sequence[Placement], pair: Sibling) -> None:
        """Count placements; one with another size is right only if its size is too."""
        counts = {item.name: item.count for item in placements if item.count is not None}
        for item in placements:
            right = pair.truth[item.name]
            is_interchangeable = item.name in pair.interchangeable
            if is_interchangeable and item.new in (None, right):
                self.interchangeable += 1
                continue
            (self.absent if right is None else self.present)[item.kind] += 1
            if item.new is not None:
                is_right = item.new == right and all(
                    counts.get(axis) == pair.counts.get(axis) for axis in _axes(item, pair)
                )
                (self.right if is_right else self.wrong)[item.kind] += 1
            elif right is not None:
                self.left[item.evidence] += 1


def _axes(item: Placement, pair: Sibling) -> Sequence[str]:
    """The axes that give an item its size."""
    table = pair.definition.tables.get(item.name)
    return (item.name,) if item.kind is ItemKind.AXIS else table.axes if table is not None else ()


def tuning_pairs(seeds: Sequence[int]) -> list[Sibling]:
    return [sibling(seed, _SIZES[seed % 4], 0, shapes.shapes(seed), f"formulas {seed}") for seed in seeds]


def real_pairs(seeds: Sequence[int]) -> list[Sibling]:
    from benchmarks import engineering  # its libraries take seconds to import

    tables = [[*engineering.tuned(seed), *engineering.untuned(seed)] for seed in seeds]
    return [
        sibling(seed, _SIZES[seed % 4], 0, shapes, f"real {seed}")
        for seed, shapes in zip(seeds, tables, strict=True)
    ]


def by_unique_bytes(pair: Sibling) -> dict[str, int]:
    """Today's way: the address of an item's bytes if they occur once in the new image."""
    found = {}
    for unit in item_units(pair.definition, 0, len(pair.old)):
        content = pair.old[unit.at : unit.at + unit.size]
        if len(content) > 2 and pair.new.count(content) == 1:
            found[unit.name] = pair.new.find(content)
    return found


def score(pairs: Sequence[Sibling]) -> Score:
    result = Score()
    for pair in pairs:
        new = Image.raw(pair.new)
        moved = move_definition(pair.definition, relocate(pair.definition, Image.raw(pair.old), new), new)
        result.add(moved.placements, pair)
    return result


def report() -> None:
    """Print found, wrong and left by kind, on pairs that no constant was chosen by."""
    tuning = ", ".join(f"{seeds[0]} to {seeds[-1]}" for seeds in TUNING)
    print(f"Constants were chosen by seeds {tuning} of both kinds, and by the demo.\n")
    for title, pairs in (("formulas", tuning_pairs(REPORTED)), ("published libraries", real_pairs(REPORTED))):
        _print(f"Tables of {title}, seeds {REPORTED[0]} to {REPORTED[-1]}", score(pairs))
        _print_exact(pairs)
    for items in (2000, 5000):
        pair = sibling(7, items, 2 * 2**20, shapes.shapes(7), "")
        start = time.perf_counter()
        relocate(pair.definition, Image.raw(pair.old), Image.raw(pair.new))
        print(f"{items:,} items in {len(pair.old) / 2**20:.1f} MiB: {time.perf_counter() - start:.1f} s")


def _print(title: str, result: Score) -> None:
    rows = []
    for kind in ItemKind:
        present, right, wrong = result.present[kind], result.right[kind], result.wrong[kind]
        aim = _GRIDS if kind in _IN_GRIDS else _SINGLE
        rows.append(
            [kind.value, f"{present:,}", _share(right, present), f"{aim:.2f}", f"{wrong}",
             _share(wrong, right + wrong), f"{_WRONG}", f"{present - right:,}", f"{result.absent[kind]}"]
        )  # fmt: skip
    right, wrong = sum(result.right.values()), sum(result.wrong.values())
    rows.append(["all", f"{sum(result.present.values()):,}", _share(right, sum(result.present.values())), "",
                 f"{wrong}", _share(wrong, right + wrong), f"{_WRONG}",
                 f"{sum(result.present.values()) - right:,}", f"{sum(result.absent.values())}"])  # fmt: skip
    print(f"{result.interchangeable} items could change places with a copy beside them: not counted.")
    heads = ["", "items", "found", "aim", "wrong", "of placed", "aim", "not found", "not there"]
    print_table(title, heads, rows)
    rows = [[reason.value, str(count)] for reason, count in result.left.most_common()]
    print_table("Left although there", ["reason", "items"], rows)


def _print_exact(pairs: Sequence[Sibling]) -> None:
    right = wrong = present = 0
    for pair in pairs:
        grids = {unit.name for unit in item_units(pair.definition, 0, len(pair.old)) if _is_grid(unit)}
        present += sum(pair.truth[name] is not None for name in grids)
        for name, at in by_unique_bytes(pair).items():
            right += name in grids and pair.truth[name] == at
            wrong += name in grids and pair.truth[name] != at
    share = f"{_share(right, present)} of the axes, curves and maps"
    print(f"Exact bytes that occur once find {share}; {_share(wrong, right + wrong)} are wrong.\n")


def _is_grid(unit: PlacementUnit) -> bool:
    return unit.kind in _IN_GRIDS


def _share(count: int, total: int) -> str:
    return f"{count / total:.4f}" if total else "-"
