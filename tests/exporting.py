"""Definitions on the way through a description and back, for tests."""

from __future__ import annotations

from pathlib import Path

from callint.comparing.definitions.diff import compare_definitions
from callint.model.definition import Definition
from callint.model.definition_change import ChangeKind, DefinitionChange, ElementKind
from callint.reading.asap2.build import make_definition
from callint.reading.asap2.parser import read_asap2
from callint.reporting.export.asap2 import description_lines

#: The attributes of a table or axis that the standard has words for.
SAID = {
    *("at", "type", "byte-order", "mask", "order", "conversion", "unit", "count", "count-at", "length"),
    *("off", "off raw", "off allowed"),
    *("limits min", "limits max", "expected min", "expected max", "kind"),
}


def read_back(folder: Path, definition: Definition) -> tuple[Definition, set[str]]:
    """What becomes of a definition on the way through a description, and the names of items left out."""
    rows, losses = description_lines(definition)
    path = folder / "engine.a2l"
    path.write_text("".join(rows), "utf-8")
    imported = make_definition(read_asap2(path), definition.name)
    assert imported.definition is not None
    assert [loss for loss in imported.losses if loss.is_whole] == []
    return imported.definition, {item.name for item in losses if item.is_whole}


def said_changes(old: Definition, new: Definition) -> list[DefinitionChange]:
    """The changes of places, types, conversions and limits that are more than wording."""
    return [
        change
        for change in compare_definitions(old, new).changes
        if change.attribute in SAID
        and change.kind is not ChangeKind.DOCUMENTATION
        # An axis in another unit than its signal has a signal of its own after an import.
        and change.element is not ElementKind.SIGNAL
        # Limits of 0 to 0 are what a description says that gives no limits.
        and not (
            change.attribute.startswith(("limits", "expected")) and change.old == 0 and change.new is None
        )
        # The unit of a signal becomes a conversion that leaves the raw numbers as they are.
        and not (change.element is ElementKind.CONVERSION and change.name.startswith("unit_"))
    ]
