"""What a merge left open and what it settled, as JSON, by ``schemas/conflicts.schema.json``."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from callint.checking.report import Report
from callint.comparing.merge import (
    AxisConflict,
    AxisVersions,
    BytesConflict,
    CellConflict,
    Decision,
    IdentityConflict,
    Merge,
    TextConflict,
    Versions,
)
from callint.model.change import Grid, Numbers
from callint.model.definition import Definition
from callint.reporting.findings.json import brief

#: How the lists beside a merged image are known; a file that has neither is not callint's to replace.
FORMAT, TITLE = "callint-conflicts", "callint merge: conflicts in "


@dataclass(frozen=True, slots=True)
class MergeReport:
    """A merge, the names of its files, and the errors that neither side has alone."""

    merge: Merge
    definition: Definition
    path: str
    base: str
    ours: str
    theirs: str
    image: str
    broken: Report


def merge_json(report: MergeReport) -> str:
    """The whole merge as one JSON document."""
    decisions = report.merge.decisions
    found: Sequence[Decision] = [one for one in decisions if one.open]
    document: dict[str, Any] = {
        "format": FORMAT,
        "version": 1,
        "image": report.image,
        "base": report.base,
        "ours": report.ours,
        "theirs": report.theirs,
        "definition": report.path,
        "conflicts": [_decision(report.definition, one) for one in found],
        "settled": [_decision(report.definition, one) for one in report.merge.settled],
        "broken": [brief(finding) for finding in report.broken.findings],
        "summary": {
            "conflicts": len(found),
            "cells": sum(versions.count for one in found for versions in tables_of(one)),
            "settled": len(report.merge.settled),
            "broken": len(report.broken.findings),
        },
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def tables_of(decision: Decision) -> tuple[Versions, ...]:
    """The tables that a conflict is about."""
    match decision.conflict:
        case CellConflict():
            return (decision.conflict.versions,)
        case AxisConflict():
            return decision.conflict.tables
        case _:
            return ()


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
                "axes": [_axis(definition, one) for one in conflict.axes],
                "tables": [_table(definition, one) for one in conflict.tables],
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
    return {side: one if isinstance(one, str) else one.hex() for side, one in versions.items()}


def _table(definition: Definition, versions: Versions) -> dict[str, Any]:
    table = versions.table
    unit = definition.unit_of(table)
    return {
        "table": table.name,
        "purpose": table.purpose.value,
        **({"unit": unit} if unit else {}),
        "cells": list(_cells(definition, versions)),
    }


def _cells(definition: Definition, versions: Versions) -> Iterator[dict[str, Any]]:
    keys = definition.place_keys(versions.table)
    ours = versions.ours
    for y, x in np.argwhere(versions.cells).tolist():
        breakpoints = [axis[i] for axis, i in ((ours.x, x), (ours.y, y)) if axis is not None]
        at = {key: float(b) for key, b in zip(keys, breakpoints, strict=True) if math.isfinite(b)}
        cell: dict[str, Any] = {"x": x, "y": y, "at": at}
        for side, grid in (("base", versions.base), ("ours", ours), ("theirs", versions.theirs)):
            cell[side] = _value(grid, y, x)
        yield cell


def _value(grid: Grid, y: int, x: int) -> dict[str, Any]:
    """One cell of one image; JSON has no infinity and no NaN, which are spelled out as raw values."""
    raw: int | float = grid.raw[y, x].item()
    value: dict[str, Any] = {"raw": raw if math.isfinite(raw) else str(raw)}
    physical = float(grid.physical[y, x])
    if math.isfinite(physical):
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
        fields[side] = {"breakpoints": _numbers(values), **({} if count is None else {"count": count})}
    return fields


def _numbers(values: Numbers) -> list[float | None]:
    return [value if math.isfinite(value) else None for value in values.tolist()]
