"""A comparison of two software versions as JSON, by ``schemas/software-changes.schema.json``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from callint.comparing.softwares.pairs import SoftwareTables
from callint.comparing.softwares.result import IdentityPair, RespacedTable, SlightDifference, SoftwareChange
from callint.decoding.log_residency import LogSummary
from callint.model.change import Grid, TableChange
from callint.model.definition import Definition, States, Table, Text
from callint.reporting.json_fields import cell_position, finite, without_none
from callint.reporting.log.json import change_use_fields, log_fields
from callint.reporting.softwares.wording import cause_text


def software_changes_document(
    change: SoftwareChange,
    names: tuple[str, str],
    definitions: tuple[str, str],
    log: LogSummary | None = None,
) -> dict[str, Any]:
    """A comparison as a JSON document; ``names`` and ``definitions`` are the files, old before new."""
    document: dict[str, Any] = {
        "format": "callint-software-changes",
        "version": 1,
        "old": names[0],
        "new": names[1],
        "old_definition": definitions[0],
        "new_definition": definitions[1],
        **({} if change.at is None else {"at": dict(change.at)}),
        "identities": [_identity(item) for item in change.identities],
        "tables": [_table(change, table, log) for table in change.changes.tables],
        "slight": [_slight_table(change, item) for item in change.slight],
        "respaced": [
            {"table": name, "axes": _axes(respaced.pair, respaced)}
            for name, respaced in change.respaced.items()
        ],
        "renamed": [{"old": old.name, "new": new.name} for old, new in change.renamed],
        "uncompared": [
            {
                "old": item.old.name,
                "new": item.new.name,
                "reason": item.cause.code,
                "message": cause_text(item.cause),
            }
            for item in change.uncompared
        ],
        "only_old": [_item(item) for item in change.only_old],
        "only_new": [_item(item) for item in change.only_new],
        "texts": [
            {"name": text.text.name, "old": text.old, "new": text.new} for text in change.changes.texts
        ],
        "summary": _summary(change),
    }
    return document if log is None else {**document, "log": log_fields(log)}


def _identity(item: IdentityPair) -> dict[str, Any]:
    """An identity in both versions; a side that lacks it is left out."""
    return without_none(
        {
            "name": item.name,
            "old": None if item.old is None else item.old.hex(),
            "new": None if item.new is None else item.new.hex(),
        }
    )


def _slight_table(change: SoftwareChange, slight: SlightDifference) -> dict[str, Any]:
    """A table that differs by no more than rounding or other breakpoints explain."""
    compared = change.changes.definition
    return {
        **_head(compared, slight.change.table, slight.pair, change.respaced.get(slight.pair.new.name)),
        "reason": "rounding" if slight.is_rounding else "breakpoints",
        **_cell(compared, slight.change, *slight.change.largest),
    }


def _summary(change: SoftwareChange) -> dict[str, int]:
    return {
        "tables": len(change.changes.tables),
        "slight": sum(not item.is_rounding for item in change.slight),
        "rounding": sum(item.is_rounding for item in change.slight),
        "equal": change.equal,
        "uncompared": len(change.uncompared),
        "only_old": len(change.only_old),
        "only_new": len(change.only_new),
        "unknown_points": sum(change.unknown.values()),
    }


def _head(
    definition: Definition, table: Table, pair: SoftwareTables, respaced: RespacedTable | None
) -> dict[str, Any]:
    """What a compared table is."""
    return without_none(
        {
            "table": table.name,
            "old_name": pair.old.name if pair.is_renamed else None,
            "kind": table.kind.value,
            "purpose": table.purpose.value,
            "unit": definition.unit_of(table) or None,
            "old_unit": None if pair.conversion.is_identity else pair.units[0],
            "axes": None if respaced is None else _axes(pair, respaced),
        }
    )


def _axes(pair: SoftwareTables, respaced: RespacedTable) -> list[dict[str, Any]]:
    """The number of breakpoints by axis; 0 if the table has no such axis."""
    return [
        {"signal": axis.signal, "unit": axis.unit, "old": old, "new": new, "points": points}
        for axis, (old, new, points) in zip(pair.axes, respaced.counts, strict=True)
    ]


def _table(change: SoftwareChange, table: TableChange, log: LogSummary | None) -> dict[str, Any]:
    name, compared = table.table.name, change.changes.definition
    return without_none(
        {
            **_head(compared, table.table, change.pairs[name], change.respaced.get(name)),
            "points": table.changed.size,
            "changed": table.count,
            "unknown": change.unknown.get(name),
            "logged": None if log is None else change_use_fields(table, log),
            "cells": list(_cells(compared, table)),
        }
    )


def _cells(definition: Definition, change: TableChange) -> Iterator[dict[str, Any]]:
    for y, x in np.argwhere(change.changed).tolist():
        yield _cell(definition, change, y, x)


def _cell(definition: Definition, change: TableChange, y: int, x: int) -> dict[str, Any]:
    """The values of both sides at a point."""
    position = cell_position(definition, change.new, y, x)
    return {
        "at": position["at"],
        **_value(definition, change.old, "old", y, x),
        **_value(definition, change.new, "new", y, x),
    }


def _value(definition: Definition, grid: Grid, side: str, y: int, x: int) -> dict[str, Any]:
    """The value of one side: a number or null, and the name of a state; or that it is off."""
    if grid.off[y, x]:
        return {side: None, f"{side}_off": True}
    value = finite(grid.physical[y, x])
    conversion = definition.conversion_of(grid.table)
    if isinstance(conversion, States) and value is not None:
        return {side: conversion.names[int(value)]}
    return {side: value}


def _item(item: Table | Text) -> dict[str, Any]:
    kind = "text" if isinstance(item, Text) else item.kind.value
    return {"name": item.name, "kind": kind, "purpose": item.purpose.value}
