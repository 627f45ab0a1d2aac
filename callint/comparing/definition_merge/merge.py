"""Merges three definitions: what only one side changed stands, and what both changed is a conflict."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial

from callint.comparing.definition_merge.adopt import Adopter, indent_of
from callint.comparing.definition_merge.arrange import is_comment, kept, ordered, with_added
from callint.comparing.definition_merge.conflicts import (
    ConflictKind,
    DefinitionChoice,
    DefinitionConflict,
    DefinitionDecision,
    DefinitionMerge,
    ValueVersions,
    leave_open,
)
from callint.comparing.definition_merge.keys import (
    CONTAINERS,
    DOCUMENT,
    NAMESPACE,
    TOGETHER,
    Identity,
    MergedVersion,
    content_of,
    identified,
    is_table,
    is_unnamed,
    local_name,
)
from callint.comparing.definition_merge.meaning import Meanings, is_namespace
from callint.comparing.definition_merge.places import ConflictPlaces
from callint.comparing.definition_merge.schema import ElementType, Meaning, element_type
from callint.comparing.merge import Side
from callint.reading.xml_source import Attribute, Element, Node, Other, XmlSource

_BASE, _OURS, _THEIRS = range(3)

#: A change of the tree of ours.
Edit = Callable[[], None]


def merge_definitions(
    base: XmlSource, ours: XmlSource, theirs: XmlSource, choice: DefinitionChoice = leave_open
) -> DefinitionMerge:
    """Ours with the changes of theirs. The trees must not be used again: the merge changes that of ours.

    If only one side changed the file, the result is that file, byte for byte.
    """
    if theirs.data in (base.data, ours.data):
        return DefinitionMerge(ours.data, ())
    if ours.data == base.data:
        return DefinitionMerge(theirs.data, ())
    return _Merger(base, ours, theirs, choice).run()


class _Merger:
    """One merge: decides about every element, and changes the tree of ours."""

    def __init__(self, base: XmlSource, ours: XmlSource, theirs: XmlSource, choice: DefinitionChoice) -> None:
        self._base = identified(base)
        self._ours = identified(ours, self._base)
        self._theirs = identified(theirs, self._base)
        self._versions = (self._base, self._ours, self._theirs)
        self._choice = choice
        self._meanings = Meanings()
        self._places = ConflictPlaces(self._versions, self._meanings)
        self._adopter = Adopter(ours, theirs)
        self._decisions: list[DefinitionDecision] = []
        self._removed: set[Node] = set()
        self._added: dict[Identity, dict[Identity, Node]] = {}
        self._created: dict[Identity, Element] = {}
        # Values of conflicts come from the trees as they are read, so nothing changes before all is decided.
        self._edits: list[Edit] = []

    def run(self) -> DefinitionMerge:
        self._visit_children(DOCUMENT)
        for identity in self._union(lambda version: version.nodes):
            if self._is(is_table, identity):
                self._visit(identity)
        self._settle_containers()
        for edit in self._edits:
            edit()
        self._arrange()
        decisions = sorted(self._decisions, key=_position)
        return DefinitionMerge(self._ours.source.render(), tuple(decisions))

    # Visiting

    def _union(self, items: Callable[[MergedVersion], Iterable[Identity]]) -> list[Identity]:
        """The identities of all files: those of theirs first, in their order."""
        versions = (self._theirs, self._ours, self._base)
        return list(dict.fromkeys(identity for version in versions for identity in items(version)))

    def _nodes(self, identity: Identity) -> tuple[Node | None, Node | None, Node | None]:
        base, ours, theirs = (version.nodes.get(identity) for version in self._versions)
        return base, ours, theirs

    def _is(self, question: Callable[[Node], bool], identity: Identity) -> bool:
        return any(node is not None and question(node) for node in self._nodes(identity))

    def _visit_children(self, identity: Identity) -> None:
        for child in self._union(lambda version: version.children.get(identity, ())):
            if not self._is(is_table, child):
                self._visit(child)

    def _visit(self, identity: Identity) -> None:
        base, ours, theirs = self._nodes(identity)
        if self._is(is_unnamed, identity):
            self._merge_unnamed(identity)
        elif self._is(_is_container, identity):
            self._merge_container(identity)
        elif base and ours and theirs:
            assert isinstance(base, Element) and isinstance(ours, Element) and isinstance(theirs, Element)
            self._merge_element(identity, base, ours, theirs)
        elif base and ours:
            if self._is_changed(identity, self._ours):
                changes = self._changes(identity, (_BASE, _OURS))
                conflict = self._conflict(ConflictKind.REMOVED, identity, changes, Side.THEIRS)
                self._decide(conflict, lambda: self._remove(ours))
            else:
                self._remove(ours)
        elif base and theirs:
            if self._is_changed(identity, self._theirs):
                changes = self._changes(identity, (_BASE, _THEIRS))
                conflict = self._conflict(ConflictKind.REMOVED, identity, changes, Side.OURS)
                self._decide(conflict, lambda: self._add(identity))
        elif ours and theirs:
            same = self._meanings.equal(ours, theirs)
            moved = self._ours.parents[identity] != self._theirs.parents[identity]
            if not same or moved:
                assert isinstance(ours, Element) and isinstance(theirs, Element)
                changes = self._changes(identity, (_OURS, _THEIRS))
                conflict = self._conflict(ConflictKind.ADDED, identity, changes)
                self._decide(conflict, lambda: self._replace_and_move(identity, ours, theirs))
        elif theirs:
            self._add(identity)

    def _is_changed(self, identity: Identity, side: MergedVersion) -> bool:
        """Whether a side changed an element, or moved it."""
        equal = self._meanings.equal(self._base.nodes[identity], side.nodes[identity])
        return not equal or self._base.parents[identity] != side.parents[identity]

    def _changes(self, identity: Identity, sides: tuple[int, ...]) -> list[ValueVersions]:
        """Everything in which an element differs between two files."""
        changes = list(self._places.differences(identity, sides))
        parents = {self._versions[n].parents[identity] for n in sides}
        return [*changes, self._places.parent(identity)] if len(parents) > 1 else changes

    # Deciding

    def _conflict(
        self,
        kind: ConflictKind,
        identity: Identity,
        values: Iterable[ValueVersions],
        removed_by: Side | None = None,
    ) -> DefinitionConflict:
        place, lines = self._places.place(identity), self._places.lines(identity)
        return DefinitionConflict(kind, place, lines, tuple(values), removed_by)

    def _decide(self, conflict: DefinitionConflict, take: Callable[[], object]) -> None:
        """Decide a conflict; ``take`` makes the version of theirs."""
        side = self._choice(conflict)
        self._decisions.append(DefinitionDecision(conflict, side or Side.OURS, side is None))
        if side is Side.THEIRS:
            take()

    # Elements of all three files

    def _merge_element(self, identity: Identity, base: Element, ours: Element, theirs: Element) -> None:
        if self._base.source.written(base) == self._theirs.source.written(theirs):
            pass  # ours stands, whatever it is
        elif _are_other_elements(base, ours, theirs):
            self._merge_whole(identity, base, ours, theirs)
        else:
            self._merge_values(identity, base, ours, theirs)
            self._visit_children(identity)
        if is_table(ours):
            self._merge_parent(identity)

    def _merge_whole(self, identity: Identity, base: Element, ours: Element, theirs: Element) -> None:
        equal = self._meanings.equal
        if equal(ours, theirs) or equal(base, theirs):
            return
        if equal(base, ours):
            self._replace(ours, theirs)
            return
        changes = self._places.differences(identity, (_BASE, _OURS, _THEIRS))
        conflict = self._conflict(ConflictKind.REPLACED, identity, changes)
        self._decide(conflict, lambda: self._replace(ours, theirs))

    def _merge_values(self, identity: Identity, base: Element | None, ours: Element, theirs: Element) -> None:
        """Merge attributes and text; those of an element that are in conflict are one conflict."""
        contrary: list[ValueVersions] = []
        takes: list[Edit] = []
        for names in _units(base, ours, theirs):
            merge = self._merge_list if _is_list(names, base, ours, theirs) else self._merge_unit
            merge(identity, names, contrary, takes)
        texts = ["" if node is None else node.text for node in (base, ours, theirs)]
        side = _chosen(texts, texts)
        if side is None:
            contrary.append(self._places.attribute(identity, ""))
        if side is not Side.OURS:
            (takes if side is None else self._edits).append(lambda: self._set_text(ours, theirs))
        if contrary:
            conflict = self._conflict(ConflictKind.VALUES, identity, contrary)
            self._decide(conflict, lambda: self._edits.extend(takes))

    def _merge_unit(
        self,
        identity: Identity,
        names: Sequence[str],
        contrary: list[ValueVersions],
        takes: list[Edit],
    ) -> None:
        """Merge attributes that mean something together, mostly one."""
        nodes = [version.element(identity) for version in self._versions]
        ours, theirs = nodes[_OURS], nodes[_THEIRS]
        assert ours is not None and theirs is not None
        texts = [tuple(None if node is None else node.get(name) for name in names) for node in nodes]
        type_ = element_type(local_name(ours))
        meanings = [
            tuple(type_.meaning(name, text) for name, text in zip(names, version, strict=True))
            for version in texts
        ]
        side = _chosen(texts, meanings)
        if side is Side.OURS:
            return
        edits = self._edits
        if side is None:
            edits = takes
            versions = [dict(zip(names, version, strict=True)) for version in meanings]
            contrary += [
                self._places.attribute(identity, name)
                for name in names
                if len({version[name] for version in versions}) > 1
            ]
        for name in names:
            edits.append(partial(self._set_attribute, ours, theirs, name))

    def _merge_list(
        self,
        identity: Identity,
        names: Sequence[str],
        contrary: list[ValueVersions],
        takes: list[Edit],
    ) -> None:
        """Merge a list of as many numbers in all three files, number by number."""
        name = next(name for name in names if element_type_of(self._ours, identity).is_list(name))
        nodes = [version.element(identity) for version in self._versions]
        ours = nodes[_OURS]
        assert ours is not None
        type_ = element_type(local_name(ours))
        lists = [(node.get(name) or "").split() if node is not None else [] for node in nodes]
        for position, texts in enumerate(zip(*lists, strict=True)):
            side = _chosen(texts, [type_.meaning(name, text) for text in texts])
            if side is None:
                contrary.append(self._places.attribute(identity, name, position))
            if side is not Side.OURS:
                edits = takes if side is None else self._edits
                edits.append(partial(_set_number, ours.attributes[name], position, texts[_THEIRS]))

    def _merge_parent(self, identity: Identity) -> None:
        """Merge the group of a table."""
        parents = [version.parents[identity] for version in self._versions]
        side = _chosen(parents, parents)
        if side is Side.THEIRS:
            self._move(identity)
        elif side is None:
            conflict = self._conflict(ConflictKind.MOVED, identity, [self._places.parent(identity)])
            self._decide(conflict, lambda: self._move(identity))

    # Comments and notes

    def _merge_unnamed(self, identity: Identity) -> None:
        nodes = self._nodes(identity)
        ours, theirs = nodes[_OURS], nodes[_THEIRS]
        texts = [None if node is None else content_of(node) for node in nodes]
        side = _chosen(texts, texts)

        def take() -> None:
            if theirs is None:
                assert ours is not None
                self._remove(ours)
            elif ours is None:
                self._add(identity)
            else:
                self._edits.append(lambda: self._set_content(ours, theirs))

        if side is Side.THEIRS:
            take()
        elif side is None:
            removed_by = Side.OURS if ours is None else Side.THEIRS if theirs is None else None
            kind = ConflictKind.COMMENT if self._is(is_comment, identity) else ConflictKind.VALUES
            values = [self._places.attribute(identity, "")]
            self._decide(self._conflict(kind, identity, values, removed_by), take)

    # Containers

    def _merge_container(self, identity: Identity) -> None:
        base, ours, theirs = (version.element(identity) for version in self._versions)
        if ours and theirs:
            self._merge_values(identity, base, ours, theirs)
        elif theirs and not base:
            self._container(identity)
        self._visit_children(identity)

    def _settle_containers(self) -> None:
        """Remove the containers that a side removed and that nothing is left in."""
        containers = [identity for identity in self._base.nodes if self._is(_is_container, identity)]
        for identity in sorted(containers, key=len, reverse=True):  # the inner ones first
            ours, theirs = self._ours.element(identity), self._theirs.element(identity)
            if ours and not theirs:
                inside = [child for child in ours.children if child not in self._removed]
                if all(map(is_comment, inside)):
                    self._remove_container(identity, ours)
            elif theirs and not ours and identity not in self._created:
                changes = list(self._places.own_differences(identity, (_BASE, _THEIRS)))
                if changes:
                    conflict = self._conflict(ConflictKind.REMOVED, identity, changes, Side.OURS)
                    self._decide(conflict, partial(self._container, identity))

    def _remove_container(self, identity: Identity, ours: Element) -> None:
        if changes := list(self._places.own_differences(identity, (_BASE, _OURS))):
            conflict = self._conflict(ConflictKind.REMOVED, identity, changes, Side.THEIRS)
            self._decide(conflict, lambda: self._remove(ours))
        else:
            self._remove(ours)

    def _container(self, identity: Identity) -> Element:
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

    # Changes of ours

    def _remove(self, node: Node) -> None:
        self._removed.add(node)

    def _add(self, identity: Identity) -> None:
        """Add a node of theirs."""
        node, parent = self._theirs.nodes[identity], self._theirs.parents[identity]
        if isinstance(node, Element):
            self._container(parent)
        copy = self._adopter.node(node, self._indents(node, parent))
        self._added.setdefault(parent, {})[identity] = copy

    def _move(self, identity: Identity) -> None:
        """Move a table into the group that theirs has it in."""
        node, parent = self._ours.nodes[identity], self._theirs.parents[identity]
        assert isinstance(node, Element)
        self._container(parent)
        self._removed.add(node)
        theirs = self._theirs.nodes[identity]
        lead = self._adopter.space(theirs.lead, self._indents(theirs, parent))
        self._edits.append(lambda: self._adopter.indent(node, lead))
        self._added.setdefault(parent, {})[identity] = node

    def _replace(self, ours: Element, theirs: Element) -> None:
        indents = indent_of(theirs.lead), indent_of(ours.lead)
        copy = self._adopter.node(theirs, indents)
        assert isinstance(copy, Element)
        self._edits.append(lambda: _become(ours, copy, ours.lead))

    def _replace_and_move(self, identity: Identity, ours: Element, theirs: Element) -> None:
        if self._ours.parents[identity] == self._theirs.parents[identity]:
            self._replace(ours, theirs)
        else:
            self._remove(ours)
            self._add(identity)

    def _set_attribute(self, ours: Element, theirs: Element, name: str) -> None:
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

    def _set_text(self, ours: Element, theirs: Element) -> None:
        ours.content = None if theirs.content is None else self._adopter.text(theirs.content)
        ours.text = theirs.text
        ours.open()

    def _set_content(self, ours: Node, theirs: Node) -> None:
        if isinstance(ours, Other):
            assert isinstance(theirs, Other)
            ours.raw = self._adopter.text(theirs.raw)
        elif isinstance(theirs, Element):
            self._set_text(ours, theirs)

    # Layout

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


def element_type_of(version: MergedVersion, identity: Identity) -> ElementType:
    """The type of an element by the schema."""
    element = version.element(identity)
    assert element is not None
    return element_type(local_name(element))


def _position(decision: DefinitionDecision) -> int:
    """The line of a conflict in ours, or else in the file that has it."""
    base, ours, theirs = decision.conflict.lines
    return ours or theirs or base or 0


def _chosen(texts: Sequence[Meaning], meanings: Sequence[Meaning]) -> Side | None:
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


def _is_container(node: Node) -> bool:
    return isinstance(node, Element) and local_name(node) in CONTAINERS and node.content is None


def _are_other_elements(*nodes: Element) -> bool:
    """Whether versions of an element differ so that attributes and children cannot be merged alone."""
    if len({local_name(node) for node in nodes}) > 1:
        return True
    has_children = {any(isinstance(child, Element) for child in node.children) for node in nodes}
    # A table has a shared axis or one of its own, not both.
    return len(has_children) > 1 and (
        local_name(nodes[0]) in ("x", "y") or any(node.content is not None for node in nodes)
    )


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


def _become(target: Element, source: Element, lead: bytes) -> None:
    """Give an element everything of another one, except the space before it."""
    for name in Element.__slots__:
        setattr(target, name, getattr(source, name))
    target.lead = lead
