"""The axes of a definition, shared ones and those of single tables."""

from __future__ import annotations

import math

from lxml import etree

from callint.model.definition import Axis, FixedAxis, Storage, StoredAxis, StoredCount
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.reading.elements.attributes import required, tag_of, to_real, to_reals
from callint.reading.elements.reader import NUMBER_TYPES, ElementReader


def read_axis(reader: ElementReader, element: etree._Element, name: str | None = None) -> Axis:
    """A shared axis under its own name, or a table's own axis under the given name."""
    name = required(element, "name") if name is None else name
    signal, line = required(element, "signal"), reader.line(element)
    falling = element.get("order") == "falling"
    if tag_of(element) == "fixed-axis":
        return FixedAxis(name, signal, _fixed_values(reader, element), line, falling)
    count = reader.breakpoint_count(element)
    if tag_of(element) == "derived-axis":
        curve, derivation = required(element, "curve"), Derivation(required(element, "by"))
        return DerivedAxis(name, signal, curve, derivation, count, line, falling)
    at = reader.address(element, "at")
    storage = reader.storage(element)
    stored_count = None
    if element.get("count-at") is not None:
        count_type = NUMBER_TYPES[element.get("count-type", "uint8")]
        count_storage = Storage(count_type, reader.byte_order_of(element), count_type.size)
        stored_count = StoredCount(reader.address(element, "count-at"), count_storage)
    elif element.get("count-type") is not None and element not in reader.flagged:
        reader.report(element, "count-type needs count-at")
    conversion = element.get("conversion")
    return StoredAxis(name, signal, at, storage, conversion, count, stored_count, line, falling)


def _fixed_values(reader: ElementReader, element: etree._Element) -> tuple[float, ...]:
    listed = element.get("values")
    given = [key for key in ("count", "start", "step") if element.get(key) is not None]
    if (listed is None) == (not given) or (listed is None and len(given) < 3):
        raise ValueError("give either values, or count, start and step")
    if listed is not None:
        return to_reals(listed)
    start, step = to_real(required(element, "start")), to_real(required(element, "step"))
    values = tuple(start + step * index for index in range(reader.breakpoint_count(element)))
    if not math.isfinite(values[-1]):
        raise ValueError("the last breakpoint is too large a number")
    return values
