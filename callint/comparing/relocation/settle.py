"""Selects the most likely shifts that are sure enough to place an item."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from callint.comparing.relocation.likelihood import FEW_CELLS, Likelihood
from callint.comparing.relocation.result import ItemKind, RelocationEvidence
from callint.comparing.relocation.units import PlacementUnit

#: The most likely shift of a unit (None for "gone") and its probability.
Best = tuple[int | None, float]

#: The least probability of a placement.
SURE = 0.9
#: The least information of content that decides where the shift changes, and the share for similar content.
ANCHOR, _SIMILAR_SHARE = 4.0, 0.5
#: The least lead of an address over another, and the least ratio of a place that resembles an item, as
#: logarithms.
_AHEAD, _ALIKE = 0.5, 9.0
#: The log-likelihood of a text that is very similar to the old one.
_LIKE_TEXT = 2.0
#: Kinds of items that may be resized, so that the bytes after them may have another shift.
_OTHER_SIZE = (RelocationEvidence.AXIS, RelocationEvidence.RESIZED, RelocationEvidence.COUNT)
#: The least information of the kept content on each side of a recalibrated item.
_ENCLOSING = 3.0
#: The number of addresses nearby that are compared.
_MOST_STEPS = 200
#: If the shift changes by at most this many bytes, an item that is not an anchor may lie at other places.
_NEARBY = 64
#: The distance in bytes beside an item within which another shift may come from a change of its size.
_BESIDE = 16


def settle(
    units: Sequence[PlacementUnit], best: Sequence[Best], likelihood: Likelihood
) -> list[RelocationEvidence | None]:
    """The evidence of every unit; None for bytes that no item covers."""
    settled: list[RelocationEvidence | None] = [
        None if unit.kind is None else _evidence(unit, here, likelihood)
        for unit, here in zip(units, best, strict=True)
    ]
    for number, unit in enumerate(units):
        if unit.kind is ItemKind.AXIS and _is_placed(settled[number]):
            settled[number] = _axis(number, units, best, settled[number], likelihood)
    information = _information(units, best, likelihood)
    _confirm_axes(units, best, settled, information)
    axes = {
        unit.name: evidence
        for unit, evidence in zip(units, settled, strict=True)
        if unit.kind is ItemKind.AXIS
    }
    for number, unit in enumerate(units):
        if unit.row and unit.kind is not ItemKind.AXIS and _is_placed(settled[number]):
            settled[number] = _table(number, units, best, settled[number], [axes.get(a) for a in unit.axes])
    borders = _Borders(units, best, likelihood, information, settled)
    unclear = [n for n in range(len(units)) if _is_placed(settled[n]) and not borders.is_clear(n)]
    for number in unclear:
        settled[number] = RelocationEvidence.BESIDE
    drop_overlaps(units, best, settled)
    return settled


def _information(units: Sequence[PlacementUnit], best: Sequence[Best], likelihood: Likelihood) -> list[float]:
    """The information of the content of every unit at its most likely shift, at least 0."""
    result = []
    for unit, (shift, _) in zip(units, best, strict=True):
        own = likelihood.information(unit)
        if shift is None:
            result.append(0.0)
        elif likelihood.is_kept(unit, unit.at + shift):
            result.append(own)
        else:
            result.append(max(0.0, _SIMILAR_SHARE * likelihood.ratio(unit, unit.at + shift, own)))
    return result


def _confirm_axes(
    units: Sequence[PlacementUnit],
    best: Sequence[Best],
    settled: list[RelocationEvidence | None],
    information: Sequence[float],
) -> None:
    """Place axes of doubtful size if one of their tables is kept and the bytes beside it did not move.

    If an axis is resized, so is every table on it.
    """
    confirmed = {
        axis
        for number, unit in enumerate(units)
        if settled[number] is RelocationEvidence.SAME
        and unit.axes
        and information[number] >= ANCHOR
        and not may_be_resized(number, units, best, RelocationEvidence.SIMILAR)
        for axis in unit.axes
    }
    for number, unit in enumerate(units):
        if (
            unit.kind is ItemKind.AXIS
            and unit.name in confirmed
            and settled[number] is RelocationEvidence.RESIZED
        ):
            settled[number] = RelocationEvidence.SIMILAR


def _table(
    number: int,
    units: Sequence[PlacementUnit],
    best: Sequence[Best],
    evidence: RelocationEvidence | None,
    axes: Sequence[RelocationEvidence | None],
) -> RelocationEvidence | None:
    """The evidence of a curve or map after a check of its size, which follows from its axes."""
    if any(axis in (RelocationEvidence.COUNT, RelocationEvidence.RESIZED) for axis in axes):
        return RelocationEvidence.AXIS
    if axes and all(map(_is_placed, axes)):
        return evidence
    return RelocationEvidence.RESIZED if may_be_resized(number, units, best, evidence) else evidence


@dataclass
class _Borders:
    """Checks the places where the shift changes, and the items beside them."""

    units: Sequence[PlacementUnit]
    best: Sequence[Best]
    likelihood: Likelihood
    information: list[float]
    settled: Sequence[RelocationEvidence | None]

    def is_clear(self, number: int) -> bool:
        """Whether no nearby change of the shift makes another address of an item possible.

        Either enough content around and in the item has its shift before the shift changes, or the bytes at
        the other shift do not resemble the item.
        """
        shift = self.best[number][0]
        assert shift is not None
        unit = self.units[number]
        if unit.cells >= FEW_CELLS and not self.likelihood.is_kept(unit, unit.at + shift):
            return self._is_enclosed(number, shift)
        held = 0
        for side in (range(number - 1, -1, -1), range(number + 1, len(self.units))):
            total = self.information[number]
            for steps, other in enumerate(side):
                there = self.best[other][0]
                if self.settled[other] in _OTHER_SIZE:
                    if not self._is_kept(number, shift):
                        return False
                    break
                if there != shift:
                    held += total - self.information[number] >= ANCHOR
                    if (steps < 2 or total < ANCHOR) and self._has_rival(number, shift, there, total):
                        return False
                    break
                total += self.information[other]
                if total >= ANCHOR and steps > 1:
                    held += 1
                    break
            else:
                held += 1
        return held > 0 or self._is_kept(number, shift)

    def _is_enclosed(self, number: int, shift: int) -> bool:
        """Whether kept content on both sides of a recalibrated item has its shift, and no nearer one another.

        A recalibrated table may have other axes and so another size, or lie a few cells further on: its
        content alone does not show it.
        """
        for side in (range(number - 1, -1, -1), range(number + 1, len(self.units))):
            total = 0.0
            for other in side:
                unit, (there, probability) = self.units[other], self.best[other]
                is_left = unit.kind is not None and not _is_placed(self.settled[other])
                if there != shift or (is_left and unit.row):
                    return False
                if probability >= SURE and self.likelihood.is_kept(unit, unit.at + shift):
                    total += self.information[other]
                if total >= _ENCLOSING:
                    break
        return True

    def _is_kept(self, number: int, shift: int) -> bool:
        """Whether an item has the same distinct content at a shift."""
        unit = self.units[number]
        return self.information[number] >= ANCHOR and self.likelihood.is_kept(unit, unit.at + shift)

    def _has_rival(self, number: int, shift: int, other: int | None, total: float) -> bool:
        """Whether an item looks similar at the other shift, or, if it was recalibrated, anywhere nearby.

        ``other`` is None if the unit beside the item is gone.
        """
        unit, likelihood = self.units[number], self.likelihood
        at, own = unit.at + shift, self.information[number]
        distinct = likelihood.information(unit)
        if unit.kind in (ItemKind.TEXT, ItemKind.IDENTITY) and own >= _LIKE_TEXT:
            return False
        if self._is_kept(number, shift):
            if other is None or (other - shift) % unit.size:
                return False
            return likelihood.likeness(unit, unit.at + other) > _ALIKE
        if other is None:
            return total < ANCHOR or (unit.cells >= FEW_CELLS and own < _SIMILAR_SHARE * _AHEAD)
        change = other - shift
        if abs(change) > max(_NEARBY, 2 * unit.size):
            return False
        if unit.cells < FEW_CELLS:
            return total < ANCHOR
        least = likelihood.ratio(unit, at, distinct) - _AHEAD
        steps = [step for step in range(min(0, change) - 4, max(0, change) + 5) if step][:_MOST_STEPS]
        return any(likelihood.ratio(unit, at + step, distinct) > least for step in [change, *steps])


def _is_placed(evidence: RelocationEvidence | None) -> bool:
    return evidence is not None and evidence.is_sure


def _evidence(unit: PlacementUnit, best: Best, likelihood: Likelihood) -> RelocationEvidence:
    shift, probability = best
    if shift is None:
        return RelocationEvidence.ABSENT
    if probability < SURE:
        return RelocationEvidence.UNSURE
    if likelihood.is_kept(unit, unit.at + shift):
        return RelocationEvidence.SAME
    is_similar = likelihood.ratio(unit, unit.at + shift, likelihood.information(unit)) > 0
    if unit.cells >= FEW_CELLS and not is_similar:
        return RelocationEvidence.OTHER
    return RelocationEvidence.SIMILAR if is_similar else RelocationEvidence.NEIGHBOURS


def _axis(
    number: int,
    units: Sequence[PlacementUnit],
    best: Sequence[Best],
    evidence: RelocationEvidence | None,
    likelihood: Likelihood,
) -> RelocationEvidence | None:
    """The evidence of an axis after a check of its size."""
    unit, (shift, _) = units[number], best[number]
    assert shift is not None
    if unit.count is not None:
        return evidence if _same_count(unit, unit.at + shift, likelihood) else RelocationEvidence.COUNT
    return RelocationEvidence.RESIZED if may_be_resized(number, units, best, evidence) else evidence


def _same_count(unit: PlacementUnit, at: int, likelihood: Likelihood) -> bool:
    """Whether the stored count has the same distance from the axis and the same value as before."""
    assert unit.count is not None
    distance, dtype = unit.count
    here, there = unit.at + distance, at + distance
    if min(here, there) < 0 or there + dtype.itemsize > len(likelihood.new):
        return False
    size = dtype.itemsize
    return likelihood.old[here : here + size].tobytes() == likelihood.new[there : there + size].tobytes()


def may_be_resized(
    number: int, units: Sequence[PlacementUnit], best: Sequence[Best], evidence: RelocationEvidence | None
) -> bool:
    """Whether the bytes beside an item moved differently, as if the item had other rows or columns.

    If its content is the same, only a change by whole rows or columns counts.
    """
    unit, (shift, _) = units[number], best[number]
    if shift is None:
        return False
    for side in (range(number - 1, max(number - 3, -1), -1), range(number + 1, min(number + 3, len(units)))):
        for other in side:
            neighbour, (there, _) = units[other], best[other]
            distance = max(neighbour.at - unit.at - unit.size, unit.at - neighbour.at - neighbour.size)
            if there is None or distance > _BESIDE:
                continue
            change = there - shift
            if not change:
                break
            if abs(change) <= 2 * unit.size and (
                evidence is not RelocationEvidence.SAME or any(change % row == 0 for row in unit.row)
            ):
                return True
    return False


def drop_overlaps(
    units: Sequence[PlacementUnit], best: Sequence[Best], settled: list[RelocationEvidence | None]
) -> None:
    """Leave out items that overlap in the new image but not in the old one; the most probable one stays."""
    placed = [
        (unit.at + shift, number)
        for number, (unit, (shift, _)) in enumerate(zip(units, best, strict=True))
        if shift is not None and _is_placed(settled[number])
    ]
    placed.sort()
    last = -1
    for at, number in placed:
        shift = best[last][0] if last >= 0 else None
        if shift is not None and shift != best[number][0] and units[last].at + shift + units[last].size > at:
            weaker = min(number, last, key=lambda n: (settled[n] is RelocationEvidence.SAME, best[n][1]))
            settled[weaker] = RelocationEvidence.OVERLAP
            if weaker == number:
                continue
        last = number
