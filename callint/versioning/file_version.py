"""One version of a file, wherever it comes from."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Content:
    """The name that a file is reported under, its path for the policy, and its bytes."""

    name: str
    path: str
    data: bytes
