"""Findings about one operating point of a protection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from callint import fmt
from callint.decoding.surfaces import Surface
from callint.model.definition import Table
from callint.model.finding import Finding
from callint.rules.context import CheckContext


def about_point(
    context: CheckContext, rule_id: str, new: Surface, at: dict[str, float], texts: tuple[str, str], hint: str
) -> Finding:
    """A finding about one operating point: about the cell there, or about the table if there is none.

    Then the message names the point between the two parts of ``texts``.
    """
    table = new.grid.table
    place = _cell_at(table, new, at)
    if place is not None:
        finding = context.about_cell(
            rule_id, context.cell_number(table, *place), "".join(texts), hint, inherited=False
        )
        # If an axis moved, the cell of the base belongs to another operating point.
        return replace(finding, base="") if has_moved_axis(context, table) else finding
    point = fmt.point(context.definition, table.axes, at)
    return replace(context.about_table(rule_id, table, f"{texts[0]} at {point}{texts[1]}", hint), at=at)


def _cell_at(table: Table, new: Surface, at: dict[str, float]) -> tuple[int, int] | None:
    """The x and y of the cell at an operating point; None if the point lies between breakpoints."""
    indexes = [0, 0]
    for number, (signal, breakpoints) in enumerate(new.breakpoints.items()):
        equal = np.flatnonzero(breakpoints == at[signal])
        if not len(equal):
            return None
        indexes[number] = int(equal[0])
    return indexes[0], indexes[1]


def has_moved_axis(context: CheckContext, table: Table) -> bool:
    """Whether an axis of a table changed, so that its cells have other operating points than before."""
    return any(axis in context.changes.by_axis for axis in table.axes)
