"""How many examples the laws are tried on, and which."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

#: How many definitions each law is tried on where nobody asks for more.
_USUAL = 50

_asked = os.environ.get("CALLINT_LAWS")
_most = int(_asked) if _asked else _USUAL


def _named(name: str, examples: int) -> settings:
    """A profile of hypothesis; generating whole definitions takes longer than it expects."""
    settings.register_profile(
        name,
        max_examples=max(1, examples),
        deadline=None,
        # New examples where many are asked for, the same ones in the suite.
        derandomize=_asked is None,
        database=None,
        print_blob=True,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
    )
    return settings.get_profile(name)


laws = _named("laws", _most)
#: For laws whose single example takes ten times as long as others.
slow_laws = _named("slow laws", _most // 4)
