"""The result of an import, with the names of its files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from callint.decoding.placement_evidence import PlacementEvidence
from callint.model.definition import Kind
from callint.model.definition_counts import item_counts
from callint.reading.asap2.build import Imported


@dataclass(frozen=True, slots=True)
class ImportResult:
    """An imported description or list, and the names of its and the definition's file.

    ``is_list`` says that it was a list of addresses. ``image`` is the name of the image that judged its rows,
    "" without one; ``evidence`` has what the image says, and ``lines`` the row of each item.
    """

    imported: Imported
    source: str
    target: str
    is_list: bool = False
    image: str = ""
    evidence: tuple[PlacementEvidence, ...] = ()
    lines: Mapping[str, int] = field(default_factory=dict)

    @property
    def counts(self) -> dict[str, int]:
        """The number of items by kind in the definition; empty if there is no definition."""
        definition = self.imported.definition
        return {} if definition is None else item_counts(definition)

    @property
    def map_orders(self) -> tuple[int, int]:
        """The number of maps whose cells are stored x first, and y first."""
        definition = self.imported.definition
        tables = [] if definition is None else [*definition.tables.values()]
        y_first = sum(table.y_first for table in tables)
        return sum(table.kind is Kind.MAP for table in tables) - y_first, y_first

    @property
    def doubted(self) -> list[PlacementEvidence]:
        """The items that the image casts doubt on."""
        return [item for item in self.evidence if item.doubts]

    @property
    def is_complete(self) -> bool:
        """Whether everything was kept as given, and the image casts doubt on nothing."""
        return self.imported.is_complete and not self.doubted
