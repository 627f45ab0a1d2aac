"""Values of calibrations and names of images, as all formats for people write them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from callint import fmt
from callint.checking.fleet.changed_cells import RolloutState
from callint.checking.fleet.contents import FleetContents
from callint.checking.fleet.groups import TableGroups
from callint.checking.fleet.report import AnsweredQuestion, FleetReport
from callint.comparing.table_query import Answer, Condition
from callint.model.change import Grid, Numbers, TableChange
from callint.model.definition import Conversion, Definition, Table, Text
from callint.reporting.changes.wording import cell_change
from callint.reporting.tables.values import cell_texts

#: What an image says to a question, in the order of reports.
ANSWERS = {
    Answer.YES: "yes",
    Answer.PARTLY: "in some cells only",
    Answer.UNKNOWN: "not known",
    Answer.NO: "no",
}
#: How much of a change an image has, in the order of reports.
ADOPTIONS = {
    RolloutState.OLD: "old values",
    RolloutState.PARTLY: "part of the new values",
    RolloutState.OTHER: "other values",
    RolloutState.UNKNOWN: "not known",
    RolloutState.NEW: "new values",
}


def name_of(table: Table | Text) -> str:
    """The name of a table, with its purpose if that is protection or emissions; a text by its name."""
    return fmt.name_with_purpose(table) if isinstance(table, Table) else table.name


def images_of(numbers: Sequence[int], report: FleetReport, most: int) -> str:
    """The number of images and the names of the first ones: "3 images: a.bin, b.bin and 1 more"."""
    names = [report.records[number].path for number in numbers[:most]]
    more = len(numbers) - len(names)
    listed = ", ".join(names) + (f" and {more:,} more" if more > 0 and names else "")
    return f"{fmt.count(len(numbers), 'image')}{': ' if listed else ''}{listed}"


def software_counts(report: FleetReport) -> str:
    """The number of images of each definition: "12 of definitions/a.xml, 3 of definitions/b.xml"."""
    return ", ".join(f"{count:,} of {path}" for path, count in report.image_counts.items())


def calibration(contents: FleetContents, groups: TableGroups, number: int, arrow: str) -> str:
    """The value of a scalar or text; of other tables the range of the first calibration.

    For each further calibration, how it differs from the first.
    """
    if isinstance(groups.table, Text):
        return f'"{contents.text(groups, number)}"'
    grid = contents.grid(groups, number)
    definition = contents.definition_of(int(groups.first_images[number])).definition
    if number and grid.raw.size > 1:
        return _difference(contents.grid(groups, 0), grid, definition, arrow)
    return value_range(definition, grid)


def value_range(definition: Definition, grid: Grid) -> str:
    """The value of a scalar with its unit, or the lowest and the highest one of other tables."""
    conversion, unit = definition.conversion_of(grid.table), definition.unit_of(grid.table)
    if grid.raw.size == 1:
        return fmt.with_unit(cell_texts(definition, grid)[0][0], unit)
    values = np.where(grid.off, np.nan, grid.physical)
    return spread(values, conversion, unit, grid.table)


def spread(values: Numbers, conversion: Conversion, unit: str, table: Table) -> str:
    """The lowest and the highest of some values; NaN stands for off. "12 to 45 mg, 3 of 96 off"."""
    finite = values[np.isfinite(values)]
    if not finite.size:
        return "off"
    low, high = (fmt.number(float(end), conversion, table.storage) for end in (finite.min(), finite.max()))
    text = fmt.with_unit(low if low == high else f"{low} to {high}", unit)
    return (
        text
        if finite.size == values.size
        else f"{text}, {values.size - finite.size:,} of {values.size:,} off"
    )


def _difference(first: Grid, grid: Grid, definition: Definition, arrow: str) -> str:
    """How a calibration differs from the first one: "12 of 96 cells, largest 41 → 44 mg at 2200 rpm"."""
    if first.raw.shape != grid.raw.shape or first.table.conversion != grid.table.conversion:
        return "read in another way"
    axes = [(first.x, grid.x), (first.y, grid.y)]
    moved = any(
        old is not None and new is not None and not np.array_equal(old, new, equal_nan=True)
        for old, new in axes
    )
    change = TableChange(grid.table, first, grid, first.raw != grid.raw)
    parts = ["other breakpoints"] if moved else []
    if change.count:
        y, x = change.largest
        largest = cell_change(definition, change, y, x, arrow)
        parts.append(f"{change.count:,} of {fmt.count(grid.raw.size, 'cell')}, largest {largest}")
    return "; ".join(parts)


def answered_value(
    contents: FleetContents, asked: AnsweredQuestion, condition: Condition, number: int
) -> str:
    """The values that a condition is about in one calibration of its table."""
    groups = asked.tables[condition.table]
    decoded = contents.decoded(groups, number)
    values = asked.question.values(condition, groups, number)
    definition = decoded.layout.definition
    table = definition.tables[condition.table]
    if values is None:
        return "its axes cannot be read"
    if not condition.at:
        return value_range(definition, decoded.grid(table))
    return spread(values, definition.conversion_of(table), definition.unit_of(table), table)
