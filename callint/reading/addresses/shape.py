"""The shape of a table in a list, from what its row and its axes say."""

from __future__ import annotations

from callint.model.definition import Axis
from callint.reading.asap2.report import NotKeptError


def shape_of(
    counts: tuple[int | None, int | None], size: tuple[int, int] | None, x: Axis | None, y: Axis | None
) -> tuple[int, int]:
    """Columns and rows of a table.

    ``counts`` are the columns and rows that its row gives; ``size`` is both in one cell, in unknown order.
    Raises NotKeptError if what is given contradicts itself, or is open.
    """
    columns, rows = counts if size is None else _columns_and_rows(size, x, y)
    for what, count, axis in (("columns", columns, x), ("rows", rows, y)):
        if axis is not None and count is not None and count != axis.count:
            raise NotKeptError(
                f"it has {count} {what}, but axis {axis.name} has {axis.count} breakpoints; correct one"
            )
    columns = x.count if x is not None else columns
    rows = y.count if y is not None else rows
    return columns or 1, rows or 1


def _columns_and_rows(size: tuple[int, int], x: Axis | None, y: Axis | None) -> tuple[int, int]:
    """Columns and rows of a size in unknown order, as far as the axes tell it."""
    first, second = size
    if 0 in size:
        raise NotKeptError("its size has a zero; correct it")
    if second in (first, 1):
        return first, second
    if first == 1:
        return second, first
    ways = [
        (columns, rows)
        for columns, rows in ((first, second), (second, first))
        if (x is None or x.count == columns) and (y is None or y.count == rows)
    ]
    if len(ways) == 1:
        return ways[0]
    if not ways:
        raise NotKeptError(f"its size {first}x{second} does not agree with its axes; correct one of them")
    raise NotKeptError(
        f"its size {first}x{second} is columns x rows or the reverse; give size_order in a mapping file"
    )
