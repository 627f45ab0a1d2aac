"""Tells from the values of a map whether its cells lie in the other order in memory.

Neighbours of a map differ little, so second differences along both axes are small. If a map is read row by
row although it is stored column by column, or with its number of rows and columns exchanged, the ends of its
lines fall inside the rows that are read: there the differences are as large as a whole line.
"""

from __future__ import annotations

import numpy as np

from callint.model.change import Numbers

#: The shortest axes of a map of whose cells the order shows. With axes of two or three breakpoints there are
#: too few second differences to tell a wrong order from a shape.
_LEAST_SHAPE = 4
#: How many times as rough a map is at least if its cells are read in the wrong order; the right order is at
#: most 0.4 times as rough as the wrong one in every map of the demo.
_ROUGHER = 2.0


def is_smoother_in_other_order(values: Numbers, y_first: bool) -> bool:
    """Whether a map is far smoother if its cells are read in the other order.

    ``values`` are finite numbers, shape (rows, columns); ``y_first`` says that they were stored column by
    column. Of a square map the other order is as smooth, and of a very short one nothing is certain.
    """
    rows, columns = values.shape
    if rows == columns or min(rows, columns) < _LEAST_SHAPE:
        return False
    other = values.T.reshape(rows, columns) if y_first else values.reshape(columns, rows).T
    return _second_differences(values) > _ROUGHER * _second_differences(other)


def _second_differences(values: Numbers) -> float:
    """The sum of the second differences along both axes, without their signs."""
    return float(sum(np.abs(np.diff(values, 2, axis=axis)).sum() for axis in (0, 1)))
