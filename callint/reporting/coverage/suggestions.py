"""Suggested axes, curves and maps as lines of a definition, and what speaks for each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from callint import fmt
from callint.decoding.table_suggestions.suggest import UNKNOWN_SIGNAL, Suggestion, Suggestions
from callint.model.definition import Definition, Kind, StoredAxis
from callint.model.definition_counts import usual_byte_order
from callint.reporting.definition.xml import DefinitionWriter, attributes


def kind_of(suggestion: Suggestion) -> str:
    """What a suggestion is: "axis", "curve" or "map"."""
    item = suggestion.item
    return "axis" if isinstance(item, StoredAxis) else "map" if item.kind is Kind.MAP else "curve"


def numbers_of(suggestion: Suggestion) -> str:
    """Count, byte order and type of the numbers, as in "12 by 8 big-endian uint16 numbers"."""
    storage = suggestion.item.storage
    order = "" if storage.type.size == 1 else f" {storage.byte_order.value}-endian"
    shape = f"{suggestion.columns} by {suggestion.rows}" if suggestion.rows > 1 else f"{suggestion.columns}"
    return f"{shape}{order} {storage.type.name} numbers"


def evidence(suggestion: Suggestion, images: Sequence[str]) -> Iterator[str]:
    """What speaks for a suggestion, and what is open, as clauses; ``images`` are those that were compared."""
    low, high = fmt.plain(suggestion.low), fmt.plain(suggestion.high)
    item = suggestion.item
    if isinstance(item, StoredAxis):
        yield f"rises from raw {low} to {high}"
        if item.stored_count is not None:
            yield f"the number at {fmt.address(item.stored_count.at)} is its count"
        if suggestion.users:
            yield f"{fmt.count(suggestion.users, 'suggested table')} of its size"
    else:
        yield f"raw {low} to {high}"
        yield f"neighbours in a row differ by {100 * suggestion.step:.1f} % of this range on average"
        yield f"{'sizes match' if len(item.axes) > 1 else 'size matches'} {' and '.join(item.axes)}"
    if suggestion.other_type:
        yield f"{suggestion.other_type} reads the same numbers"
    cells = suggestion.rows * suggestion.columns
    for name, changed in zip(images, suggestion.changed, strict=False):
        if changed:
            yield f"{changed:,} of {cells:,} changed in {name}"


def suggestion_lines(suggestions: Suggestions, suggestion: Suggestion) -> list[str]:
    """The lines of a suggestion for the ``axes`` or the ``tables`` of a definition."""
    definition = suggestions.definition
    writer = DefinitionWriter(definition, usual_byte_order(definition))
    item = suggestion.item
    if isinstance(item, StoredAxis):
        return [writer.axis(item, named=True)]
    return list(writer.table(item))


def definition_lines(described: Definition, suggestions: Suggestions) -> Iterator[str]:
    """All suggestions as lines for a definition, by the part into which they belong.

    ``described`` is the definition that lacks them. Comments say what a person has to choose.
    """
    axes = [item for item in suggestions.items if isinstance(item.item, StoredAxis)]
    if axes and UNKNOWN_SIGNAL not in described.signals:
        yield "<!-- For signals: replace this signal with those that feed the axes. -->"
        yield f"<signal{attributes(name=UNKNOWN_SIGNAL, unit='-')}/>"
    tables = [item for item in suggestions.items if not isinstance(item.item, StoredAxis)]
    for part, items, missing in (
        ("axes", axes, "name, signal and conversion"),
        ("tables", tables, "name, title, purpose, conversion and limits"),
    ):
        if items:
            yield f"<!-- For {part}: choose {missing}. -->"
        for item in items:
            sign = f"; {item.other_type} reads the same" if item.other_type else ""
            yield f"<!-- {100 * item.confidence:.0f} of 100 such suggestions are right{sign} -->"
            yield from suggestion_lines(suggestions, item)
