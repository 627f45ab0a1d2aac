"""The tree of ours as it becomes the merged file: what is removed, added, moved and changed in it.

Values of conflicts come from the trees as they are read, so nothing changes before ``finish``.
"""

from __future__ import annotations

from collections.abc import Callable

from callint.comparing.definition_merge.adopt import Adopter, indent_of
from callint.comparing.definition_merge.arrange import kept, ordered, with_added
from callint.comparing.definition_merge.keys import DOCUMENT, Identity
from callint.comparing.definition_merge.places import Three
from callint.reading.xml_source import Element, Node, Other

#: A change of the tree of ours.
Edit = Callable[[], None]


class MergedTree:
    """The tree of ours with the changes that a merge has decided on."""

    def __init__(self, versions: Three) -> None:
        self._base, self._ours, self._theirs = versions
        self._adopter = Adopter(self._ours.source, self._theirs.source)
        self._removed: set[Node] = set()
        self._added: dict[Identity, dict[Identity, Node]] = {}
        self._created: dict[Identity, Element] = {}
        self._edits: list[Edit] = []

    def edit(self, *edits: Edit) -> None:
        """Change the tree at the end, after everything is decided."""
        self._edits += edits

    def is_removed(self, node: Node) -> bool:
        return node in self._removed

    def is_created(self, identity: Identity) -> bool:
        """Whether the merge made a container that ours lacks."""
        return identity in self._created

    def finish(self) -> bytes:
        """Make all changes; the merged file."""
        for edit in self._edits:
            edit()
        self._arrange()
        return self._ours.source.render()

    def container(self, identity: Identity) -> Element:
        """The container in the merged file; made after theirs if ours lacks it."""
        if (ours := self._ours.element(identity)) is not None:
            return ours
        if identity not in self._created:
            theirs = self._theirs.element(identity)
            assert theirs is not None
            parent = self._theirs.parents[identity]
            indents = self._indents(theirs, parent)
            shell = self._adopter.shell(theirs, indents)
            shell.trail = self._adopter.space(theirs.trail, indents)
            self._created[identity] = shell
            self._added.setdefault(parent, {})[identity] = shell
        return self._created[identity]

    def remove(self, node: Node) -> None:
        self._removed.add(node)

    def add(self, identity: Identity) -> None:
        """Add a node of theirs."""
        node, parent = self._theirs.nodes[identity], self._theirs.parents[identity]
        if isinstance(node, Element):
            self.container(parent)
        copy = self._adopter.node(node, self._indents(node, parent))
        self._added.setdefault(parent, {})[identity] = copy

    def move(self, identity: Identity) -> None:
        """Move a table into the group that theirs has it in."""
        node, parent = self._ours.nodes[identity], self._theirs.parents[identity]
        assert isinstance(node, Element)
        self.container(parent)
        self._removed.add(node)
        theirs = self._theirs.nodes[identity]
        lead = self._adopter.space(theirs.lead, self._indents(theirs, parent))
        self._edits.append(lambda: self._adopter.indent(node, lead))
        self._added.setdefault(parent, {})[identity] = node

    def replace(self, ours: Element, theirs: Element) -> None:
        indents = indent_of(theirs.lead), indent_of(ours.lead)
        copy = self._adopter.node(theirs, indents)
        assert isinstance(copy, Element)
        self._edits.append(lambda: _become(ours, copy, ours.lead))

    def replace_and_move(self, identity: Identity, ours: Element, theirs: Element) -> None:
        if self._ours.parents[identity] == self._theirs.parents[identity]:
            self.replace(ours, theirs)
        else:
            self.remove(ours)
            self.add(identity)

    def set_attribute(self, ours: Element, theirs: Element, name: str) -> None:
        new = theirs.attributes.get(name)
        if new is None:
            ours.attributes.pop(name, None)
        elif name in ours.attributes:
            present, copy = ours.attributes[name], self._adopter.attribute(new)
            present.value, present.text = copy.value, copy.text
        else:
            copy = self._adopter.attribute(new)
            copy.lead = b" "
            before = list(theirs.attributes)[: list(theirs.attributes).index(name)]
            anchor = next((other for other in reversed(before) if other in ours.attributes), None)
            items = list(ours.attributes.items())
            position = 0 if anchor is None else [key for key, _ in items].index(anchor) + 1
            items.insert(position, (name, copy))
            ours.attributes.clear()
            ours.attributes.update(items)

    def set_text(self, ours: Element, theirs: Element) -> None:
        ours.content = None if theirs.content is None else self._adopter.text(theirs.content)
        ours.text = theirs.text
        ours.open()

    def set_content(self, ours: Node, theirs: Node) -> None:
        if isinstance(ours, Other):
            assert isinstance(theirs, Other)
            ours.raw = self._adopter.text(theirs.raw)
        elif isinstance(theirs, Element):
            self.set_text(ours, theirs)

    def _indents(self, node: Node, parent: Identity) -> tuple[bytes, bytes]:
        """The indents of a node of theirs and of its neighbours in ours."""
        theirs = indent_of(node.lead)
        ours = self._ours.element(parent)
        if ours is None or b"\n" not in node.lead:
            return theirs, theirs
        neighbour = next((child for child in ours.children if b"\n" in child.lead), None)
        if neighbour is not None:
            return theirs, indent_of(neighbour.lead)
        outer, own = self._theirs.element(parent), indent_of(ours.lead)
        step = theirs.removeprefix(indent_of(outer.lead)) if outer else theirs
        return theirs, own + step

    def _arrange(self) -> None:
        """Take removed nodes out of every element, and put added ones in."""
        parents = {self._ours.parents[self._ours.identities[node]] for node in self._removed}
        for identity in dict.fromkeys([*self._added, *parents]):
            element = self._ours.element(identity) or self._created.get(identity)
            if element is None:
                continue  # comments in a container that ours removed
            before = [(self._ours.identities[child], child) for child in element.children]
            added = self._added.get(identity, {})
            order = self._theirs.children.get(identity, [])
            known = {*order, *self._base.children.get(identity, ())}
            own = {child for child, _ in before if child not in known}
            items = with_added(kept(before, self._removed), added, order, own)
            element.children = [node for _, node in ordered(element, before, items)]
            if added:
                self._open(identity, element)

    def _open(self, identity: Identity, element: Element) -> None:
        """Give an element that had nothing in it an end tag on a line of its own."""
        if element.children and b"\n" in element.children[0].lead and b"\n" not in element.trail:
            theirs = self._theirs.element(identity)
            if identity in self._created:
                element.trail = element.trail or element.lead
            elif theirs is not None and identity != DOCUMENT:
                element.trail = self._ours.source.newline + indent_of(element.lead)
        element.open()


def _become(target: Element, source: Element, lead: bytes) -> None:
    """Give an element everything of another one, except the space before it."""
    for name in Element.__slots__:
        setattr(target, name, getattr(source, name))
    target.lead = lead
