"""Sentences about an edit of an image."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from callint import fmt
from callint.comparing.cell_writer import RoundedValue
from callint.model.definition import Definition

#: The most values that are named one by one.
_MOST_VALUES = 3


def edit_remarks(
    definition: Definition, rounded: Sequence[RoundedValue], mirrors: Sequence[str]
) -> Iterator[str]:
    """What was stored in another way than asked for, and what was changed with it."""
    for value in rounded[:_MOST_VALUES]:
        conversion = definition.conversion_of(value.item)
        texts = fmt.format_distinct((value.wanted, value.stored), conversion, value.item.storage)
        wanted, stored = (fmt.with_unit(text, conversion.unit) for text in texts)
        yield f"{wanted} is stored as {stored}, the nearest value that {value.item.name} can hold."
    if (more := len(rounded) - _MOST_VALUES) > 0:
        yield f"{fmt.count(more, 'more value')} rounded to the nearest that can be stored."
    if mirrors:
        yield f"Changed with it, as it must be equal: {', '.join(mirrors)}."
