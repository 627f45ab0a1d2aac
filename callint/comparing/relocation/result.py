"""The places of the items of a definition in the image of another software."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from callint.model.definition import Checksum


class ItemKind(StrEnum):
    """The kind of a placed item."""

    AXIS = "axis"
    MAP = "map"
    CURVE = "curve"
    SCALAR = "scalar"
    SWITCH = "switch"
    TEXT = "text"
    IDENTITY = "identity"
    CHECKSUM = "checksum"


class RelocationEvidence(StrEnum):
    """The evidence for the address of an item, or the reason why it has none."""

    SAME = "same content"
    SIMILAR = "similar content"
    NEIGHBOURS = "shift of the neighbours"
    POINTED = "a pointer gives the address"
    COMPUTED = "the stored value is right"
    UNSURE = "several addresses are possible"
    COUNT = "the stored count differs"
    BESIDE = "the shift changes nearby, and the content does not say where"
    RESIZED = "the bytes beside it moved: the size may differ"
    AXIS = "the size of an axis may differ"
    AXIS_LEFT = "an axis of it is left out"
    TABLE_LEFT = "its table is left out"
    UNRESOLVED = "the definition lacks its axis or conversion"
    OUTSIDE = "it would lie outside the memory"
    LACKED = "the old image lacks some of its bytes"
    NOT_COMPUTED = "no stored value is right"
    OVERLAP = "another item lies there"
    OTHER = "the content there differs too much"
    ABSENT = "nothing similar lies there"

    @property
    def is_sure(self) -> bool:
        """Whether an item with this evidence has an address."""
        return self in (
            RelocationEvidence.SAME,
            RelocationEvidence.SIMILAR,
            RelocationEvidence.NEIGHBOURS,
            RelocationEvidence.POINTED,
            RelocationEvidence.COMPUTED,
        )


@dataclass(frozen=True, slots=True)
class Candidate:
    """A possible address in the new image; ``probability`` is between 0 and 1."""

    at: int
    probability: float


@dataclass(frozen=True, slots=True)
class Placement:
    """An item with its old and its new address; the new one is None if no candidate is sure.

    ``probability`` is that of the best candidate; ``candidates`` are in descending order. ``checksum`` is a
    placed checksum with its range in the new image, ``count`` the new number of points of an axis with
    another size, and ``count_at`` the new address of the stored count of a placed axis.
    """

    kind: ItemKind
    name: str
    old: int
    new: int | None
    probability: float
    evidence: RelocationEvidence
    candidates: tuple[Candidate, ...]
    checksum: Checksum | None = None
    count: int | None = None
    count_at: int | None = None
