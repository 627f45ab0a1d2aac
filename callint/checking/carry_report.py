"""The result of carrying a rework to another software version, with the findings about the new image."""

from __future__ import annotations

from dataclasses import dataclass

from callint.checking.report import Report
from callint.comparing.carry.result import CarryResult


@dataclass(frozen=True, slots=True)
class CarryReport:
    """The carried changes, and the names of all files; ``image`` is the file that is written.

    ``broken`` has the errors of the written image that the new base does not have.
    """

    carried: CarryResult
    old_base: str
    reworked: str
    new_base: str
    old_definition: str
    new_definition: str
    image: str
    broken: Report
