"""How far a table's output moved, wherever its cells and breakpoints went."""

from __future__ import annotations

import numpy as np

from callint.decoding.decode import Decoded
from callint.decoding.surfaces import lattice, mesh, point_of, rounding, surface
from callint.model.change import OutputShift
from callint.model.definition import Table


def movement(old: Decoded, new: Decoded, table: Table, in_cells: bool) -> OutputShift | None:
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
    worst = int(np.nanargmax(distances))
    old_value, new_value = float(before.flat[worst]), float(after.flat[worst])
    if distances.flat[worst] <= rounding(one.magnitude, other.magnitude):
        new_value = old_value
    span = float(np.nanmax(one.grid.physical)) - float(np.nanmin(one.grid.physical))
    switched = bool((one.is_off(places) != other.is_off(places)).any())
    at = point_of(points, one.signals, worst)
    return OutputShift(table, old_value, new_value, at, span, switched, in_cells)
