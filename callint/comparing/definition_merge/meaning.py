"""Whether two elements mean the same, whatever their layout, order and spelling."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable

from callint.comparing.definition_merge.keys import content_of, local_name
from callint.comparing.definition_merge.schema import element_type
from callint.reading.xml_source import Element, Node, Other


class Meanings:
    """Compares nodes of several files; works out what each of them means once."""

    def __init__(self) -> None:
        self._known: dict[Node, Hashable] = {}

    def equal(self, first: Node, second: Node) -> bool:
        """Whether two nodes mean the same: comments by their text, elements without their comments."""
        return self._of(first) == self._of(second)

    def _of(self, node: Node) -> Hashable:
        if node not in self._known:
            self._known[node] = content_of(node) if isinstance(node, Other) else self._of_element(node)
        return self._known[node]

    def _of_element(self, element: Element) -> Hashable:
        children = Counter(self._of(child) for child in element.children if isinstance(child, Element))
        return (local_name(element), attributes_meaning(element), element.text, frozenset(children.items()))


def attributes_meaning(element: Element) -> Hashable:
    """What the attributes of an element mean; one that has its default is as good as absent."""
    type_ = element_type(local_name(element))
    pairs = ((name, type_.meaning(name, attribute.text)) for name, attribute in element.attributes.items())
    return frozenset(
        (name, meaning)
        for name, meaning in pairs
        if not is_namespace(name) and meaning != type_.meaning(name, None)
    )


def is_namespace(name: str) -> bool:
    """Whether an attribute declares a namespace."""
    return name == "xmlns" or name.startswith("xmlns:")
