"""Finds off codes that an edit calculated with, as if they were values.

A person multiplies a block by a factor or adds an offset, off cells included: the off code is a raw number,
so it becomes another number, which is a value. In the other direction, a value that the calculation carries
to the end of the storage may become the off code there. Cells that somebody switched on or off on purpose
have a value that does not follow from the calculation.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint.decoding.conversions import physical_limits
from callint.decoding.statistics import median
from callint.model.change import Flags, Numbers, TableChange
from callint.model.definition import Conversion, Linear, States

#: The least number of other cells that show a factor or an offset, and the share of them that follow it.
_LEAST, _SHARE = 2, 0.9
#: Rounding moves a number by half a step, cutting off by a whole one.
_ROUNDINGS = (0.5, 1.0)
#: What the factor makes of the code must be known to within this number of steps, or of its distance.
_STEPS, _DISTANCE = 4.0, 1.5
#: Doubles are this uncertain, as a share.
_NOISE = 1e-9


@dataclass(frozen=True, slots=True)
class Calculation:
    """One factor or offset that explains an edit; exactly one of them is given.

    ``factor`` multiplies physical values, or raw ones if ``is_raw``. ``explained`` is the number of cells
    that held a value before and after and follow it.
    """

    factor: float | None
    offset: float | None
    is_raw: bool
    explained: int


@dataclass(frozen=True, slots=True)
class MovedOffCodes:
    """The cells of a table in which a calculation turned the off code into a value, or made one.

    ``lost`` and ``gained`` have the shape (rows, columns).
    """

    calculation: Calculation
    lost: Flags
    gained: Flags


@dataclass(frozen=True, slots=True)
class _View:
    """The values of a table in the units in which a person may have calculated; all (rows, columns).

    ``low`` and ``high`` are pairs of ends at which a result may have been cut off.
    """

    old: Numbers
    new: Numbers
    step: Numbers
    ends: tuple[tuple[float, float], ...]
    is_raw: bool


def find_moved_off_codes(change: TableChange, conversion: Conversion, step: Numbers) -> MovedOffCodes | None:
    """The off codes that an edit calculated with; None if there are none.

    ``step`` is the physical distance to the next value that can be stored, shape (rows, columns).
    """
    old, new = change.old, change.new
    changed = change.changed & old.present & new.present
    lost, gained = changed & old.off & ~new.off, changed & ~old.off & new.off
    if isinstance(conversion, States) or not (lost.any() or gained.any()):
        return None
    valued = changed & ~old.off & ~new.off & np.isfinite(old.physical) & np.isfinite(new.physical)
    if np.count_nonzero(valued) < _LEAST:
        return None
    switched = lost | gained
    with np.errstate(all="ignore"):
        for view in _views(change, conversion, step):
            for is_factor in (True, False) if not view.is_raw else (True,):
                for rounding in _ROUNDINGS:
                    result = _explain(view, valued, switched, is_factor, rounding)
                    if result is not None:
                        calculation, cells = result
                        return MovedOffCodes(calculation, lost & cells, gained & cells)
    return None


def _views(change: TableChange, conversion: Conversion, step: Numbers) -> Iterator[_View]:
    limits, storage = change.table.demands.limits, change.table.storage
    ends = [physical_limits(conversion, storage)]
    ends += [(limits.low, limits.high)] if limits else []
    yield _View(change.old.physical, change.new.physical, step, tuple(ends), is_raw=False)
    if isinstance(conversion, Linear) and conversion.offset and storage.type.is_integer:
        raws = [grid.raw.astype(np.float64) for grid in (change.old, change.new)]
        yield _View(raws[0], raws[1], np.ones(raws[0].shape), (storage.raw_limits,), is_raw=True)


def _explain(
    view: _View, valued: Flags, switched: Flags, is_factor: bool, rounding: float
) -> tuple[Calculation, Flags] | None:
    """The calculation that explains the valued cells, and the switched cells that follow it; None if none."""
    play = view.step * (rounding + 1e-6) + _NOISE * np.abs(view.new)
    # A value that was cut off says little about the factor, and neither does one near zero.
    ends = np.array([end for pair in view.ends for end in pair])
    at_end = (view.new[..., None] == ends).any(axis=-1)  # np.isin would import all of numpy.ma
    usable = valued & ~at_end
    if is_factor:
        usable &= np.abs(view.old) > view.step
    if np.count_nonzero(usable) < _LEAST:
        return None
    old, new, tolerance = view.old[usable], view.new[usable], play[usable]
    amounts = [
        (new + side * tolerance) / old if is_factor else new + side * tolerance - old for side in (-1, 1)
    ]
    low, high = np.minimum(*amounts), np.maximum(*amounts)
    middle = median(new / old if is_factor else new - old)
    follows = (low <= middle) & (middle <= high)
    if np.count_nonzero(follows) < max(_LEAST, _SHARE * len(follows)):
        return None
    least, most = float(low[follows].max()), float(high[follows].min())
    if least > most:
        return None
    before = view.old[switched]
    results = [before * amount if is_factor else before + amount for amount in (least, most)]
    lowest, highest = np.minimum(*results) - play[switched], np.maximum(*results) + play[switched]
    distance = np.abs((lowest + highest) / 2 - before)
    is_known = highest - lowest <= np.maximum(_STEPS * view.step[switched], _DISTANCE * distance)
    actual, fits = view.new[switched], np.zeros(len(before), bool)
    for low_end, high_end in view.ends:
        fits |= (actual >= np.clip(lowest, low_end, high_end)) & (
            actual <= np.clip(highest, low_end, high_end)
        )
    cells = np.zeros(switched.shape, bool)
    cells[switched] = fits & is_known
    if not cells.any():
        return None
    amount = float(np.clip(_round_between(least, most), least, most))
    explained = int(np.count_nonzero(follows))
    factor, offset = (amount, None) if is_factor else (None, amount)
    return Calculation(factor, offset, view.is_raw, explained), cells


def _round_between(least: float, most: float) -> float:
    """The number with the fewest digits between two numbers."""
    for digits in range(10):
        candidate = round((least + most) / 2, digits)
        if least <= candidate <= most:
            return candidate
    return (least + most) / 2
