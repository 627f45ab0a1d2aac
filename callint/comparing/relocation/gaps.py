"""Places items between two anchors: the second look, after the assignment.

Anchors are long stretches that are kept. Between two of them, ``alignment`` weighs every shift for all units
at once, with the chance that one is gone or has another size.
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
from callint.comparing.relocation.likelihood import FEW_CELLS, Likelihood
from callint.comparing.relocation.result import ItemKind, RelocationEvidence
from callint.comparing.relocation.settle import SURE, Best, drop_overlaps, may_be_resized
from callint.comparing.relocation.stretches import Integers
from callint.comparing.relocation.units import PlacementUnit, alignments, new_shape, resized_unit
from callint.comparing.relocation.window_likelihood import WindowLikelihood, stretched

#: What the kept content of an end of a stretch must say before the rest of it is an anchor.
_HELD = 12.0
#: How far beyond the shifts of the anchors a unit may lie, the widest window that has every shift between
#: them, and the most units in a gap.
_AROUND, _WIDEST, _MOST_UNITS = 64, 4096, 400
#: The least probability of a placement: curves and maps, axes, and others.
_LEAST, _LEAST_AXIS, _LEAST_SMALL = 0.97, 0.9, 0.95
#: The logarithms of the prior probabilities that a unit is gone, that an axis of a kept table is gone, and
#: that a unit has a given other size.
_GONE, _GONE_IN_USE, _RESIZED = -3.5, -8.0, -7.0
#: Below this probability of an item, other sizes of its axes are tried.
_DOUBTED = 0.98
#: The least probability of a number of points.
_LEAST_SIZE = 0.98
#: What a stored count says that is right, and one that is not.
_SAME_COUNT, _OTHER_COUNT = 3.0, -5.0
#: From which ratio on other bytes may be a kept item, and how many bytes more than its size may lie there.
_ALIKE, _FEW_MORE = 4.0, 16
#: The most bytes of padding that are gone with the item in front of it.
_PADDING = 3
#: What a pointer says.
_POINTED = 12.0
#: The least probability of a shift that is sure, that of an item between two others that surely have its
#: shift, and how far away in units these may be.
_ENCLOSED, _LEAST_ENCLOSED, _UNSURE = 0.98, 0.6, 4
#: Below this ratio, many numbers are as good as any others.
_WILD = -4.0
#: The logarithm of the prior ratio of another size where one fits better: of an axis, and of a table.
_AXIS_AS_RESIZED, _AS_RESIZED = -5.0, -8.0
#: The logarithm of what an offset costs that is not aligned, if all units of its kind were.
_NOT_ALIGNED = -4.0
#: The rows or columns more, and how far around the likely shifts such an item may lie.
_MORE, _NEAR = (-4, -3, -2, -1, 1, 2, 3, 4, 6, 8), 8
_GRIDS = (ItemKind.AXIS, ItemKind.MAP, ItemKind.CURVE)
#: What the first look says of items beside which the shift changes.
_BESIDE_CHANGES = (RelocationEvidence.BESIDE, RelocationEvidence.AXIS, RelocationEvidence.RESIZED)

Evidence = list[RelocationEvidence | None]
Numbers = NDArray[np.float64]


def place_in_gaps(
    units: Sequence[PlacementUnit],
    best: list[Best],
    settled: Evidence,
    likelihood: Likelihood,
    pointed: Mapping[int, int],
) -> dict[str, int]:
    """Enter shifts and evidence of the items between anchors into ``best`` and ``settled``.

    ``pointed`` are the new offsets that pointers give, by the number of the unit. Returns the new numbers of
    points of axes with another size, by name.
    """
    shifts = {number: at - units[number].at for number, at in pointed.items()}
    gaps = _Gaps(units, best, settled, WindowLikelihood(likelihood), shifts)
    gaps.settle_all()
    drop_overlaps([gaps.with_new_size(unit) for unit in units], best, settled)
    return gaps.counts


@dataclass(frozen=True, slots=True)
class _Gap:
    """The numbers of the units between two anchors, ends excluded, with the shifts of the anchors.

    No anchor lies behind the last gap.
    """

    start: int
    stop: int
    first: int
    last: int
    is_last: bool = False


@dataclass
class _Gaps:
    units: Sequence[PlacementUnit]
    best: list[Best]
    settled: Evidence
    window: WindowLikelihood
    pointed: Mapping[int, int]
    counts: dict[str, int] = field(init=False, default_factory=dict)
    _kept: list[bool] = field(init=False)
    _fixed: set[str] = field(init=False, default_factory=set)
    _in_use: set[str] = field(init=False, default_factory=set)
    _anchored: set[int] = field(init=False, default_factory=set)

    def __post_init__(self) -> None:
        likelihood = self.window.likelihood
        self._kept = [
            shift is not None and probability >= SURE and likelihood.is_kept(unit, unit.at + shift)
            for unit, (shift, probability) in zip(self.units, self.best, strict=True)
        ]

    def find(self) -> Iterator[_Gap]:
        """The gaps in which anything differs."""
        last, shift = -1, 0
        anchors = self._anchors()
        # A table that is kept has axes of the old size, and so has an axis amid other kept bytes.
        self._anchored = set(anchors)
        self._in_use = set(self._axes_of_kept_tables())
        self._fixed = self._in_use | {axis for number in anchors for axis in self.units[number].along if axis}
        # The images begin at one place; nothing says where what lies behind the last anchor ends.
        for number in [*anchors, len(self.units)]:
            is_last = number == len(self.units)
            there = shift if is_last else self._shift(number)
            gap = _Gap(last + 1, number, shift, there, is_last)
            if self._is_kept(gap):
                self._anchored.update(range(gap.start, gap.stop))
            elif 0 < number - last - 1 <= _MOST_UNITS:
                yield gap
            last, shift = number, there

    def _axes_of_kept_tables(self) -> Iterator[str]:
        """The axes of curves and maps with kept distinct content that moved as what lies beside them.

        If rows are added to a table, its old content may be kept, and what follows moves. A table of equal
        rows says nothing about their number.
        """
        for number, unit in enumerate(self.units):
            if (
                self._kept[number]
                and unit.axes
                and self.window.information(unit) >= _HELD
                and not may_be_resized(number, self.units, self.best, RelocationEvidence.SIMILAR)
            ):
                cells = unit.numbers(self.window.likelihood.old, unit.at)
                assert cells is not None
                grid = cells.reshape(unit.shape)
                for side, axis in enumerate(unit.along):
                    if axis and (grid != grid.take([0], side)).any():
                        yield axis

    def _shift(self, number: int) -> int:
        shift = self.best[number][0]
        assert shift is not None
        return shift

    def _is_kept(self, gap: _Gap) -> bool:
        numbers = range(gap.start, gap.stop)
        return gap.first == gap.last and all(
            self._kept[number] and self._shift(number) == gap.first for number in numbers
        )

    def _anchors(self) -> list[int]:
        """The kept units within runs of one shift, without the ends of the runs."""
        anchors: list[int] = []
        run: list[int] = []
        for number, kept in enumerate([*self._kept, False]):
            if kept and (not run or self._shift(run[-1]) == self._shift(number)):
                run.append(number)
                continue
            anchors += self._held(run)
            run = [number] if kept else []
        return anchors

    def _held(self, run: list[int]) -> list[int]:
        """The units of a run behind and in front of enough kept content."""
        said = [self.window.information(self.units[number]) for number in run]
        total = np.cumsum([0.0, *said])
        first = int(np.searchsorted(total, _HELD))
        last = int(np.searchsorted(total, total[-1] - _HELD, side="right")) - 1
        return run[first:last]

    def settle_all(self) -> None:
        """Place the items of all gaps, those with axes first: tables have the sizes of their axes."""
        gaps = list(self.find())
        with_axes = {
            self.units[number].name: gap
            for gap in gaps
            for number in range(gap.start, gap.stop)
            if self.units[number].kind is ItemKind.AXIS
        }
        first = list(dict.fromkeys(with_axes.values()))
        for gap in [*first, *(gap for gap in gaps if gap not in with_axes.values())]:
            before = set(self.counts)
            self.settle(gap)
            for axis in self.counts.keys() - before:
                if axis in with_axes and with_axes[axis] != gap:
                    self.settle(with_axes[axis])
        self._confirm_anchored()
        self._doubt_axes()

    def _confirm_anchored(self) -> None:
        """Place what the first look left out amid kept content, unless an axis of it has another size."""
        numbers = {unit.name: n for n, unit in enumerate(self.units) if unit.kind is ItemKind.AXIS}
        for number in sorted(self._anchored):
            axes = [axis for axis in self.units[number].along if axis in numbers]
            is_resized = any(axis in self.counts or not self._is_placed(numbers[axis]) for axis in axes)
            if self.settled[number] in _BESIDE_CHANGES and not is_resized:
                self.settled[number] = RelocationEvidence.SAME

    def _doubt_axes(self) -> None:
        """Leave out axes of the old size on which no table is placed, but one looks resized."""
        evidence: dict[str, set[RelocationEvidence | None]] = {}
        for unit, settled in zip(self.units, self.settled, strict=True):
            for axis in unit.axes:
                evidence.setdefault(axis, set()).add(settled)
        for number, unit in enumerate(self.units):
            is_old = unit.kind is ItemKind.AXIS and unit.name not in self.counts
            tables = evidence.get(unit.name, set()) if is_old else set()
            is_placed = any(table is not None and table.is_sure for table in tables)
            looks_resized = RelocationEvidence.RESIZED in tables and not is_placed
            if looks_resized and self.settled[number] is RelocationEvidence.SIMILAR:
                self.settled[number] = RelocationEvidence.RESIZED

    def with_new_size(self, unit: PlacementUnit) -> PlacementUnit:
        """A unit with the new numbers of points of its axes."""
        rows, columns = new_shape(unit, self.counts)
        return unit if (rows, columns) == unit.shape else resized_unit(unit, rows, columns)

    def settle(self, gap: _Gap) -> None:
        """Place the items of a gap whose probability at one shift is great enough; leave out the others."""
        before = self.units[gap.start - 1] if gap.start else None
        behind = self.units[gap.stop].at if gap.stop < len(self.units) else len(self.window.likelihood.old)
        numbers = range(gap.start, gap.stop)
        likely = {
            shift
            for shift, probability in (self.best[n] for n in numbers)
            if shift is not None and probability > 0.5
        }
        aligner = _Aligner(
            window=self.window,
            units=self.units[gap.start : gap.stop],
            gap=gap,
            around=(before.at + before.size if before else 0, behind),
            likely=likely | {self.pointed[number] for number in numbers if number in self.pointed},
            pointed={n - gap.start: self.pointed[n] for n in numbers if n in self.pointed},
            axes=self._axes,
            fixed=self._fixed | self._placed_elsewhere(gap),
            in_use=self._in_use,
            alignments=self._alignments,
            counts=self.counts,
        )
        for number, options in zip(numbers, aligner.align(), strict=True):
            if self.units[number].kind not in (None, ItemKind.CHECKSUM):
                self._enter(number, aligner, options)

    def _placed_elsewhere(self, gap: _Gap) -> set[str]:
        """The axes outside a gap that are placed."""
        return {
            unit.name
            for number, unit in enumerate(self.units)
            if unit.kind is ItemKind.AXIS and not gap.start <= number < gap.stop and self._is_placed(number)
        }

    def _is_placed(self, number: int) -> bool:
        evidence = self.settled[number]
        return evidence is not None and evidence.is_sure

    @cached_property
    def _alignments(self) -> dict[tuple[bool, int], int]:
        return alignments(self.units) if self.window.likelihood.has_old_alignment else {}

    @cached_property
    def _axes(self) -> dict[str, PlacementUnit]:
        return {unit.name: unit for unit in self.units if unit.kind is ItemKind.AXIS}

    def _enter(self, number: int, aligner: _Aligner, options: list[tuple[UnitOption, Numbers]]) -> None:
        unit, likelihood = self.units[number], self.window.likelihood
        option, shares = max(options, key=lambda entry: float(entry[1].max()))
        place = int(shares.argmax())
        shift, probability = int(aligner.shifts[place]), float(shares[place])
        least = _LEAST if unit.cells >= FEW_CELLS else _LEAST_SMALL
        if unit.kind is ItemKind.AXIS:
            least = _LEAST_AXIS
        if option.is_gone:
            self.best[number] = None, float(shares.sum())
            self.settled[number] = RelocationEvidence.ABSENT
            return
        self.best[number] = shift, probability
        is_pointed = self.pointed.get(number) == shift
        at = unit.at + shift
        if not option.is_likely or any(axis in aligner.doubtful for axis in unit.along):
            self.settled[number] = RelocationEvidence.RESIZED
        elif probability < least and not (
            probability >= _LEAST_ENCLOSED and self._is_enclosed(number, aligner)
        ):
            self.settled[number] = RelocationEvidence.UNSURE
        elif option.growth:
            self.settled[number] = RelocationEvidence.POINTED if is_pointed else RelocationEvidence.SIMILAR
        elif likelihood.is_kept(unit, at):
            has_rival = (
                unit.kind in (ItemKind.MAP, ItemKind.CURVE)
                and not is_pointed
                and self._has_rival(number, shift)
            )
            self.settled[number] = RelocationEvidence.UNSURE if has_rival else RelocationEvidence.SAME
        elif unit.kind in _GRIDS and aligner.is_better_resized(number, shift):
            self.settled[number] = RelocationEvidence.RESIZED
        elif is_pointed:
            self.settled[number] = RelocationEvidence.POINTED
        elif self._is_wild(unit, at) and not (
            self.window.is_scaled(unit, at) and self._is_enclosed(number, aligner)
        ):
            self.settled[number] = RelocationEvidence.OTHER
        elif likelihood.likeness(unit, at) > 0:
            self.settled[number] = RelocationEvidence.SIMILAR
        else:
            self.settled[number] = RelocationEvidence.NEIGHBOURS

    def _is_enclosed(self, number: int, aligner: _Aligner) -> bool:
        """Whether what is sure on either side of a unit has its shift: no byte between them is new."""
        place = int(np.flatnonzero(aligner.shifts == self._shift(number))[0])
        sides = range(number - 1, -1, -1)[:_UNSURE], range(number + 1, len(self.units))[:_UNSURE]
        for side in sides:
            sure = next((other for other in side if aligner.is_sure(other)), None)
            if sure is None or aligner.share(sure, place) < _ENCLOSED:
                return False
        return True

    def _is_wild(self, unit: PlacementUnit, at: int) -> bool:
        """Whether the numbers of an axis, curve or map there are as good as any others."""
        return unit.kind in _GRIDS and self.window.ratios(unit, at, 1)[0] < _WILD

    def _has_rival(self, number: int, shift: int) -> bool:
        """Whether a kept item has bytes of its size beside it that may be the item, recalibrated.

        New memory may have a copy of the old content beside the item itself.
        """
        unit = self.units[number]
        for side in (max(number - 1, 0), min(number + 1, len(self.units) - 1)):
            there = self.best[side][0]
            if there is None or there == shift or not 0 <= abs(there - shift) - unit.size < _FEW_MORE:
                continue
            likelihood = self.window.likelihood
            before = unit.numbers(likelihood.old, unit.at)
            after = unit.numbers(likelihood.new, unit.at + there)
            is_other = before is not None and after is not None and (before == after).mean() < 0.5
            if is_other and self.window.ratios(unit, unit.at + there, 1)[0] > _ALIKE:
                return True
        return False


@dataclass
class _Aligner:
    """Makes the alignment of the units of a gap; ``around`` are the old offsets between its anchors.

    ``likely`` are more shifts, ``pointed`` those that pointers give by the number of a unit in the gap,
    ``axes`` all axes by their names, ``fixed`` those that have their old size, and
    ``counts`` the new numbers of points of others, to which the alignment adds. ``doubtful`` are axes whose
    size is not sure.
    """

    window: WindowLikelihood
    units: Sequence[PlacementUnit]
    gap: _Gap
    around: tuple[int, int]
    likely: set[int]
    pointed: Mapping[int, int]
    axes: dict[str, PlacementUnit]
    fixed: set[str]
    in_use: set[str]
    alignments: Mapping[tuple[bool, int], int]
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
        """For each unit its options with the probabilities of their shifts."""
        options = self._all_options(self.counts)
        results = self._run(options)
        asked = {
            axis
            for unit, shares in zip(self.units, results, strict=True)
            if unit.kind in _GRIDS and shares[0].max() < _DOUBTED
            for axis in unit.along
            if axis in self.axes and axis not in self.fixed and axis not in self.counts
        }
        for axis in sorted(asked):
            self._ask(axis)
        if asked:
            options = self._all_options(self.counts)
            results = self._run(options)
        for number, (unit, forms, shares) in enumerate(zip(self.units, options, results, strict=True)):
            if self._may_be_resized(unit) and not forms[0].growth and not self._is_kept_at(unit, shares[0]):
                resized = (self._aligned(unit, form) for form in self._resized(number, shares[0]))
                forms += [self._as_pointed(number, form) for form in resized]
        if self._best_resized:
            results = self._run(options)
        self._shares = [shares[0] for shares in results]
        return [list(zip(forms, shares, strict=True)) for forms, shares in zip(options, results, strict=True)]

    def share(self, number: int, place: int) -> float:
        """The probability of a state of a unit of the images, in its likeliest size; 1 or 0 of an anchor."""
        if self.gap.start <= number < self.gap.stop:
            return float(self._shares[number - self.gap.start][place])
        shift = self.gap.first if number < self.gap.start else self.gap.last
        return float(shift == self.shifts[place] and not (self.gap.is_last and number >= self.gap.stop))

    def is_sure(self, number: int) -> bool:
        """Whether one state of a unit of the images is sure, as those of anchors are."""
        if self.gap.start <= number < self.gap.stop:
            return float(self._shares[number - self.gap.start].max()) >= _ENCLOSED
        return True

    def _may_be_resized(self, unit: PlacementUnit) -> bool:
        """Whether a unit may have another shape: any table may be on other axes, but a fixed axis may not."""
        return unit.kind in _GRIDS and (unit.kind is not ItemKind.AXIS or unit.name not in self.fixed)

    def _ask(self, axis: str) -> None:
        """Enter another number of points of an axis if it explains the gap better, or the doubt of it."""
        old = self.axes[axis].cells
        numbers = [old, *(old + more for more in _MORE if old + more >= 2)]
        evidence = []
        for number in numbers:
            self._run(self._all_options({**self.counts, axis: number}))
            evidence.append(self.evidence + (_RESIZED if number != old else 0.0))
        shares = np.exp(np.array(evidence) - max(evidence))
        shares /= shares.sum()
        place = int(shares.argmax())
        if shares[place] < _LEAST_SIZE:
            self.doubtful.add(axis)
        elif place:
            self.counts[axis] = numbers[place]

    def _aligned(self, unit: PlacementUnit, option: UnitOption) -> UnitOption:
        """An option that is less likely at offsets that are no multiple of the unit's alignment."""
        alignment = self.alignments.get(unit.alignment_group, 1)
        if alignment == 1 or option.is_gone:
            return option
        shifts = self.shifts if option.places is None else self.shifts[option.places]
        factors = np.where((unit.at + shifts) % alignment, np.exp(_NOT_ALIGNED), 1.0)
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
            self._options[key] = [self._as_pointed(number, self._aligned(unit, form)) for form in options]
        return self._options[key]

    def _as_pointed(self, number: int, option: UnitOption) -> UnitOption:
        """An option that is likelier at the shift that a pointer gives."""
        if number not in self.pointed or option.is_gone:
            return option
        shifts = self.shifts if option.places is None else self.shifts[option.places]
        factors = np.where(shifts == self.pointed[number], np.exp(_POINTED), 1.0)
        return replace(option, weights=option.weights * factors)

    def _with_shape(self, unit: PlacementUnit, rows: int, columns: int) -> UnitOption:
        resized = resized_unit(unit, rows, columns)
        before = unit.numbers(self.window.likelihood.old, unit.at)
        assert before is not None
        old = stretched(before.reshape(unit.shape), rows, columns).ravel()
        ratios = [
            self.window.resized_ratios(resized, old, unit.at + first, last - first)
            for first, last in self._windows
        ]
        weights = np.exp(np.concatenate(ratios) + self._count(unit, columns))
        return UnitOption(resized.size - unit.size, weights, form=(rows, columns))

    def _count(self, unit: PlacementUnit, cells: int) -> Numbers:
        """What the stored count says of an axis with some cells at every shift; 0 without a count."""
        if unit.count is None:
            return np.zeros(len(self.shifts))
        distance, dtype = unit.count
        at = unit.at + distance
        is_count = self.window.counts_at(at + self.shifts, dtype) == cells
        is_count |= self.window.counts_at(np.array([at + self.gap.first]), dtype)[0] == cells
        return np.where(is_count, _SAME_COUNT, _OTHER_COUNT)

    def _run(self, options: list[list[UnitOption]]) -> list[list[Numbers]]:
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
        """What lies in front of each unit, and behind the last."""
        ends = [self.around[0], *(unit.at + unit.size for unit in self.units)]
        gaps = [
            UnitGap(unit.at - end, self._padding(unit, unit.at - end))
            for end, unit in zip(ends[:-1], self.units, strict=True)
        ]
        return [*gaps, UnitGap(self.around[1] - ends[-1])]

    def _padding(self, unit: PlacementUnit, gap: int) -> Padding | None:
        """The padding in front of a unit that is aligned as all of its kind are."""
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
        """The forms of a unit that is gone: without the padding behind it, or with it."""
        unit = self.units[number]
        behind = self.units[number + 1].at if number + 1 < len(self.units) else self.around[1]
        sizes = {unit.size, behind - unit.at} if 0 < behind - unit.at - unit.size <= _PADDING else {unit.size}
        share = np.exp(_GONE_IN_USE if self._is_in_use(unit) else _GONE) / len(sizes)
        return [UnitOption(-size, np.full(len(self.shifts), share), is_gone=True) for size in sizes]

    def _is_in_use(self, unit: PlacementUnit) -> bool:
        return unit.kind is ItemKind.AXIS and unit.name in self.in_use

    def is_better_resized(self, number: int, shift: int) -> bool:
        """Whether a unit of the images is more like the old one with other rows or columns."""
        unit = self.units[number - self.gap.start]
        resized = self._best_resized.get(number - self.gap.start, -np.inf)
        prior = _AXIS_AS_RESIZED if unit.kind is ItemKind.AXIS else _AS_RESIZED
        return resized + prior > self.window.relation(unit, unit.at + shift)

    def _resized(self, number: int, shares: Numbers) -> Iterator[UnitOption]:
        """Forms of an item with more or fewer rows or columns, near the likely shifts."""
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
            old = stretched(grid, rows, columns).ravel()
            ratios, greatest = self.window.resized_at(resized, old, unit.at + self.shifts[places])
            self._best_resized[number] = max(self._best_resized.get(number, -np.inf), greatest)
            yield UnitOption(resized.size - unit.size, np.exp(_RESIZED + ratios), places, is_likely=False)
