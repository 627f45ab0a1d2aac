"""What an exported description lacks of its definition."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

from callint.model.definition import Definition
from callint.model.definition_counts import item_counts


@dataclass(frozen=True, slots=True)
class ExportLoss:
    """A part of a definition that the standard cannot express.

    ``kind`` is the element of the definition, ``name`` the name of the table, axis or signal that it belongs
    to, and ``reason`` what the description has instead. ``is_whole`` says whether the item itself is left
    out. ``line`` is its line in the definition, 0 if there is none.
    """

    kind: str
    name: str
    reason: str
    line: int = 0
    is_whole: bool = False


@dataclass
class ExportLog:
    """What the description lacks so far."""

    losses: list[ExportLoss] = field(default_factory=list)

    def change(self, kind: str, name: str, reason: str, line: int = 0) -> None:
        """Record that part of an item is not in the description."""
        self.losses.append(ExportLoss(kind, name, reason, line))

    def omit(self, kind: str, name: str, reason: str, line: int = 0) -> None:
        """Record that an item is left out."""
        self.losses.append(ExportLoss(kind, name, reason, line, is_whole=True))


@dataclass(frozen=True, slots=True)
class ExportResult:
    """An exported definition, the names of its file and of the description, and what the latter lacks."""

    definition: Definition
    source: str
    target: str
    losses: tuple[ExportLoss, ...]

    @property
    def counts(self) -> Mapping[str, int]:
        """The number of items by kind in the description."""
        kinds = {"scalar": "scalar", "curve": "curve", "map": "map", "text": "text", "axis": "shared axis"}
        left_out = Counter(kinds[item.kind] for item in self.losses if item.is_whole and item.kind in kinds)
        return {kind: number - left_out[kind] for kind, number in item_counts(self.definition).items()}
