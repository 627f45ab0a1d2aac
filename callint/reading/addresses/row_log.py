"""The log of an import by the rows of its list: questions about a row, and why a row is left out."""

from __future__ import annotations

from dataclasses import dataclass, field

from callint.reading.addresses.rows import ListedRow
from callint.reading.asap2.report import ImportLog
from callint.reading.asap2.tokens import SourceLocation

#: The kind of a loss.
ROW = "row"


@dataclass(frozen=True, slots=True)
class RowLog:
    """The log of the list in the file ``source``."""

    source: str
    log: ImportLog = field(default_factory=ImportLog)

    def place(self, row: ListedRow) -> SourceLocation:
        """The place of a row."""
        return SourceLocation(self.source, row.line)

    def ask(self, row: ListedRow, question: str) -> None:
        """Record a question about a row that is kept."""
        self.log.change(ROW, row.name, question, self.place(row))

    def omit(self, row: ListedRow, reason: str) -> None:
        """Record that a row is left out."""
        self.log.omit(ROW, row.name, reason, self.place(row))

    def name(self, row: ListedRow) -> str:
        """The name of a row in the definition."""
        return self.log.name(ROW, row.name, self.place(row))
