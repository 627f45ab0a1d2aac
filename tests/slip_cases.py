"""Suspects in edits of the benchmark's shapes, as a text for reviewers.

``python -m tests.slip_cases`` writes the text again; review each line that differs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from benchmarks.edits import EDITS, PASTED, SLIPS, Sample, sample, slipped
from benchmarks.shapes import Array, shapes
from callint.comparing.entry_errors.detect import find_entry_errors
from callint.comparing.entry_errors.neighbours import TableEdit
from callint.comparing.entry_errors.paste_errors import find_paste_errors
from callint.comparing.entry_errors.table_edits import edit_of
from callint.model.change import TableChange
from tests.small_edits import STEP as SMALL_STEP
from tests.small_edits import small_edit

STORED = Path(__file__).parent / "data" / "slip_cases.txt"
SEED = 31
#: The least reported deviation is not searched in tables with more cells than this.
_MANY = 200
SHAPES = {shape.name: number for number, shape in enumerate(shapes(SEED))}
SMALL = [shape.name for shape in shapes(SEED) if shape.values.size <= _MANY]
#: Small edits of which exactly the slips in them are said to be off, with what the rest of the table makes
#: expect there. In the others a slip hides, or a neighbour is taken for it.
SMALL_EDITS = (
    3, 4, 5, 6, 7, 8, 9, 10, 11, 14, 15, 16, 17, 18, 20, 22, 23, 25, 26, 27, 28, 29, 33, 35, 36, 37, 38,
    40, 41, 42, 43, 44, 45, 46, 47, 49, 51, 52, 54, 55, 56, 59, 60, 61, 63, 64, 66, 68, 71, 72, 74, 76,
    82, 83, 84, 85, 86, 89, 91, 92, 94, 95, 96, 98, 100, 103, 104, 107, 108, 109, 111, 112, 113, 114,
    115, 116, 117, 119, 120, 122, 123, 124, 126, 128, 131, 132, 133, 134, 135, 136, 137, 139, 140, 145,
    148, 149, 150, 152, 153, 154, 157, 158, 159, 161, 163, 164, 166, 169, 170, 171, 174, 176, 177, 178,
    179, 976,
)  # fmt: skip


@cache
def stored() -> dict[str, list[str]]:
    """The lines that have been written down, by shape."""
    sections = STORED.read_text("utf-8").split("\n=== ")[1:]
    return {
        name: rest.strip().splitlines() for name, _, rest in (section.partition("\n") for section in sections)
    }


def said(name: str) -> Iterator[str]:
    """The suspects of a shape: after correct edits, and with a slip in each."""
    number = SHAPES[name]
    item = sample(shapes(SEED)[number])
    slips = tuple(SLIPS)
    for kind, (edited, edit) in enumerate(EDITS.items()):
        numbers = np.random.default_rng([SEED, number, kind])
        wanted = edit(numbers, item)
        change = item.change(wanted)
        if not change.changed.any():
            continue
        yield f"{edited}, {np.count_nonzero(change.changed)} cells"
        yield from _suspects(item, change)
        yield from _pasted(item, change)
        slip = slips[(number + kind) % len(slips)]
        case = slipped(numbers, item, edit(numbers, item), SLIPS[slip])
        if case is not None:
            stands = float(case.change.new.physical[case.y, case.x])
            yield f"{edited}, {slip} in {case.x} {case.y} : {case.intended:.6g} became {stands:.6g}"
            yield from _suspects(item, case.change)
    for kind, (named, paste) in enumerate(PASTED.items()):
        grids = paste(np.random.default_rng([SEED, number, kind]), item)
        if grids is not None:
            yield named
            yield from _suspects(item, item.change(grids[1]))
            yield from _pasted(item, item.change(grids[1]))


def said_small(seed: int, reviewed: Sequence[str] = ()) -> Iterator[str]:
    """The reports of a small edit, and the distance that a cell may move in both directions without one.

    ``reviewed`` are the lines of the golden file, if there are any.
    """
    item = small_edit(seed)
    rows, columns = item.edit.old.shape
    yield f"{item.words}, {np.count_nonzero(item.edit.changed)} of {columns} by {rows} cells"
    for (y, x), (meant, stands) in item.slips.items():
        yield f"  slip in {x} {y} : {meant:.6g} became {stands:.6g}"
    yield from _told(item.edit)
    cells = np.argwhere(item.edit.cells)
    if not item.slips and len(cells):
        y, x = (int(index) for index in cells[len(cells) // 2])
        ends = re.findall(r"silent in .* : (\S+) to (\S+) ,", "".join(reviewed)) or [(None, None)]
        low, high = (_end(item.edit, (y, x), side, end) for side, end in zip((-1, 1), ends[0], strict=True))
        yield f"  silent in {x} {y} : {low:.6g} to {high:.6g} , {item.edit.new[y, x]:.6g} stands"


def _end(edit: TableEdit, cell: tuple[int, int], side: int, reviewed: str | None) -> float:
    """The distance that a cell may move in one direction without a report, to a step."""

    def moved(steps: int) -> float:
        return round(float(edit.new[cell]) + side * steps * SMALL_STEP, 1)

    def is_off(steps: int) -> bool:
        new = edit.new.copy()
        new[cell] = moved(steps)
        result = find_entry_errors(replace(edit, new=new, changed=edit.old != new))
        return any((item.y, item.x) == cell for item in result)

    known = None if reviewed is None else 1 + round(abs(float(reviewed) - float(edit.new[cell])) / SMALL_STEP)
    return moved(_first_off(is_off, 1000, known) - 1)


def _first_off(is_off: Callable[[int], bool], last: int, reviewed: int | None) -> int:
    """The fewest steps after which a cell is off; ``last``, which is not looked at, if it never is.

    Two looks suffice if the reviewed number is still right. Otherwise it is found by bisection.
    """
    if reviewed is not None and 1 <= reviewed <= last:
        is_silent_before = reviewed == 1 or not is_off(reviewed - 1)
        if is_silent_before and (reviewed == last or is_off(reviewed)):
            return reviewed
    low, high = 0, last
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if is_off(middle) else (middle, high)
    return high


def _suspects(item: Sample, change: TableChange) -> Iterator[str]:
    yield from _told(edit_of(change, item.conversion))


def _told(edit: TableEdit) -> Iterator[str]:
    for result in find_entry_errors(edit):
        kind = f"{'' if result.is_sure else 'perhaps '}{'lone' if result.is_lone else 'off'}"
        yield (
            f"  {kind} {result.x} {result.y} : {result.expected:.6g} fits,"
            f" allowed {result.allowed:.6g} , score {result.score:.6g}"
        )


def _pasted(item: Sample, change: TableChange) -> Iterator[str]:
    for result in find_paste_errors(edit_of(change, item.conversion)):
        yield (
            f"  pasted {'twice' if result.twice else 'off'} {result.left} {result.top} to {result.right}"
            f" {result.bottom} by {result.x_off} {result.y_off}"
        )


def least(name: str, reviewed: Sequence[str] = ()) -> Iterator[str]:
    """From how many steps on a cell of each edit is said to be off, or one of the base where it is alone.

    ``reviewed`` are the lines of the golden file, if there are any.
    """
    known = dict(re.findall(r"(.*) is off from -?(\d+) steps on", "\n".join(reviewed)))
    number = SHAPES[name]
    item = sample(shapes(SEED)[number])
    for kind, (edited, edit) in enumerate(EDITS.items()):
        numbers = np.random.default_rng([SEED, number, kind])
        wanted = edit(numbers, item)
        change = item.change(wanted)
        cells = np.argwhere(change.changed & ~change.new.off)
        if (number + kind) % 2 or not len(cells):
            continue
        y, x = (int(index) for index in cells[numbers.integers(len(cells))])
        sign = 1 if (y + x) % 2 else -1
        kept = item.numbers if len(cells) % 3 == 0 else wanted
        case = f"{edited}, {'in the edit' if kept is wanted else 'alone'} {x} {y}"
        steps = _steps(item, kept, (y, x), sign, int(known[case]) if case in known else None)
        if steps:
            yield f"{case} is off from {sign * steps} steps on"


def _steps(item: Sample, grid: Array, cell: tuple[int, int], sign: int, reviewed: int | None) -> int:
    """The least number of steps at which a cell is reported; 0 if two spans of the table do not suffice."""

    def is_off(steps: int) -> bool:
        moved = grid.copy()
        moved[cell] += sign * steps * item.step
        result = find_entry_errors(edit_of(item.change(moved), item.conversion))
        return any((result.y, result.x) == cell for result in result)

    high = max(4, int(2 * item.span / item.step))
    if not np.isfinite(grid[cell]) or not is_off(high):
        return 0
    return _first_off(is_off, high, reviewed)


def main() -> None:
    head = "What callint says about edits of the scoreboard's shapes. See tests/slip_cases.py.\n"
    sections = [(name, said(name)) for name in SHAPES] + [(f"{name}, least", least(name)) for name in SMALL]
    sections += [(f"small edit {seed}", said_small(seed)) for seed in SMALL_EDITS]
    text = (f"\n=== {name}\n" + "".join(f"{line}\n" for line in lines) for name, lines in sections)
    STORED.write_text(head + "".join(text), "utf-8")


if __name__ == "__main__":
    main()
