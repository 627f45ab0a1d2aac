"""Compares the output of a table in two images, over operating points and not over cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.decoding.decode import Decoded
from callint.decoding.surfaces import Surface, grid_points, merged_breakpoints, point_of, rounding, surface
from callint.model.change import Numbers, OutputShift
from callint.model.definition import Table


@dataclass(frozen=True, slots=True)
class _Outputs:
    """A table in two images at the breakpoints of both: ``points`` by signal, the outputs on their grid.

    ``before`` and ``after`` have a dimension for each signal of the table, x before y.
    """

    surfaces: tuple[Surface, Surface]
    points: dict[str, Numbers]
    before: Numbers
    after: Numbers

    @property
    def places(self) -> dict[str, Numbers]:
        return grid_points(self.points, self.surfaces[0].signals)


def _outputs(old: Decoded, new: Decoded, table: Table) -> _Outputs | None:
    """None if the axes of the table cannot be read in one of the images."""
    old_surface, new_surface = surface(old, table), surface(new, table)
    if old_surface is None or new_surface is None:
        return None
    points = merged_breakpoints((old_surface, new_surface))
    places = grid_points(points, old_surface.signals)
    return _Outputs((old_surface, new_surface), points, old_surface.at(places), new_surface.at(places))


def output_differences(old: Decoded, new: Decoded, table: Table) -> tuple[dict[str, Numbers], Numbers] | None:
    """The breakpoints of both images by signal, x before y, and the differences of the outputs there.

    The differences have a dimension for each signal, x before y, and are NaN where an image gives no number;
    0 where only rounding differs. None if the axes of the table cannot be read in one of the images.
    """
    outputs = _outputs(old, new, table)
    if outputs is None:
        return None
    with np.errstate(over="ignore", invalid="ignore"):
        differences = outputs.after - outputs.before
        slack = rounding(*(item.magnitude for item in outputs.surfaces))
        is_rounding = np.abs(differences) <= slack
    return outputs.points, np.where(is_rounding, 0.0, differences)


def output_shift(old: Decoded, new: Decoded, table: Table, in_cells: bool) -> OutputShift | None:
    """The largest difference over all operating points; it is exact (``decoding/surfaces.py``).

    ``in_cells`` if cells of the table changed. None if its axes cannot be read in one of the images, or if
    there is no point at which both give a number.
    """
    outputs = _outputs(old, new, table)
    if outputs is None:
        return None
    (old_surface, new_surface), before, after = outputs.surfaces, outputs.before, outputs.after
    with np.errstate(over="ignore", invalid="ignore"):
        distances = np.abs(after - before)
    if np.isnan(distances).all():
        return None
    worst = int(np.nanargmax(distances))
    old_value, new_value = float(before.flat[worst]), float(after.flat[worst])
    if distances.flat[worst] <= rounding(old_surface.magnitude, new_surface.magnitude):
        new_value = old_value
    span = float(np.nanmax(old_surface.grid.physical)) - float(np.nanmin(old_surface.grid.physical))
    places = outputs.places
    switched = bool((old_surface.is_off(places) != new_surface.is_off(places)).any())
    at = point_of(outputs.points, old_surface.signals, worst)
    return OutputShift(table, old_value, new_value, at, span, switched, in_cells)
