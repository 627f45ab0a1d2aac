"""Compares decimal values, which binary numbers hold only to their last digit."""

from __future__ import annotations

import numpy as np

from callint.model.change import Flags, Numbers


def exceeds(old: Numbers, new: Numbers, most: Numbers | float) -> Flags:
    """Whether the values differ by more than ``most``; any one shape, False if one is not a number.

    1.1 - 1.0 is a little more than 0.1 in binary. Each of the two values is off by at most half of its last
    binary digit, and so is the limit; a tolerance of four last digits of the larger value covers that.
    """
    with np.errstate(all="ignore"):
        slack = 4 * np.spacing(np.maximum(np.abs(old), np.abs(new)))
        flags: Flags = np.abs(new - old) > most + slack
    return flags
