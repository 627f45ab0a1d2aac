"""How far a table's output moved, wherever its cells and breakpoints went."""

from __future__ import annotations

import numpy as np

from callint.decoding.decode import Decoded
from callint.decoding.surfaces import lattice, mesh, surface
from callint.model.change import Movement
from callint.model.definition import Table


def movement(old: Decoded, new: Decoded, table: Table, in_cells: bool) -> Movement | None:
    """The largest difference over all operating points, exact (``decoding/surfaces.py``).

    ``in_cells`` says that cells of the table changed. None where its axes cannot be read in either image, or
    where nowhere both give a number.
    """
    one, other = surface(old, table), surface(new, table)
    if one is None or other is None:
        return None
    points = lattice((one, other))
    places = mesh(points, one.signals)
    before, after = one.at(places), other.at(places)
    with np.errstate(invalid="ignore"):
        distances = np.abs(after - before)
    if np.isnan(distances).all():
        return None
    worst = np.unravel_index(int(np.nanargmax(distances)), distances.shape)
    at = {signal: float(points[signal][index]) for signal, index in zip(one.signals, worst, strict=False)}
    span = float(np.nanmax(one.grid.physical) - np.nanmin(one.grid.physical))
    switched = bool((np.isnan(before) != np.isnan(after)).any())
    return Movement(table, float(before[worst]), float(after[worst]), at, span, switched, in_cells)
