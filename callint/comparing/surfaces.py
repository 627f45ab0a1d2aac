"""How far a table's output moved, wherever its cells and breakpoints went."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.decoding.surfaces import Surface, lattice, mesh


@dataclass(frozen=True, slots=True)
class Movement:
    """The largest difference of two surfaces, ``new`` less ``old``, and the operating point, by signal.

    ``switched`` says that somewhere one of them is off and the other is not; ``size`` is the distance there,
    0 where they differ nowhere.
    """

    old: float
    new: float
    at: dict[str, float]
    switched: bool

    @property
    def size(self) -> float:
        return abs(self.new - self.old)


def movement(old: Surface, new: Surface) -> Movement | None:
    """The largest difference over all operating points, exact (``decoding/surfaces.py``).

    None where the two are over different signals, or nowhere both a number.
    """
    if old.signals != new.signals:
        return None
    points = lattice((old, new))
    places = mesh(points, old.signals)
    before, after = old.at(places), new.at(places)
    with np.errstate(invalid="ignore"):
        distances = np.abs(after - before)
    if np.isnan(distances).all():
        return None
    worst = np.unravel_index(int(np.nanargmax(distances)), distances.shape)
    at = {signal: float(points[signal][index]) for signal, index in zip(old.signals, worst, strict=False)}
    switched = bool((np.isnan(before) != np.isnan(after)).any())
    return Movement(float(before[worst]), float(after[worst]), at, switched)
