"""What identifies an element: the same element of three files has one identity."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, field

from callint.comparing.definition_merge.schema import Meaning, element_type
from callint.reading.xml_source import Element, Node, Other, XmlSource

NAMESPACE = "urn:callint:definition:1"

#: The identity of an element or comment: the identities of those around it, and its own part. A table has
#: only its own, because it stays the same table in another group.
Identity = tuple[Hashable, ...]

#: The identity of the document.
DOCUMENT: Identity = ()

#: Elements that share one set of names.
_KINDS = {
    **dict.fromkeys(("scalar", "curve", "map", "text"), "table"),
    **dict.fromkeys(("linear", "rational", "states", "interpolated"), "conversion"),
    "fixed-axis": "axis",
    "derived-axis": "axis",
    # What differs in a table of the parent is not the table that may replace it as a whole.
    "table": "inherited table",
}
#: The attributes that identify an element among its siblings of the same kind. An element that is not in the
#: table has its ``name``, or is the only one of its kind.
_KEYS = {
    "sensor": ("signal",),
    "state": ("raw",),
    "point": ("raw",),
    "monotonic": ("along",),
    "gradient": ("along",),
    "at-most": ("table", "bound"),
    "equal": ("table", "mirror"),
    "inverse": ("table", "of"),
    "gap": ("upper", "lower"),
    "use": ("file",),
    "titles": ("xml:lang",),
    "translation": ("table", "group", "signal"),
    "shift": ("start",),
    "at": ("table", "axis"),
    "gone": (
        *("table", "demand", "axis", "signal", "conversion", "relation", "first", "second"),
        *("region", "identity", "checksum"),
    ),
}
#: Elements that tables identify.
_RELATIONS = frozenset({"at-most", "equal", "inverse", "gap"})
#: The attributes that say what kind of guard it is; those with a value of their own identify it too.
_GUARD_KINDS, _GUARD_VALUES = ("above", "below", "flat"), ("state", "raw")

#: Attributes that mean something together: halves of two sides would be a thing that neither side made.
TOGETHER: dict[str, tuple[tuple[str, ...], ...]] = {
    "memory": (("start", "size"),),
    "region": (("start", "size"),),
    "shift": (("size", "by"),),
    "identity": (("text", "bytes"),),
    "checksum": (
        ("start", "size"),
        (
            *("algorithm", "complement", "word", "word-order"),
            *("width", "poly", "init", "reflect-in", "reflect-out", "xorout"),
        ),
    ),
    "linear": (("factor", "offset"),),
    "rational": (("a", "b", "c", "d", "e", "f"),),
    "axis": (("count-at", "count-type"),),
    "fixed-axis": (("values", "count", "start", "step"),),
    "derived-axis": (("curve", "by", "count"),),
    "guard": (("above", "below", "state", "raw", "flat"),),
    "scalar": (("type", "mask"),),
    "curve": (("type", "mask"),),
    "map": (("type", "mask"),),
}
#: Elements that hold others and say nothing else, apart from a title.
CONTAINERS = frozenset(
    {"signals", "conversions", "axes", "tables", "relations", "group", "inherited", "titles"}
)
#: Elements in the order of a number, by their parent.
NUMBERED = {"states": "raw", "interpolated": "raw"}


def local_name(node: Element) -> str:
    """The name of an element without the namespace of definitions."""
    return node.tag.removeprefix(f"{{{NAMESPACE}}}")


def kind_of(node: Element) -> str:
    """The kind of an element: tables of all shapes are one kind, and so are conversions and axes."""
    name = local_name(node)
    return _KINDS.get(name, name)


def is_table(node: Node) -> bool:
    """Whether a node is a table or a text."""
    return isinstance(node, Element) and kind_of(node) == "table"


def is_unnamed(node: Node) -> bool:
    """Whether nothing but the text of a node identifies it: a comment or a note."""
    return isinstance(node, Other) or local_name(node) == "note"


def content_of(node: Node) -> str:
    """The text of a comment or note, with each run of spaces as one."""
    if isinstance(node, Other):
        return " ".join(node.raw.decode().split())
    return node.text


def _key(node: Element, renames: Mapping[str, str]) -> tuple[Hashable, ...]:
    name, kind = local_name(node), kind_of(node)
    type_ = element_type(name)
    if name == "guard":
        present = [attribute for attribute in _GUARD_KINDS if attribute in node.attributes]
        values = [(attribute, type_.meaning(attribute, node.get(attribute))) for attribute in _GUARD_VALUES]
        return (kind, *present, *(value for value in values if value[1] is not None))
    attributes = _KEYS.get(name, ("name",))
    meanings: list[Meaning] = [type_.meaning(attribute, node.get(attribute)) for attribute in attributes]
    if renames and (kind == "table" or name in _RELATIONS):
        meanings = [renames.get(text, text) if isinstance(text, str) else text for text in meanings]
    return (kind, *meanings)


@dataclass
class MergedVersion:
    """The nodes of one file by identity; ``children`` has those inside each element, in their order."""

    source: XmlSource
    nodes: dict[Identity, Node] = field(default_factory=dict)
    parents: dict[Identity, Identity] = field(default_factory=dict)
    children: dict[Identity, list[Identity]] = field(default_factory=dict)
    identities: dict[Node, Identity] = field(default_factory=dict)

    def element(self, identity: Identity) -> Element | None:
        """The element with an identity, None without one."""
        node = self.nodes.get(identity)
        return node if isinstance(node, Element) else None


def identified(
    source: XmlSource, base: MergedVersion | None = None, renames: Mapping[str, str] | None = None
) -> MergedVersion:
    """The nodes of a file; comments and notes of a side are matched with those of the base.

    ``renames`` has the old names of tables that the side renamed: they stay the same tables, and the
    relations between them the same relations.
    """
    version = MergedVersion(source)
    version.nodes[DOCUMENT] = source.document
    version.identities[source.document] = DOCUMENT
    occurrences: dict[Identity, int] = {}
    pending = [(source.document, DOCUMENT)]
    while pending:
        element, identity = pending.pop()
        named: dict[Node, Identity] = {}
        for child in element.children:
            if is_unnamed(child):
                continue
            assert isinstance(child, Element)
            key = _key(child, renames or {})
            own = key if is_table(child) else (*identity, key)
            number = occurrences[own] = occurrences.get(own, 0) + 1
            # Only in a wrong file do two elements have one identity.
            named[child] = own if number == 1 else (*own, number)
            pending.append((child, named[child]))
        unnamed = _unnamed(element, identity, named, base)
        version.children[identity] = []
        for child in element.children:
            own = named[child] if child in named else unnamed[child]
            version.nodes[own] = child
            version.parents[own] = identity
            version.children[identity].append(own)
            version.identities[child] = own
    return version


def _unnamed(
    element: Element, identity: Identity, named: dict[Node, Identity], base: MergedVersion | None
) -> dict[Node, Identity]:
    """The identities of comments and notes in an element.

    A comment is that of the base with the same text, or else one that has changed in the same place: before
    the same element. Any other is new, and the same on both sides if its text is.
    """
    items = list(_with_followers(element, named))
    if not items:
        return {}
    matched: dict[Node, Identity] = {}
    known = [] if base is None else list(_unnamed_of(base, identity))
    taken: set[Identity] = set()
    for by_place, by_text in ((True, True), (False, True), (True, False)):
        free: dict[tuple[Hashable, ...], list[Identity]] = {}
        for own, node, follower in known:
            if own not in taken:
                key = _weak_key(node, follower, by_place, by_text)
                free.setdefault(key, []).append(own)
        for candidates in free.values():
            candidates.reverse()  # so that the first one is taken in no time
        for node, follower in items:
            if node not in matched:
                candidates = free.get(_weak_key(node, follower, by_place, by_text), [])
                if candidates:
                    matched[node] = candidates.pop()
                    taken.add(matched[node])
    counts: dict[tuple[str, str], int] = {}
    for node, _ in items:
        if node not in matched:
            text = _sort(node), content_of(node)
            number = counts[text] = counts.get(text, 0) + 1
            matched[node] = (*identity, ("base" if base is None else "new", *text, number))
    return matched


def _weak_key(node: Node, follower: Identity | None, by_place: bool, by_text: bool) -> tuple[Hashable, ...]:
    return (_sort(node), content_of(node) if by_text else "", follower if by_place else None)


def _sort(node: Node) -> str:
    return "note" if isinstance(node, Element) else "comment" if node.raw.startswith(b"<!") else "instruction"


def _with_followers(element: Element, named: dict[Node, Identity]) -> Iterator[tuple[Node, Identity | None]]:
    """Comments and notes, each with the next named element behind it."""
    follower: Identity | None = None
    result = []
    for child in reversed(element.children):
        if child in named:
            follower = named[child]
        else:
            result.append((child, follower))
    yield from reversed(result)


def _unnamed_of(base: MergedVersion, identity: Identity) -> Iterator[tuple[Identity, Node, Identity | None]]:
    element = base.element(identity)
    if element is None:
        return
    named = {child: base.identities[child] for child in element.children if not is_unnamed(child)}
    for node, follower in _with_followers(element, named):
        yield base.identities[node], node, follower
