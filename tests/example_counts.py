"""The number of generated examples that a test is tried on."""

from __future__ import annotations

import os

from hypothesis import settings

_given_count = os.environ.get("CALLINT_EXAMPLES")


def examples(usual: int) -> settings:
    """The number of examples of one test in the suite; as many as CALLINT_EXAMPLES says if that is more."""
    return settings(max_examples=max(usual, int(_given_count or 0)), deadline=None)
