"""Nodes of another file in the form of this one: its line ends, its indents, its prefix, its characters."""

from __future__ import annotations

import re

from callint.comparing.definition_merge.keys import NAMESPACE
from callint.reading.xml_source import Attribute, Element, Node, Other, XmlSource

_NEWLINE = re.compile(rb"\r\n?|\n")


class Adopter:
    """Makes copies of nodes of ``theirs`` that fit into ``ours``."""

    def __init__(self, ours: XmlSource, theirs: XmlSource) -> None:
        self._newline = ours.newline
        self._is_ascii = ours.is_ascii
        self._prefix = _prefix(ours.root)
        self._same_prefix = self._prefix == _prefix(theirs.root)

    def text(self, raw: bytes) -> bytes:
        """Bytes of theirs with the line ends and characters of ours."""
        raw = _NEWLINE.sub(lambda _: self._newline, raw)
        if self._is_ascii and not raw.isascii():
            raw = raw.decode().encode("ascii", "xmlcharrefreplace")
        return raw

    def attribute(self, attribute: Attribute) -> Attribute:
        """A copy of an attribute."""
        lead = self.text(attribute.lead)
        return Attribute(
            lead, attribute.name, attribute.equals, self.text(attribute.value), attribute.text, -1
        )

    def node(self, node: Node, indents: tuple[bytes, bytes] = (b"", b"")) -> Node:
        """A copy of a comment, or of an element with everything in it.

        ``indents`` are those of the node in theirs and in ours.
        """
        if isinstance(node, Other):
            return Other(self.space(node.lead, indents), self.text(node.raw), -1)
        copy = self.shell(node, indents)
        copy.children = [self.node(child, indents) for child in node.children]
        copy.trail = self.space(node.trail, indents)
        return copy

    def shell(self, element: Element, indents: tuple[bytes, bytes] = (b"", b"")) -> Element:
        """A copy of an element without its children."""
        name = self.name(element)
        return Element(
            lead=self.space(element.lead, indents),
            name=name,
            tag=element.tag,
            attributes={key: self.attribute(value) for key, value in element.attributes.items()},
            head_end=self.text(element.head_end),
            is_empty=element.is_empty,
            start=-1,
            content=None if element.content is None else self.text(element.content),
            text=element.text,
            close=b"" if element.is_empty else b"</" + name + b">",
        )

    def name(self, element: Element) -> bytes:
        """The name of an element with the prefix of ours."""
        if self._same_prefix or not element.tag.startswith(f"{{{NAMESPACE}}}"):
            return element.name
        return self._prefix + element.name.rpartition(b":")[2]

    def space(self, space: bytes, indents: tuple[bytes, bytes]) -> bytes:
        """The space between two nodes: the line ends of ours, and its indent in place of that of theirs."""
        old, new = indents
        space = self.text(space)
        if old == new or self._newline not in space:
            return space
        before, newline, indent = space.rpartition(self._newline)
        return before + newline + (new + indent[len(old) :] if indent.startswith(old) else indent)

    def indent(self, element: Element, lead: bytes) -> None:
        """Put an element of ours behind other space, and indent everything in it accordingly."""
        indents = indent_of(element.lead), indent_of(lead)
        if b"\n" in element.lead and b"\n" in lead and indents[0] != indents[1]:
            self._indent_inside(element, indents)
        element.lead = lead

    def _indent_inside(self, element: Element, indents: tuple[bytes, bytes]) -> None:
        for child in element.children:
            child.lead = self.space(child.lead, indents)
            if isinstance(child, Element):
                self._indent_inside(child, indents)
        element.trail = self.space(element.trail, indents)


def indent_of(lead: bytes) -> bytes:
    """The space at the beginning of the line, from the space before a node."""
    return lead.rpartition(b"\n")[2] if b"\n" in lead else b""


def _prefix(root: Element) -> bytes:
    prefix, colon, _ = root.name.rpartition(b":")
    return prefix + colon
