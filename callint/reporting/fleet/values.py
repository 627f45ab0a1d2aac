"""The facts about a fleet as numbers, for formats for programs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint.checking.fleet.contents import FleetContents
from callint.checking.fleet.groups import MOST_DIGESTS, TableGroups
from callint.checking.fleet.report import FleetReport
from callint.comparing.table_query import Answer
from callint.model.definition import States, Text
from callint.reporting.json_fields import finite

#: The words for the answers to a question.
ANSWERS = {Answer.YES: "yes", Answer.PARTLY: "partly", Answer.UNKNOWN: "unknown", Answer.NO: "no"}


@dataclass(frozen=True, slots=True)
class CalibrationValues:
    """The lowest and highest value of a calibration, the number of its cells and of those that are off.

    ``low`` and ``high`` are None if no cell has a finite value. ``text`` is that of a text, or the state of a
    scalar.
    """

    low: float | None
    high: float | None
    unit: str
    cells: int
    off: int
    text: str


def listed_calibrations(groups: TableGroups) -> range:
    """The calibrations that formats for programs list: those with a digest."""
    return range(min(len(groups.counts), MOST_DIGESTS))


def calibration_values(contents: FleetContents, groups: TableGroups, number: int) -> CalibrationValues:
    """The values of a calibration of a table."""
    if isinstance(groups.table, Text):
        return CalibrationValues(None, None, "", 1, 0, contents.text(groups, number))
    grid = contents.grid(groups, number)
    definition = contents.definition_of(int(groups.first_images[number])).definition
    conversion, unit = definition.conversion_of(grid.table), definition.unit_of(grid.table)
    values = grid.physical[grid.present & ~grid.off]
    values = values[np.isfinite(values)]
    low, high = (finite(float(values.min())), finite(float(values.max()))) if values.size else (None, None)
    text = ""
    if isinstance(conversion, States) and grid.raw.size == 1 and low is not None:
        text = conversion.names.get(int(low), "")
    return CalibrationValues(low, high, unit, grid.raw.size, int(np.count_nonzero(grid.off)), text)


def answer_images(report: FleetReport) -> Iterator[tuple[str, list[int]]]:
    """The images with each answer to the question."""
    if report.question is not None:
        for answer, word in ANSWERS.items():
            yield word, np.flatnonzero(report.question.answers == answer).tolist()
