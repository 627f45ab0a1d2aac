"""Merges the attributes and the text of an element that all files have."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from functools import partial

from callint.comparing.definition_merge.conflicts import ValueVersions
from callint.comparing.definition_merge.keys import NAMESPACE, TOGETHER, Identity, local_name
from callint.comparing.definition_merge.meaning import is_namespace
from callint.comparing.definition_merge.merged_tree import Edit, MergedTree
from callint.comparing.definition_merge.places import ConflictPlaces, Three
from callint.comparing.definition_merge.schema import Meaning, element_type
from callint.comparing.merge import Side
from callint.reading.xml_source import Attribute, Element

_OURS, _THEIRS = 1, 2


class ElementValues:
    """The values of one element in three files.

    ``conflicts`` are the values that both sides changed differently, and ``takes`` makes those of theirs.
    """

    def __init__(self, versions: Three, places: ConflictPlaces, tree: MergedTree, identity: Identity) -> None:
        self._versions, self._places, self._tree = versions, places, tree
        self._identity = identity
        self.conflicts: list[ValueVersions] = []
        self.takes: list[Edit] = []

    def merge(self) -> None:
        """Change ours to what only theirs changed, and collect the conflicts; ours and theirs have it."""
        base, ours, theirs = (version.element(self._identity) for version in self._versions)
        assert ours is not None and theirs is not None
        for names in _units(base, ours, theirs):
            if _is_list(names, base, ours, theirs):
                self._merge_list(names)
            else:
                self._merge_unit(names)
        texts = ["" if node is None else node.text for node in (base, ours, theirs)]
        side = chosen(texts, texts)
        if side is None:
            self.conflicts.append(self._places.attribute(self._identity, ""))
        if side is not Side.OURS:
            self._edit(side, partial(self._tree.set_text, ours, theirs))

    def _edit(self, side: Side | None, edit: Edit) -> None:
        """Make a change to theirs, or keep it for the decision of a conflict."""
        if side is None:
            self.takes.append(edit)
        else:
            self._tree.edit(edit)

    def _merge_unit(self, names: Sequence[str]) -> None:
        """Merge attributes that mean something together, mostly one."""
        nodes = [version.element(self._identity) for version in self._versions]
        ours, theirs = nodes[_OURS], nodes[_THEIRS]
        assert ours is not None and theirs is not None
        texts = [tuple(None if node is None else node.get(name) for name in names) for node in nodes]
        type_ = element_type(local_name(ours))
        meanings = [
            tuple(type_.meaning(name, text) for name, text in zip(names, version, strict=True))
            for version in texts
        ]
        side = chosen(texts, meanings)
        if side is Side.OURS:
            return
        if side is None:
            versions = [dict(zip(names, version, strict=True)) for version in meanings]
            self.conflicts += [
                self._places.attribute(self._identity, name)
                for name in names
                if len({version[name] for version in versions}) > 1
            ]
        for name in names:
            self._edit(side, partial(self._tree.set_attribute, ours, theirs, name))

    def _merge_list(self, names: Sequence[str]) -> None:
        """Merge a list of as many numbers in all three files, number by number."""
        nodes = [version.element(self._identity) for version in self._versions]
        ours = nodes[_OURS]
        assert ours is not None
        type_ = element_type(local_name(ours))
        name = next(name for name in names if type_.is_list(name))
        lists = [(node.get(name) or "").split() if node is not None else [] for node in nodes]
        for position, texts in enumerate(zip(*lists, strict=True)):
            side = chosen(texts, [type_.meaning(name, text) for text in texts])
            if side is None:
                self.conflicts.append(self._places.attribute(self._identity, name, position))
            if side is not Side.OURS:
                edit = partial(_set_number, ours.attributes[name], position, texts[_THEIRS])
                self._edit(side, edit)


def chosen(texts: Sequence[Meaning], meanings: Sequence[Meaning]) -> Side | None:
    """The side whose version stands, of the versions in base, ours and theirs; None for a conflict.

    A new spelling of the same value is a change that any other change outweighs.
    """
    base, ours, theirs = texts
    if theirs in (ours, base):
        return Side.OURS
    if base == ours:
        return Side.THEIRS
    base, ours, theirs = meanings
    if theirs in (ours, base):
        return Side.OURS
    return Side.THEIRS if base == ours else None


def _units(*nodes: Element | None) -> Iterator[tuple[str, ...]]:
    """The attributes of an element in units: those that mean something together, and each of the others."""
    present = [node for node in nodes if node is not None]
    together = TOGETHER.get(local_name(present[0]), ())
    done: set[str] = set()
    for name in dict.fromkeys(name for node in present for name in node.attributes):
        if name in done or _is_format_namespace(name, present):
            continue
        unit = next((unit for unit in together if name in unit), (name,))
        done.update(unit)
        yield unit


def _is_format_namespace(name: str, nodes: Iterable[Element]) -> bool:
    """Whether an attribute declares the namespace of definitions: every file keeps its own prefix."""
    values = (node.get(name) for node in nodes)
    return is_namespace(name) and NAMESPACE in values


def _is_list(names: Sequence[str], *nodes: Element | None) -> bool:
    """Whether a unit is one list with as many numbers in every file."""
    present = [node for node in nodes if node is not None]
    type_ = element_type(local_name(present[0]))
    used = {name for name in names if any(name in node.attributes for node in present)}
    if len(present) < len(nodes) or len(used) != 1:
        return False
    (name,) = used
    lengths = {len((node.get(name) or "").split()) for node in present}
    return type_.is_list(name) and len(lengths) == 1


def _set_number(attribute: Attribute, position: int, text: str) -> None:
    """Replace one number of a list, and leave the space around the others."""
    quote = attribute.value[:1]
    written = attribute.value[1:-1].decode()
    if "&" in written:
        written = attribute.text  # numbers written as references
    parts = re.split(r"(\s+)", written)
    numbers = [number for number, part in enumerate(parts) if part.strip()]
    parts[numbers[position]] = text
    attribute.value = quote + "".join(parts).encode() + quote
    attribute.text = "".join(parts)
