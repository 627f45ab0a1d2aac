"""The causes for which a table of both software versions cannot be compared."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

#: An axis as signal and unit.
Quantity = tuple[str, str]


class Obstacle(Enum):
    """A cause that needs no names or numbers."""

    STATES_AND_NUMBERS = "states-and-numbers"
    AXES_NOT_MONOTONIC = "axes-not-monotonic"
    NOT_IN_BOTH = "not-in-both"
    TOO_MANY_POINTS = "too-many-points"
    NOT_DESCRIBED = "not-described"

    @property
    def code(self) -> str:
        return self.value


@dataclass(frozen=True, slots=True)
class UnknownUnits:
    """callint cannot convert the unit of the old table to that of the new one."""

    code = "unknown-units"
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class UnlikeAxes:
    """The tables have axes of other signals, or of units that callint cannot convert; x before y."""

    code = "axes-differ"
    old: tuple[Quantity, ...]
    new: tuple[Quantity, ...]


UncomparedCause = Obstacle | UnknownUnits | UnlikeAxes
