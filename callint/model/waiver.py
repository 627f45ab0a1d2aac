"""Written acceptances of findings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Waiver:
    """A written acceptance of one rule's findings about one table, or about one image if it names no table.

    ``digest`` is the digest of the accepted content; the waiver holds for no other content.
    """

    rule: str
    image: str
    table: str
    reason: str
    who: str
    until: date | None
    digest: str
    line: int

    @property
    def subject(self) -> tuple[str, str, str]:
        """The rule, image and table that it is about."""
        return self.rule, self.image, self.table
