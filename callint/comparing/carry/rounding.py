"""How exactly a storage holds values."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.decoding.conversions import to_physical, to_raw_numbers
from callint.model.change import Flags, Numbers
from callint.model.definition import Conversion, Storage


def equal_bits(first: NDArray[Any], second: NDArray[Any]) -> Flags:
    """Which raw values are stored alike: two NaNs may differ, and minus zero is not zero."""
    if first.dtype != second.dtype:
        return np.zeros(first.shape, bool)
    bits = f"u{first.dtype.itemsize}"
    equal: Flags = np.ascontiguousarray(first).view(bits) == np.ascontiguousarray(second).view(bits)
    return equal


def step_at(conversion: Conversion, storage: Storage, physical: Numbers) -> Numbers:
    """The distance from one value that the storage can hold to the next, near the physical values.

    A float that is shown with decimals has the step of the last one; other floats have that of their type.
    0 if the step is unknown, so that no deviation passes for small.
    """
    if not storage.type.is_integer and conversion.decimals is not None:
        return np.full(np.shape(physical), 10.0**-conversion.decimals)
    raw = to_raw_numbers(conversion, physical)
    apart: Numbers | float = 1.0
    if storage.type.is_integer:
        raw = np.rint(raw)
    else:
        stored = raw.astype(storage.dtype.newbyteorder("="))
        raw, apart = stored.astype(np.float64), np.spacing(np.abs(stored)).astype(np.float64)
    stored_value, above, below = (to_physical(conversion, raw + apart * side) for side in (0, 1, -1))
    return np.nan_to_num(np.fmax(np.abs(above - stored_value), np.abs(stored_value - below)), nan=0.0)
