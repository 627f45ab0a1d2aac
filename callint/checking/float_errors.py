"""How checks treat floating-point errors."""

from __future__ import annotations

import numpy as np

#: A decorator for everything that computes with the values of images. These may be infinite or not numbers:
#: the rules report that, and NumPy must not warn about it.
ignore_float_errors = np.errstate(all="ignore")
