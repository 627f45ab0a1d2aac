"""Aligns all units between two anchors in one assignment that allows every offset between them.

``assign`` compares few shifts. Here the state of a unit is any shift within a window: bytes may have been
inserted before or after it, its size may have changed, or it may be gone, so that the next bytes follow
directly. Forward and backward sums over these states give the probability of each state.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.shared_ranges import Integers

Numbers = NDArray[np.float64]

#: The probabilities that bytes are inserted between two units, that bytes between them are removed, that up
#: to ``_FEW`` bytes are, and that a unit lies out of order.
_INSERTED, _REMOVED, _SMALL, _MOVED = 0.02, 0.004, 0.004, 1e-5
_FEW = 16
#: The share of units after padding that are padded to their alignment again.
_PADDED = 0.95
#: Used instead of a sum of probabilities that is 0.
_LEAST = 1e-300


@dataclass(frozen=True, slots=True)
class UnitOption:
    """A form that a unit may have: ``growth`` bytes larger, with its likelihood at the states ``places``.

    If ``places`` is None, the option is possible in all states; ``weights`` are the likelihoods there. The
    growth of a unit that is gone is minus its size. An option with ``is_likely`` False stands for forms that
    callint does not place.
    """

    growth: int
    weights: Numbers
    places: Integers | None = None
    form: tuple[int, int] | None = None
    is_gone: bool = False
    is_likely: bool = True


@dataclass(frozen=True, slots=True)
class Padding:
    """Padding of ``size`` bytes in front of the old unit at the offset ``at``, up to ``alignment`` bytes."""

    at: int
    size: int
    alignment: int

    def padded(self, shifts: Integers) -> Integers:
        """The shifts of the unit if the bytes before its padding have the given ones."""
        end = self.at - self.size + shifts
        aligned: Integers = end + -end % self.alignment - self.at
        return aligned


@dataclass(frozen=True, slots=True)
class UnitGap:
    """The bytes between the end of an old unit and the next one, with the padding at the end of them."""

    size: int
    padding: Padding | None = None


@dataclass(frozen=True, slots=True)
class AlignedUnit:
    """The forms of a unit, and the bytes between it and the next one."""

    options: Sequence[UnitOption]
    gap: UnitGap


@dataclass
class Alignment:
    """The alignment of units between a shift before them and one behind them.

    ``shifts`` are the states in rising order, shape (states,); ``gap`` describes the bytes before the first
    unit. If ``last`` is None, all shifts after the last unit are equally likely.
    """

    shifts: Integers
    units: Sequence[AlignedUnit]
    first: int
    last: int | None
    gap: UnitGap
    evidence: float = field(init=False, default=0.0)

    def probabilities(self) -> list[list[Numbers]]:
        """The probability of each shift, for each unit and each of its options, shape (states,).

        ``evidence`` is the logarithm of the likelihood of the whole alignment.
        """
        before = [self._jumped(self._only(self.first), self.gap)]
        self.evidence = 0.0
        for unit in self.units:
            after = np.zeros(len(self.shifts))
            for option in unit.options:
                here, there, inside = self._moves(option)
                after[there] += before[-1][here] * option.weights[inside]
            after = self._jumped(after, unit.gap)
            total = float(after.sum())
            if total <= 0:  # no state is possible
                self.evidence = -np.inf
                return [[np.zeros(len(self.shifts)) for _ in unit.options] for unit in self.units]
            self.evidence += float(np.log(total))
            before.append(after / total)
        end = np.ones(len(self.shifts)) if self.last is None else self._only(self.last)
        self.evidence += float(np.log(max(float(before[-1] @ end), 1e-300)))
        behind = end
        results: list[list[Numbers]] = []
        for unit, start in zip(reversed(self.units), reversed(before[:-1]), strict=True):
            behind = self._jumped(behind, unit.gap, back=True)
            shares, total_behind = [], np.zeros(len(self.shifts))
            for option in unit.options:
                here, there, inside = self._moves(option)
                carried = np.zeros(len(self.shifts))
                carried[here] = option.weights[inside] * behind[there]
                shares.append(start * carried)
                total_behind += carried
            total = max(float(sum(share.sum() for share in shares)), _LEAST)
            results.append([share / total for share in shares])
            behind = total_behind / max(float(total_behind.max()), _LEAST)
        return results[::-1]

    def _moves(self, option: UnitOption) -> tuple[Any, Any, Any]:
        """The states before a unit, those after it, and the weights of the option that belong to them."""
        if not option.growth and option.places is None:
            return slice(None), slice(None), slice(None)
        key = option.growth
        if option.places is not None or key not in self._grown:
            here = np.arange(len(self.shifts)) if option.places is None else option.places
            wanted = self.shifts[here] + option.growth
            there = np.minimum(np.searchsorted(self.shifts, wanted), len(self.shifts) - 1)
            inside = np.flatnonzero(self.shifts[there] == wanted)
            moves = here[inside], there[inside], inside
            if option.places is not None:
                return moves
            self._grown[key] = moves
        return self._grown[key]

    def _only(self, shift: int) -> Numbers:
        weights: Numbers = (self.shifts == shift).astype(np.float64)
        return weights

    def _jumped(self, weights: Numbers, gap: UnitGap, back: bool = False) -> Numbers:
        """The weights after the gap between two units.

        A shift may grow by any number of bytes, and fall by at most the size of the gap; the next unit is
        then aligned. ``back`` goes from the weights after the gap to those before it.
        """
        if gap.padding is None:
            return self._inserted(weights, gap.size, back)
        if back:
            return self._inserted(self._padded(weights, gap.padding, back), gap.size, back)
        return self._padded(self._inserted(weights, gap.size, back), gap.padding, back)

    def _padded(self, weights: Numbers, padding: Padding, back: bool) -> Numbers:
        """The weights after the padding before a unit took the size that its alignment needs."""
        wanted = padding.padded(self.shifts)
        there = np.minimum(np.searchsorted(self.shifts, wanted), len(self.shifts) - 1)
        there = np.where(self.shifts[there] == wanted, there, np.arange(len(self.shifts)))
        moved = weights[there] if back else np.bincount(there, weights, len(weights))
        result: Numbers = _PADDED * moved + (1 - _PADDED) * weights
        return result

    def _inserted(self, weights: Numbers, gap: int, back: bool) -> Numbers:
        """The weights after bytes may have been inserted into the gap or removed from it."""
        sums = np.concatenate([[0.0], np.cumsum(weights)])
        low, high, few_low, few_high = self._reach(max(gap, 0), back)
        total, places = sums[-1], np.arange(len(weights))
        risen = sums[places] if not back else total - sums[places + 1]
        fallen = sums[high] - sums[places + 1] if not back else sums[places] - sums[low]
        near = sums[few_high] - sums[few_low]
        count = len(self.shifts)
        stays = 1 - _INSERTED - _REMOVED - _SMALL - _MOVED
        result: Numbers = (
            stays * weights
            + (_INSERTED * risen + _REMOVED * fallen + _MOVED * total) / count
            + _SMALL / (2 * _FEW) * near
        )
        return np.maximum(result, 0.0)

    def _reach(self, gap: int, back: bool) -> tuple[Integers, Integers, Integers, Integers]:
        """The ranges of states from which each state can be reached, and of those nearby; ends excluded."""
        key = gap, back
        if key not in self._reaches:
            shifts = self.shifts
            fall = -gap if back else gap
            if back:  # from d' in [d - gap, end)
                low = np.searchsorted(shifts, shifts + fall)
                high = np.full(len(shifts), len(shifts))
            else:  # from d in [start, d' + gap]
                low = np.zeros(len(shifts), np.int64)
                high = np.searchsorted(shifts, shifts + fall, side="right")
            few_low = np.maximum(low, np.searchsorted(shifts, shifts - _FEW))
            few_high = np.minimum(high, np.searchsorted(shifts, shifts + _FEW, side="right"))
            self._reaches[key] = low, high, few_low, np.maximum(few_low, few_high)
        return self._reaches[key]

    @cached_property
    def _grown(self) -> dict[int, tuple[Any, Any, Any]]:
        return {}

    @cached_property
    def _reaches(self) -> dict[tuple[int, bool], tuple[Integers, Integers, Integers, Integers]]:
        return {}
