"""Distinct values and medians.

NumPy has functions for both, but their first call imports all of ``numpy.ma``, which is more than a tenth of
the time of a short check.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def distinct(values: ArrayLike) -> NDArray[Any]:
    """The values in rising order, each once, NaN last; shape (values,). Same as ``np.unique``."""
    ordered = np.sort(np.asarray(values), axis=None)
    first = np.ones(len(ordered), bool)
    # NaN is not equal to itself: after the first one, drop the rest.
    first[1:] = (ordered[1:] != ordered[:-1]) & (ordered[:-1] == ordered[:-1])
    return ordered[first]


def median(values: ArrayLike) -> float:
    """The median; NaN if a value is NaN, or if there are no values."""
    ordered = np.sort(np.asarray(values, np.float64), axis=None)
    if not len(ordered) or np.isnan(ordered[-1]):
        return float("nan")
    return float((ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2)
