"""Whether a carried change is the same, as JSON, by ``schemas/carried-change.schema.json``."""

from __future__ import annotations

from typing import Any

import numpy as np

from callint.comparing.softwares.carried_change import (
    CarriedChange,
    CarriedTable,
    PointChange,
    UnjudgedChange,
)
from callint.model.definition import Definition, States
from callint.reporting.carried_change.wording import unjudged_text
from callint.reporting.json_fields import cell_position, finite, without_none

_NAMES = ("old_base", "reworked", "new_base", "carried")


def carried_change_document(
    change: CarriedChange, images: tuple[str, ...], definitions: tuple[str, str]
) -> dict[str, Any]:
    """The comparison as a JSON document; ``images`` are the four files in the order of the command line."""
    return {
        "format": "callint-carried-change",
        "version": 1,
        **dict(zip(_NAMES, images, strict=True)),
        "old_definition": definitions[0],
        "new_definition": definitions[1],
        "same": change.is_same,
        "tables": [_table(change.definition, table) for table in change.tables],
        "texts": [
            without_none({"name": text.name, "same": text.is_same, "old": text.old, "new": text.new})
            for text in change.texts
        ],
        "uncompared": [_unjudged(item) for item in change.unjudged],
        "undefined_bytes": {"old": change.bytes[0], "new": change.bytes[1]},
    }


def _table(definition: Definition, table: CarriedTable) -> dict[str, Any]:
    return without_none(
        {
            "table": table.table.name,
            "old_name": table.pair.old.name if table.pair.is_renamed else None,
            "purpose": table.table.purpose.value,
            "unit": definition.unit_of(table.table) or None,
            "same": table.is_same,
            "points": table.differs.size,
            "differing": int(np.count_nonzero(table.differs)),
            "unknown": int(np.count_nonzero(table.unknown)) or None,
            "cells": [_cell(definition, table, y, x) for y, x in np.argwhere(table.differs).tolist()],
        }
    )


def _cell(definition: Definition, table: CarriedTable, y: int, x: int) -> dict[str, Any]:
    fields = {
        "at": cell_position(definition, table.grid, y, x)["at"],
        "is_cell": bool(table.is_cell[y, x]),
        "old": _change(definition, table, table.old, y, x),
        "new": _change(definition, table, table.new, y, x),
        "tolerance": finite(table.tolerance[y, x]),
    }
    return without_none(fields)


def _change(
    definition: Definition, table: CarriedTable, change: PointChange, y: int, x: int
) -> dict[str, Any]:
    """The output before and after, and the difference of two numbers."""
    conversion = definition.conversion_of(table.table)
    fields: dict[str, Any] = {}
    for key, values, off in (
        ("before", change.before, change.was_off),
        ("after", change.after, change.is_off),
    ):
        value: float | str | None = finite(values[y, x])
        if isinstance(conversion, States) and value is not None:
            value = conversion.names[int(value)]
        fields[key] = "off" if off[y, x] else value
    difference = finite(change.difference[y, x])
    if not isinstance(conversion, States) and difference is not None:
        fields["difference"] = difference
    return fields


def _unjudged(item: UnjudgedChange) -> dict[str, Any]:
    return {
        "name": item.name,
        "changed_in": "old" if item.in_old else "new",
        "reason": "no-partner" if item.cause is None else item.cause.code,
        "message": unjudged_text(item),
    }
