"""Sets NumPy's handling of floating-point errors for checks."""

from __future__ import annotations

import numpy as np

#: A decorator for functions that compute with the values of images. Values may be infinite or not numbers:
#: the rules report that, and NumPy must not warn about it.
ignore_float_errors = np.errstate(all="ignore")
