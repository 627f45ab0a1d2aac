"""The differences between two definitions as JSON, by ``schemas/definition-changes.schema.json``."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Any

from callint.fmt import decimal_digits
from callint.fmt.definition_changes import change_text, conversion_text
from callint.model.definition import Guard, Interpolated, Linear, Rational, States
from callint.model.definition_change import (
    ChangeKind,
    DefinitionChange,
    DefinitionDiff,
    ImageEffect,
    Move,
    ReadingEffect,
    Value,
)
from callint.reporting.json_fields import finite, without_none


def definition_changes_document(diff: DefinitionDiff, old: str, new: str) -> dict[str, Any]:
    """All differences as a JSON document; ``old`` and ``new`` are the names of the files."""
    return {
        "format": "callint-definition-changes",
        "version": 1,
        "old": old,
        "new": new,
        "changes": change_fields(diff.changes),
        "moves": [_move(move) for move in diff.moves],
        "renames": [{"old": before, "new": after} for before, after in diff.renames.items()],
        "summary": {kind.value: len(diff.of_kind(kind)) for kind in ChangeKind},
    }


def change_fields(changes: Iterable[DefinitionChange]) -> list[dict[str, Any]]:
    """Changes as JSON objects, in their order."""
    return [_change(change) for change in changes]


def _change(change: DefinitionChange) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "kind": change.kind.value,
        "element": change.element.value,
        "name": change.name,
        "other": change.other or None,
        "attribute": change.attribute or None,
        "old": _value(change.old),
        "new": _value(change.new),
        "old_unit": change.old_unit or None,
        "new_unit": change.new_unit or None,
        "old_line": change.old_line,
        "new_line": change.new_line,
        "purpose": change.purpose.value if change.purpose else None,
        "tables": list(change.tables) or None,
        "reading": _reading(change.reading),
        "image": _image(change.in_image),
        "text": change_text(change),
    }
    return without_none(fields)


def _value(value: Value) -> Any:
    """A value as JSON; a number that no double equals is a text of its digits."""
    match value:
        case Guard():
            return _guard(value)
        case Linear() | Rational() | States() | Interpolated():
            return without_none(
                {"name": value.name or None, "unit": value.unit or None, "text": conversion_text(value)}
            )
        case Fraction():
            return decimal_digits(value)
        case bytes():
            return value.hex()
        case tuple():
            return list(value)
        case _:
            return value


def _guard(guard: Guard) -> dict[str, Any]:
    return without_none(
        {
            "above": guard.above,
            "below": guard.below,
            "state": guard.state,
            "raw": guard.raw,
            "flat": True if guard.flat else None,
            "share": guard.share,
        }
    )


def _reading(effect: ReadingEffect | None) -> dict[str, Any] | None:
    if effect is None:
        return None
    if effect.factor is not None:
        return {"factor": effect.factor, "offset": effect.offset}
    return {"lowest": [finite(value) for value in effect.low], "highest": [finite(v) for v in effect.high]}


def _image(effect: ImageEffect | None) -> dict[str, Any] | None:
    if effect is None:
        return None
    return {
        "tables": effect.tables,
        "cells": effect.cells,
        "total": effect.total,
        "table": effect.table,
        "x": effect.x,
        "y": effect.y,
        "place": effect.place,
        "old": finite(effect.old),
        "new": finite(effect.new),
        "unit": effect.unit,
    }


def _move(move: Move) -> dict[str, Any]:
    return {
        "element": move.element.value,
        "shift": move.shift,
        "first": move.first,
        "last": move.last,
        "names": list(move.names),
    }
