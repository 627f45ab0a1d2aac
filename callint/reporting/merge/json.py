"""The open and the settled conflicts of a merge as JSON, by ``schemas/conflicts.schema.json``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from callint.checking.merge_report import MergeReport
from callint.comparing.merge import (
    AxisConflict,
    AxisVersions,
    BytesConflict,
    CellConflict,
    Decision,
    IdentityConflict,
    TableVersions,
    TextConflict,
)
from callint.model.change import Grid
from callint.model.definition import Definition
from callint.reporting.json_fields import cell_position, finite, finite_values, raw_value
from callint.reporting.merge.document import conflicts_document


def merge_json(report: MergeReport) -> str:
    """The whole merge as one JSON document."""
    return conflicts_document(
        report,
        [_decision(report.definition, decision) for decision in report.open_decisions],
        [_decision(report.definition, decision) for decision in report.merge.settled],
    )


def _decision(definition: Definition, decision: Decision) -> dict[str, Any]:
    return {**_conflict(definition, decision), "kept": decision.side.value}


def _conflict(definition: Definition, decision: Decision) -> dict[str, Any]:
    conflict = decision.conflict
    match conflict:
        case CellConflict():
            return {"kind": "cells", **_table(definition, conflict.versions)}
        case AxisConflict():
            return {
                "kind": "axes",
                "axes": [_axis(definition, versions) for versions in conflict.axes],
                "tables": [_table(definition, versions) for versions in conflict.tables],
            }
        case TextConflict():
            return {"kind": "text", "name": conflict.text.name, **_three(conflict)}
        case IdentityConflict():
            return {"kind": "identity", "name": conflict.identity.name, **_three(conflict)}
        case BytesConflict():
            size = len(conflict.ours)
            return {"kind": "bytes", "start": conflict.start, "size": size, **_three(conflict)}


def _three(conflict: TextConflict | IdentityConflict | BytesConflict) -> dict[str, str]:
    """The three versions; bytes in hexadecimal."""
    versions = {"base": conflict.base, "ours": conflict.ours, "theirs": conflict.theirs}
    return {side: text if isinstance(text, str) else text.hex() for side, text in versions.items()}


def _table(definition: Definition, versions: TableVersions) -> dict[str, Any]:
    table = versions.table
    unit = definition.unit_of(table)
    return {
        "table": table.name,
        "purpose": table.purpose.value,
        **({"unit": unit} if unit else {}),
        "cells": list(_cells(definition, versions)),
    }


def _cells(definition: Definition, versions: TableVersions) -> Iterator[dict[str, Any]]:
    grids = (("base", versions.base), ("ours", versions.ours), ("theirs", versions.theirs))
    for y, x in np.argwhere(versions.cells).tolist():
        values = {side: _value(grid, y, x) for side, grid in grids}
        yield {**cell_position(definition, versions.ours, y, x), **values}


def _value(grid: Grid, y: int, x: int) -> dict[str, Any]:
    """One cell of one image; a physical value that is not finite is left out."""
    value: dict[str, Any] = {"raw": raw_value(grid, y, x)}
    physical = finite(grid.physical[y, x])
    if physical is not None:
        value["physical"] = physical
    if grid.off[y, x]:
        value["off"] = True
    return value


def _axis(definition: Definition, versions: AxisVersions) -> dict[str, Any]:
    axis = versions.axis
    unit = definition.unit_of(axis)
    fields: dict[str, Any] = {"axis": axis.name, "signal": axis.signal, **({"unit": unit} if unit else {})}
    fields["tables"] = [table.name for table in definition.tables_on(axis.name)]
    counts = versions.counts or (None, None, None)
    sides = (versions.base, versions.ours, versions.theirs)
    for side, values, count in zip(("base", "ours", "theirs"), sides, counts, strict=True):
        fields[side] = {"breakpoints": finite_values(values), **({} if count is None else {"count": count})}
    return fields
