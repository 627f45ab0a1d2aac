"""Compares the output of a table in two images, over operating points and not over cells."""

from __future__ import annotations

import numpy as np

from callint.decoding.decode import Decoded
from callint.decoding.surfaces import grid_points, merged_breakpoints, point_of, rounding, surface
from callint.model.change import OutputShift
from callint.model.definition import Table


def output_shift(old: Decoded, new: Decoded, table: Table, in_cells: bool) -> OutputShift | None:
    """The largest difference over all operating points; it is exact (``decoding/surfaces.py``).

    ``in_cells`` if cells of the table changed. None if its axes cannot be read in one of the images, or if
    there is no point at which both give a number.
    """
    old_surface, new_surface = surface(old, table), surface(new, table)
    if old_surface is None or new_surface is None:
        return None
    points = merged_breakpoints((old_surface, new_surface))
    places = grid_points(points, old_surface.signals)
    before, after = old_surface.at(places), new_surface.at(places)
    with np.errstate(over="ignore", invalid="ignore"):
        distances = np.abs(after - before)
    if np.isnan(distances).all():
        return None
    worst = int(np.nanargmax(distances))
    old_value, new_value = float(before.flat[worst]), float(after.flat[worst])
    if distances.flat[worst] <= rounding(old_surface.magnitude, new_surface.magnitude):
        new_value = old_value
    span = float(np.nanmax(old_surface.grid.physical)) - float(np.nanmin(old_surface.grid.physical))
    switched = bool((old_surface.is_off(places) != new_surface.is_off(places)).any())
    at = point_of(points, old_surface.signals, worst)
    return OutputShift(table, old_value, new_value, at, span, switched, in_cells)
