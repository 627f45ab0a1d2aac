"""A change set as JSON, by ``schemas/changes.schema.json``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from callint.comparing.log_use import axis_use
from callint.decoding.log_residency import LogSummary
from callint.fmt.raw_bits import raw_bits, same_number
from callint.model.change import AxisChange, ChangeSet, OutputShift, Run, TableChange, TextChange
from callint.model.definition import Definition
from callint.reporting.json_fields import cell_position, finite, raw_value, without_none
from callint.reporting.log.json import change_use_fields, log_fields


def changes_document(
    changes: ChangeSet, old: str, new: str, definition: str, log: LogSummary | None = None
) -> dict[str, Any]:
    """A change set as a JSON document; ``old``, ``new`` and ``definition`` are the names of the files."""
    document: dict[str, Any] = {
        "format": "callint-changes",
        "version": 1,
        "old": old,
        "new": new,
        "definition": definition,
        "tables": [_table(changes.definition, change, log) for change in changes.tables],
        "axes": [_axis(changes.definition, change, changes.output_shifts, log) for change in changes.axes],
        "counts": [{"axis": c.axis.name, "old": c.old, "new": c.new} for c in changes.counts],
        "texts": [
            {"name": c.text.name, "old": c.old, "new": c.new, **hidden_text_fields(c)} for c in changes.texts
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
    if log is not None:
        document["log"] = log_fields(log)
    for field in ("axes", "counts", "texts", "identities", "checksums", "missing"):
        if not document[field]:
            del document[field]
    return document


def hidden_text_fields(change: TextChange) -> dict[str, str]:
    """The old and the new bytes, in hexadecimal, of a text that reads the same as before."""
    if change.hidden is None:
        return {}
    return {"old_bytes": change.old_bytes.hex(), "new_bytes": change.new_bytes.hex()}


def _bits(old: np.generic[Any], new: np.generic[Any]) -> dict[str, str]:
    """The bits of two raw numbers."""
    return {"old_bits": raw_bits(old), "new_bits": raw_bits(new)}


def _run(run: Run) -> dict[str, int]:
    return {"start": run.start, "size": run.size}


def _table(definition: Definition, change: TableChange, log: LogSummary | None) -> dict[str, Any]:
    table = change.table
    return without_none(
        {
            "table": table.name,
            "kind": table.kind.value,
            "purpose": table.purpose.value,
            "unit": definition.unit_of(table) or None,
            "changed": change.count,
            "logged": None if log is None else change_use_fields(change, log),
            "cells": list(_cells(definition, change)),
        }
    )


def _cells(definition: Definition, change: TableChange) -> Iterator[dict[str, Any]]:
    for y, x in np.argwhere(change.changed).tolist():
        raws = change.old.raw[y, x], change.new.raw[y, x]
        yield without_none(
            {
                **cell_position(definition, change.new, y, x),
                "old": finite(change.old.physical[y, x]),
                "new": finite(change.new.physical[y, x]),
                "old_raw": raw_value(change.old, y, x),
                "new_raw": raw_value(change.new, y, x),
                "old_off": True if change.old.off[y, x] else None,
                "new_off": True if change.new.off[y, x] else None,
                **(_bits(*raws) if same_number(*raws) else {}),
            }
        )


def _axis(
    definition: Definition, change: AxisChange, shifts: tuple[OutputShift, ...], log: LogSummary | None
) -> dict[str, Any]:
    return without_none(
        {
            "axis": change.axis.name,
            "signal": change.axis.signal,
            "unit": definition.unit_of(change.axis) or None,
            "tables": [table.name for table in definition.tables_on(change.axis.name)],
            "breakpoints": [_breakpoint(change, index) for index in np.flatnonzero(change.changed).tolist()],
            "outputs": [
                _output(change, shift, log) for shift in shifts if change.axis.name in shift.table.axes
            ],
        }
    )


def _breakpoint(change: AxisChange, index: int) -> dict[str, Any]:
    old, new = change.old[index], change.new[index]
    fields = {
        "index": index,
        "old": finite(old),
        "new": finite(new),
        # A breakpoint has no field for its raw number.
        **(_bits(change.old_raw[index], change.new_raw[index]) if same_number(old, new) else {}),
    }
    return without_none(fields)


def _output(change: AxisChange, shift: OutputShift, log: LogSummary | None) -> dict[str, Any]:
    fields = {
        "table": shift.table.name,
        "old": shift.old,
        "new": shift.new,
        "at": shift.at,
        "switched": shift.switched,
        "in_use": None if log is None else axis_use(change, shift.table, log),
    }
    return without_none(fields)
