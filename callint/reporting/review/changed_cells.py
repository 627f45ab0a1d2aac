"""The cells of a changed table of a review's document: their values, places and neighbourhood."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

Json = Mapping[str, Any]

#: How a cell changed: up, down, or otherwise, such as from one state to another.
RAISED, LOWERED, SWITCHED = "▲", "▼", "◆"


class ChangedCells:
    """The cells of one entry of ``tables``; a cell is given by its number, y * nx + x."""

    def __init__(self, table: Json) -> None:
        self.table = table
        self.nx, self.ny = table["nx"], table["ny"]
        self.cells = [first + n for first, length in table["cells"] for n in range(length)]
        self.old = _listed(table["old"], self.nx * self.ny)
        self.new = dict(zip(self.cells, _listed(table["new"], len(self.cells)), strict=True))
        self.differences = dict(zip(self.cells, _listed(table["difference"], len(self.cells)), strict=True))

    def direction(self, cell: int) -> str:
        """The mark of a changed cell."""
        difference = self.differences[cell]
        if not self.size(cell):
            return SWITCHED
        return LOWERED if difference.startswith("-") else RAISED

    def size(self, cell: int) -> float:
        """The size of a cell's difference; 0 if it has none."""
        try:
            return abs(float(self.differences[cell]))
        except ValueError:
            return 0.0

    @cached_property
    def largest(self) -> float:
        """The size of the largest difference that is a finite number; 0 if there is none."""
        return max((size for size in map(self.size, self.cells) if size < float("inf")), default=0.0)

    def breakpoints(self, side: str) -> Sequence[str]:
        """The breakpoints of the new image along ``x`` or ``y``; none without that axis."""
        axis: Json = self.table.get(side, {})
        texts: Sequence[str] = axis.get("new", axis.get("old", ()))
        return texts

    def place(self, side: str, index: int) -> str:
        """A breakpoint with its unit, a moved one as old and new; "" without that axis."""
        axis: Json | None = self.table.get(side)
        if axis is None:
            return ""
        old, new = axis["old"], axis.get("new", axis["old"])
        # Two images may have different numbers of breakpoints.
        ends = [texts[index] for texts in (old, new) if index < len(texts)]
        unit = axis.get("unit", "")
        return f"{' → '.join(dict.fromkeys(ends))}{f' {unit}' if unit and unit != '-' else ''}"

    def most_changed(self, most: int) -> list[int]:
        """At most ``most`` changed cells, the largest changes of them, in the order of the cells."""
        if len(self.cells) <= most:
            return self.cells
        # A cell without a difference was switched, which counts more than any number.
        ranked = sorted(self.cells, key=lambda cell: (not self.size(cell), self.size(cell)), reverse=True)
        return sorted(ranked[:most])


def _listed(values: str | list[str], amount: int) -> list[str]:
    """A list of texts, which the document may join with commas."""
    if isinstance(values, list):
        return values
    return values.split(",") if amount else []
