"""What a conflict is called, and the units of the values in it."""

from __future__ import annotations

from callint.comparing.definition_merge.conflicts import ConflictPlace, DefinitionConflict, ValueVersions
from callint.model.definition import Definition

#: How a relation is called by the names of its two tables.
_RELATIONS = {
    "at-most": "relation {} at most {}",
    "equal": "relation {} equal to {}",
    "inverse": "relation {} inverse of {}",
    "gap": "relation {} above {}",
}
_TABLE_VALUES = {
    ("limits", "min"),
    ("limits", "max"),
    ("expected", "min"),
    ("expected", "max"),
    ("change", "max"),
    ("guard", "above"),
    ("guard", "below"),
}


def item_title(place: ConflictPlace) -> str:
    """The name of the item in conflict."""
    if place.kind in _RELATIONS and len(place.names) > 1:
        return _RELATIONS[place.kind].format(*place.names)
    return place.name if place.kind == "table" and place.name else f"{place.kind} {place.name}".rstrip()


def value_label(conflict: DefinitionConflict, value: ValueVersions) -> str:
    """The name of a value inside its item."""
    element = value.element
    if conflict.place.key and element == conflict.place.element:
        element = f"{element} {conflict.place.key}"
    label = f"{element} {value.attribute}".strip() or "text"
    if value.position is not None:
        label += f", number {value.position + 1}"
    return label


def value_unit(definition: Definition | None, conflict: DefinitionConflict, value: ValueVersions) -> str:
    """The unit of a value, "" without one."""
    if definition is None or not value.attribute:
        return ""
    place, attribute = conflict.place, value.attribute
    match place.kind:
        case "table" | "inherited table" if table := definition.tables.get(place.name):
            unit = definition.unit_of(table)
            if (value.element, attribute) in _TABLE_VALUES:
                return unit
            axis = {"x": table.x, "y": table.y}.get(place.key)
            if value.element == "gradient" and attribute == "max" and axis and axis in definition.axes:
                return f"{unit or '1'} per {definition.unit_of(definition.axes[axis]) or '1'}"
        case "signal" if attribute in ("plausible", "operating") and place.name in definition.signals:
            return definition.signals[place.name].unit
        case "conversion" if attribute in ("offset", "physical") and place.name in definition.conversions:
            return definition.conversions[place.name].unit
        case "axis" if attribute in ("values", "start", "step") and place.name in definition.axes:
            return definition.unit_of(definition.axes[place.name])
        case "at-most" | "equal" | "inverse" | "gap" if attribute in ("margin", "tolerance", "min"):
            table = definition.tables.get(place.name)
            return definition.unit_of(table) if table else ""
        case "sensor":
            return {"supply": "V", "pull-up": "Ω"}.get(attribute, "")
    return ""
