"""Whole tables of one image as JSON, by ``schemas/tables.schema.json``."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint import __version__
from callint.decoding.decode import Decoded
from callint.decoding.digest import axis_digest, table_digest
from callint.model.change import Flags, Numbers
from callint.model.definition import Axis, States, StoredAxis, Table, Text
from callint.reporting.tables.values import raw_number


def tables_json(
    image: str, path: str, decoded: Decoded, tables: Iterable[Table | Text], axes: Iterable[Axis]
) -> str:
    """Tables, texts and axes with all their cells, as one document.

    ``image`` and ``path`` are the names of the image's and of the definition's file.
    """
    document = {
        "format": "callint-tables",
        "version": 1,
        "callint": __version__,
        "image": image,
        "definition": path,
        "tables": [
            _table(decoded, table) if isinstance(table, Table) else _text(decoded, table) for table in tables
        ],
        "axes": [_axis(decoded, axis) for axis in axes],
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _table(decoded: Decoded, table: Table) -> dict[str, Any]:
    definition, grid = decoded.layout.definition, decoded.grid(table)
    conversion = definition.conversion_of(table)
    document: dict[str, Any] = {
        "table": table.name,
        "kind": table.kind.value,
        "title": table.title,
        "purpose": table.purpose.value,
        "unit": definition.unit_of(table),
        "type": table.storage.type.name,
        "address": table.at,
        "digest": str(table_digest(decoded, table)),
    }
    for key, axis in (("x", table.x), ("y", table.y)):
        if axis is not None:
            document[key] = _axis(decoded, definition.axes[axis])
    has_value = grid.present & ~grid.off
    document["values"] = [_values(*row) for row in zip(grid.physical, has_value, strict=True)]
    document["raw"] = [_raw(*row) for row in zip(grid.raw, grid.present, strict=True)]
    if grid.off.any():
        document["off"] = [{"x": x, "y": y} for y, x in np.argwhere(grid.off).tolist()]
    if isinstance(conversion, States):
        document["states"] = [{"raw": raw, "name": name} for raw, name in conversion.names.items()]
    return document


def _values(values: Numbers, has_value: Flags) -> list[float | None]:
    return [
        value if is_valid and math.isfinite(value) else None
        for value, is_valid in zip(values.tolist(), has_value.tolist(), strict=True)
    ]


def _raw(raws: NDArray[Any], present: Flags) -> list[int | float | str | None]:
    return [raw_number(raw) if is_present else None for raw, is_present in zip(raws, present, strict=True)]


def _text(decoded: Decoded, text: Text) -> dict[str, Any]:
    document: dict[str, Any] = {
        "table": text.name,
        "kind": "text",
        "title": text.title,
        "purpose": text.purpose.value,
        "address": text.at,
        "length": text.length,
    }
    data, content = decoded.image.read(text.at, text.length), decoded.text(text)
    if data is not None and content is not None:
        document |= {"text": content, "bytes": data.hex()}
    return document


def _axis(decoded: Decoded, axis: Axis) -> dict[str, Any]:
    definition, layout = decoded.layout.definition, decoded.layout
    values = decoded.breakpoints(axis.name)
    document: dict[str, Any] = {
        "axis": axis.name,
        "signal": axis.signal,
        "unit": definition.unit_of(axis),
        "breakpoints": _values(values, np.isfinite(values)),
    }
    if isinstance(axis, StoredAxis):
        item = layout.axis_items[axis.name]
        document["raw"] = _raw(decoded.raw_of(item)[0], decoded.of_item(decoded.present, item)[0])
        document |= {"type": axis.storage.type.name, "address": axis.at}
        document["digest"] = str(axis_digest(decoded, axis.name))
    return document
