"""Arrays: tables whose axes are the numbers of their cells."""

from __future__ import annotations

import re

from callint.model.definition import Definition, FixedAxis, Table

#: The signals that number the cells, from 0.
ARRAY_INDEX = re.compile("index_[xy](?:_[0-9]+)?")


def is_array(definition: Definition, table: Table) -> bool:
    """Whether a table has no axes but the numbers of its cells."""
    axes = [definition.axes.get(name) for name in table.axes]
    return bool(axes) and all(
        isinstance(axis, FixedAxis)
        and ARRAY_INDEX.fullmatch(axis.signal) is not None
        and axis.values == tuple(range(axis.count))
        for axis in axes
    )
