"""Where a conflict is, and the values in it: what people and programs get to know about it."""

from __future__ import annotations

from collections.abc import Iterator

from callint.comparing.definition_merge.conflicts import ConflictPlace, ValueVersions, Version
from callint.comparing.definition_merge.keys import (
    CONTAINERS,
    Identity,
    MergedVersion,
    content_of,
    is_unnamed,
    kind_of,
    local_name,
)
from callint.comparing.definition_merge.meaning import Meanings, is_namespace
from callint.comparing.definition_merge.schema import element_type
from callint.reading.xml_source import Element, Node

#: Base, ours and theirs.
Three = tuple[MergedVersion, MergedVersion, MergedVersion]

ABSENT = Version(None, None)

#: The attributes that name an element; the first one that it has.
NAMES = ("name", "signal", "table", "upper", "axis", "conversion", "first", "file")
SECOND_NAMES = {
    "at-most": "bound",
    "equal": "mirror",
    "inverse": "of",
    "gap": "lower",
    "sensor": "curve",
    "gone": "second",
}
_KEYS = {"state": "raw", "point": "raw", "monotonic": "along", "gradient": "along"}
_GUARDS = ("above", "below", "state", "raw", "flat")


class ConflictPlaces:
    """Describes the elements of three files."""

    def __init__(self, versions: Three, meanings: Meanings) -> None:
        self._versions = versions
        self._meanings = meanings

    def place(self, identity: Identity) -> ConflictPlace:
        """The place of an element or comment."""
        # Ours first, because the merged file has its lines.
        version = next(self._versions[n] for n in (1, 2, 0) if identity in self._versions[n].nodes)
        chain = []
        at: Identity | None = identity
        while at:
            chain.append(version.nodes[at])
            at = version.parents.get(at)
        elements = [node for node in reversed(chain) if isinstance(node, Element)]
        # The definition, its sections and the memory are places only for what belongs to them alone.
        depth = 0
        while depth + 1 < len(elements) and (
            depth == 0 or local_name(elements[depth]) in CONTAINERS | {"memory"}
        ):
            depth += 1
        if not elements:
            return ConflictPlace("definition", "", ())
        item, inner = elements[depth], elements[depth + 1 :]
        if depth and is_unnamed(elements[depth]):
            item, inner = elements[depth - 1], elements[depth:]
        kind = kind_of(item)
        attributes = ("start",) if kind == "shift" else NAMES
        names = [item.get(name) or "" for name in attributes if item.get(name)][:1]
        if second := item.get(SECOND_NAMES.get(kind, "")):
            names.append(second)
        element = " ".join(local_name(node) for node in inner)
        return ConflictPlace(
            kind, names[0] if names else "", tuple(names), element, _key(inner[-1]) if inner else ""
        )

    def lines(self, identity: Identity) -> tuple[int | None, int | None, int | None]:
        """The lines of an element in the three files."""
        base, ours, theirs = (
            version.source.line(node.start) if (node := version.nodes.get(identity)) else None
            for version in self._versions
        )
        return base, ours, theirs

    def attribute(self, identity: Identity, name: str, position: int | None = None) -> ValueVersions:
        """An attribute in the three files, or one value of a list; "" for the text of a node."""
        values = [self._value(version, identity, name, position) for version in self._versions]
        element = self.place(identity).element
        return ValueVersions(element, name, values[0], values[1], values[2], position)

    def _value(self, version: MergedVersion, identity: Identity, name: str, position: int | None) -> Version:
        node = version.nodes.get(identity)
        if node is None:
            return ABSENT
        line = version.source.line(node.start)
        if not name:
            text = content_of(node)
            return Version(text, line) if text else ABSENT
        attribute = node.attributes.get(name) if isinstance(node, Element) else None
        if attribute is None:
            return ABSENT
        text = " ".join(attribute.text.split())
        if position is not None:
            text = text.split()[position]
        return Version(text, version.source.line(attribute.start))

    def parent(self, identity: Identity) -> ValueVersions:
        """The groups that a table is in."""
        values = []
        for version in self._versions:
            group = version.element(version.parents.get(identity, ()))
            name = group.get("name") if group is not None else None
            node = version.nodes.get(identity)
            values.append(Version(name, version.source.line(node.start) if node and name else None))
        return ValueVersions("", "group", values[0], values[1], values[2])

    def differences(self, identity: Identity, sides: tuple[int, ...]) -> Iterator[ValueVersions]:
        """Every value in which an element differs between files; ``sides`` are their numbers."""
        nodes = {n: self._versions[n].nodes.get(identity) for n in sides}
        present = [node for node in nodes.values() if node is not None]
        if all(self._meanings.equal(node, present[0]) for node in present[1:]) and len(present) == len(sides):
            return
        elements = [node for node in present if isinstance(node, Element)]
        if len(present) < len(sides) or len({local_name(node) for node in elements}) > 1:
            yield self._whole(identity, nodes)
            return
        yield from self.own_differences(identity, sides)
        children = [self._versions[n].children.get(identity, ()) for n in sides]
        for child in dict.fromkeys(item for items in children for item in items):
            node = next(self._versions[n].nodes[child] for n in sides if child in self._versions[n].nodes)
            if isinstance(node, Element):
                yield from self.differences(child, sides)

    def own_differences(self, identity: Identity, sides: tuple[int, ...]) -> Iterator[ValueVersions]:
        """The attributes and the text in which an element differs between files that all have it."""
        elements = [node for n in sides if (node := self._versions[n].element(identity)) is not None]
        type_ = element_type(local_name(elements[0]))
        for name in dict.fromkeys(name for node in elements for name in node.attributes):
            meanings = {type_.meaning(name, node.get(name)) for node in elements}
            if len(meanings) > 1 and not is_namespace(name):
                yield self._only(self.attribute(identity, name), sides)
        if len({node.text for node in elements}) > 1:
            yield self._only(self.attribute(identity, ""), sides)

    def _whole(self, identity: Identity, nodes: dict[int, Node | None]) -> ValueVersions:
        """A whole element in the files with these numbers."""
        values = [ABSENT] * 3
        for n, node in nodes.items():
            if isinstance(node, Element):
                values[n] = Version(_summary(node), self._versions[n].source.line(node.start))
        return ValueVersions(self.place(identity).element, "", values[0], values[1], values[2])

    def _only(self, versions: ValueVersions, sides: tuple[int, ...]) -> ValueVersions:
        """The versions of these files alone."""
        three = (versions.base, versions.ours, versions.theirs)
        base, ours, theirs = (three[n] if n in sides else ABSENT for n in range(3))
        return ValueVersions(versions.element, versions.attribute, base, ours, theirs, versions.position)


def _key(element: Element) -> str:
    """What tells an element from its siblings of the same name."""
    name = local_name(element)
    if name == "guard":
        return next((kind for kind in _GUARDS if kind in element.attributes), "")
    return element.get(_KEYS.get(name, "")) or ""


def _summary(element: Element) -> str:
    """An element in one line: its name, attributes and text, without its children."""
    attributes = (f'{name}="{value.text}"' for name, value in element.attributes.items())
    inside = [element.text] if element.text else []
    return " ".join([f"<{' '.join([local_name(element), *attributes])}>", *inside])
