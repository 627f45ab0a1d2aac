"""Values as the JSON documents of all subjects write them."""

from __future__ import annotations

import math
from typing import Any

from callint.model.change import Grid, Numbers
from callint.model.definition import Definition


def finite(value: float) -> float | None:
    """A number, or None (null): JSON has no infinity and no NaN."""
    return float(value) if math.isfinite(value) else None


def finite_values(values: Numbers) -> list[float | None]:
    """Each of some numbers as ``finite`` writes it; ``values`` has the shape (count,)."""
    return [value if math.isfinite(value) else None for value in values.tolist()]


def raw_value(grid: Grid, y: int, x: int) -> int | float | str:
    """The raw number of a cell; one that is not finite is spelled out as text."""
    raw: int | float = grid.raw[y, x].item()
    return raw if math.isfinite(raw) else str(raw)


def cell_position(definition: Definition, grid: Grid, y: int, x: int) -> dict[str, Any]:
    """The indexes of a cell, and in ``at`` its finite breakpoints by signal."""
    keys = definition.breakpoint_keys(grid.table)
    breakpoints = [axis[index] for axis, index in ((grid.x, x), (grid.y, y)) if axis is not None]
    at = {key: float(b) for key, b in zip(keys, breakpoints, strict=True) if math.isfinite(b)}
    return {"x": x, "y": y, "at": at}


def without_none(fields: dict[str, Any]) -> dict[str, Any]:
    """The fields that have a value."""
    return {key: value for key, value in fields.items() if value is not None}
