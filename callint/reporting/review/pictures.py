"""What the pictures of a review draw in beside the values: bounds, the base, related tables, moved outputs.

The page computes nothing, so the numbers are computed here, in the units of the tables.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from callint import fmt
from callint.comparing.output_shift import output_differences
from callint.comparing.relation_lines import MOST_NUMBERS, RelationLines, is_broken, lines_along, surface_pair
from callint.decoding.surfaces import Surface, surface
from callint.fmt.definition_changes import guard_text
from callint.model.change import Numbers, TableChange
from callint.model.definition import Definition, Range, Relation, States, Table
from callint.model.image import Image
from callint.reporting.json_fields import without_none
from callint.reporting.review.tables import spans
from callint.reporting.tables.values import breakpoint_texts
from callint.rules.context import CheckContext

#: The most related tables in one picture; those that break their relation come first.
_MOST_RELATIONS = 3
#: The significant digits of a number that is only drawn.
_DIGITS = 7


class PictureFields:
    """Makes the fields of the tables of one image that only pictures use.

    ``base`` is the image that the rules compare with; it is drawn where it differs from the old image.
    """

    def __init__(self, context: CheckContext, base: Image | None) -> None:
        self._context = context
        self._base = None if base is None or base is context.base else context.loaded.decoded(base)
        self._surfaces: dict[str, Surface | None] = {}
        self._relations: dict[str, list[Relation]] = {}
        items = context.layout.table_items
        for relation in context.definition.relations:
            if relation.table in items and relation.other in items and relation.table != relation.other:
                for name in (relation.table, relation.other):
                    self._relations.setdefault(name, []).append(relation)

    def fields(self, change: TableChange) -> dict[str, Any]:
        """The fields of a table, which are absent if they do not apply."""
        table = change.table
        if isinstance(self._context.definition.conversion_of(table), States):
            return {}
        return without_none(
            {
                "bounds": bounds(self._context.definition, table) or None,
                "base": self._base_fields(change),
                "relations": self._relation_fields(table) or None,
                "outputs": self._output_fields(change),
            }
        )

    def _base_fields(self, change: TableChange) -> dict[str, Any] | None:
        """The values of the base, if it has others than the old image."""
        if self._base is None:
            return None
        grid, old = self._base.grid(change.table), change.old
        differs = (grid.raw != old.raw) | (grid.present != old.present)
        if not differs.any() and _same_axis(grid.x, old.x) and _same_axis(grid.y, old.y):
            return None
        values = np.where(grid.off | ~grid.present, np.nan, grid.physical)
        fields: dict[str, Any] = {"cells": spans(differs), "values": _drawn(values[differs])}
        definition = self._context.definition
        for side, name, base, new in (
            ("x", change.table.x, grid.x, change.new.x),
            ("y", change.table.y, grid.y, change.new.y),
        ):
            if name is not None and base is not None and not _same_axis(base, new):
                fields[side] = breakpoint_texts(definition, definition.axes[name], base.tolist())
        return fields

    def _output_fields(self, change: TableChange) -> dict[str, Any] | None:
        """The differences of the outputs, if breakpoints moved; None if an axis cannot be read."""
        old, new, table = self._context.old, self._context.new, change.table
        pairs = ((change.old.x, change.new.x), (change.old.y, change.new.y))
        if old is None or all(_same_axis(*pair) for pair in pairs):
            return None
        result = output_differences(old, new, table)
        if result is None or result[1].size > MOST_NUMBERS:
            return None
        points, differences = result
        fields: dict[str, Any] = {"differences": _drawn(differences.T)}
        for side, merged, axis in zip("xy", points.values(), (change.new.x, change.new.y), strict=False):
            assert axis is not None
            fields[side] = _drawn(merged)
            fields[f"{side}_of"] = np.searchsorted(merged, axis).tolist()
        return fields

    # Relations

    def _relation_fields(self, table: Table) -> list[dict[str, Any]]:
        """The related tables, those that break their relation first."""
        entries = [
            entry
            for relation in self._relations.get(table.name, ())
            if (entry := self._entry(table, relation))
        ]
        return sorted(entries, key=lambda entry: not entry["broken"])[:_MOST_RELATIONS]

    def _entry(self, table: Table, relation: Relation) -> dict[str, Any] | None:
        """A related table along each axis of the table; None if they cannot be compared."""
        definition = self._context.definition
        is_first = relation.table == table.name
        other = definition.tables[relation.other if is_first else relation.table]
        if isinstance(definition.conversion_of(other), States):
            return None
        pair = surface_pair({item.name: self._surface(item) for item in (table, other)}, relation)
        if pair is None:
            return None
        ranges = relation.ranges(definition.signals)
        signals = [definition.axes[axis].signal for axis in table.axes]
        lines = {
            side: found
            for side, signal in zip("xy", signals or [""], strict=False)
            if (found := lines_along(relation, pair, is_first, signal, ranges)) is not None
        }
        if not lines:
            return None
        return {
            "kind": relation.kind,
            "name": other.name,
            "title": other.title or other.name,
            "text": _relation_text(definition, relation, table, is_first),
            "broken": is_broken(relation, pair, ranges),
            **{side: _line_fields(item) for side, item in lines.items()},
        }

    def _surface(self, table: Table) -> Surface | None:
        if table.name not in self._surfaces:
            self._surfaces[table.name] = surface(self._context.new, table)
        return self._surfaces[table.name]


def bounds(definition: Definition, table: Table) -> list[dict[str, Any]]:
    """The limits, the expected range and the guards of a table that are numbers."""
    unit = definition.unit_of(table)
    demands = table.demands
    made = [
        *_ends("limit", "", demands.limits, unit),
        *_ends("expected", "expected ", demands.expected, unit),
    ]
    for guard in demands.guards:
        value = guard.above if guard.above is not None else guard.below
        if value is not None and math.isfinite(value):
            side = "above" if guard.above is not None else "below"
            text = f"no longer protects {guard_text(guard, unit)}"
            made.append({"kind": "guard", "side": side, "value": value, "text": text})
    return made


def _ends(kind: str, lead: str, limits: Range | None, unit: str) -> Iterator[dict[str, Any]]:
    """The finite ends of a range; values on the ``side`` of an end violate it."""
    if limits is None:
        return
    for side, word, value, digits in (
        ("below", "at least", limits.low, limits.low_text),
        ("above", "at most", limits.high, limits.high_text),
    ):
        if math.isfinite(value):
            text = f"{lead}{word} {fmt.with_unit(digits or fmt.plain(value), unit)}"
            yield {"kind": kind, "side": side, "value": value, "text": text}


def _relation_text(definition: Definition, relation: Relation, table: Table, is_first: bool) -> str:
    """What the relation demands of the table, as a clause about the other one."""
    other = relation.other if is_first else relation.table
    measured = definition.tables[relation.other if relation.kind == "inverse" else relation.table]
    amount = fmt.with_unit(fmt.plain(relation.amount), definition.unit_of(measured))
    tolerance = f" within {amount}" if relation.amount else ""
    match relation.kind:
        case "equal":
            return f"must equal {other}{tolerance}"
        case "inverse":
            return f"must be the inverse of {other}{tolerance}"
    must_be_above = is_first == (relation.kind == "gap")
    side = "above" if must_be_above else "below"
    if relation.amount:
        return f"must be at least {amount} {side} {other}"
    return f"must not be {'below' if must_be_above else 'above'} {other}"


def _line_fields(lines: RelationLines) -> dict[str, Any]:
    """The lines in short arrays; the positions are one list if all lines share them."""
    shared = bool((lines.at == lines.at[:1]).all())
    broken = np.argwhere(np.isfinite(lines.broken_at) & np.isfinite(lines.broken))
    return {
        "points": lines.at.shape[1],
        "at": _drawn(lines.at[0] if shared else lines.at),
        "values": _drawn(lines.values),
        "breaks": [
            [int(row), *_drawn(np.array([lines.broken_at[row, place], lines.broken[row, place]]))]
            for row, place in broken.tolist()
        ],
    }


def _drawn(values: Numbers) -> list[float | None]:
    """Numbers in the digits that a picture can show, row by row; None for what is not a finite number."""
    return [
        float(f"{value:.{_DIGITS}g}") if math.isfinite(value) else None for value in values.ravel().tolist()
    ]


def _same_axis(first: Numbers | None, second: Numbers | None) -> bool:
    return first is second or (
        first is not None and second is not None and np.array_equal(first, second, equal_nan=True)
    )
