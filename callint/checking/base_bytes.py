"""The bytes that restore the base in the place of a finding."""

from __future__ import annotations

from callint.decoding.layout import Item
from callint.decoding.word_order import unsigned_bytes, unsigned_number
from callint.model.finding import Finding
from callint.rules.context import CheckContext

#: A longer run of bytes is not a slip; a report holds the bytes of each finding.
_MOST_BYTES = 4096
#: Rules about the file as a whole: restoring the bytes of the base would not make its checksums right.
_ABOUT_THE_FILE = "image/"


def base_bytes(context: CheckContext, finding: Finding) -> bytes:
    """The bytes that restore the base's cell, text or run of bytes at the place of a finding.

    Bits of other tables in the bytes of a cell stay as they are in the image. Empty if nothing would change,
    if the image or its base lacks the bytes, for a table of several cells (its other edits may be right),
    and for findings about the file as a whole.
    """
    address, size = finding.address, finding.size
    if context.image is None or context.base is None or address is None or not size or size > _MOST_BYTES:
        return b""
    new, old = context.image.view(address, size), context.base.view(address, size)
    if new is None or old is None or new == old or finding.rule.startswith(_ABOUT_THE_FILE):
        return b""
    item = _item(context, finding.table)
    if item is None:
        return old.tobytes()
    if size != item.storage.type.size:
        return b""
    order = item.storage.byte_order
    mask = item.storage.mask or (1 << 8 * size) - 1
    number, base_number = unsigned_number(bytes(new), order), unsigned_number(bytes(old), order)
    restored = number & ~mask | base_number & mask
    return b"" if restored == number else unsigned_bytes(restored, size, order)


def _item(context: CheckContext, name: str) -> Item | None:
    """The table or stored axis of a name; None for a text or an empty name."""
    layout = context.layout
    number = layout.table_items.get(name, layout.axis_items.get(name))
    return None if number is None else layout.items[number]
