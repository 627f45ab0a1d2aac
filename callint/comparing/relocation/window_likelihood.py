"""Likelihood ratios of a unit at every offset of a window: natural logarithms, as in ``likelihood``.

They are flatter than those of ``likelihood``: items have copies and similar items nearby, so beyond some
evidence equal content is hardly better than recalibrated content.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.comparing.relocation.likelihood import FEW_CELLS, Likelihood
from callint.comparing.relocation.result import ItemKind
from callint.comparing.relocation.shared_ranges import Integers
from callint.comparing.relocation.units import PlacementUnit

Numbers = NDArray[np.float64]

#: The logarithms of the prior shares of kept and of recalibrated units, and of the least likelihood of
#: different bytes: in items, and between them.
_KEPT, _RECALIBRATED = np.log([0.6, 0.4]).tolist()
_WILD_ITEM, _WILD_PIECE = np.log([0.03, 0.1]).tolist()
#: Above this, likelihoods count less.
_SATURATED, _SATURATED_SIMILAR, _SATURATED_SHARE = 12.0, 8.0, 0.1
#: The penalty, against an exact copy, if a few cells differ from the old ones and most do not.
_FEW_DIFFER = 4.5
#: The weights of a linear relation between old and new numbers, and of their similarity.
_LINEAR, _LIKE = 0.3, 0.6
#: The factors by which a table is recalibrated; beyond them its conversion may have changed. The largest
#: deviation of numbers from the old ones times the factor, as a share.
_SLOPES = 0.55, 1.6
_SCALED = 0.1
_IMPOSSIBLE = -12.0
#: The penalty of a number in padding.
_PADDING = 6.0


@dataclass
class WindowLikelihood:
    """The likelihood ratios of units of the old image in windows of the new one."""

    likelihood: Likelihood
    _information: dict[tuple[int, int], float] = field(default_factory=dict)

    def information(self, unit: PlacementUnit) -> float:
        """As ``Likelihood.information``, computed once."""
        key = unit.at, unit.size
        if key not in self._information:
            self._information[key] = self.likelihood.information(unit)
        return self._information[key]

    def ratios(self, unit: PlacementUnit, first: int, count: int) -> Numbers:
        """The ratios for ``count`` offsets from ``first`` on, shape (count,)."""
        new = self.likelihood.new
        result = np.full(count, _IMPOSSIBLE)
        low, high = max(first, 0), min(first + count, len(new) - unit.size + 1)
        if low >= high:
            return result
        own = self.information(unit)
        window: NDArray[np.uint8] = np.ndarray((high - low, unit.size), np.uint8, new, low, (1, 1))
        equal = window == self.likelihood.old[unit.at : unit.at + unit.size]
        is_kept = equal.all(axis=1)
        if unit.kind is None or unit.kind in (ItemKind.TEXT, ItemKind.IDENTITY, ItemKind.CHECKSUM):
            similar = self._of_bytes(unit, window, equal)
        else:
            similar = self._of_numbers(unit, low, high - low, own)
        result[low - first : high - first] = np.where(is_kept, _KEPT + saturated(own), similar)
        return result

    def resized_ratios(self, unit: PlacementUnit, old: Numbers, first: int, count: int) -> Numbers:
        """The ratios for ``count`` offsets from ``first`` on, for a unit with another size.

        ``old`` are the old numbers, interpolated to that size, shape (cells,).
        """
        result = np.full(count, _IMPOSSIBLE)
        low, high = max(first, 0), min(first + count, len(self.likelihood.new) - unit.size + 1)
        if low < high:
            weights = self._relation(unit, old, self._numbers(unit, low, high - low))
            result[low - first : high - first] = _RECALIBRATED + _saturated_nearby(weights, unit.size)
        return result

    def resized_at(self, unit: PlacementUnit, old: Numbers, offsets: Integers) -> tuple[Numbers, float]:
        """As ``resized_ratios`` for single offsets, with the greatest ratio before flattening."""
        result, greatest = np.full(len(offsets), _IMPOSSIBLE), -np.inf
        inside = np.flatnonzero((offsets >= 0) & (offsets + unit.size <= len(self.likelihood.new)))
        after = self.likelihood.numbers_at(unit, offsets[inside])
        if len(inside) and after is not None:
            weights = self._relation(unit, old, after)
            greatest = float(weights.max())
            result[inside] = _RECALIBRATED + _saturated_nearby(weights, unit.size)
        return result, greatest

    def relation(self, unit: PlacementUnit, at: int) -> float:
        """The ratio at one offset, not flattened, of a unit with numbers."""
        before = unit.numbers(self.likelihood.old, unit.at)
        return -np.inf if before is None else self.resized_at(unit, before, np.array([at]))[1]

    def is_scaled(self, unit: PlacementUnit, at: int) -> bool:
        """Whether the numbers at an offset are the old ones times one factor, within a tenth or 1."""
        before = unit.numbers(self.likelihood.old, unit.at)
        after = unit.numbers(self.likelihood.new, at)
        if before is None or after is None or not before.any() or not np.isfinite(after).all():
            return False
        with np.errstate(over="ignore", invalid="ignore"):  # floats near the greatest
            factor = float((after * before).sum() / (before * before).sum())
            is_near = np.abs(after - factor * before) <= np.maximum(_SCALED * np.abs(after), 1.0)
        return _SLOPES[0] < factor < _SLOPES[1] and bool(is_near.all())

    def counts_at(self, offsets: Integers, dtype: np.dtype[Any]) -> Integers:
        """The whole numbers at offsets of the new image; offsets outside give those at its ends."""
        new, size = self.likelihood.new, dtype.itemsize
        if len(new) < size:
            return np.full(len(offsets), -1)
        inside = np.clip(offsets, 0, len(new) - size)
        counts: Integers = new[inside[:, None] + np.arange(size)].view(dtype)[:, 0].astype(np.int64)
        return counts

    def _of_bytes(self, unit: PlacementUnit, window: NDArray[np.uint8], equal: NDArray[np.bool_]) -> Numbers:
        """The ratios of texts and of bytes that no item covers: equal bytes against different ones."""
        if unit.kind is ItemKind.CHECKSUM:
            return np.full(len(window), _RECALIBRATED)
        count = equal.sum(axis=1)
        if unit.kind is None:
            rarity = self.likelihood.byte_rarity[self.likelihood.old[unit.at : unit.at + unit.size]]
            similar = 0.5 * (equal @ rarity) - 1.5 * (unit.size - count)
            return _recalibrated(saturated(similar), _WILD_PIECE)
        similar = 2.0 * count - 0.5 * (unit.size - count)
        is_text = ~((window < 32) & (window > 0) & (window != 10)).any(axis=1)
        return np.where(is_text, _recalibrated(saturated(similar), _WILD_ITEM), _IMPOSSIBLE)

    def _numbers(self, unit: PlacementUnit, first: int, count: int) -> Numbers:
        """The numbers of a unit at offsets, shape (count, cells); numbers that are not finite count as 0."""
        assert unit.dtype is not None
        raw: NDArray[Any] = np.ndarray(
            (count, unit.cells), unit.dtype, self.likelihood.new, first, (1, unit.stride)
        )
        with np.errstate(invalid="ignore"):  # bytes that are not floats
            numbers = raw.astype(np.float64)
        if unit.dtype.kind == "f":
            numbers = np.clip(np.nan_to_num(numbers, posinf=0.0, neginf=0.0), -1e30, 1e30)
        return numbers

    def _of_numbers(self, unit: PlacementUnit, first: int, count: int, own: float) -> Numbers:
        before = unit.numbers(self.likelihood.old, unit.at)
        assert before is not None
        after = self._numbers(unit, first, count)
        if unit.cells < FEW_CELLS:
            similar = self.likelihood.likeness_at(unit, before, after)
            windows = np.ndarray((count, unit.size), np.uint8, self.likelihood.new, first, (1, 1))
            similar[(windows == self.likelihood.fill).all(axis=1)] -= _PADDING
            return _recalibrated(np.minimum(similar, own), _WILD_ITEM)
        weights = self._relation(unit, before, after)
        is_kept = (after == before).all(axis=1)
        weights[is_kept] = np.maximum(weights[is_kept], own)
        similar = _saturated_nearby(weights, unit.size)
        few = (after == before).mean(axis=1) > 0.5
        similar[few] = np.minimum(similar[few], saturated(own) - _FEW_DIFFER)
        least = _WILD_ITEM if unit.kind is not ItemKind.AXIS else _IMPOSSIBLE
        return _recalibrated(np.minimum(similar, saturated(own)), least)

    def _relation(self, unit: PlacementUnit, before: Numbers, after: Numbers) -> Numbers:
        is_float = unit.dtype is not None and unit.dtype.kind == "f"
        linear = _linear_relation(before, after, 0.0 if is_float else 1 / 12)
        return _LINEAR * linear + _LIKE * self.likelihood.likeness_at(unit, before, after)


def _recalibrated(similar: Numbers, least: float) -> Numbers:
    """The ratios of a recalibrated unit, or of one whose new content is at least as likely as ``least``."""
    ratios: Numbers = _RECALIBRATED + np.maximum(similar, least)
    return ratios


def saturated(weights: Numbers | float, most: float = _SATURATED) -> Numbers:
    """Weights that count less from ``most`` on."""
    flat: Numbers = np.where(weights < most, weights, most + _SATURATED_SHARE * (weights - most))
    return flat


def _saturated_nearby(weights: Numbers, size: int) -> Numbers:
    """Saturated weights; places that overlap keep their differences, because the item lies at one of them."""
    greatest = _greatest_within(weights, max(size - 1, 0))
    return saturated(greatest, _SATURATED_SIMILAR) - (greatest - weights)


def _greatest_within(weights: Numbers, reach: int) -> Numbers:
    """The greatest weight at most ``reach`` places away, by van Herk's running maximum (from memory)."""
    width = min(2 * reach + 1, 2 * len(weights) + 1)
    side = width // 2
    blocks = -(-(len(weights) + 2 * side) // width)
    padded = np.full(blocks * width, -np.inf)
    padded[side : side + len(weights)] = weights
    grid = padded.reshape(blocks, width)
    forward = np.maximum.accumulate(grid, axis=1).ravel()
    backward = np.maximum.accumulate(grid[:, ::-1], axis=1)[:, ::-1].ravel()
    return np.maximum(backward[: len(weights)], forward[width - 1 : width - 1 + len(weights)])


def interpolated_grid(grid: Numbers, rows: int, columns: int) -> Numbers:
    """A grid interpolated linearly to other numbers of rows and columns."""
    for axis, length in enumerate((rows, columns)):
        if grid.shape[axis] != length:
            places = np.linspace(0, grid.shape[axis] - 1, length)
            below = np.minimum(places.astype(np.int64), max(grid.shape[axis] - 2, 0))
            above = np.minimum(below + 1, grid.shape[axis] - 1)
            share = np.expand_dims(places - below, 1 - axis)
            grid = grid.take(below, axis) * (1 - share) + grid.take(above, axis) * share
    return grid


def _linear_relation(before: Numbers, after: Numbers, noise: float) -> Numbers:
    """The log-likelihood ratio of a rising linear relation to the new numbers, for each row of ``after``.

    It is the ratio of normal likelihoods for as many independent numbers as a smooth table has; ``noise`` is
    the variance of the rounding.
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
