"""What is told of values once they are in order: the distinct ones, the one in the middle.

NumPy has functions for both, which import all of ``numpy.ma`` when they are called first: more than a tenth
of what a short check takes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def distinct(values: ArrayLike) -> NDArray[Any]:
    """The values in rising order, each once, NaN last; shape (values,). As ``np.unique`` has them."""
    ordered = np.sort(np.asarray(values), axis=None)
    first = np.ones(len(ordered), bool)
    # NaN is no equal of itself; behind the first there is nothing new.
    first[1:] = (ordered[1:] != ordered[:-1]) & (ordered[:-1] == ordered[:-1])
    return ordered[first]


def median(values: ArrayLike) -> float:
    """The value in the middle, or half of the two that are; NaN where one is, or where there are none."""
    ordered = np.sort(np.asarray(values, np.float64), axis=None)
    if not len(ordered) or np.isnan(ordered[-1]):
        return float("nan")
    return float((ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2)
