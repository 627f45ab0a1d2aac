"""The result of an import, with the names of its files."""

from __future__ import annotations

from dataclasses import dataclass

from callint.model.definition_counts import item_counts
from callint.reading.asap2.build import Imported


@dataclass(frozen=True, slots=True)
class ImportResult:
    """An imported description, and the names of the description's and the definition's file."""

    imported: Imported
    source: str
    target: str

    @property
    def counts(self) -> dict[str, int]:
        """The number of items by kind in the definition; empty if there is no definition."""
        definition = self.imported.definition
        return {} if definition is None else item_counts(definition)
