"""Who set what in an image as JSON, by ``schemas/history.schema.json``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from callint.decoding.decode import Decoded
from callint.decoding.layout import Item
from callint.model.change import Grid
from callint.model.definition import Definition, StoredAxis, Table, Text
from callint.versioning.attribution import Attribution, HistoryEnd, Origin
from callint.versioning.history import HistoryQuery, Setting


def history_document(
    decoded: Decoded, found: Attribution, items: Sequence[Item | Text], image: str, definition: str
) -> dict[str, Any]:
    """The items with the commit that set each cell; ``image`` and ``definition`` are the files' names."""
    document = _document(image, definition, found.origins)
    for item in items:
        numbers = found.of(decoded.layout, item)
        who = [[_commit(found.origins[number]) for number in row] for row in numbers.tolist()]
        if isinstance(item, Text):
            document["texts"].append({"text": item.name, "value": decoded.text(item) or "", **who[0][0]})
        elif isinstance(item, StoredAxis):
            document["axes"].append(_axis(decoded, item, who[0]))
        else:
            document["tables"].append(_table(decoded, item, who))
    document["beginnings"] = [_beginning(one) for one in found.ends]
    document["renames"] = [{**_commit(one.origin), "path": one.path} for one in found.renames]
    return _without_empty(document)


def values_document(
    decoded: Decoded, asked: HistoryQuery, settings: Sequence[Setting], image: str, definition: str
) -> dict[str, Any]:
    """Every value that one cell or text ever had, newest first."""
    document = _document(image, definition, [setting.origin for setting in settings])
    item = asked.item
    if isinstance(item, Text):
        texts = [{"value": setting.text, **_commit(setting.origin)} for setting in settings]
        document["texts"].append({"text": item.name, **texts[0], "values": texts})
    else:
        values = [
            {**_value(setting.grid, asked.x, asked.y), **_commit(setting.origin)}
            for setting in settings
            if setting.grid is not None
        ]
        grid = decoded.grid(item)
        cell = {**_cell(decoded.layout.definition, grid, asked.x, asked.y), **_commit(settings[0].origin)}
        table = _head(decoded.layout.definition, item)
        document["tables"].append({**table, "cells": [{**cell, "values": values}]})
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
    """A commit by its id; nothing for what is not committed yet."""
    return {"commit": origin.id} if origin.id else {}


def _beginning(beginning: HistoryEnd) -> dict[str, str]:
    return {**_commit(beginning.origin), **({"reason": beginning.text} if beginning.text else {})}


def _head(definition: Definition, table: Table) -> dict[str, Any]:
    head = {"table": table.name, "kind": table.kind.value, "purpose": table.purpose.value}
    unit = definition.unit_of(table)
    return {**head, **({"unit": unit} if unit else {})}


def _table(decoded: Decoded, table: Table, who: list[list[dict[str, str]]]) -> dict[str, Any]:
    definition, grid = decoded.layout.definition, decoded.grid(table)
    cells = (
        {**_cell(definition, grid, x, y), **commit}
        for y, row in enumerate(who)
        for x, commit in enumerate(row)
    )
    return {**_head(definition, table), "cells": list(cells)}


def _cell(definition: Definition, grid: Grid, x: int, y: int) -> dict[str, Any]:
    keys = definition.place_keys(grid.table)
    breakpoints = [values[i] for values, i in ((grid.x, x), (grid.y, y)) if values is not None]
    at = {k: float(b) for k, b in zip(keys, breakpoints, strict=True) if math.isfinite(b)}
    return {"x": x, "y": y, "at": at, **_value(grid, x, y)}


def _value(grid: Grid, x: int, y: int) -> dict[str, Any]:
    """The physical and the raw value; nothing for a cell that the image does not hold."""
    if not grid.present[y, x]:
        return {}
    physical, raw = float(grid.physical[y, x]), grid.raw[y, x].item()
    return {
        **({"value": physical} if math.isfinite(physical) else {}),
        "raw": raw if math.isfinite(raw) else str(raw),
        **({"off": True} if grid.off[y, x] else {}),
    }


def _axis(decoded: Decoded, axis: StoredAxis, who: list[dict[str, str]]) -> dict[str, Any]:
    unit = decoded.layout.definition.unit_of(axis)
    values = zip(decoded.breakpoints(axis.name).tolist(), who, strict=True)
    return {
        "axis": axis.name,
        "signal": axis.signal,
        **({"unit": unit} if unit else {}),
        "breakpoints": [
            {"index": n, **({"value": value} if math.isfinite(value) else {}), **commit}
            for n, (value, commit) in enumerate(values)
        ],
    }
