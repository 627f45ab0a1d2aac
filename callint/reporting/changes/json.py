"""A change set as JSON, by ``schemas/changes.schema.json``."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from callint.decoding.log_residency import LogSummary
from callint.fmt.raw_bits import raw_bits, same_number
from callint.model.change import AxisChange, ChangeSet, Grid, OutputShift, Run, TableChange, TextChange
from callint.model.definition import Definition
from callint.reporting.tables.log_text import log_fields, logged_fields, moved_in_use


def changes_document(
    changes: ChangeSet, old: str, new: str, definition: str, logged: LogSummary | None = None
) -> dict[str, Any]:
    """A change set as a JSON document; old, new and definition are the files' names."""
    document: dict[str, Any] = {
        "format": "callint-changes",
        "version": 1,
        "old": old,
        "new": new,
        "definition": definition,
        "tables": [_table(changes.definition, change, logged) for change in changes.tables],
        "axes": [_axis(changes.definition, change, changes.output_shifts, logged) for change in changes.axes],
        "counts": [{"axis": c.axis.name, "old": c.old, "new": c.new} for c in changes.counts],
        "texts": [
            {"name": c.text.name, "old": c.old, "new": c.new, **hidden_fields(c)} for c in changes.texts
        ],
        "identities": [
            {"name": c.identity.name, "old": c.old.hex(), "new": c.new.hex()} for c in changes.identities
        ],
        "checksums": [{"name": c.checksum.name, "old": c.old, "new": c.new} for c in changes.checksums],
        "unexplained": [_run(run) for run in changes.unexplained],
        "missing": [_run(run) for run in changes.missing],
        "summary": {
            "tables": len(changes.tables),
            "cells": changes.cells,
            "bytes": changes.bytes,
            "unexplained_bytes": sum(run.changed for run in changes.unexplained),
        },
    }
    if logged is not None:
        document["log"] = log_fields(logged)
    for field in ("axes", "counts", "texts", "identities", "checksums", "missing"):
        if not document[field]:
            del document[field]
    return document


def hidden_fields(change: TextChange) -> dict[str, str]:
    """All bytes of a text that reads as it did, in hexadecimal."""
    if change.hidden is None:
        return {}
    return {"old_bytes": change.old_bytes.hex(), "new_bytes": change.new_bytes.hex()}


def _bits(old: np.generic[Any], new: np.generic[Any], unlike: bool) -> dict[str, str]:
    """The bits of two raw numbers, but for those that are told apart by their values."""
    return {} if unlike else {"old_bits": raw_bits(old), "new_bits": raw_bits(new)}


def _run(run: Run) -> dict[str, int]:
    return {"start": run.start, "size": run.size}


def _without_absent(fields: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in fields.items() if value is not None}


def _table(definition: Definition, change: TableChange, logged: LogSummary | None) -> dict[str, Any]:
    table = change.table
    return _without_absent(
        {
            "table": table.name,
            "kind": table.kind.value,
            "purpose": table.purpose.value,
            "unit": definition.unit_of(table) or None,
            "changed": change.count,
            "logged": None if logged is None else logged_fields(change, logged),
            "cells": list(_cells(definition, change)),
        }
    )


def _cells(definition: Definition, change: TableChange) -> Iterator[dict[str, Any]]:
    keys = definition.breakpoint_keys(change.table)
    for y, x in np.argwhere(change.changed).tolist():
        raws = change.old.raw[y, x], change.new.raw[y, x]
        breakpoints = [grid[i] for grid, i in ((change.new.x, x), (change.new.y, y)) if grid is not None]
        yield _without_absent(
            {
                "x": x,
                "y": y,
                "at": {k: float(b) for k, b in zip(keys, breakpoints, strict=True) if math.isfinite(b)},
                "old": _number(change.old.physical[y, x]),
                "new": _number(change.new.physical[y, x]),
                "old_raw": _raw(change.old, y, x),
                "new_raw": _raw(change.new, y, x),
                "old_off": True if change.old.off[y, x] else None,
                "new_off": True if change.new.off[y, x] else None,
                **_bits(*raws, unlike=not same_number(*raws)),
            }
        )


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _raw(grid: Grid, y: int, x: int) -> int | float | str:
    """The raw value; JSON has no infinity and no NaN, which are spelled out."""
    raw: int | float = grid.raw[y, x].item()
    return raw if math.isfinite(raw) else str(raw)


def _axis(
    definition: Definition, change: AxisChange, movements: tuple[OutputShift, ...], logged: LogSummary | None
) -> dict[str, Any]:
    moved = np.flatnonzero(change.changed).tolist()
    breakpoints = (
        {
            "index": i,
            "old": _number(change.old[i]),
            "new": _number(change.new[i]),
            # Breakpoints have no raw numbers beside them.
            **_bits(
                change.old_raw[i], change.new_raw[i], unlike=not same_number(change.old[i], change.new[i])
            ),
        }
        for i in moved
    )
    return _without_absent(
        {
            "axis": change.axis.name,
            "signal": change.axis.signal,
            "unit": definition.unit_of(change.axis) or None,
            "tables": [table.name for table in definition.tables_on(change.axis.name)],
            "breakpoints": [_without_absent(one) for one in breakpoints],
            "outputs": [
                _without_absent(
                    {
                        "table": m.table.name,
                        "old": m.old,
                        "new": m.new,
                        "at": m.at,
                        "switched": m.switched,
                        "in_use": None if logged is None else moved_in_use(change, m.table, logged),
                    }
                )
                for m in movements
                if change.axis.name in m.table.axes
            ],
        }
    )
