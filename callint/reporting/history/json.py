"""The commits that set the cells of an image as JSON, by ``schemas/history.schema.json``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from callint.decoding.decode import Decoded
from callint.decoding.layout import Item
from callint.model.change import Grid
from callint.model.definition import Definition, StoredAxis, Table, Text
from callint.reporting.json_fields import cell_position, finite, raw_value
from callint.versioning.attribution import Attribution, HistoryEnd, Origin, ValueTrail
from callint.versioning.history import HistoryQuery, Setting


def history_document(
    decoded: Decoded, attribution: Attribution, items: Sequence[Item | Text], image: str, definition: str
) -> dict[str, Any]:
    """The items with the commit that set each cell.

    ``image`` and ``definition`` are the names of the files.
    """
    document = _document(image, definition, attribution.origins)
    for item in items:
        numbers = attribution.of(decoded.layout, item)
        commits = [[_commit(attribution.origins[number]) for number in row] for row in numbers.tolist()]
        if isinstance(item, Text):
            document["texts"].append({"text": item.name, "value": decoded.text(item) or "", **commits[0][0]})
        elif isinstance(item, StoredAxis):
            document["axes"].append(_axis(decoded, item, commits[0]))
        else:
            document["tables"].append(_table(decoded, item, commits))
    document["beginnings"] = [_end(end) for end in attribution.ends]
    document["renames"] = [{**_commit(rename.origin), "path": rename.path} for rename in attribution.renames]
    return _without_empty(document)


def values_document(
    decoded: Decoded,
    query: HistoryQuery,
    settings: Sequence[Setting],
    image: str,
    definition: str,
    trail: ValueTrail | None = None,
) -> dict[str, Any]:
    """Every value that a cell or a text ever had, the newest first, and who had the present one before."""
    origins = [setting.origin for setting in settings]
    known = {origin.id for origin in origins}
    origins += [step.origin for step in (trail.steps if trail else ()) if step.origin.id not in known]
    document = _document(image, definition, origins)
    item = query.item
    if isinstance(item, Text):
        texts = [{"value": setting.text, **_commit(setting.origin)} for setting in settings]
        document["texts"].append({"text": item.name, **texts[0], "values": texts})
    else:
        values = [
            {**_value(setting.grid, query.x, query.y), **_commit(setting.origin)}
            for setting in settings
            if setting.grid is not None
        ]
        grid = decoded.grid(item)
        cell = {**_cell(decoded.layout.definition, grid, query.x, query.y), **_commit(settings[0].origin)}
        table = _head(decoded.layout.definition, item)
        document["tables"].append({**table, "cells": [{**cell, "values": values}]})
    if trail is not None:
        document["same_value"] = {
            **({"base": trail.base} if trail.base else {}),
            "images": [
                {
                    "image": step.path,
                    **_commit(step.origin),
                    "others": step.others,
                    **({"together": True} if step.is_together else {}),
                }
                for step in trail.steps
            ],
        }
    return _without_empty(document)


def _document(image: str, definition: str, origins: Sequence[Origin]) -> dict[str, Any]:
    return {
        "format": "callint-history",
        "version": 1,
        "image": image,
        "definition": definition,
        "commits": [_origin(origin) for origin in origins if origin.id],
        "tables": [],
        "axes": [],
        "texts": [],
    }


def _without_empty(document: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in document.items() if value or key not in ("axes", "texts", "renames")}


def _origin(origin: Origin) -> dict[str, Any]:
    document: dict[str, Any] = {"id": origin.id, "author": origin.author, "subject": origin.subject}
    if origin.date is not None:
        document["date"] = origin.date.isoformat()
    if origin.is_first:
        document["first"] = True
    return document


def _commit(origin: Origin) -> dict[str, str]:
    """The id of a commit; nothing for a change that is not committed yet."""
    return {"commit": origin.id} if origin.id else {}


def _end(end: HistoryEnd) -> dict[str, str]:
    return {**_commit(end.origin), **({"reason": end.text} if end.text else {})}


def _head(definition: Definition, table: Table) -> dict[str, Any]:
    head = {"table": table.name, "kind": table.kind.value, "purpose": table.purpose.value}
    unit = definition.unit_of(table)
    return {**head, **({"unit": unit} if unit else {})}


def _table(decoded: Decoded, table: Table, commits: list[list[dict[str, str]]]) -> dict[str, Any]:
    definition, grid = decoded.layout.definition, decoded.grid(table)
    cells = (
        {**_cell(definition, grid, x, y), **commit}
        for y, row in enumerate(commits)
        for x, commit in enumerate(row)
    )
    return {**_head(definition, table), "cells": list(cells)}


def _cell(definition: Definition, grid: Grid, x: int, y: int) -> dict[str, Any]:
    return {**cell_position(definition, grid, y, x), **_value(grid, x, y)}


def _value(grid: Grid, x: int, y: int) -> dict[str, Any]:
    """The physical and the raw value; nothing for a cell that the image lacks."""
    if not grid.present[y, x]:
        return {}
    physical = finite(grid.physical[y, x])
    return {
        **({} if physical is None else {"value": physical}),
        "raw": raw_value(grid, y, x),
        **({"off": True} if grid.off[y, x] else {}),
    }


def _axis(decoded: Decoded, axis: StoredAxis, commits: list[dict[str, str]]) -> dict[str, Any]:
    unit = decoded.layout.definition.unit_of(axis)
    values = zip(decoded.breakpoints(axis.name).tolist(), commits, strict=True)
    return {
        "axis": axis.name,
        "signal": axis.signal,
        **({"unit": unit} if unit else {}),
        "breakpoints": [
            {"index": n, **({"value": value} if math.isfinite(value) else {}), **commit}
            for n, (value, commit) in enumerate(values)
        ],
    }
