"""How far a table's output moved, wherever its cells and breakpoints went."""

from __future__ import annotations

import numpy as np

from callint.decoding.decode import Decoded
from callint.decoding.surfaces import lattice, mesh, rounding, surface
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
    with np.errstate(over="ignore", invalid="ignore"):
        distances = np.abs(after - before)
    if np.isnan(distances).all():
        return None
    worst = np.unravel_index(int(np.nanargmax(distances)), distances.shape)
    at = {signal: float(points[signal][index]) for signal, index in zip(one.signals, worst, strict=True)}
    old_value, new_value = float(before[worst]), float(after[worst])
    if distances[worst] <= rounding(one.magnitude, other.magnitude):
        new_value = old_value
    span = float(np.nanmax(one.grid.physical)) - float(np.nanmin(one.grid.physical))
    switched = bool((one.is_off(places) != other.is_off(places)).any())
    return Movement(table, old_value, new_value, at, span, switched, in_cells)
