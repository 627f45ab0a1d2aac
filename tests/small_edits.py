"""Small maps and curves with an edit, slips in it and gaps, for properties and for golden files."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.entry_errors.neighbours import TableEdit
from callint.model.change import Flags, Numbers

STEP = 0.1
#: Where the storage and the table end.
STOPS = (20.0, 150.0)

#: What a person does to a whole table; the edit takes it over in some cells.
BY: Mapping[str, Callable[[Numbers], Numbers]] = {
    "by factor": lambda old: old * 1.1,
    "by offset": lambda old: old - 12,
    "to a limit": lambda old: np.minimum(old, np.median(old)),
    "by copying": lambda old: np.roll(old, 1, axis=1),
    "by hand": lambda old: np.rint((old + 7) / 5) * 5,
    "into a stop": lambda old: np.minimum(old * 1.4, STOPS[1]),
    "with a taper": lambda old: old + 20 * np.linspace(0, 1, old.shape[1]),
    "one row twice": lambda old: _one_twice(old * 1.1),
    "by smoothing": lambda old: (np.roll(old, 1, 0) + old + np.roll(old, -1, 0)) / 3,
}


@dataclass(frozen=True)
class SmallEdit:
    """An edit, its description, and its slips: the intended value and the present one at (y, x)."""

    edit: TableEdit
    words: str
    slips: Mapping[tuple[int, int], tuple[float, float]]


def _stored(values: Numbers) -> Numbers:
    return np.asarray(np.round(np.rint(values / STEP) * STEP, 1))


def small_edit(seed: int) -> SmallEdit:
    """A curve, or two to eight rows and columns, unevenly spaced; a cell may be off before, or after."""
    numbers = np.random.default_rng([17, seed])
    rows, columns = ((1, 14), (14, 1), *[tuple(numbers.integers(2, 9, 2))] * 4)[seed % 6]
    x, y = (np.cumsum(numbers.integers(1, 4, size)).astype(np.float64) for size in (columns, rows))
    slopes = numbers.uniform(-4, 4, 2)
    noise = (0.0, 0.3, 3.0)[seed // 2 % 3] * numbers.standard_normal((rows, columns))
    old = _stored(90 + slopes[0] * (x - x.mean()) + slopes[1] * (y - y.mean())[:, None] + noise)
    way = [*BY][seed % len(BY)]
    new = old.copy()
    cells: Flags = numbers.random(old.shape) < numbers.uniform(0.2, 1)
    if seed % 3:
        cells = _stretch(numbers, rows)[:, None] & _stretch(numbers, columns)
    new[cells] = _stored(BY[way](old))[cells]
    slips = {}
    for _ in range(int(numbers.integers(3))):
        place = int(numbers.integers(rows)), int(numbers.integers(columns))
        meant = float(new[place])
        new[place] = round(meant * float(numbers.choice([0.1, 0.8, 1.2, 10])), 1)
        slips[place] = meant, float(new[place])
    for grid, often in ((old, 4), (new, 5)):
        if seed % often == 0:
            grid[int(numbers.integers(rows)), int(numbers.integers(columns))] = np.nan
    return SmallEdit(TableEdit(old, new, old != new, np.full(old.shape, STEP), STOPS, x, y, 1), way, slips)


def _stretch(numbers: np.random.Generator, length: int) -> Flags:
    """Some adjacent places of an axis."""
    ends = numbers.integers(0, length, 2)
    places = np.arange(length)
    result: Flags = (places >= ends.min()) & (places <= ends.max())
    return result


def _one_twice(values: Numbers) -> Numbers:
    row = len(values) // 2
    values[row] = values[row - 1]
    return values


def mirrored(edit: TableEdit) -> TableEdit:
    """Both ways."""
    return _remade(edit, lambda grid: grid[::-1, ::-1].copy(), (_reversed(edit.x), _reversed(edit.y)))


def turned(edit: TableEdit) -> TableEdit:
    """Rows become columns."""
    return _remade(edit, lambda grid: grid.T.copy(), (edit.y, edit.x))


def _reversed(axis: Numbers | None) -> Numbers | None:
    return None if axis is None else -axis[::-1]


def _remade(
    edit: TableEdit, of: Callable[[NDArray[Any]], NDArray[Any]], axes: tuple[Numbers | None, Numbers | None]
) -> TableEdit:
    grids = of(edit.old), of(edit.new), of(edit.changed), of(edit.resolution)
    return TableEdit(*grids, edit.stops, *axes, edit.decimals)
