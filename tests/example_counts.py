"""The number of generated examples that a test is tried on, and which examples."""

from __future__ import annotations

import os
from typing import TypeVar

from hypothesis import HealthCheck, given, settings
from hypothesis.strategies import SearchStrategy

T = TypeVar("T")

#: Number of definitions for each property, unless CALLINT_EXAMPLES says otherwise.
_USUAL = 30

_given_count = os.environ.get("CALLINT_EXAMPLES")
_count = int(_given_count) if _given_count else _USUAL

#: Number of definitions that the properties share in the suite; new ones for each if a number is given.
KEPT_DEFINITIONS = 0 if _given_count else 50

#: Number of ranges of each generated history that are checked; all of them if a number is given.
MOST_RANGES = None if _given_count else 8


def _named(name: str, examples: int) -> settings:
    """A Hypothesis profile that allows for slow generation of whole definitions."""
    settings.register_profile(
        name,
        max_examples=max(1, examples),
        deadline=None,
        # New examples if a number is given, the same examples in the suite.
        derandomize=_given_count is None,
        database=None,
        print_blob=True,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
    )
    return settings.get_profile(name)


property_examples = _named("properties", _count)
#: For properties whose examples take ten times as long as others.
fewer_property_examples = _named("slow properties", _count // 3)


def drawn(strategy: SearchStrategy[T], count: int) -> list[T]:
    """A number of values of a strategy, the same ones in every process."""
    values: list[T] = []

    @_named("drawn", count)
    @given(strategy)
    def keep(value: T) -> None:
        values.append(value)

    if count:
        keep()
    return values


def examples(usual: int) -> settings:
    """The number of examples of one test in the suite, or CALLINT_EXAMPLES if that is larger."""
    return settings(max_examples=max(usual, int(_given_count or 0)), deadline=None)
