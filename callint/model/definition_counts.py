"""What is most common in a definition, and how many items of each kind it has."""

from __future__ import annotations

from collections import Counter

from callint.model.definition import ByteOrder, Definition, Kind


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


def usual_byte_order(definition: Definition) -> ByteOrder:
    """The most common byte order of the numbers, big or little."""
    orders = Counter(table.storage.byte_order for table in definition.tables.values())
    orders.update(axis.storage.byte_order for axis in definition.stored_axes)
    return ByteOrder(orders.most_common(1)[0][0].in_word) if orders else ByteOrder.BIG
