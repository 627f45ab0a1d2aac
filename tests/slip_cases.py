"""What is said about edits of the scoreboard's shapes, as a text that people can read over.

``python -m tests.slip_cases`` writes it down anew; what differs is then to be looked at, line by line.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.edits import EDITS, PASTED, SLIPS, Sample, sample, slipped
from benchmarks.shapes import Array, shapes
from callint.comparing.fellows import Edit
from callint.comparing.pasted import pasted
from callint.comparing.slips import edit_of, suspects
from callint.model.change import TableChange
from tests.small_edits import small_edit

STORED = Path(__file__).parent / "data" / "slip_cases.txt"
SEED = 31
#: How far a cell is off when it is first said is not looked for in tables of more cells.
_MANY = 200
SHAPES = {shape.name: number for number, shape in enumerate(shapes(SEED))}
SMALL = [shape.name for shape in shapes(SEED) if shape.values.size <= _MANY]


def stored() -> dict[str, list[str]]:
    """The lines that have been written down, by shape."""
    sections = STORED.read_text("utf-8").split("\n=== ")[1:]
    return {
        name: rest.strip().splitlines() for name, _, rest in (section.partition("\n") for section in sections)
    }


def said(name: str) -> Iterator[str]:
    """What is said about a shape: after clean edits, and with a slip in each."""
    number = SHAPES[name]
    one = sample(shapes(SEED)[number])
    slips = tuple(SLIPS)
    for kind, (edited, edit) in enumerate(EDITS.items()):
        numbers = np.random.default_rng([SEED, number, kind])
        wanted = edit(numbers, one)
        change = one.change(wanted)
        if not change.changed.any():
            continue
        yield f"{edited}, {np.count_nonzero(change.changed)} cells"
        yield from _suspects(one, change)
        yield from _pasted(one, change)
        slip = slips[(number + kind) % len(slips)]
        case = slipped(numbers, one, edit(numbers, one), SLIPS[slip])
        if case is not None:
            stands = float(case.change.new.physical[case.y, case.x])
            yield f"{edited}, {slip} in {case.x} {case.y} : {case.intended:.6g} became {stands:.6g}"
            yield from _suspects(one, case.change)
    for kind, (named, paste) in enumerate(PASTED.items()):
        grids = paste(np.random.default_rng([SEED, number, kind]), one)
        if grids is not None:
            yield named
            yield from _suspects(one, one.change(grids[1]))
            yield from _pasted(one, one.change(grids[1]))


def said_small(seed: int) -> Iterator[str]:
    """What is said about a small edit, and how far some cells could go without a word."""
    one = small_edit(seed)
    rows, columns = one.edit.old.shape
    yield f"{one.words}, {np.count_nonzero(one.edit.changed)} of {columns} by {rows} cells"
    for (y, x), (meant, stands) in one.slips.items():
        yield f"  slip in {x} {y} : {meant:.6g} became {stands:.6g}"
    yield from _told(one.edit)
    numbers = np.random.default_rng(seed)
    for where, cells in (("in the edit", one.edit.cells), ("beside it", ~one.edit.changed)):
        able = np.argwhere(cells & np.isfinite(one.edit.new))
        if len(able):
            y, x = (int(index) for index in able[numbers.integers(len(able))])
            ends = [_free(one.edit, (y, x), side) for side in (-1, 1)]
            yield f"  {where} {x} {y} is silent from {ends[0]:.6g} to {ends[1]:.6g}"


def _free(edit: Edit, cell: tuple[int, int], side: int) -> float:
    """How far a cell can go one way before it is suspicious for the first time, step by step."""
    for steps in range(1, 400):
        new = edit.new.copy()
        new[cell] = round(edit.new[cell] + side * steps * 0.1, 1)
        if any((one.y, one.x) == cell for one in suspects(replace(edit, new=new, changed=edit.old != new))):
            return float(edit.new[cell] + side * (steps - 1) * 0.1)
    return side * float("inf")


def _suspects(one: Sample, change: TableChange) -> Iterator[str]:
    yield from _told(edit_of(change, one.conversion))


def _told(edit: Edit) -> Iterator[str]:
    for found in suspects(edit):
        yield (
            f"  {'lone' if found.is_lone else 'off'} {found.x} {found.y} : {found.expected:.6g} fits,"
            f" allowed {found.yardstick:.6g} , score {found.score:.6g}"
        )


def _pasted(one: Sample, change: TableChange) -> Iterator[str]:
    for found in pasted(edit_of(change, one.conversion)):
        yield (
            f"  pasted {'twice' if found.twice else 'off'} {found.left} {found.top} to {found.right}"
            f" {found.bottom} by {found.x_off} {found.y_off}"
        )


def least(name: str) -> Iterator[str]:
    """From how many steps on a cell of each edit is said to be off, or one of the base where it is alone."""
    number = SHAPES[name]
    one = sample(shapes(SEED)[number])
    for kind, (edited, edit) in enumerate(EDITS.items()):
        numbers = np.random.default_rng([SEED, number, kind])
        wanted = edit(numbers, one)
        change = one.change(wanted)
        cells = np.argwhere(change.changed & ~change.new.off)
        if (number + kind) % 2 or not len(cells):
            continue
        y, x = (int(index) for index in cells[numbers.integers(len(cells))])
        sign = 1 if (y + x) % 2 else -1
        kept = one.numbers if len(cells) % 3 == 0 else wanted
        steps = _steps(one, kept, (y, x), sign)
        if steps:
            words = "in the edit" if kept is wanted else "alone"
            yield f"{edited}, {words} {x} {y} is off from {sign * steps} steps on"


def _steps(one: Sample, grid: Array, cell: tuple[int, int], sign: int) -> int:
    """The fewest steps by bisection; 0 where even two spans of the table are not enough."""

    def is_off(steps: int) -> bool:
        moved = grid.copy()
        moved[cell] += sign * steps * one.step
        found = suspects(edit_of(one.change(moved), one.conversion))
        return any((found.y, found.x) == cell for found in found)

    low, high = 0, max(4, int(2 * one.span / one.step))
    if not np.isfinite(grid[cell]) or not is_off(high):
        return 0
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if is_off(middle) else (middle, high)
    return high


def main() -> None:
    head = "What callint says about edits of the scoreboard's shapes. See tests/slip_cases.py.\n"
    sections = [(name, said(name)) for name in SHAPES] + [(f"{name}, least", least(name)) for name in SMALL]
    text = (f"\n=== {name}\n" + "".join(f"{line}\n" for line in lines) for name, lines in sections)
    STORED.write_text(head + "".join(text), "utf-8")


if __name__ == "__main__":
    main()
