"""Recognises tables that one side of a merge renamed.

A table whose name is gone, and one whose name is new, are the same table if nothing but the name and what
people read differs, or if both lie at the same place with the same storage, conversion and axes. No second
table on either side may have the same evidence.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping

from callint.comparing.definition_merge.keys import is_table, local_name
from callint.comparing.definition_merge.meaning import attributes_meaning
from callint.comparing.definition_merge.schema import element_type
from callint.reading.xml_source import Element, XmlSource

#: Attributes that say where and how a table is stored.
_PLACE = ("at", "type", "conversion", "byte-order", "stride", "mask", "order", "length", "encoding")
_READ_BY_PEOPLE = ("name", "title")


def table_renames(base: XmlSource, ours: XmlSource, theirs: XmlSource) -> list[dict[str, str]]:
    """The old names of renamed tables by their new names, for ours and for theirs.

    A new name that the other side gives to another table is none: the two tables are in conflict.
    """
    before = dict(_tables(base.root))
    sides = [dict(_tables(side.root)) for side in (ours, theirs)]
    renames = [_renames(before, side) for side in sides]
    for known, other, others in ((renames[0], sides[1], renames[1]), (renames[1], sides[0], renames[0])):
        for new, old in list(known.items()):
            if new in other and others.get(new) != old:
                del known[new]
    return renames


def _tables(root: Element) -> Iterator[tuple[str, Element]]:
    """The tables and texts by name, at any depth of groups."""
    pending = [root]
    while pending:
        element = pending.pop()
        if is_table(element):
            yield element.get("name") or "", element
        else:
            pending += [child for child in element.children if isinstance(child, Element)]


def _renames(before: Mapping[str, Element], after: Mapping[str, Element]) -> dict[str, str]:
    gone = {name: element for name, element in before.items() if name not in after}
    added = {name: element for name, element in after.items() if name not in before}
    renames: dict[str, str] = {}
    for evidence in (_all_but_names, _place):
        if not (gone and added):
            break
        old_names, new_names = _by_evidence(gone, evidence), _by_evidence(added, evidence)
        for key, names in old_names.items():
            partners = new_names.get(key, [])
            if len(names) == len(partners) == 1:
                renames[partners[0]] = names[0]
                del gone[names[0]], added[partners[0]]
    return renames


def _by_evidence(
    elements: Mapping[str, Element], evidence: Callable[[Element], Hashable]
) -> dict[Hashable, list[str]]:
    names: dict[Hashable, list[str]] = {}
    for name, element in elements.items():
        names.setdefault(evidence(element), []).append(name)
    return names


def _all_but_names(element: Element) -> Hashable:
    pairs = attributes_meaning(element)
    assert isinstance(pairs, frozenset)
    return (
        local_name(element),
        frozenset(pair for pair in pairs if pair[0] not in _READ_BY_PEOPLE),
        _children(element, lambda name: name != "note"),
    )


def _place(element: Element) -> Hashable:
    type_ = element_type(local_name(element))
    stored = tuple(type_.meaning(name, element.get(name)) for name in _PLACE)
    return local_name(element), stored, _children(element, lambda name: name in ("x", "y"))


def _children(element: Element, is_wanted: Callable[[str], bool]) -> Hashable:
    """What the children of an element say, at any depth."""
    return frozenset(
        (local_name(child), attributes_meaning(child), child.text, _children(child, lambda name: True))
        for child in element.children
        if isinstance(child, Element) and is_wanted(local_name(child))
    )
