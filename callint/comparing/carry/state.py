"""The inputs of one call of ``carry``, and what the call has carried and reported so far."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing.carry.causes import (
    CarryCause,
    NoteReason,
    Omission,
    OutsideLimit,
    ProblemCause,
    RoundsAway,
)
from callint.comparing.carry.pairs import CarryPair
from callint.comparing.carry.result import (
    CarriedItem,
    CarriedQuantity,
    CarryNote,
    CarryProblem,
    CellRef,
    OmittedChange,
)
from callint.decoding.decode import Decoded
from callint.model.change import Flags, Grid, Numbers
from callint.model.definition import Definition


@dataclass(frozen=True, slots=True)
class CellCheck:
    """A check of all cells of a table: where it fails, and the cause of the problem in cell (y, x)."""

    failing: Flags
    cause: Callable[[int, int], ProblemCause]

    @staticmethod
    def of(failing: Flags, cause: ProblemCause) -> CellCheck:
        """A check with the same cause in every cell."""
        return CellCheck(failing, lambda y, x: cause)


class CarryState:
    """One rework on its way to the new software.

    ``target`` collects the new raw values and ``texts`` the new texts. ``carried_axes`` and ``skipped_axes``
    are the changed axes that the new image gets and does not get.
    """

    def __init__(
        self, old: Decoded, reworked: Decoded, new: Decoded, how: CarriedQuantity, left_out: Collection[str]
    ) -> None:
        self.old, self.reworked, self.new, self.how = old, reworked, new, how
        self.old_definition: Definition = old.layout.definition
        self.new_definition: Definition = new.layout.definition
        self.left_out_names = frozenset(left_out)
        self.target = replace(new, raw=tuple(raw.copy() for raw in new.raw))
        self.texts: dict[str, bytes] = {}
        self.carried_axes: set[str] = set()
        self.skipped_axes: set[str] = set()
        self.items: list[CarriedItem] = []
        self.left_out: list[OmittedChange] = []
        self.notes: list[CarryNote] = []
        self.problems: list[CarryProblem] = []

    # Results

    def add_problem(
        self, name: str, cause: ProblemCause, cell: CellRef | None = None, is_old: bool = False
    ) -> None:
        self.problems.append(CarryProblem(name, cause, cell, is_old))

    def leave_out(self, name: str, omission: Omission) -> None:
        self.left_out.append(OmittedChange(name, omission))

    def add_note(self, pair: CarryPair, reason: NoteReason, cell: CellRef | None = None) -> None:
        self.notes.append(CarryNote(pair.name, reason, cell))

    def old_cell(self, pair: CarryPair, y: int, x: int) -> CellRef:
        """An old cell by its indexes in arrays that are aligned with the new table."""
        old_y, old_x = (x, y) if pair.is_transposed else (y, x)
        return _cell_ref(self.old_definition, pair.change.new, old_y, old_x)

    def new_cell(self, pair: CarryPair, y: int, x: int) -> CellRef:
        return _cell_ref(self.new_definition, pair.grid, y, x)

    def target_breakpoints(self, axis: str) -> Numbers:
        """The breakpoints that a derived axis of the new definition gets from what is carried so far."""
        return replace(self.target).breakpoints(axis)

    # Cells of a table

    def target_of(self, pair: CarryPair) -> NDArray[Any]:
        """The new raw values of a table, as a view to write to."""
        return self.target.raw_of(self.new.layout.table_items[pair.name])

    def checked(self, pair: CarryPair, touched: Flags, checks: list[CellCheck]) -> Flags:
        """The touched cells that pass every check; the first failed check of each other one is a problem."""
        good = touched.copy()
        failures: list[tuple[int, int, ProblemCause]] = []
        for check in checks:
            failures += [(y, x, check.cause(y, x)) for y, x in np.argwhere(good & check.failing).tolist()]
            good &= ~check.failing
        for y, x, cause in sorted(failures, key=lambda failure: failure[:2]):
            self.add_problem(pair.name, cause, self.new_cell(pair, y, x))
        return good

    def limit_check(self, pair: CarryPair, stored: Numbers) -> CellCheck:
        """The check of stored values against the limits of the new table."""
        limits = pair.partner.demands.limits
        low, high = (limits.low, limits.high) if limits else (-math.inf, math.inf)
        unit, conversion = self.new_definition.unit_of(pair.partner), pair.conversions[1]

        def cause(y: int, x: int) -> OutsideLimit:
            value = float(stored[y, x])
            limit = high if value > high else low
            return OutsideLimit(value, limit, unit, conversion)

        return CellCheck((stored < low) | (stored > high), cause)

    def report_lost(self, pair: CarryPair, lost: Flags, differences: Numbers | None) -> None:
        """Report each lost change; ``differences`` are the changes, None for a table of states."""
        everywhere = np.ones(pair.grid.physical.shape, bool)
        is_read = pair.cell_map.sources_of(everywhere)
        for y, x in np.argwhere(lost).tolist():
            cause: ProblemCause = CarryCause.NO_BREAKPOINT_NEARBY
            if is_read[y, x]:
                assert differences is not None  # a changed state that is read never rounds away
                unit = self.old_definition.unit_of(pair.change.table)
                cause = RoundsAway(float(differences[y, x]), unit)
            self.add_problem(pair.name, cause, self.old_cell(pair, y, x), is_old=True)

    def report_table(self, pair: CarryPair, differing: Flags, deviation: Numbers) -> None:
        """Report a carried table, with the cells that differ from the new base and every deviation."""
        y, x = (int(index) for index in np.unravel_index(np.argmax(deviation), deviation.shape))
        most = float(deviation[y, x])
        self.items.append(
            CarriedItem(
                name=pair.name,
                kind=pair.partner.kind.value,
                title=pair.partner.title,
                unit=self.new_definition.unit_of(pair.partner),
                cells=int(np.count_nonzero(differing)),
                deviation=most,
                cell=self.new_cell(pair, y, x) if most else None,
            )
        )


def _cell_ref(definition: Definition, grid: Grid, y: int, x: int) -> CellRef:
    """A cell of a grid by its breakpoints."""
    table = grid.table
    at: dict[str, float] = {}
    texts = []
    axes = [
        (name, values, index)
        for name, values, index in ((table.x, grid.x, x), (table.y, grid.y, y))
        if name and values is not None
    ]
    for key, (name, values, index) in zip(definition.breakpoint_keys(table), axes, strict=True):
        value = float(values[index])
        if math.isfinite(value):
            at[key] = value
        texts.append(fmt.axis_value(definition, definition.axes[name], value))
    return CellRef(x, y, at, tuple(texts))
