"""Written acceptances of findings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Waiver:
    """A written acceptance of one rule's findings on one table, or on one image where no table is named.

    ``digest`` is that of the content which was accepted; the waiver is dead for any other.
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
        """What it is about: rule, image and table."""
        return self.rule, self.image, self.table
