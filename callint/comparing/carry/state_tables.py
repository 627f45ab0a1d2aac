"""Carries tables of named states, by the names of the states."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.carry.causes import CarryCause, UnknownState
from callint.comparing.carry.pairs import CarryPair
from callint.comparing.carry.rounding import equal_bits
from callint.comparing.carry.state import CarryState, CellCheck
from callint.model.change import Flags
from callint.model.definition import States


@dataclass(frozen=True, slots=True)
class _NewStates:
    """The states that the new cells get; all arrays have the shape of the new table.

    ``sources`` is the number of different states that each cell is read from. ``unknown`` flags cells that
    are read from a state that the new software lacks. ``number`` and ``is_off``, in the shape of the old
    table, are the keys of ``names``.
    """

    raw: NDArray[Any]
    sources: NDArray[np.int64]
    unknown: Flags
    number: NDArray[np.int64]
    is_off: Flags
    names: dict[tuple[int, bool], str]

    def name_at(self, pair: CarryPair, y: int, x: int) -> str:
        """The name of the old state that a new cell is read from."""
        source = int(pair.cell_map.y.low[y]), int(pair.cell_map.x.low[x])
        return self.names[int(self.number[source]), bool(self.is_off[source])]


def carry_states(state: CarryState, pair: CarryPair) -> None:
    """Carry a table of named states; a new cell between different states is a problem."""
    grid, changed = pair.grid, pair.changed
    touched = pair.cell_map.reached_from(changed)
    states = _new_states(state, pair)
    checks = [
        CellCheck.of(~grid.present, CarryCause.CELL_MISSING),
        CellCheck.of(states.sources > 1, CarryCause.BETWEEN_STATES),
        CellCheck(states.unknown, lambda y, x: UnknownState(states.name_at(pair, y, x))),
        state.limit_check(pair, states.raw.astype(np.float64)),
    ]
    good = state.checked(pair, touched, checks)
    target = state.target_of(pair)
    target[good] = states.raw[good]
    state.report_lost(pair, changed & ~pair.cell_map.sources_of(touched), None)
    differing = good & ~equal_bits(target, grid.raw)
    state.report_table(pair, differing, np.zeros(good.shape))


def _new_states(state: CarryState, pair: CarryPair) -> _NewStates:
    old, new = pair.conversions
    assert isinstance(old, States)
    assert isinstance(new, States)
    old_raw, is_off = pair.aligned(pair.change.new.raw), pair.aligned(pair.change.new.off)
    code = pair.partner.demands.off
    raw = state.new.grid(pair.partner).raw.copy()
    sources = np.zeros(raw.shape, np.int64)
    unknown = np.zeros(raw.shape, bool)
    names: dict[tuple[int, bool], str] = {}
    # By their indexes among the distinct values: a NaN is not equal to itself.
    values, number = np.unique(old_raw, return_inverse=True)
    number = number.reshape(old_raw.shape)
    for index, value in enumerate(values.tolist()):
        for off in (False, True):
            reached = pair.cell_map.reached_from((number == index) & (is_off == off))
            sources += reached
            name = "off" if off else old.names.get(value)
            new_raw = (code.raw if code else None) if off else new.raw_of(name) if name else None
            names[index, off] = name or f"raw {value}"
            if new_raw is None or not pair.partner.storage.holds(new_raw):
                unknown |= reached
            else:
                raw[reached] = new_raw
    if pair.has_same_raw_meaning:
        # The very bits: a float may hold minus zero, which has the name of zero.
        raw = np.where(pair.cell_map.flags_at_same(pair.changed), pair.cell_map.at_same(old_raw), raw)
    return _NewStates(raw, sources, unknown, number, is_off, names)
