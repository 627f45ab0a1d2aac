"""Which of the likeliest shifts are sure enough to place an item."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from callint.comparing.relocation.likelihood import FEW_CELLS, Likelihood
from callint.comparing.relocation.result import Evidence, ItemKind
from callint.comparing.relocation.units import Unit

#: The likeliest shift of a unit, None for "gone", and its probability.
Best = tuple[int | None, float]

#: The least probability of a placement.
SURE = 0.95
#: What content must say to settle where the shift changes, and the share of this that similar content counts.
_ANCHOR, _SIMILAR_SHARE = 8.0, 0.5
#: The logarithms by which an address must be ahead of another, and from which a place is much like an item.
_AHEAD, _ALIKE = 2.0, 6.0
#: How many addresses nearby are compared.
_MOST_STEPS = 200
#: A change of the shift by no more bytes leaves other places for an item that is no anchor.
_NEARBY = 64
#: The bytes beside an item within which another shift may come from its size.
_BESIDE = 16


def settle(units: Sequence[Unit], best: Sequence[Best], likelihood: Likelihood) -> list[Evidence | None]:
    """The evidence of every unit; None for bytes that no item covers."""
    settled: list[Evidence | None] = [
        None if unit.kind is None else _evidence(unit, here, likelihood)
        for unit, here in zip(units, best, strict=True)
    ]
    for number, unit in enumerate(units):
        if unit.kind is ItemKind.AXIS and _is_placed(settled[number]):
            settled[number] = _axis(number, units, best, settled[number], likelihood)
    information = _information(units, best, likelihood)
    borders = _Borders(units, best, likelihood, information)
    for number in range(len(units)):
        if _is_placed(settled[number]) and not borders.is_clear(number):
            settled[number] = Evidence.BESIDE
    axes = {
        unit.name: evidence
        for unit, evidence in zip(units, settled, strict=True)
        if unit.kind is ItemKind.AXIS
    }
    for number, unit in enumerate(units):
        if unit.row and unit.kind is not ItemKind.AXIS and _is_placed(settled[number]):
            reasons = [axes.get(axis) for axis in unit.axes]
            if any(reason in (Evidence.COUNT, Evidence.RESIZED) for reason in reasons):
                settled[number] = Evidence.AXIS
            elif not (reasons and all(map(_is_placed, reasons))) and may_be_resized(
                number, units, best, settled[number]
            ):
                settled[number] = Evidence.RESIZED
    _drop_overlaps(units, best, settled)
    return settled


def _information(units: Sequence[Unit], best: Sequence[Best], likelihood: Likelihood) -> list[float]:
    """How much the content of every unit says at its likeliest shift, at least 0."""
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


@dataclass
class _Borders:
    """Looks at places where the shift changes, and at the items beside them."""

    units: Sequence[Unit]
    best: Sequence[Best]
    likelihood: Likelihood
    information: list[float]

    def is_clear(self, number: int) -> bool:
        """Whether no change of the shift nearby makes another address of an item possible.

        Enough content on either side, with that of the item, has its shift before the shift changes; or the
        item looks otherwise at the other shift.
        """
        shift = self.best[number][0]
        assert shift is not None
        held = 0
        for side in (range(number - 1, -1, -1), range(number + 1, len(self.units))):
            total = self.information[number]
            for steps, other in enumerate(side):
                there = self.best[other][0]
                if there != shift:
                    held += total - self.information[number] >= _ANCHOR
                    if (steps < 2 or total < _ANCHOR) and self._has_rival(number, shift, there, total):
                        return False
                    break
                total += self.information[other]
                if total >= _ANCHOR and steps > 1:
                    held += 1
                    break
            else:
                held += 1
        unit = self.units[number]
        return held > 0 or (
            self.information[number] >= _ANCHOR and self.likelihood.is_kept(unit, unit.at + shift)
        )

    def _has_rival(self, number: int, shift: int, other: int | None, total: float) -> bool:
        """Whether an item looks much alike at the other shift, or, if it was recalibrated, anywhere nearby.

        ``other`` is None if what lies beside the item is gone.
        """
        unit, likelihood = self.units[number], self.likelihood
        at, own = unit.at + shift, self.information[number]
        distinct = likelihood.information(unit)
        if likelihood.is_kept(unit, at) and own >= _ANCHOR:
            if other is None or (other - shift) % unit.size:
                return False
            return likelihood.likeness(unit, unit.at + other) > _ALIKE
        if other is None:
            return total < _ANCHOR or (unit.cells >= FEW_CELLS and own < _SIMILAR_SHARE * _AHEAD)
        change = other - shift
        if abs(change) > max(_NEARBY, 2 * unit.size):
            return False
        if unit.cells < FEW_CELLS:
            return total < _ANCHOR
        least = likelihood.ratio(unit, at, distinct) - _AHEAD
        steps = [step for step in range(min(0, change) - 4, max(0, change) + 5) if step][:_MOST_STEPS]
        return any(likelihood.ratio(unit, at + step, distinct) > least for step in [change, *steps])


def _is_placed(evidence: Evidence | None) -> bool:
    return evidence is not None and evidence.is_sure


def _evidence(unit: Unit, best: Best, likelihood: Likelihood) -> Evidence:
    shift, probability = best
    if shift is None:
        return Evidence.ABSENT
    if probability < SURE:
        return Evidence.UNSURE
    if likelihood.is_kept(unit, unit.at + shift):
        return Evidence.SAME
    is_similar = likelihood.ratio(unit, unit.at + shift, likelihood.information(unit)) > 0
    return Evidence.SIMILAR if is_similar else Evidence.NEIGHBOURS


def _axis(
    number: int,
    units: Sequence[Unit],
    best: Sequence[Best],
    evidence: Evidence | None,
    likelihood: Likelihood,
) -> Evidence | None:
    """The evidence of an axis after a look at its size."""
    unit, (shift, _) = units[number], best[number]
    assert shift is not None
    if unit.count is not None:
        return evidence if _same_count(unit, unit.at + shift, likelihood) else Evidence.COUNT
    return Evidence.RESIZED if may_be_resized(number, units, best, evidence) else evidence


def _same_count(unit: Unit, at: int, likelihood: Likelihood) -> bool:
    """Whether the stored count lies as far from the axis as in the old image, and says the same."""
    assert unit.count is not None
    distance, dtype = unit.count
    here, there = unit.at + distance, at + distance
    if min(here, there) < 0 or there + dtype.itemsize > len(likelihood.new):
        return False
    size = dtype.itemsize
    return likelihood.old[here : here + size].tobytes() == likelihood.new[there : there + size].tobytes()


def may_be_resized(
    number: int, units: Sequence[Unit], best: Sequence[Best], evidence: Evidence | None
) -> bool:
    """Whether what lies beside an item moved otherwise, as if the item had other rows or columns.

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
                evidence is not Evidence.SAME or any(change % row == 0 for row in unit.row)
            ):
                return True
    return False


def _drop_overlaps(units: Sequence[Unit], best: Sequence[Best], settled: list[Evidence | None]) -> None:
    """Leave out items that share bytes in the new image but not in the old one; the surer one stays."""
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
            weaker = min(number, last, key=lambda n: (settled[n] is Evidence.SAME, best[n][1]))
            settled[weaker] = Evidence.OVERLAP
            if weaker == number:
                continue
        last = number
