"""What the formats for people and for programs, and the comments in a child, say in the same words."""

from __future__ import annotations

from callint.comparing.relocation.moved_definition import MovedDefinition
from callint.comparing.relocation.result import Candidate, ItemKind, Placement, RelocationEvidence
from callint.fmt import address

#: The kinds of what a child names as gone.
_ELEMENTS = {ItemKind.AXIS: "axis", ItemKind.IDENTITY: "identity", ItemKind.CHECKSUM: "checksum"}


def reason(item: Placement, moved: MovedDefinition) -> str:
    """What speaks for the address of an item, or why it has none."""
    text = item.evidence.value
    if item.count is not None and item.new is not None:
        before = moved.old.axes[item.name].count
        return f"{text}, with {item.count} instead of {before} points"
    if item.evidence is not RelocationEvidence.AXIS_LEFT:
        return text
    names = (name for name in moved.old.tables[item.name].axes if name not in moved.definition.axes)
    return f"{text}: {', '.join(dict.fromkeys(names))}"


#: Why an item has no address although one is likely: the probabilities of addresses suppose the old form.
_OTHER_FORM = frozenset(
    {
        RelocationEvidence.COUNT,
        RelocationEvidence.BESIDE,
        RelocationEvidence.RESIZED,
        RelocationEvidence.AXIS,
        RelocationEvidence.AXIS_LEFT,
        RelocationEvidence.TABLE_LEFT,
        RelocationEvidence.OTHER,
    }
)


def candidates(item: Placement) -> str:
    """The possible addresses, with their probabilities where the item has its old form; "" without any."""
    if item.evidence in _OTHER_FORM:
        addresses = ", ".join(address(one.at) for one in item.candidates)
        return f"{addresses}, if it has its old size and content" if addresses else ""
    return ", ".join(f"{address(one.at)} ({probability(one)})" for one in item.candidates)


def probability(item: Candidate | Placement) -> str:
    """A probability in percent; nothing but a computed value is certain."""
    return f"{100 * min(item.probability, 0.999):.1f} %"


def comments(moved: MovedDefinition) -> dict[tuple[str, str], str]:
    """Why something is gone and where it may lie, by the kind and name of its element; safe in a comment."""
    result = {}
    for item in moved.left:
        known = candidates(item)
        text = f"{item.evidence.value}; {known}" if known else item.evidence.value
        result[_ELEMENTS.get(item.kind, "table"), item.name] = f"{text[0].upper()}{text[1:]}"
    return result
