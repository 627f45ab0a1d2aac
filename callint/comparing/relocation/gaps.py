"""Places recalibrated items between two items that are sure: the second look, after the assignment.

The assignment compares few shifts. Between the end of a sure item and the start of the next, an item may lie
at any offset: bytes may have been inserted in front of it, behind it or on both sides. Each offset gets the
likelihood ratio of the old numbers and those that lie there. The posterior probability then counts all other
offsets, and that the item is gone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.likelihood import FEW_CELLS, Likelihood
from callint.comparing.relocation.result import ItemKind, RelocationEvidence
from callint.comparing.relocation.settle import ANCHOR, SURE, Best, drop_overlaps
from callint.comparing.relocation.stretches import Integers
from callint.comparing.relocation.units import PlacementUnit

#: The greatest gap, in bytes beyond the item itself, and the most numbers that are compared at once.
_MOST_OFFSETS, _MOST_NUMBERS = 4096, 2_000_000
#: The least posterior probability of a placement.
_LEAST = 0.98
#: The weights of a linear relation between old and new numbers, and of their likeness.
_LINEAR, _LIKE = 0.3, 0.6
#: The factors by which a table is recalibrated; beyond them its conversion may be another.
_SLOPES = 0.55, 1.6
#: The logarithm of the prior ratio of another offset than the two that the ends of the gap give.
_ELSEWHERE = -2.0
#: The logarithm of the likelihood that an item is gone; the second where the gap shrank by its size.
_GONE, _GONE_CLOSED = 2.0, 12.0
#: From here on, likelihoods at places apart from each other count less: items have copies and look-alikes.
_SATURATED, _SATURATED_SHARE = 12.0, 0.1
#: The logarithms of the prior ratio of an item with another size, and of the likelihood from which it counts
#: against neighbours; the rows or columns more, and how far around
#: the likely offsets it may lie.
_RESIZED, _AS_RESIZED = -5.0, 8.0
_MORE, _NEAR = (-4, -3, -2, -1, 1, 2, 3, 4, 6, 8), 8
#: Evidence that says something about the size of an axis, which content does not outweigh.
_OF_SIZE = (RelocationEvidence.COUNT, RelocationEvidence.RESIZED)

Evidence = list[RelocationEvidence | None]
Numbers = NDArray[np.float64]


def place_in_gaps(
    units: Sequence[PlacementUnit], best: list[Best], settled: Evidence, likelihood: Likelihood
) -> None:
    """Enter shifts and evidence of items that are sure by their gap into ``best`` and ``settled``.

    Axes come first: a table is placed only if all of its axes are.
    """
    gaps = _Gaps(units, best, settled, likelihood)
    gaps.leave_copies()
    gaps.leave_resized()
    for kinds in ((ItemKind.AXIS,), (ItemKind.MAP, ItemKind.CURVE)):
        for number, unit in enumerate(units):
            if unit.kind in kinds and not gaps.is_placed(number):
                gaps.place(number)
    gaps.place_between_neighbours()
    drop_overlaps(units, best, settled)


@dataclass(frozen=True, slots=True)
class _Gap:
    """The offsets in the new image between two anchors at which an item may begin.

    ``first`` and ``last`` are those by the shifts of the anchor before and behind it.
    """

    offsets: Integers
    first: int
    last: int


@dataclass
class _Gaps:
    units: Sequence[PlacementUnit]
    best: list[Best]
    settled: Evidence
    likelihood: Likelihood
    before: list[int] = field(init=False)
    behind: list[int] = field(init=False)

    def __post_init__(self) -> None:
        """Find the nearest anchors on either side of every unit; -1 without one."""
        anchors = np.array([self._is_anchor(number) for number in range(len(self.units))], bool)
        places = np.arange(len(anchors))
        before = np.maximum.accumulate(np.where(anchors, places, -1)) if len(anchors) else places
        behind = np.minimum.accumulate(np.where(anchors, places, len(anchors))[::-1])[::-1]
        self.before = [-1, *before.tolist()[:-1]]
        self.behind = [*(place if place < len(anchors) else -1 for place in behind.tolist()[1:]), -1]

    def _is_anchor(self, number: int) -> bool:
        unit, (shift, probability) = self.units[number], self.best[number]
        if shift is None or probability < SURE:
            return False
        is_similar = self.settled[number] is RelocationEvidence.SIMILAR and unit.cells >= FEW_CELLS
        is_kept = self.likelihood.is_kept(unit, unit.at + shift)
        return is_similar or (is_kept and self.likelihood.information(unit) >= ANCHOR)

    def is_placed(self, number: int) -> bool:
        evidence = self.settled[number]
        return evidence is not None and evidence.is_sure

    def place(self, number: int) -> None:
        """Place an axis, curve or map if one offset of its gap is sure."""
        unit, evidence = self.units[number], self.settled[number]
        gap = self._gap(number)
        if gap is None or not self._has_its_size(number):
            return
        shift, probability = self.best[number]
        is_between = shift is not None and gap.first == gap.last == unit.at + shift
        is_open = evidence in (RelocationEvidence.BESIDE, RelocationEvidence.OTHER)
        if is_between and is_open and probability >= SURE and not self._is_blank(unit, gap.first):
            if len(gap.offsets) == 1 or self._as_resized(unit, gap, gap.first) < _AS_RESIZED:
                self._enter(number, gap.first, probability)
            return
        found = self._most_probable(unit, gap)
        if found is not None and found[1] >= _LEAST:
            self._enter(number, *found)

    def _is_blank(self, unit: PlacementUnit, at: int) -> bool:
        """Whether one byte is repeated at an offset, as where nothing lies."""
        content = self.likelihood.new[at : at + unit.size]
        return bool((content == content[0]).all())

    def _enter(self, number: int, at: int, probability: float) -> None:
        unit = self.units[number]
        self.best[number] = at - unit.at, probability
        if self.likelihood.is_kept(unit, at):
            self.settled[number] = RelocationEvidence.SAME
        elif self.likelihood.likeness(unit, at) > 0:
            self.settled[number] = RelocationEvidence.SIMILAR
        else:
            self.settled[number] = RelocationEvidence.NEIGHBOURS

    def _has_its_size(self, number: int) -> bool:
        """Whether nothing says that an axis, or an axis of a table, may have another size."""
        axes = self._axes
        has_axes = all(axis in axes and self.is_placed(axes[axis]) for axis in self.units[number].axes)
        return has_axes and self.settled[number] not in _OF_SIZE

    @cached_property
    def _axes(self) -> dict[str, int]:
        return {unit.name: number for number, unit in enumerate(self.units) if unit.kind is ItemKind.AXIS}

    def _gap(self, number: int) -> _Gap | None:
        """The gap around an item; None without anchors in their old order, or if it is too large."""
        before, behind, unit = self.before[number], self.behind[number], self.units[number]
        if before < 0 or behind < 0 or unit.cells < FEW_CELLS:
            return None
        low, high = self.units[before], self.units[behind]
        first, last = self._shift(before), self._shift(behind)
        start = min(low.at + low.size, unit.at) + first
        stop = max(high.at, unit.at + unit.size) + last - unit.size
        count = stop - start + 1
        if start < 0 or not 0 < count <= _MOST_OFFSETS or count * unit.cells > _MOST_NUMBERS:
            return None
        if stop + unit.size > len(self.likelihood.new):
            return None
        return _Gap(np.arange(start, stop + 1), unit.at + first, unit.at + last)

    def _shift(self, number: int) -> int:
        shift = self.best[number][0]
        assert shift is not None
        return shift

    def _most_probable(self, unit: PlacementUnit, gap: _Gap) -> tuple[int, float] | None:
        """The offset with the greatest posterior probability, and that; None without numbers."""
        weights = self._likelihoods(unit, gap.offsets)
        if weights is None:
            return None
        prior = np.full(len(gap.offsets), _ELSEWHERE - np.log(len(gap.offsets)))
        prior[(gap.offsets == gap.first) | (gap.offsets == gap.last)] = 0.0
        weights = weights + prior
        number = int(weights.argmax())
        near = np.abs(gap.offsets - gap.offsets[number]) < unit.size
        top = _saturated(weights[number])
        total = float(np.exp(weights[near] - weights[number]).sum())
        total += float(np.exp(_saturated(weights[~near]) - top).sum())
        gone = _GONE_CLOSED if gap.last - gap.first == -unit.size else _GONE
        total += float(np.exp(gone - top))
        at = int(gap.offsets[number])
        if len(gap.offsets) > 1 and total * _LEAST <= 1.0:
            total += float(np.exp(_saturated(self._as_resized(unit, gap, at)) + _RESIZED - top))
        return at, 1.0 / total

    def _likelihoods(self, unit: PlacementUnit, offsets: Integers) -> Numbers | None:
        """The logarithms of the likelihood ratios of an item at offsets of the new image."""
        before = unit.numbers(self.likelihood.old, unit.at)
        return None if before is None else self._ratios(unit, before, offsets)

    def _ratios(self, unit: PlacementUnit, before: Numbers, offsets: Integers) -> Numbers | None:
        after = self.likelihood.numbers_at(unit, offsets)
        if after is None:
            return None
        is_float = unit.dtype is not None and unit.dtype.kind == "f"
        linear = _linear_relation(before, after, 0.0 if is_float else 1 / 12)
        return _LINEAR * linear + _LIKE * self.likelihood.likeness_at(unit, before, after)

    def _as_resized(self, unit: PlacementUnit, gap: _Gap, at: int) -> float:
        """The greatest logarithm of the likelihood ratios of an item with more or fewer rows or columns.

        The old item is stretched to that size. It may begin where the gap does, end where it does, or lie
        near the offset ``at``.
        """
        before = unit.numbers(self.likelihood.old, unit.at)
        slow, fast = unit.shape
        best = -np.inf
        if before is None or slow * fast != unit.cells:
            return best
        grid = before.reshape(slow, fast)
        shapes = [(slow, fast + more) for more in _MORE] + [(slow + more, fast) for more in _MORE if slow > 1]
        for rows, columns in shapes:
            if min(rows, columns) < 1 or rows * columns < FEW_CELLS:
                continue
            cells = rows * columns
            size = (cells - 1) * unit.stride + unit.size - (unit.cells - 1) * unit.stride
            first, last = int(gap.offsets[0]), int(gap.offsets[-1]) + unit.size - size
            near = {start + step for start in (gap.first, last, at) for step in range(-_NEAR, _NEAR + 1)}
            offsets = np.array(sorted(start for start in near if first <= start <= last), np.int64)
            if len(offsets):
                resized = replace(unit, cells=cells, size=size)
                ratios = self._ratios(resized, _stretched(grid, rows, columns).ravel(), offsets)
                if ratios is not None:
                    best = max(best, float(ratios.max()))
        return best

    def leave_copies(self) -> None:
        """Leave out items with the same content at one end of a gap and a recalibrated one at the other.

        New memory may have a copy of the old content beside the item itself.
        """
        for number, unit in enumerate(self.units):
            is_grid = unit.kind in (ItemKind.AXIS, ItemKind.MAP, ItemKind.CURVE)
            if is_grid and self.settled[number] is RelocationEvidence.SAME and self._has_recalibrated(number):
                self.settled[number] = RelocationEvidence.UNSURE

    def leave_resized(self) -> None:
        """Leave out recalibrated items that fit better with another size, where padding has room for it."""
        for number, unit in enumerate(self.units):
            if self.settled[number] is not RelocationEvidence.SIMILAR or unit.cells < FEW_CELLS:
                continue
            gap, at = self._gap(number), unit.at + self._shift(number)
            if gap is None or len(gap.offsets) == 1:
                continue
            ratios = self._likelihoods(unit, np.array([at]))
            if ratios is not None and self._as_resized(unit, gap, at) + _RESIZED > ratios[0]:
                self.settled[number] = RelocationEvidence.RESIZED

    def _has_recalibrated(self, number: int) -> bool:
        unit, gap = self.units[number], self._gap(number)
        if gap is None or abs(gap.last - gap.first) < unit.size:
            return False
        at = unit.at + self._shift(number)
        other = gap.first if at == gap.last else gap.last
        if not gap.offsets[0] <= other <= gap.offsets[-1] or self.likelihood.is_kept(unit, other):
            return False
        ratios = self._likelihoods(unit, np.array([other]))
        before, after = unit.numbers(self.likelihood.old, unit.at), unit.numbers(self.likelihood.new, other)
        if ratios is None or before is None or after is None:
            return False
        return bool(ratios[0] >= _SATURATED and (before == after).mean() < 0.5)

    def place_between_neighbours(self) -> None:
        """Place items whose neighbours on both sides are placed with the shift that they have themselves."""
        last = -1
        for number, unit in enumerate(self.units):
            if unit.kind is None:
                continue
            if self.is_placed(number):
                self._fill(last, number)
                last = number

    def _fill(self, first: int, last: int) -> None:
        if first < 0 or self._shift(first) != self._shift(last):
            return
        for number in range(first + 1, last):
            unit, (shift, probability) = self.units[number], self.best[number]
            is_open = self.settled[number] is RelocationEvidence.BESIDE and unit.cells < FEW_CELLS
            if is_open and shift == self._shift(last) and probability >= SURE:
                self.settled[number] = RelocationEvidence.NEIGHBOURS


def _stretched(grid: Numbers, rows: int, columns: int) -> Numbers:
    """A grid with other numbers of rows and columns, by linear interpolation."""
    for axis, length in enumerate((rows, columns)):
        if grid.shape[axis] != length:
            places = np.linspace(0, grid.shape[axis] - 1, length)
            below = np.minimum(places.astype(np.int64), max(grid.shape[axis] - 2, 0))
            above = np.minimum(below + 1, grid.shape[axis] - 1)
            share = np.expand_dims(places - below, 1 - axis)
            grid = grid.take(below, axis) * (1 - share) + grid.take(above, axis) * share
    return grid


def _saturated(weights: Numbers | float) -> Numbers:
    return np.where(weights < _SATURATED, weights, _SATURATED + _SATURATED_SHARE * (weights - _SATURATED))


def _linear_relation(before: Numbers, after: Numbers, noise: float) -> Numbers:
    """What a rising linear relation explains of the new numbers, as a logarithm, for each row of ``after``.

    The logarithm of a ratio of normal likelihoods, for as many independent numbers as a smooth table has;
    ``noise`` is the variance of the rounding.
    """
    count = len(before)
    old = before - before.mean()
    new = after - after.mean(axis=1, keepdims=True)
    total, spread = (new * new).sum(axis=1), float(old @ old)
    if spread <= 0:
        return np.zeros(len(after))
    floor = count * noise or 1e-9 * spread + 1e-30
    product = new @ old
    rest = np.maximum(total - product * product / spread, 0.0) + floor
    low, high = _SLOPES
    is_near = (product > low * spread) & (product < high * spread)
    explained = np.where(is_near, 0.5 * np.log((total + floor) / rest), -1.0)
    independent = min(count, 2 + np.sqrt(count))
    result: Numbers = independent * explained
    return result
