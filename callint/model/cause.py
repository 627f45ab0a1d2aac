"""Causes: the places in a change that bring findings."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class CauseKind(StrEnum):
    """The kind of place that a finding comes from."""

    CELL = "cell"
    BLOCK = "block"
    MIRROR = "mirror"
    AXIS = "axis"
    TEXT = "text"
    BYTES = "bytes"
    CHECKSUM = "checksum"
    IDENTITY = "identity"
    TABLE = "table"
    IMAGE = "image"
    INHERITED = "inherited"
    DEFINITION = "definition"
    POLICY = "policy"
    TOGETHER = "together"


#: The kinds of places that differ from the base, and so can be given its content again.
_CHANGES = frozenset(
    {
        CauseKind.CELL,
        CauseKind.BLOCK,
        CauseKind.MIRROR,
        CauseKind.AXIS,
        CauseKind.TEXT,
        CauseKind.BYTES,
        CauseKind.TOGETHER,
    }
)


class Effect(StrEnum):
    """How the places of one cause work together."""

    ONLY_TOGETHER = "only together"
    EACH_ALONE = "each alone"
    UNRESOLVED = "together"


@dataclass(frozen=True, slots=True)
class Place:
    """One place of a change.

    ``name`` is the table, axis, text, checksum or identity, "" for other bytes. ``text`` names the place and
    its change in one line: "fuel at 2000 rpm: 41.0 → 47.5 mg". ``cells`` are numbers in the flat vectors of
    the definition's layout; ``ranges`` have the first address and the number of bytes.
    """

    kind: CauseKind
    name: str
    text: str
    cells: tuple[int, ...] = ()
    ranges: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Cause:
    """What brings one or more findings: a place, or several that work together as ``effect`` says.

    ``id`` names it for ``callint waive``. ``explanation`` says how the place may have come about, such as
    "swapped digits? 1200 fits". ``share`` is the share of the operating range that the change affects, from
    0 to 1.
    """

    id: str
    kind: CauseKind
    places: tuple[Place, ...]
    effect: Effect | None = None
    explanation: str = ""
    share: float = 0.0

    @property
    def title(self) -> str:
        """The places with their changes, then the best explanation."""
        text = "; ".join(place.text for place in self.places)
        return f"{text}, {self.explanation}" if self.explanation else text

    @property
    def is_change(self) -> bool:
        """Whether it is a change from the base, which ``callint restore`` can take back."""
        return self.kind in _CHANGES
