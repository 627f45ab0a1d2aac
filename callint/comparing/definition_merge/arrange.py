"""Puts added elements where they belong: behind the neighbour that they followed on their own side."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

from callint.comparing.definition_merge.keys import NUMBERED, Identity, local_name
from callint.comparing.definition_merge.schema import Meaning, element_type
from callint.reading.xml_source import Element, Node, Other

#: A node with its identity.
Item = tuple[Identity, Node]


def kept(items: Sequence[Item], removed: set[Node]) -> list[Item]:
    """The items that stay; the first one on a line stays the first one on a line."""
    result = []
    lead: bytes | None = None
    for identity, node in items:
        if node in removed:
            if lead is None and b"\n" in node.lead:
                lead = node.lead
            continue
        if lead is not None and b"\n" not in node.lead:
            node.lead = lead
        lead = None
        result.append((identity, node))
    return result


def with_added(
    items: Sequence[Item],
    added: Mapping[Identity, Node],
    order: Sequence[Identity],
    own: set[Identity],
) -> list[Item]:
    """The items of ours and the added ones, each behind its predecessor in ``order``, that of theirs.

    ``own`` are those that only ours has: what ours added behind a neighbour precedes what theirs added.
    """
    behind: dict[Identity | None, list[Item]] = {}
    present = {identity for identity, _ in items}
    anchor: Identity | None = None
    for identity in order:
        if identity in present:
            anchor = identity
        elif identity in added:
            behind.setdefault(anchor, []).append((identity, added[identity]))
    result: list[Item] = []
    pending = list(behind.get(None, ()))
    for position, (identity, node) in enumerate(items):
        if pending and not _continues(items, position, own):
            result += pending
            pending = []
        result.append((identity, node))
        pending += behind.get(identity, ())
    return result + pending


def _continues(items: Sequence[Item], position: int, own: set[Identity]) -> bool:
    """Whether an item belongs to what ours added behind the item before it."""
    while position < len(items):
        identity, node = items[position]
        if isinstance(node, Element):
            return identity in own
        if b"\n" not in node.lead:
            return identity in own  # a comment at the end of a line
        if identity not in own:
            return False
        position += 1  # a comment on its own line belongs to what follows
    return True


def ordered(parent: Element, before: Sequence[Item], items: list[Item]) -> list[Item]:
    """Items in the order that the format demands of the children of a parent, if they were in it before."""
    if not _is_rising(_ranks(parent, before)):
        return items
    ranks = list(_ranks(parent, items))
    if _is_rising(ranks):
        return items
    return [item for _, item in sorted(zip(ranks, items, strict=True), key=lambda pair: _rank(pair[0]))]


def _rank(rank: Meaning) -> float:
    assert isinstance(rank, int | float)
    return rank


def _is_rising(ranks: Iterator[float] | list[float]) -> bool:
    return all(first <= second for first, second in pairwise(ranks))


def _ranks(parent: Element, items: Sequence[Item]) -> Iterator[float]:
    """The rank of each item; a comment on its own line has that of the element behind it."""
    ranks: list[float] = []
    following = float("inf")
    for position in range(len(items) - 1, -1, -1):
        node = items[position][1]
        if isinstance(node, Element):
            following = _rank_of(parent, node)
            ranks.append(following)
        elif b"\n" in node.lead:
            ranks.append(following)
        else:
            before = (item[1] for item in reversed(items[:position]))
            element = next((item for item in before if isinstance(item, Element)), None)
            ranks.append(following if element is None else _rank_of(parent, element))
    yield from reversed(ranks)


def _rank_of(parent: Element, element: Element) -> float:
    name, parent_name = local_name(element), local_name(parent)
    if attribute := NUMBERED.get(parent_name):
        meaning = element_type(name).meaning(attribute, element.get(attribute))
        try:
            return float(meaning)  # type: ignore[arg-type]
        except (TypeError, ValueError, OverflowError):
            return float("inf")
    sequence = element_type(parent_name).sequence
    return float(sequence.index(name)) if name in sequence else float("inf") if sequence else 0.0


def is_comment(node: Node) -> bool:
    """Whether a node is a comment or a processing instruction."""
    return isinstance(node, Other)
