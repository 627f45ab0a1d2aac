"""Merges three definitions: what only one side changed stands, and what both changed is a conflict."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from callint.comparing.definition_merge.arrange import is_comment
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
    Identity,
    MergedVersion,
    content_of,
    identified,
    is_table,
    is_unnamed,
    local_name,
)
from callint.comparing.definition_merge.meaning import Meanings
from callint.comparing.definition_merge.merged_tree import MergedTree
from callint.comparing.definition_merge.places import ConflictPlaces
from callint.comparing.definition_merge.renames import table_renames
from callint.comparing.definition_merge.values import ElementValues, chosen
from callint.comparing.merge import Side
from callint.reading.xml_source import Element, Node, XmlSource

_BASE, _OURS, _THEIRS = range(3)


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
        own_renames, their_renames = table_renames(base, ours, theirs)
        self._ours = identified(ours, self._base, own_renames)
        self._theirs = identified(theirs, self._base, their_renames)
        self._versions = (self._base, self._ours, self._theirs)
        self._choice = choice
        self._meanings = Meanings()
        self._places = ConflictPlaces(self._versions, self._meanings)
        self._tree = MergedTree(self._versions)
        self._decisions: list[DefinitionDecision] = []

    def run(self) -> DefinitionMerge:
        self._visit_children(DOCUMENT)
        for identity in self._union(lambda version: version.nodes):
            if self._is(is_table, identity):
                self._visit(identity)
        self._settle_containers()
        data = self._tree.finish()
        decisions = sorted(self._decisions, key=_position)
        return DefinitionMerge(data, tuple(decisions))

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
                self._decide(conflict, lambda: self._tree.remove(ours))
            else:
                self._tree.remove(ours)
        elif base and theirs:
            if self._is_changed(identity, self._theirs):
                changes = self._changes(identity, (_BASE, _THEIRS))
                conflict = self._conflict(ConflictKind.REMOVED, identity, changes, Side.OURS)
                self._decide(conflict, lambda: self._tree.add(identity))
        elif ours and theirs:
            same = self._meanings.equal(ours, theirs)
            moved = self._ours.parents[identity] != self._theirs.parents[identity]
            if not same or moved:
                assert isinstance(ours, Element) and isinstance(theirs, Element)
                changes = self._changes(identity, (_OURS, _THEIRS))
                conflict = self._conflict(ConflictKind.ADDED, identity, changes)
                self._decide(conflict, lambda: self._tree.replace_and_move(identity, ours, theirs))
        elif theirs:
            self._tree.add(identity)

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
            self._merge_values(identity)
            self._visit_children(identity)
        if is_table(ours):
            self._merge_parent(identity)

    def _merge_whole(self, identity: Identity, base: Element, ours: Element, theirs: Element) -> None:
        equal = self._meanings.equal
        if equal(ours, theirs) or equal(base, theirs):
            return
        if equal(base, ours):
            self._tree.replace(ours, theirs)
            return
        changes = self._places.differences(identity, (_BASE, _OURS, _THEIRS))
        conflict = self._conflict(ConflictKind.REPLACED, identity, changes)
        self._decide(conflict, lambda: self._tree.replace(ours, theirs))

    def _merge_values(self, identity: Identity) -> None:
        """Merge attributes and text; those of an element that are in conflict are one conflict."""
        values = ElementValues(self._versions, self._places, self._tree, identity)
        values.merge()
        if values.conflicts:
            conflict = self._conflict(ConflictKind.VALUES, identity, values.conflicts)
            self._decide(conflict, lambda: self._tree.edit(*values.takes))

    def _merge_parent(self, identity: Identity) -> None:
        """Merge the group of a table."""
        parents = [version.parents[identity] for version in self._versions]
        side = chosen(parents, parents)
        if side is Side.THEIRS:
            self._tree.move(identity)
        elif side is None:
            conflict = self._conflict(ConflictKind.MOVED, identity, [self._places.parent(identity)])
            self._decide(conflict, lambda: self._tree.move(identity))

    # Comments and notes

    def _merge_unnamed(self, identity: Identity) -> None:
        nodes = self._nodes(identity)
        ours, theirs = nodes[_OURS], nodes[_THEIRS]
        texts = [None if node is None else content_of(node) for node in nodes]
        side = chosen(texts, texts)

        def take() -> None:
            if theirs is None:
                assert ours is not None
                self._tree.remove(ours)
            elif ours is None:
                self._tree.add(identity)
            else:
                self._tree.edit(lambda: self._tree.set_content(ours, theirs))

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
            self._merge_values(identity)
        elif theirs and not base:
            self._tree.container(identity)
        self._visit_children(identity)

    def _settle_containers(self) -> None:
        """Remove the containers that a side removed and that nothing is left in."""
        containers = [identity for identity in self._base.nodes if self._is(_is_container, identity)]
        for identity in sorted(containers, key=len, reverse=True):  # the inner ones first
            ours, theirs = self._ours.element(identity), self._theirs.element(identity)
            if ours and not theirs:
                inside = [child for child in ours.children if not self._tree.is_removed(child)]
                if all(map(is_comment, inside)):
                    self._remove_container(identity, ours)
            elif theirs and not ours and not self._tree.is_created(identity):
                changes = list(self._places.own_differences(identity, (_BASE, _THEIRS)))
                if changes:
                    conflict = self._conflict(ConflictKind.REMOVED, identity, changes, Side.OURS)
                    self._decide(conflict, partial(self._tree.container, identity))

    def _remove_container(self, identity: Identity, ours: Element) -> None:
        if changes := list(self._places.own_differences(identity, (_BASE, _OURS))):
            conflict = self._conflict(ConflictKind.REMOVED, identity, changes, Side.THEIRS)
            self._decide(conflict, lambda: self._tree.remove(ours))
        else:
            self._tree.remove(ours)


def _position(decision: DefinitionDecision) -> int:
    """The line of a conflict in ours, or else in the file that has it."""
    base, ours, theirs = decision.conflict.lines
    return ours or theirs or base or 0


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
