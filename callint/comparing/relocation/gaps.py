"""Places items between two anchors, in a second pass after the assignment.

Anchors are long unchanged ranges of bytes. Between two of them, ``alignment`` weighs every shift for all
units at once, including the chance that a unit is gone or has another size.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from callint.comparing.relocation.alignment import UnitOption
from callint.comparing.relocation.gap_aligner import GRIDS, SURE_IN_GAP, Gap, GapAligner, Numbers
from callint.comparing.relocation.likelihood import FEW_CELLS, Likelihood
from callint.comparing.relocation.occupied import OccupiedBytes
from callint.comparing.relocation.result import ItemKind, RelocationEvidence
from callint.comparing.relocation.settle import SURE, Best, drop_overlaps, may_be_resized
from callint.comparing.relocation.units import PlacementUnit, alignments, new_shape, resized_unit
from callint.comparing.relocation.window_likelihood import WindowLikelihood

#: The least information of the kept content at each end of a run before the rest of the run is an anchor.
_HELD = 12.0
#: The largest number of units in a gap.
_MOST_UNITS = 400
#: The least probability of a placement: of curves and maps, of similar ones in their old size, of axes, and
#: of other items.
_LEAST, _LEAST_ALIKE, _LEAST_AXIS, _LEAST_SMALL = 0.97, 0.9, 0.9, 0.95
#: The least ratio at which other bytes may be a kept item, and the most bytes beyond its size there.
_ALIKE, _FEW_MORE = 4.0, 16
#: The least probability of an item between two others that surely have its shift, and the largest distance to
#: them in units.
_LEAST_ENCLOSED, _UNSURE = 0.6, 4
#: The logarithm of the prior probability that padding beside an item makes up for its other size.
_RESIZED_IN_PADDING = -6.0
#: Below this ratio, many numbers fit no better than others.
_WILD = -4.0
#: The evidence from the first pass for items beside which the shift changes.
_BESIDE_CHANGES = (RelocationEvidence.BESIDE, RelocationEvidence.AXIS, RelocationEvidence.RESIZED)

Evidence = list[RelocationEvidence | None]


def place_in_gaps(
    units: Sequence[PlacementUnit],
    best: list[Best],
    settled: Evidence,
    likelihood: Likelihood,
    pointed: Mapping[int, int],
) -> dict[str, int]:
    """Enter shifts and evidence of the items between anchors into ``best`` and ``settled``.

    ``pointed`` are the new offsets that pointers give, by the number of the unit. Returns the new numbers of
    points of resized axes, by name.
    """
    shifts = {number: at - units[number].at for number, at in pointed.items()}
    gaps = _Gaps(units, best, settled, WindowLikelihood(likelihood), shifts)
    gaps.settle_all()
    drop_overlaps([gaps.with_new_size(unit) for unit in units], best, settled)
    return gaps.counts


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

    def find(self) -> Iterator[Gap]:
        """The gaps that contain any difference."""
        last, shift = -1, 0
        anchors = self._anchors()
        # A kept table has axes of the old size, and so has an axis between other kept bytes.
        self._anchored = set(anchors)
        self._in_use = set(self._axes_of_kept_tables())
        self._fixed = self._in_use | {axis for number in anchors for axis in self.units[number].along if axis}
        # The images begin at one place; nothing tells where the bytes after the last anchor end.
        for number in [*anchors, len(self.units)]:
            is_last = number == len(self.units)
            there = shift if is_last else self._shift(number)
            gap = Gap(last + 1, number, shift, there, is_last)
            if self._is_kept(gap):
                self._anchored.update(range(gap.start, gap.stop))
            elif 0 < number - last - 1 <= _MOST_UNITS:
                yield gap
            last, shift = number, there

    def _axes_of_kept_tables(self) -> Iterator[str]:
        """The axes of curves and maps whose kept, distinct content moved together with the bytes beside it.

        If rows are added to a table, its old content may be kept, and the next bytes move. A table of equal
        rows does not tell their number.
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

    def _is_kept(self, gap: Gap) -> bool:
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
            anchors += self._enclosed_units(run)
            run = [number] if kept else []
        return anchors

    def _enclosed_units(self, run: list[int]) -> list[int]:
        """The units of a run that have enough kept content before and after them."""
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
        """Place items that the first pass left out between kept content, unless an axis has another size."""
        numbers = {unit.name: n for n, unit in enumerate(self.units) if unit.kind is ItemKind.AXIS}
        for number in sorted(self._anchored):
            axes = [axis for axis in self.units[number].along if axis in numbers]
            is_resized = any(axis in self.counts or not self._is_placed(numbers[axis]) for axis in axes)
            if self.settled[number] in _BESIDE_CHANGES and not is_resized:
                self.settled[number] = RelocationEvidence.SAME

    def _doubt_axes(self) -> None:
        """Leave out axes of the old size if none of their tables is placed and one of these looks resized."""
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

    def settle(self, gap: Gap) -> None:
        """Place the items of a gap that reach the least probability at one shift; leave out the others."""
        before = self.units[gap.start - 1] if gap.start else None
        behind = self.units[gap.stop].at if gap.stop < len(self.units) else len(self.window.likelihood.old)
        numbers = range(gap.start, gap.stop)
        likely = {
            shift
            for shift, probability in (self.best[n] for n in numbers)
            if shift is not None and probability > 0.5
        }
        aligner = GapAligner(
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
            occupied=self._occupied_outside(gap),
            counts=self.counts,
        )
        for number, options in zip(numbers, aligner.align(), strict=True):
            if self.units[number].kind not in (None, ItemKind.CHECKSUM):
                self._record(number, aligner, options)

    def _occupied_outside(self, gap: Gap) -> tuple[OccupiedBytes, OccupiedBytes]:
        """The bytes of both images that kept content outside a gap covers."""
        outside = [
            (unit.at, unit.size, shift)
            for number, unit, shift in self._certain_units
            if not gap.start <= number < gap.stop
        ]
        old = OccupiedBytes.of((at, at + size) for at, size, _ in outside)
        return old, OccupiedBytes.of((at + shift, at + shift + size) for at, size, shift in outside)

    @cached_property
    def _certain_units(self) -> list[tuple[int, PlacementUnit, int]]:
        """The units that the first pass or their kept content places, with their numbers and shifts.

        It must be read first when all gaps are known, before any is settled.
        """
        return [
            (number, unit, self._shift(number))
            for number, unit in enumerate(self.units)
            if (self._kept[number] and (number in self._anchored or self.window.information(unit) >= _HELD))
            or (unit.cells >= FEW_CELLS and self._is_placed(number))
        ]

    def _placed_elsewhere(self, gap: Gap) -> set[str]:
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

    def _record(self, number: int, aligner: GapAligner, options: list[tuple[UnitOption, Numbers]]) -> None:
        unit, likelihood = self.units[number], self.window.likelihood
        option, shares = max(options, key=lambda entry: float(entry[1].max()))
        place = int(shares.argmax())
        shift, probability = int(aligner.shifts[place]), float(shares[place])
        if option.is_gone:
            self.best[number] = None, float(shares.sum())
            self.settled[number] = RelocationEvidence.ABSENT
            return
        self.best[number] = shift, probability
        is_pointed = self.pointed.get(number) == shift
        at = unit.at + shift
        if not option.is_likely or any(axis in aligner.doubtful for axis in unit.along):
            self.settled[number] = RelocationEvidence.RESIZED
        elif probability < self._threshold(number, aligner, option) and not (
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
        elif self._looks_resized(number, aligner):
            self.settled[number] = RelocationEvidence.RESIZED
        elif is_pointed:
            self.settled[number] = RelocationEvidence.POINTED
        elif self._accepts_any_numbers(unit, at) and not (
            self.window.is_scaled(unit, at) and self._is_enclosed(number, aligner)
        ):
            self.settled[number] = RelocationEvidence.OTHER
        elif likelihood.likeness(unit, at) > 0:
            self.settled[number] = RelocationEvidence.SIMILAR
        else:
            self.settled[number] = RelocationEvidence.NEIGHBOURS

    def _threshold(self, number: int, aligner: GapAligner, option: UnitOption) -> float:
        """The least probability of a placement of a unit in one of its sizes."""
        unit, shift = self.units[number], self._shift(number)
        if unit.kind is ItemKind.AXIS:
            return _LEAST_AXIS
        if unit.cells < FEW_CELLS:
            return _LEAST_SMALL
        is_alike = not option.growth and self.window.relation(unit, unit.at + shift) > _ALIKE
        return _LEAST_ALIKE if is_alike and aligner.is_as_good(number, shift) else _LEAST

    def _looks_resized(self, number: int, aligner: GapAligner) -> bool:
        """Whether the content of an axis, curve or map indicates another size.

        Between two neighbours that did not move relative to each other, another size also needs padding that
        changes by as many bytes.
        """
        if self.units[number].kind not in GRIDS:
            return False
        prior = _RESIZED_IN_PADDING if self._is_enclosed(number, aligner) else 0.0
        return aligner.is_better_resized(number, self._shift(number), prior)

    def _is_enclosed(self, number: int, aligner: GapAligner) -> bool:
        """Whether the sure units on both sides of a unit have its shift: no byte between them is new."""
        place = int(np.flatnonzero(aligner.shifts == self._shift(number))[0])
        sides = range(number - 1, -1, -1)[:_UNSURE], range(number + 1, len(self.units))[:_UNSURE]
        for side in sides:
            sure = next((other for other in side if aligner.is_sure(other)), None)
            if sure is None or aligner.share(sure, place) < SURE_IN_GAP:
                return False
        return True

    def _accepts_any_numbers(self, unit: PlacementUnit, at: int) -> bool:
        """Whether the numbers of an axis, curve or map there fit no better than others."""
        return unit.kind in GRIDS and self.window.ratios(unit, at, 1)[0] < _WILD

    def _has_rival(self, number: int, shift: int) -> bool:
        """Whether a kept item has bytes of its size beside it that may be the item, recalibrated.

        New memory may hold a copy of the old content beside the item itself.
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
