"""XML as a tree that keeps every byte of its file, for changes that leave the rest of the text alone.

``reading/xml.py`` reads what a file means; here each element knows its own bytes. The parser of ``lxml``
decides whether a file is well-formed, and gives names and values. In well-formed XML without a document type
tags, comments and sections can be told apart by their first characters, so a regular expression finds them.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from lxml import etree

from callint.model.errors import InputError
from callint.reading import xml

#: Largest file that is read with all its bytes, and the most elements, attributes and comments together: the
#: tree takes many times the size of the file.
MAX_BYTES, MAX_PARTS = 16 * 2**20, 300_000
#: The most elements in one another; a valid definition has six.
MAX_DEPTH = 16

_TOKEN = re.compile(
    rb"(?P<other><!--.*?-->|<\?.*?\?>)"
    rb"|(?P<section><!\[CDATA\[.*?\]\]>)"
    rb"|(?P<end></[^>]*+>)"
    rb"""|<(?P<name>[^\s/>!?]++)(?P<attributes>(?:[^"'>]++|"[^"]*+"|'[^']*+')*+)>""",
    re.DOTALL,
)
_ATTRIBUTE = re.compile(rb"""(?P<lead>\s+)(?P<name>[^\s=/]+)(?P<equals>\s*=\s*)(?P<value>"[^"]*"|'[^']*')""")
_REMEDY = "merge it line by line, with git merge-file"

_DECLARATION = re.compile(rb"(?:\xef\xbb\xbf)?(?:<\?xml\s.*?\?>)?", re.DOTALL)
_ASCII = re.compile(rb"""<\?xml[^>]*?encoding\s*=\s*["'](?:us-)?ascii["']""", re.IGNORECASE)


@dataclass(slots=True)
class Attribute:
    """One attribute: the space before it, its name as written, and its value with the quotes.

    ``text`` is the value after XML's normalization; ``start`` is its position in the file.
    """

    lead: bytes
    name: bytes
    equals: bytes
    value: bytes
    text: str
    start: int


@dataclass(slots=True, eq=False)
class Other:
    """A comment or processing instruction, and the space before it."""

    lead: bytes
    raw: bytes
    start: int

    def render(self) -> Iterator[bytes]:
        yield self.lead
        yield self.raw


@dataclass(slots=True, eq=False)
class Element:
    """An element, and the space before it.

    An element has either children with space between them, or ``content``: text with all that stands in it,
    as written. ``text`` is that text without markup. ``trail`` is the space before the end tag, ``head_end``
    that before the end of the start tag. Attributes have their names as written. ``start`` and ``end`` are
    positions in the file.
    """

    lead: bytes
    name: bytes
    tag: str
    attributes: dict[str, Attribute]
    head_end: bytes
    is_empty: bool
    start: int
    end: int = -1
    children: list[Node] = field(default_factory=list)
    content: bytes | None = None
    text: str = ""
    trail: bytes = b""
    close: bytes = b""

    def get(self, name: str) -> str | None:
        """The value of an attribute, None without it."""
        attribute = self.attributes.get(name)
        return None if attribute is None else attribute.text

    def render(self) -> Iterator[bytes]:
        yield self.lead
        yield b"<" + self.name
        for attribute in self.attributes.values():
            yield attribute.lead + attribute.name + attribute.equals + attribute.value
        yield self.head_end
        if self.is_empty:
            yield b"/>"
            return
        yield b">"
        if self.content is not None:
            yield self.content
        else:
            for child in self.children:
                yield from child.render()
            yield self.trail
        yield self.close

    def open(self) -> None:
        """Give an element that is only a tag (``<a/>``) a start and an end tag."""
        if self.is_empty:
            self.is_empty = False
            self.close = b"</" + self.name + b">"


Node = Element | Other


@dataclass
class XmlSource:
    """A file: its declaration, and an element without a name around the root and what stands beside it."""

    data: bytes
    declaration: bytes
    document: Element
    root: Element

    def render(self) -> bytes:
        """The file with all changes."""
        parts = [self.declaration]
        for child in self.document.children:
            parts += child.render()
        return b"".join([*parts, self.document.trail])

    def written(self, element: Element) -> bytes:
        """An element as the file has it."""
        return self.data[element.start : element.end]

    def line(self, start: int) -> int:
        """The line of a position, counted from 1."""
        return bisect_left(self._newlines, start) + 1

    @cached_property
    def _newlines(self) -> list[int]:
        return [match.start() for match in re.finditer(b"\n", self.data)]

    @cached_property
    def newline(self) -> bytes:
        """The line end of most lines."""
        return b"\r\n" if 2 * self.data.count(b"\r\n") > self.data.count(b"\n") else b"\n"

    @property
    def is_ascii(self) -> bool:
        """Whether the file declares an encoding without characters beyond ASCII."""
        return _ASCII.match(self.declaration.removeprefix(b"\xef\xbb\xbf")) is not None


def read_source(data: bytes, name: str) -> XmlSource:
    """The tree of a file; ``name`` is for people. InputError if the file is not well-formed."""
    if len(data) > MAX_BYTES:
        raise InputError(
            f"{name}: it is larger than {MAX_BYTES >> 20} MiB, the most that callint merges; split it"
        )
    tree = xml.parse(data)
    if tree.root is None:
        problem = tree.problems[0]
        raise InputError(f"{name}:{problem.line}: {problem.message}; correct it before the merge")
    declaration = _DECLARATION.match(data)
    assert declaration is not None
    document = Element(b"", b"", "", {}, b"", is_empty=False, start=0)
    _Builder(data, tree.root, name).fill(document, declaration.end())
    root = next(child for child in document.children if isinstance(child, Element))
    return XmlSource(data, declaration[0], document, root)


class _Builder:
    """Makes the tree of one file."""

    def __init__(self, data: bytes, root: etree._Element, name: str) -> None:
        self._data = data
        self._parsed = iter(root.iter())
        self._name = name
        self._parts = 0

    def fill(self, document: Element, position: int) -> None:
        """Read everything behind a position into the element around the file."""
        data = self._data
        # The open elements, each with the position of its content and what the parser made of it.
        stack: list[tuple[Element, int, etree._Element | None]] = [(document, position, None)]
        for token in _TOKEN.finditer(data, position):
            element, content, parsed = stack[-1]
            lead = data[position : token.start()]
            position = token.end()
            if token["section"] is not None or lead.strip():
                element.content = b""  # the end tag gives it its text
            if token["end"] is not None:
                stack.pop()
                self._close(element, content, token, lead, parsed)
            elif token["other"] is not None:
                element.children.append(Other(lead, token[0], token.start()))
                self._count(1)
            elif token["name"] is not None:
                child, parsed_child = self._element(token, lead)
                element.children.append(child)
                if not child.is_empty:
                    stack.append((child, position, parsed_child))
                if len(stack) > MAX_DEPTH + 1:
                    raise InputError(f"{self._name}: its elements are more than {MAX_DEPTH} deep; {_REMEDY}")
        document.trail = data[position:]

    def _count(self, parts: int) -> None:
        """Count parts of the tree. InputError if there are too many."""
        self._parts += parts
        if self._parts > MAX_PARTS:
            bound = f"{MAX_PARTS:,} elements, attributes and comments, the most that callint merges"
            raise InputError(f"{self._name}: it has more than {bound}; {_REMEDY}")

    def _close(
        self,
        element: Element,
        content: int,
        token: re.Match[bytes],
        lead: bytes,
        parsed: etree._Element | None,
    ) -> None:
        element.close = token[0]
        element.end = token.end()
        element.trail = lead
        if element.content is not None:
            element.content = self._data[content : token.start()]
            element.children = []
            element.trail = b""
            assert parsed is not None
            element.text = _plain_text(element.content, parsed)

    def _element(self, token: re.Match[bytes], lead: bytes) -> tuple[Element, etree._Element]:
        parsed = next(self._parsed)
        nsmap = parsed.nsmap if b":" in token["attributes"] else {}
        raw = token["attributes"]
        is_empty = raw.endswith(b"/")
        if is_empty:
            raw = raw[:-1]
        attributes = {}
        end = 0
        for match in _ATTRIBUTE.finditer(raw):
            name = match["name"].decode()
            start = token.start("attributes") + match.start("name")
            text = parsed.get(_clark(name, nsmap))
            if text is None:  # a declaration of a namespace
                text = match["value"][1:-1].decode()
            attributes[name] = Attribute(
                match["lead"], match["name"], match["equals"], match["value"], str(text), start
            )
            end = match.end()
        self._count(1 + len(attributes))
        element = Element(
            lead=lead,
            name=token["name"],
            tag=str(parsed.tag),
            attributes=attributes,
            head_end=raw[end:],
            is_empty=is_empty,
            start=token.start(),
            end=token.end(),
        )
        return element, parsed


def _plain_text(content: bytes, parsed: etree._Element) -> str:
    """The text in an element without markup, each run of spaces as one."""
    if len(parsed):
        return content.decode()
    if b"<" not in content:
        return " ".join((parsed.text or "").split())
    return " ".join("".join(str(part) for part in parsed.itertext()).split())


def _clark(name: str, nsmap: Mapping[str | None, str]) -> str:
    """The name of an attribute with its namespace, as the parser has it."""
    prefix, colon, local = name.partition(":")
    if not colon or prefix == "xmlns":
        return name
    namespace = "http://www.w3.org/XML/1998/namespace" if prefix == "xml" else nsmap.get(prefix)
    return f"{{{namespace}}}{local}"
