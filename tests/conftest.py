"""How hypothesis searches, and that tests leave the cache of whoever runs them alone.

Hypothesis makes new examples at a desk, and the same ones every time where a change is judged.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile

from hypothesis import HealthCheck, settings

# A loaded machine is slow at making examples, which says nothing about the product.
settings.register_profile("desk", deadline=None, suppress_health_check=[HealthCheck.too_slow])
# What a change breaks must show at that change, and not by chance at another one.
settings.register_profile("steady", parent=settings.get_profile("desk"), derandomize=True)
settings.load_profile("steady" if os.environ.get("CI") else "desk")

# Commands that tests start have a home, and so a cache, of their own.
os.environ["CALLINT_CACHE"] = tempfile.mkdtemp(prefix="callint-cache-")
atexit.register(shutil.rmtree, os.environ["CALLINT_CACHE"], ignore_errors=True)
