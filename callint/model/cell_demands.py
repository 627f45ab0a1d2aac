"""Demands on the cells of a table that need no ranges: off codes, orders and slopes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class OffAllowed(StrEnum):
    """Where in a table the off code is allowed."""

    ANYWHERE = "anywhere"
    OUTSIDE_OPERATING = "outside-operating"
    NOWHERE = "nowhere"


@dataclass(frozen=True, slots=True)
class OffCode:
    """A raw value that switches the function off in its cell."""

    raw: int
    allowed: OffAllowed
    line: int


@dataclass(frozen=True, slots=True)
class Monotonic:
    """The values only rise, or only fall, along the axis ``along`` ("x" or "y")."""

    along: str
    rising: bool
    strict: bool
    line: int


@dataclass(frozen=True, slots=True)
class Gradient:
    """The steepest accepted slope along ``along``, in physical units per axis unit."""

    along: str
    max: float
    line: int
