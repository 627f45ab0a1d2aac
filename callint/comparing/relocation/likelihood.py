"""Log-likelihood ratios (natural) of a unit at an offset, given the bytes there.

A ratio compares "the unit lies there, kept or recalibrated" with "something else lies there". The weights
were chosen by the tuning seeds of ``python -m benchmarks relocate``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.result import ItemKind
from callint.comparing.relocation.shared_ranges import Bytes, Integers
from callint.comparing.relocation.units import PlacementUnit
from callint.decoding.word_order import with_swapped_words

#: The prior share of units that are kept, and the least share of units with arbitrary content.
_KEPT, _WILD = 0.6, 0.03
#: The largest information of one unit: bytes that are rare in one image need not be rare in the next.
_MOST, _MOST_SIMILAR = 25.0, 22.0
#: Above this, similarity counts less: the cells of one table are not independent.
_DEPENDENT, _DEPENDENT_SHARE = 8.0, 0.35
#: The log-likelihood of one byte that differs from the byte before it, and of one that does not.
_CHANGING_BYTE, _REPEATED_BYTE = 2.0, 0.1
_IMPOSSIBLE = -12.0
#: The penalty of a number outside the limits.
_OUTSIDE_LIMITS = 4.0
#: The log-likelihood of each further number of a rising or falling sequence.
_ORDERED_CELL = 0.7
#: From this number of cells on, the order and the similarity of numbers are evidence by themselves.
FEW_CELLS = 3
#: Distances are at most the first number of spans; from the second exponent down, exp adds nothing to a sum.
_MOST_SPANS, _LEAST_EXPONENT = 1e6, -700.0


Numbers = NDArray[np.float64]


@dataclass
class Likelihood:
    """Two images as bytes from one address on, with the frequencies of numbers in the new one.

    ``has_old_alignment`` is True if the bytes of both images begin at addresses of one alignment.
    """

    old: Bytes
    new: Bytes
    fill: int = 0xFF
    has_old_alignment: bool = True

    @cached_property
    def _old_bytes(self) -> bytes:
        return self.old.tobytes()

    @cached_property
    def _new_bytes(self) -> bytes:
        return self.new.tobytes()

    @cached_property
    def byte_rarity(self) -> NDArray[np.float64]:
        counts = np.bincount(self.new, minlength=256) + 1.0
        rarity: NDArray[np.float64] = -np.log(counts / counts.sum())
        return rarity

    @cached_property
    def _pair_rarity(self) -> NDArray[np.float64]:
        pairs: NDArray[Any] = np.ndarray((max(len(self.new) - 1, 0),), "<u2", self.new, 0, (1,))
        counts = np.bincount(pairs, minlength=65536) + 1.0
        rarity: NDArray[np.float64] = -np.log(counts / counts.sum())
        return rarity

    def is_kept(self, unit: PlacementUnit, at: int) -> bool:
        """Whether the new image has the same bytes at an offset."""
        return at >= 0 and self._new_bytes.startswith(self._old_bytes[unit.at : unit.at + unit.size], at)

    def occurrences(self, unit: PlacementUnit, most: int) -> list[int]:
        """The first offsets of the same bytes in the new image; none if there are more than ``most``."""
        content = self._old_bytes[unit.at : unit.at + unit.size]
        offsets: list[int] = []
        at = self._new_bytes.find(content)
        while at >= 0:
            if len(offsets) == most:
                return []
            offsets.append(at)
            at = self._new_bytes.find(content, at + 1)
        return offsets

    def information(self, unit: PlacementUnit) -> float:
        """The information of a unit: its log-likelihood ratio where the same bytes occur at another place."""
        content = self.old[unit.at : unit.at + unit.size]
        if len(content) == 1:
            return float(self.byte_rarity[content[0]])
        if len(content) <= 4:
            pairs = [int(content[n]) | int(content[n + 1]) << 8 for n in range(0, len(content) - 1, 2)]
            return min(float(self._pair_rarity[pairs].sum()), 9.0)
        changing = int((content[1:] != content[:-1]).sum())
        return min(_CHANGING_BYTE * changing + _REPEATED_BYTE * (len(content) - changing), _MOST)

    def ratio(self, unit: PlacementUnit, at: int, information: float) -> float:
        """The logarithm of the ratio for a unit at an offset of the new image."""
        if at < 0 or at + unit.size > len(self.new):
            return _IMPOSSIBLE
        if self.is_kept(unit, at):
            return float(np.log(_KEPT)) + information
        similar = self._piece(unit, at) if unit.kind is None else self._similar(unit, at)
        if similar == _IMPOSSIBLE:
            return similar
        similar = min(similar, information)  # bytes with little information give little evidence when similar
        least = _WILD if similar > -4 else _WILD**2
        return float(np.log((1 - _KEPT) * max(np.exp(similar), least)))

    def likeness(self, unit: PlacementUnit, at: int) -> float:
        """As ``ratio``, for a recalibrated unit; 0 if there is no evidence, as for one cell."""
        if unit.cells < FEW_CELLS or at < 0 or at + unit.size > len(self.new):
            return 0.0
        return self._similar(unit, at)

    def numbers_at(self, unit: PlacementUnit, offsets: Integers) -> Numbers | None:
        """The numbers of a unit at offsets of the new image, shape (offsets, cells); None if it has none.

        Infinite numbers and those that are not numbers count as 0.
        """
        if unit.dtype is None:
            return None
        starts = offsets[:, None] + np.arange(unit.cells) * unit.stride
        raw = self.new[starts[:, :, None] + np.arange(unit.dtype.itemsize)].view(unit.dtype)[..., 0]
        if unit.has_swapped_words:
            raw = with_swapped_words(raw)
        with np.errstate(invalid="ignore"):  # bytes that are not floats
            numbers = raw.astype(np.float64)
        finite: Numbers = np.clip(np.nan_to_num(numbers, posinf=0.0, neginf=0.0), -1e30, 1e30)
        return finite

    def likeness_at(self, unit: PlacementUnit, before: Numbers, after: Numbers) -> Numbers:
        """The evidence from the similarity, order and limits of numbers, for each row of ``after``."""
        ratios = _likeness(before, after)
        if unit.kind is ItemKind.AXIS and (order := _order(before)):
            ratios[~(np.diff(order * after, axis=1) > 0).all(axis=1)] = _IMPOSSIBLE * len(before)
        if unit.limits is not None:
            low, high = unit.limits
            if ((before >= low) & (before <= high)).all():
                ratios[((after < low) | (after > high)).any(axis=1)] -= _OUTSIDE_LIMITS
        return ratios

    def _equal_bytes(self, unit: PlacementUnit, at: int) -> NDArray[np.bool_]:
        equal: NDArray[np.bool_] = self.old[unit.at : unit.at + unit.size] == self.new[at : at + unit.size]
        return equal

    def _piece(self, unit: PlacementUnit, at: int) -> float:
        """Bytes that no item covers: equal bytes against different ones."""
        equal = self._equal_bytes(unit, at)
        kept = float(self.byte_rarity[self.old[unit.at : unit.at + unit.size][equal]].sum())
        return _compressed(0.5 * kept - 1.5 * float((~equal).sum()))

    def _similar(self, unit: PlacementUnit, at: int) -> float:
        if unit.kind in (ItemKind.TEXT, ItemKind.IDENTITY):
            return self._similar_text(unit, at)
        before, after = unit.numbers(self.old, unit.at), unit.numbers(self.new, at)
        if before is None or after is None:  # a checksum: it differs wherever anything does
            return 0.0
        if not np.isfinite(after).all():
            return _IMPOSSIBLE
        similar = float(_likeness(before, after))
        if len(before) < FEW_CELLS and (self.new[at : at + unit.size] == self.fill).all():
            similar -= 6.0  # probably the padding before the next item
        if unit.limits is not None:
            low, high = unit.limits
            fits = (after >= low) & (after <= high)
            if not fits.all() and ((before >= low) & (before <= high)).all():
                similar -= _OUTSIDE_LIMITS
        if unit.kind is ItemKind.AXIS:
            if _order(after) != _order(before):
                return _IMPOSSIBLE
            similar += min(_ORDERED_CELL * len(after), 5.0)
        elif len(before) >= FEW_CELLS and (order := _order(before)):
            similar += min(_ORDERED_CELL * len(after), 5.0) if _order(after) == order else -3.0
        return _compressed(similar)

    def _similar_text(self, unit: PlacementUnit, at: int) -> float:
        before = self.old[unit.at : unit.at + unit.size]
        after = self.new[at : at + unit.size]
        if ((after < 32) & (after > 0) & (after != 10)).any() and not ((before < 32) & (before > 0)).any():
            return _IMPOSSIBLE
        equal = self._equal_bytes(unit, at)
        return _compressed(2.0 * float(equal.sum()) - 0.5 * float((~equal).sum()))


def _compressed(similar: float) -> float:
    return min(similar, _DEPENDENT + _DEPENDENT_SHARE * max(similar - _DEPENDENT, 0.0), _MOST_SIMILAR)


def _order(numbers: NDArray[np.float64]) -> int:
    """1 if the numbers always rise, -1 if they always fall, else 0."""
    steps = np.diff(numbers)
    return int((steps > 0).all()) - int((steps < 0).all()) if len(steps) else 0


def _likeness(before: Numbers, after: Numbers) -> Numbers:
    """The evidence from the distances of cells, in spans of the old cells, for each row of ``after``."""
    least, greatest = float(before.min()), float(before.max())
    span = max(greatest - least, 0.1 * max(abs(least), abs(greatest)), 2.0 if len(before) > 1 else 4.0)
    # In place: ``after`` may hold millions of numbers, and memory for each step costs as much as the step.
    with np.errstate(over="ignore"):
        distance = after - before
        np.abs(distance, out=distance)
        distance /= span
    np.minimum(distance, _MOST_SPANS, out=distance)
    # 10 exp(-distance / 0.05) + 1.3 exp(-distance / 0.3) + 0.05 / (1 + distance)², over 0.5 / (1 + distance)²
    here, far = distance / -0.05, distance / -0.3
    for exponent, height in ((here, 10), (far, 1.3)):
        # Below -708 exp is slow, and its results below this limit are too small to change the sum.
        np.maximum(exponent, _LEAST_EXPONENT, out=exponent)
        np.exp(exponent, out=exponent)
        np.multiply(exponent, height, out=exponent)
    here += far
    distance += 1
    square = np.square(distance, out=distance)
    here += np.divide(0.05, square, out=far)
    here /= 0.5
    here *= square
    ratios = np.log(here, out=here)
    independent = min(len(before), 2 + np.sqrt(len(before)))
    result: Numbers = ratios.mean(axis=-1) * independent
    return result
