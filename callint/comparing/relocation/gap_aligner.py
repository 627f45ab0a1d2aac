"""Aligns the items of one gap, the bytes between two anchors.

Makes the options of every unit (its old size, another size, gone) with their likelihoods at all shifts of the
gap, finds the numbers of points of its axes that explain the gap best, and runs ``alignment`` over them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.alignment import (
    AlignedUnit,
    Alignment,
    Padding,
    UnitGap,
    UnitOption,
)
from callint.comparing.relocation.likelihood import FEW_CELLS
from callint.comparing.relocation.occupied import OccupiedBytes
from callint.comparing.relocation.result import ItemKind
from callint.comparing.relocation.shared_ranges import Integers
from callint.comparing.relocation.units import PlacementUnit, new_shape, resized_unit
from callint.comparing.relocation.window_likelihood import WindowLikelihood, interpolated_grid

#: The distance beyond the shifts of the anchors at which a unit may lie, and the widest window that covers
#: every shift between them.
_AROUND, _WIDEST = 64, 4096
#: The logarithms of the prior probabilities that a unit is gone, that an axis of a kept table is gone, and
#: that a unit has a given other size.
_GONE, _GONE_IN_USE, _RESIZED = -3.5, -8.0, -7.0
#: If the probability of an item is below this, other sizes of its axes are tried.
_DOUBTED = 0.98
#: The least probability at which another number of points is accepted.
_LEAST_SIZE = 0.98
#: The log-likelihood of a stored count that is right, and of one that is wrong.
_SAME_COUNT, _OTHER_COUNT = 3.0, -5.0
#: The largest number of padding bytes that are removed with the item before them.
_PADDING = 3
#: The log-likelihood that a pointer adds.
_POINTED = 12.0
#: The least probability of a sure shift.
SURE_IN_GAP = 0.98
#: The logarithm of the prior ratio of another size that fits better: of an axis, and of a table.
_AXIS_AS_RESIZED, _AS_RESIZED = -5.0, -8.0
#: If no other size is better than the old one by the first number, the second is added to the logarithm of
#: each of them: a resized item hardly ever resembles the old numbers as much in the old size.
_AS_GOOD, _NO_BETTER = 2.0, -2.0
#: The logarithm added for an offset that is not aligned, if all units of its kind were aligned.
_NOT_ALIGNED = -4.0
#: The logarithm added for an offset at which surely another unit lies.
_OCCUPIED = -4.0
#: The changes of the number of rows or columns to try, and the largest distance of such an item from the
#: likely shifts.
_MORE, _NEAR = (-4, -3, -2, -1, 1, 2, 3, 4, 6, 8), 8
GRIDS = (ItemKind.AXIS, ItemKind.MAP, ItemKind.CURVE)

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Gap:
    """The numbers of the units between two anchors, ends excluded, with the shifts of the anchors.

    The last gap has no anchor after it.
    """

    start: int
    stop: int
    first: int
    last: int
    is_last: bool = False


@dataclass
class GapAligner:
    """Makes the alignment of the units of a gap; ``around`` are the old offsets between its anchors.

    ``likely`` are more shifts, ``pointed`` the shifts that pointers give, by the number of a unit in the gap,
    ``axes`` all axes by name, ``fixed`` the axes that have their old size, ``occupied`` the bytes of the old
    and of the new image that surely belong to units outside the gap, and ``counts`` the new numbers of points
    of other axes; the alignment adds to them. ``doubtful`` are axes whose size is not sure.
    """

    window: WindowLikelihood
    units: Sequence[PlacementUnit]
    gap: Gap
    around: tuple[int, int]
    likely: set[int]
    pointed: Mapping[int, int]
    axes: dict[str, PlacementUnit]
    fixed: set[str]
    in_use: set[str]
    alignments: Mapping[tuple[bool, int], int]
    occupied: tuple[OccupiedBytes, OccupiedBytes]
    counts: dict[str, int]
    _best_resized: dict[int, float] = field(init=False, default_factory=dict)
    doubtful: set[str] = field(init=False, default_factory=set)
    shifts: Integers = field(init=False)
    evidence: float = field(init=False, default=0.0)
    _shares: list[Numbers] = field(init=False, default_factory=list)
    _windows: list[tuple[int, int]] = field(init=False)
    _options: dict[tuple[int, tuple[int, int]], list[UnitOption]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        low, high = sorted((self.gap.first, self.gap.last))
        ranges = [(shift - _AROUND, shift + _AROUND + 1) for shift in {low, high, *self.likely}]
        if high - low + 2 * _AROUND <= _WIDEST:
            ranges.append((low - _AROUND, high + _AROUND + 1))
        self._windows = []
        for first, last in sorted(ranges):
            if self._windows and first <= self._windows[-1][1]:
                self._windows[-1] = self._windows[-1][0], max(last, self._windows[-1][1])
            else:
                self._windows.append((first, last))
        self.shifts = np.concatenate([np.arange(*window) for window in self._windows])

    def align(self) -> list[list[tuple[UnitOption, Numbers]]]:
        """The options of each unit with the probabilities of their shifts."""
        options = self._all_options(self.counts)
        results = self._align_with(options)
        asked = {
            axis
            for unit, shares in zip(self.units, results, strict=True)
            if unit.kind in GRIDS and shares[0].max() < _DOUBTED
            for axis in unit.along
            if axis in self.axes and axis not in self.fixed and axis not in self.counts
        }
        for axis in sorted(asked):
            self._estimate_point_count(axis)
        if asked:
            options = self._all_options(self.counts)
            results = self._align_with(options)
        for number, (unit, forms, shares) in enumerate(zip(self.units, options, results, strict=True)):
            if self._may_be_resized(unit) and not forms[0].growth and not self._is_kept_at(unit, shares[0]):
                forms.extend(self._other_sizes(number, shares[0]))
        if self._best_resized:
            results = self._align_with(options)
        self._shares = [shares[0] for shares in results]
        return [list(zip(forms, shares, strict=True)) for forms, shares in zip(options, results, strict=True)]

    def share(self, number: int, place: int) -> float:
        """The probability of a state of a unit of the images in its likeliest size; 1 or 0 for an anchor."""
        if self.gap.start <= number < self.gap.stop:
            return float(self._shares[number - self.gap.start][place])
        shift = self.gap.first if number < self.gap.start else self.gap.last
        return float(shift == self.shifts[place] and not (self.gap.is_last and number >= self.gap.stop))

    def is_sure(self, number: int) -> bool:
        """Whether one state of a unit of the images is sure; that of an anchor always is."""
        if self.gap.start <= number < self.gap.stop:
            return float(self._shares[number - self.gap.start].max()) >= SURE_IN_GAP
        return True

    def _may_be_resized(self, unit: PlacementUnit) -> bool:
        """Whether a unit may have another shape: a table on other axes may, a fixed axis may not."""
        return unit.kind in GRIDS and (unit.kind is not ItemKind.AXIS or unit.name not in self.fixed)

    def _estimate_point_count(self, axis: str) -> None:
        """Enter another number of points of an axis if it explains the gap better, or mark it as doubtful."""
        old = self.axes[axis].cells
        numbers = [old, *(old + more for more in _MORE if old + more >= 2)]
        evidence = []
        for number in numbers:
            self._align_with(self._all_options({**self.counts, axis: number}))
            evidence.append(self.evidence + (_RESIZED if number != old else 0.0))
        shares = np.exp(np.array(evidence) - max(evidence))
        shares /= shares.sum()
        place = int(shares.argmax())
        if shares[place] < _LEAST_SIZE:
            self.doubtful.add(axis)
        elif place:
            self.counts[axis] = numbers[place]

    def _with_prior(self, number: int, option: UnitOption) -> UnitOption:
        """An option, weighted by the evidence of its offsets apart from their content.

        Offsets are less likely if they are not multiples of the unit's alignment, or if other units that did
        not overlap it before surely lie there. The offset that a pointer gives is more likely.
        """
        if option.is_gone:
            return option
        unit = self.units[number]
        shifts = self.shifts if option.places is None else self.shifts[option.places]
        factors = np.ones(len(shifts))
        alignment = self.alignments.get(unit.alignment_group, 1)
        factors[(unit.at + shifts) % alignment != 0] *= np.exp(_NOT_ALIGNED)
        before, now = self.occupied
        if not before.overlaps(np.array([unit.at]), unit.size).any():
            factors[now.overlaps(unit.at + shifts, unit.size) > 0] *= np.exp(_OCCUPIED)
        if number in self.pointed:
            factors[shifts == self.pointed[number]] *= np.exp(_POINTED)
        return replace(option, weights=option.weights * factors)

    def _all_options(self, counts: dict[str, int]) -> list[list[UnitOption]]:
        return [list(self._options_of(number, counts)) for number in range(len(self.units))]

    def _options_of(self, number: int, counts: dict[str, int]) -> list[UnitOption]:
        unit = self.units[number]
        slow, fast = new_shape(unit, counts)
        key = number, (slow, fast)
        if key not in self._options:
            if (slow, fast) == unit.shape:
                options = [self._as_before(unit), *self._gone(number)]
            else:
                options = [self._with_shape(unit, slow, fast), *self._gone(number)]
            self._options[key] = [self._with_prior(number, form) for form in options]
        return self._options[key]

    def _with_shape(self, unit: PlacementUnit, rows: int, columns: int) -> UnitOption:
        resized = resized_unit(unit, rows, columns)
        before = unit.numbers(self.window.likelihood.old, unit.at)
        assert before is not None
        old = interpolated_grid(before.reshape(unit.shape), rows, columns).ravel()
        ratios = [
            self.window.resized_ratios(resized, old, unit.at + first, last - first)
            for first, last in self._windows
        ]
        weights = np.exp(np.concatenate(ratios) + self._count(unit, columns))
        return UnitOption(resized.size - unit.size, weights, form=(rows, columns))

    def _count(self, unit: PlacementUnit, cells: int) -> Numbers:
        """The evidence of the stored count for an axis of this size at every shift; 0 without a count."""
        if unit.count is None:
            return np.zeros(len(self.shifts))
        distance, dtype = unit.count
        at = unit.at + distance
        is_count = self.window.counts_at(at + self.shifts, dtype) == cells
        is_count |= self.window.counts_at(np.array([at + self.gap.first]), dtype)[0] == cells
        return np.where(is_count, _SAME_COUNT, _OTHER_COUNT)

    def _align_with(self, options: list[list[UnitOption]]) -> list[list[Numbers]]:
        aligned = [AlignedUnit(forms, gap) for forms, gap in zip(options, self._unit_gaps[1:], strict=True)]
        alignment = Alignment(
            shifts=self.shifts,
            units=aligned,
            first=self.gap.first,
            last=None if self.gap.is_last else self.gap.last,
            gap=self._unit_gaps[0],
        )
        results = alignment.probabilities()
        self.evidence = alignment.evidence
        return results

    @cached_property
    def _unit_gaps(self) -> list[UnitGap]:
        """The bytes before each unit, and those after the last."""
        ends = [self.around[0], *(unit.at + unit.size for unit in self.units)]
        gaps = [
            UnitGap(unit.at - end, self._padding(unit, unit.at - end))
            for end, unit in zip(ends[:-1], self.units, strict=True)
        ]
        return [*gaps, UnitGap(self.around[1] - ends[-1])]

    def _padding(self, unit: PlacementUnit, gap: int) -> Padding | None:
        """The padding before a unit that is aligned like all units of its kind."""
        alignment = self.alignments.get(unit.alignment_group, 1)
        if alignment == 1:
            return None
        most = min(gap, alignment - 1)
        content = self.window.likelihood.old[unit.at - max(most, 0) : unit.at]
        other = np.flatnonzero(content != content[-1]) if len(content) else content
        return Padding(unit.at, len(content) - (int(other[-1]) + 1 if len(other) else 0), alignment)

    def _is_kept_at(self, unit: PlacementUnit, shares: Numbers) -> bool:
        at = unit.at + int(self.shifts[int(shares.argmax())])
        return self.window.likelihood.is_kept(unit, at)

    def _as_before(self, unit: PlacementUnit) -> UnitOption:
        ratios = [self.window.ratios(unit, unit.at + first, last - first) for first, last in self._windows]
        return UnitOption(0, np.exp(np.concatenate(ratios) + self._count(unit, unit.cells)))

    def _gone(self, number: int) -> list[UnitOption]:
        """The options of a unit that is gone: without the padding after it, or with it."""
        unit = self.units[number]
        behind = self.units[number + 1].at if number + 1 < len(self.units) else self.around[1]
        sizes = {unit.size, behind - unit.at} if 0 < behind - unit.at - unit.size <= _PADDING else {unit.size}
        share = np.exp(_GONE_IN_USE if self._is_in_use(unit) else _GONE) / len(sizes)
        return [UnitOption(-size, np.full(len(self.shifts), share), is_gone=True) for size in sizes]

    def _is_in_use(self, unit: PlacementUnit) -> bool:
        return unit.kind is ItemKind.AXIS and unit.name in self.in_use

    def is_better_resized(self, number: int, shift: int, more: float = 0.0) -> bool:
        """Whether a unit of the images resembles the old one more with other rows or columns.

        ``more`` is the logarithm of a further prior ratio of another size.
        """
        is_axis = self.units[number - self.gap.start].kind is ItemKind.AXIS
        prior = _AXIS_AS_RESIZED if is_axis else _AS_RESIZED
        return self._size_advantage(number - self.gap.start, shift) < prior + more

    def is_as_good(self, number: int, shift: int) -> bool:
        """Whether the old size of a unit of the images fits about as well as any other size."""
        return self._size_advantage(number - self.gap.start, shift) >= -_AS_GOOD

    def _size_advantage(self, number: int, shift: int) -> float:
        """The lead of a unit's old size over every other size in similarity to the old numbers."""
        unit = self.units[number]
        return self.window.relation(unit, unit.at + shift) - self._best_resized.get(number, -np.inf)

    def _other_sizes(self, number: int, shares: Numbers) -> list[UnitOption]:
        """Options of an item of the gap in other sizes; less likely if the old size fits as well."""
        forms = [self._with_prior(number, form) for form in self._resized(number, shares)]
        shift = int(self.shifts[int(shares.argmax())])
        if forms and self._size_advantage(number, shift) >= -_AS_GOOD:
            return [replace(form, weights=form.weights * np.exp(_NO_BETTER)) for form in forms]
        return forms

    def _resized(self, number: int, shares: Numbers) -> Iterator[UnitOption]:
        """Options of an item with more or fewer rows or columns, near the likely shifts."""
        unit = self.units[number]
        before = unit.numbers(self.window.likelihood.old, unit.at)
        slow, fast = unit.shape
        if before is None or slow * fast != unit.cells:
            return
        grid = before.reshape(slow, fast)
        likely = {self.gap.first, self.gap.last, int(self.shifts[int(shares.argmax())])}
        near = np.array(sorted({shift + step for shift in likely for step in range(-_NEAR, _NEAR + 1)}))
        places = np.flatnonzero(np.isin(self.shifts, near))
        shapes = [(slow, fast + more) for more in _MORE] + [(slow + more, fast) for more in _MORE if slow > 1]
        for rows, columns in shapes:
            if min(rows, columns) < 1 or rows * columns < FEW_CELLS:
                continue
            resized = resized_unit(unit, rows, columns)
            old = interpolated_grid(grid, rows, columns).ravel()
            ratios, greatest = self.window.resized_at(resized, old, unit.at + self.shifts[places])
            self._best_resized[number] = max(self._best_resized.get(number, -np.inf), greatest)
            yield UnitOption(resized.size - unit.size, np.exp(_RESIZED + ratios), places, is_likely=False)
