"""Finds the changed cells that the base would hold if the breakpoints of an axis lay elsewhere.

Somebody who moves breakpoints, or stretches an axis, interpolates each new value in the base, between a cell
and the one beside it. Where the base is uneven, such a cell deviates from the predictions by the changes
around it and by the new surface. Yet its new value lies at the same fraction between its old value and that
of the cell beside it as for the cells around.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from callint.comparing.entry_errors.neighbours import Indexes, PaddedGrid, row_quantile, shifted
from callint.model.change import Flags, Numbers

#: A cell was read off the base if it is at most this many floors off, and this quantile of the cells around
#: is off by at most the third.
_OFF, _QUANTILE, _KEPT = 1.0, 0.6, 0.5


def is_resampled(window: PaddedGrid, included: Flags, cells: Indexes, floor: Numbers) -> Flags:
    """Which cells were interpolated in the base along a row or column, as the cells around them were.

    ``included``, in the padded grid, flags the changed cells that count, and ``floor``, of shape (changed,),
    is the deviation that is never suspicious. The result has the shape (cells,).
    """
    resampled = np.zeros(len(cells), bool)
    around = window.around[cells]
    for off in _departures(window, included):
        usual = row_quantile(np.where(included[around], window.scattered(off)[around], np.nan), _QUANTILE)
        resampled |= (off[cells] <= _OFF * floor[cells]) & (usual <= _KEPT * floor[cells])
    return resampled


def _departures(window: PaddedGrid, included: Flags) -> Iterator[Numbers]:
    """How far the changed cells are off the base where the cells beside them say that it was read.

    One array of shape (changed,) for each direction in which a row or column may have been read, and for the
    cells beside along and across that line; NaN where these do not say it.
    """
    places, moved = window.places, np.where(included, window.new - window.old, np.nan)
    for number, line in enumerate(window.straight):
        mates = [np.stack([line.at[-1], line.at[1]], axis=1)]
        if len(window.straight) > 1:  # a row that is read elsewhere is read there in all of its columns
            mates.append(window.straight[1 - number].all_at)
        for side in (-1, 1):
            reach = shifted(window.old, side * line.step) - window.old
            product = moved * reach
            given = np.isfinite(product)
            product, square = np.where(given, product, 0.0), np.where(given, reach * reach, 0.0)
            for at in mates:  # the share of the way that fits them best, by least squares
                total = square[at].sum(axis=1)
                share = product[at].sum(axis=1) / np.where(total > 0, total, np.nan)
                share = np.where((share > 0) & (share <= 1), share, np.nan)
                yield np.abs(share * reach[places] - moved[places])
