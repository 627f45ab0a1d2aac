"""The number of items of each kind in a definition."""

from __future__ import annotations

from callint.model.definition import Definition, Kind


def item_counts(definition: Definition) -> dict[str, int]:
    """The number of items by kind, the kinds that people ask for first at the front."""
    kinds = [table.kind for table in definition.tables.values()]
    return {
        **{kind.value: kinds.count(kind) for kind in (Kind.SCALAR, Kind.CURVE, Kind.MAP)},
        "text": len(definition.texts),
        # The axis of one table is named after it, with a slash.
        "shared axis": sum("/" not in name for name in definition.axes),
        "conversion": len(definition.conversions),
        "signal": len(definition.signals),
        "region": len(definition.memory.regions),
        "identity": len(definition.memory.identities),
    }
