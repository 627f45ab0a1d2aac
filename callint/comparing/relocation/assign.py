"""Assigns shifts to all units at once, by a hidden Markov model along the old image; its states are shifts.

The forward-backward algorithm gives each unit the probabilities of its shifts. Reference: L. R. Rabiner, A
tutorial on hidden Markov models (Proceedings of the IEEE 77, 1989), from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.likelihood import Likelihood
from callint.comparing.relocation.shared_ranges import Integers
from callint.comparing.relocation.units import PlacementUnit

#: The number of candidates: of shared ranges on each side of a unit, and of occurrences of its bytes.
_NEAREST, _OCCURRENCES = 4, 3
#: Shifts are also tried at these distances in bytes for small items, because their neighbours may be gone;
#: ``_SMALL`` is the largest size of such an item.
_SMALL, _STEPS = 4, (-4, -2, -1, 1, 2, 4)
#: The least information of an item's bytes for a search of the whole image.
_DISTINCT = 12.0
#: The logarithms of the probabilities that the shift changes: forward by a little, by more, and out of order.
_NEAR_CHANGE, _FAR_CHANGE, _MOVED = np.log([3e-3, 3e-4, 3e-5]).tolist()
_NEAR = 4096
#: The logarithms of the probabilities that a unit is gone, that the next one is gone too, and that the next
#: one has a given other shift, has the shift that closes the gap, and keeps its shift.
_GONE, _STILL_GONE, _OTHER, _CLOSED, _SAME = np.log([1e-3, 0.5, 0.03, 0.3, 1e-3]).tolist()

#: Used instead of the logarithm of 0.
_LEAST = -1e6

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlacementStates:
    """The candidate shifts of a unit, and the logarithm of the likelihood of each state.

    Each shift has a state "at this shift" and then, after all of these, "gone, and this was the last shift".
    """

    shifts: Integers
    likelihoods: Numbers


def candidate_states(
    units: Sequence[PlacementUnit], shared: Integers, likelihood: Likelihood
) -> list[PlacementStates]:
    """The states of every unit: shifts of the shared ranges around it, and of its own content elsewhere."""
    starts = shared[:, 0]
    places = np.searchsorted(starts, [unit.at for unit in units], side="right").tolist()
    shifts = shared[:, 2].tolist()
    states = []
    for unit, place in zip(units, places, strict=True):
        near = dict.fromkeys([*_distinct(shifts, place), 0])
        if 0 < unit.size <= _SMALL and len(near) > 1:
            sides = list(near)[:1], _distinct(shifts, place, 1)[-1:]
            near.update(dict.fromkeys(shift + step for side in sides for shift in side for step in _STEPS))
        information = likelihood.information(unit)
        is_distinct = unit.kind is not None and information >= _DISTINCT
        if is_distinct and not any(likelihood.is_kept(unit, unit.at + shift) for shift in near):
            near.update(dict.fromkeys(at - unit.at for at in likelihood.occurrences(unit, _OCCURRENCES)))
        ratios = [likelihood.ratio(unit, unit.at + shift, information) for shift in near]
        states.append(
            PlacementStates(np.array(list(near), np.int64), np.array([*ratios, *[0.0] * len(near)]))
        )
    return states


def _distinct(shifts: Sequence[int], place: int, most: int = _NEAREST) -> list[int]:
    """The nearest different shifts on each side of a place among the shared ranges."""
    found: dict[int, None] = {}
    for side in (range(place - 1, -1, -1), range(place, len(shifts))):
        here: set[int] = set()
        for number in side:
            here.add(shifts[number])
            found[shifts[number]] = None
            if len(here) == most:
                break
    return list(found)


def posteriors(units: Sequence[PlacementUnit], states: Sequence[PlacementStates]) -> list[Numbers]:
    """The probability of each state of each unit, shape (states,)."""
    if not units:
        return []
    transitions = [
        _transition(unit, after, here.shifts, there.shifts)
        for unit, after, here, there in zip(units, units[1:], states, states[1:], strict=False)
    ]
    forward = [states[0].likelihoods]
    for step, state in zip(transitions, states[1:], strict=True):
        forward.append(_normal(_sum(forward[-1][:, None] + step, 0) + state.likelihoods))
    backward = [np.zeros(len(states[-1].likelihoods))]
    for step, state in zip(reversed(transitions), reversed(states[1:]), strict=True):
        backward.append(_normal(_sum(step + (backward[-1] + state.likelihoods)[None, :], 1)))
    return [np.exp(_normal(one + two)) for one, two in zip(forward, reversed(backward), strict=True)]


def _transition(unit: PlacementUnit, after: PlacementUnit, here: Integers, there: Integers) -> Numbers:
    """The logarithms of the transition weights from every state of a unit to every state of the next one."""
    change = there[None, :] - here[:, None]
    # Units may share bytes; otherwise the next one begins after the end of this one.
    least = min(0, unit.at + unit.size - after.at)
    same = change == 0
    moved = np.where(change < least, _MOVED, np.where(np.abs(change) <= _NEAR, _NEAR_CHANGE, _FAR_CHANGE))
    moved[same] = 0.0
    back = np.full(change.shape, _OTHER)
    back[change == -unit.size] = _CLOSED
    back[same] = _SAME
    gone = np.where(same, 0.0, -np.inf)
    # A last shift that is not a candidate of the next unit is dropped: any other shift may replace it.
    gone[~same.any(axis=1)] = -np.log(len(there))
    return np.block([[moved, gone + _GONE], [back, gone + _STILL_GONE]])


def _sum(logarithms: Numbers, axis: int) -> Numbers:
    """The logarithm of a sum of exponentials along an axis."""
    greatest = np.maximum(logarithms.max(axis=axis), _LEAST)
    total: Numbers = (
        np.log(np.maximum(np.exp(logarithms - np.expand_dims(greatest, axis)).sum(axis=axis), 1e-300))
        + greatest
    )
    return total


def _normal(logarithms: Numbers) -> Numbers:
    greatest = logarithms.max()
    normal: Numbers = logarithms - (greatest + np.log(np.exp(logarithms - greatest).sum()))
    return normal
