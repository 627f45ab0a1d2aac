"""XML of strangers into a tree with line numbers, or into problems.

Nothing in the file runs or is fetched: a document type is refused before parsing, so there are no entities to
expand or load. The encoding must be UTF-8, and the size is bounded.
"""

from __future__ import annotations

import re
from array import array
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from itertools import islice

from lxml import etree

from callint.reading import xml_order, xml_syntax
from callint.reading.resources import resource

#: Largest file that is read, in bytes.
MAX_BYTES = 128 * 2**20

#: The children of a definition that must come first.
_FIRST = tuple(f"{{urn:callint:definition:1}}{name}" for name in ("title", "memory"))

_MISC = re.compile(rb"\s+|<\?.*?\?>|<!--.*?-->", re.DOTALL)
_NOT_ASCII = re.compile(rb"[\x80-\xFF]")
_ENCODING = re.compile(rb"""^<\?xml[^>]*?encoding\s*=\s*["']([^"']*)["']""")


@dataclass(frozen=True, slots=True)
class XmlProblem:
    """A problem with the file, at a line counted from 1; ``hint`` is an instruction, "" for the usual one."""

    line: int
    message: str
    hint: str = ""


@dataclass(frozen=True, slots=True)
class XmlDocument:
    """A parsed file: its root, or None with the problems that kept it from being parsed.

    ``lines`` has the line on which each element begins, as far as known. ``recovered`` is what the parser
    made of a file that is not well-formed: correct up to the line of the first problem, and a guess after it.
    ``is_valid`` says whether the tree is known to be valid by the definition schema.
    """

    root: etree._Element | None
    problems: tuple[XmlProblem, ...] = ()
    lines: Mapping[etree._Element, int] = field(default_factory=dict)
    recovered: XmlDocument | None = None
    is_valid: bool = False

    def line_of(self, element: etree._Element) -> int:
        """The line on which an element begins, counted from 1."""
        return self.lines.get(element) or int(element.sourceline or 1)


def refusal(data: bytes) -> XmlProblem | None:
    """The problem for which a file is not parsed at all, or None."""
    if len(data) > MAX_BYTES:
        return XmlProblem(1, f"the file is larger than {MAX_BYTES >> 20} MiB, the most that callint reads")
    # UTF-16 and UTF-32 have NUL bytes in every XML file, and UTF-8 text has none.
    invalid = data.find(b"\0")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        invalid = error.start
    if invalid >= 0:
        line = data.count(b"\n", 0, invalid) + 1
        return XmlProblem(line, "the file is not UTF-8 text; save it as UTF-8")
    if encoding := _ENCODING.match(data.removeprefix(b"\xef\xbb\xbf")):
        name = encoding[1].decode("ascii", "replace")
        if name.lower() not in {"utf-8", "us-ascii", "ascii"}:
            return XmlProblem(1, f"the file declares the encoding {shortened(name)!r}; save it as UTF-8")
        if name.lower() != "utf-8" and (character := _NOT_ASCII.search(data, 3)):
            line = data.count(b"\n", 0, character.start()) + 1
            return XmlProblem(line, f"the file declares {name}, but this line is not; declare UTF-8")
    position = prolog_end(data)
    if data.startswith(b"<!DOCTYPE", position):
        line = data.count(b"\n", 0, position) + 1
        return XmlProblem(line, "a document type (DOCTYPE) is not accepted; remove it")
    return None


def prolog_end(data: bytes) -> int:
    """Where the document type or the outermost element begins, behind declaration, comments and spaces."""
    position = 3 if data.startswith(b"\xef\xbb\xbf") else 0
    while skipped := _MISC.match(data, position):
        position = skipped.end()
    return position


def parse(data: bytes, is_definition: bool = False) -> XmlDocument:
    """The tree of well-formed XML, or all the problems that prevent it.

    With ``is_definition`` the tree is validated by the definition schema while it is parsed.
    """
    if problem := refusal(data):
        return XmlDocument(None, (problem,))
    if is_definition:
        # While parsing, the validator does not locate problems, which takes time quadratic in the siblings.
        with suppress(etree.XMLSyntaxError):
            root = etree.fromstring(data, _parser(schema=_schema().compiled))
            return XmlDocument(root, lines=_lines_of(root, data), is_valid=True)
    try:
        root = etree.fromstring(data, _parser())
        return XmlDocument(root, lines=_lines_of(root, data))
    except etree.XMLSyntaxError as error:
        recovered, problems = _recover(data)
        if not problems:
            problems = (XmlProblem(error.lineno or 1, str(error)),)
        return XmlDocument(None, problems, recovered=None if recovered is None else XmlDocument(recovered))


#: In well-formed XML, "<" and a name outside these three constructs always begins an element.
_TOKEN = re.compile(rb"<!--.*?-->|<\?.*?\?>|<!\[CDATA\[.*?\]\]>|<(?=[^/!?])", re.DOTALL)


def _lines_of(root: etree._Element, data: bytes) -> dict[etree._Element, int]:
    """The line on which each element's start tag begins."""
    return dict(zip(root.iter(), _start_lines(data), strict=False))


def _start_lines(data: bytes) -> array[int]:
    """The lines on which start tags begin, in the order of the file.

    The parser keeps only the line where a start tag ends, and none above line 65,535.
    """
    lines = array("I")
    line, position = 1, 0
    for token in _TOKEN.finditer(data):
        if len(token[0]) == 1:
            line += data.count(b"\n", position, token.start())
            position = token.start()
            lines.append(line)
    return lines


#: Bytes that are parsed before their items are read.
_STEP = 2**16

#: An element that holds items, and an item in it; None where the first begins.
Item = tuple["etree._Element", "etree._Element | None"]


def items_of(root: etree._Element) -> Iterator[Item]:
    """The items of a tree in their order, each with the element that holds it."""
    yield root, None
    for element in root:
        if element.tag in _HOLDERS:
            yield from items_of(element)
        else:
            yield root, element


@dataclass(eq=False)
class InvalidError(Exception):
    """A file is not valid, or ends too early; it ``may_be_valid`` if the parser only gave warnings."""

    may_be_valid: bool = True


class ElementStream:
    """The items of a valid definition, read one after the other: the whole tree would take 30 times the file.

    An item is there until the next one is asked for; those that the outermost element holds stay.
    """

    def __init__(self, data: bytes) -> None:
        """``data`` must not be refused by ``refusal``."""
        self._data = data
        self._lines: dict[etree._Element, int] = {}

    def line_of(self, element: etree._Element) -> int:
        """The line on which an element of the present item begins, or a holder of it, counted from 1."""
        return self._lines.get(element) or 1

    def __iter__(self) -> Iterator[Item]:
        """Raises etree.XMLSyntaxError or InvalidError for a file that is not valid, perhaps at its end."""
        is_complete = False
        lines = iter(_start_lines(self._data))
        holders: list[etree._Element] = []
        inside: list[etree._Element] = []
        for event, element in self._events():
            if event == "start":
                self._lines[element] = next(lines, 1)
                if not inside and (element.tag in _HOLDERS or not holders):
                    holders.append(element)
                    yield element, None
                else:
                    inside.append(element)
            elif inside:
                inside.pop()
                if not inside:
                    yield holders[-1], element
                    if len(holders) > 1:
                        self._forget(element)
            else:
                holder = holders.pop()
                is_complete = not holders
                if holders:
                    self._forget(holder)
        if not is_complete:
            raise InvalidError

    def _events(self) -> Iterator[tuple[str, etree._Element]]:
        parser = etree.XMLPullParser(
            events=("start", "end"),
            schema=_schema().compiled,
            resolve_entities=False,
            no_network=True,
            load_dtd=False,
            huge_tree=False,
            remove_comments=True,
            remove_pis=True,
            collect_ids=False,
        )
        for start in range(0, len(self._data), _STEP):
            parser.feed(self._data[start : start + _STEP])
            if len(log := parser.feed_error_log):  # so that no item is read that is not valid
                raise InvalidError(may_be_valid=not len(log.filter_from_errors()))
            yield from parser.read_events()
        parser.close()
        yield from parser.read_events()

    def _forget(self, element: etree._Element) -> None:
        """Free what an element holds, and those before it: the parser still needs the element itself."""
        for inner in element.iter():
            self._lines.pop(inner, None)
        element.clear()
        parent = element.getparent()
        if parent is not None and parent.getparent() is not None:
            while element.getprevious() is not None:
                del parent[0]


def _parser(recover: bool = False, schema: etree.XMLSchema | None = None) -> etree.XMLParser:
    return etree.XMLParser(
        recover=recover,
        schema=schema,
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        dtd_validation=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )


def _recover(data: bytes) -> tuple[etree._Element | None, tuple[XmlProblem, ...]]:
    """What can be read of a file that is not well-formed, and its syntax errors."""
    parser = _parser(recover=True)
    recovered = None
    # If nothing can be recovered, the log still has the reasons.
    with suppress(etree.XMLSyntaxError):
        recovered = etree.fromstring(data, parser)
    readable = xml_syntax.readable(data)
    if recovered is not None and readable != data:
        # The parser recovers characters that make the validator fail, and some that are not XML characters.
        recovered = etree.fromstring(readable, _parser(recover=True))
    if recovered is not None:
        # Unresolved references become entity nodes, which the validator does not support.
        etree.strip_elements(recovered, etree.Entity, with_tail=False)
    problems = (
        XmlProblem(error.line, f"not well-formed XML: {shortened(error.message)}", error.hint)
        for error in xml_syntax.errors(parser.error_log, data)
    )
    return recovered, tuple(dict.fromkeys(problems))


@dataclass(frozen=True, slots=True)
class _Schema:
    """The compiled schema, its order and attributes, and the documentation of its simple types by pattern."""

    compiled: etree.XMLSchema
    meanings: dict[str, str]
    attributes: frozenset[str]
    order: xml_order.ElementOrder


@cache
def _schema() -> _Schema:
    tree = etree.parse(resource("schemas/definition.xsd"))
    xs = "{http://www.w3.org/2001/XMLSchema}"
    meanings = {
        pattern.get("value", ""): (simple.findtext(f"{xs}annotation/{xs}documentation") or "").strip()
        for simple in tree.getroot().iter(f"{xs}simpleType")
        for pattern in simple.iter(f"{xs}pattern")
    }
    attributes = frozenset(item.get("name", "") for item in tree.getroot().iter(f"{xs}attribute"))
    order = xml_order.read_order(tree)
    # The rule definition/duplicate-name reports duplicates better, and much faster for many names.
    for constraint in [*tree.getroot().iter(*(f"{xs}{kind}" for kind in ("unique", "key", "keyref")))]:
        parent = constraint.getparent()
        if parent is not None:
            parent.remove(constraint)
    return _Schema(etree.XMLSchema(tree), meanings, attributes, order)


#: How often a tree is validated again after unexpected elements are removed.
_ROUNDS = 50

#: Number of problems of a definition after which reading stops.
MOST_PROBLEMS = 1000
#: Number of siblings that are validated together: to locate one, the validator counts those before it.
_SIBLINGS = 1000
#: Elements that may have any number of children, in any order.
_CONTAINERS = frozenset(
    f"{{urn:callint:definition:1}}{name}"
    for name in (
        "memory",
        "signals",
        "conversions",
        "states",
        "interpolated",
        "axes",
        "tables",
        "group",
        "relations",
        "titles",
    )
)
#: Elements that hold items: tables, signals and so on.
_HOLDERS = frozenset(
    f"{{urn:callint:definition:1}}{name}"
    for name in ("definition", "shared", "signals", "conversions", "axes", "tables", "group", "relations")
)
#: Number of children that an element keeps while others are validated: the most that any requires.
_FEWEST = 2


class FloodError(Exception):
    """There are more problems than are reported; ``problems`` has the first ones."""

    def __init__(self, problems: Iterable[XmlProblem]) -> None:
        super().__init__()
        self.problems = [*islice(problems, MOST_PROBLEMS)]


def schema_problems(
    tree: XmlDocument,
) -> tuple[list[XmlProblem], set[etree._Element], dict[etree._Element, etree._Element]]:
    """The problems of a tree by the schema, the elements that have some, and the removed ones by parent.

    The remaining tree has no unexpected elements and no attributes with invalid values, but may lack required
    parts. After an unexpected element the validator skips all siblings, so the tree is validated again until
    nothing more is removed. Names declared twice are left to the rule ``definition/duplicate-name``.
    Raises FloodError for too many problems.
    """
    root = tree.root
    if root is None or tree.is_valid:
        return [], set(), {}
    validation = _Validation(tree)
    wide = [element for element in root.iter() if len(element) > _SIBLINGS]
    for element in wide:
        if element.tag not in _CONTAINERS:
            notice = f"of its children only the first {_SIBLINGS:,} are looked at, as the file has mistakes"
            validation.report(element, f"<{etree.QName(element).localname}>: {notice}")
            del element[_SIBLINGS:]
    kept: list[tuple[etree._Element, list[etree._Element]]] = []
    for parent in reversed(wide):  # the inner ones first
        if parent.tag not in _CONTAINERS:
            continue
        children = list(parent)
        kept.append((parent, children))
        for first in range(0, len(children), _SIBLINGS):
            outermost, place = _shell(parent)
            place.extend(children[first : first + _SIBLINGS])
            validation.validate(outermost, place)
        parent.extend([child for child in children if child not in validation.removed][:_FEWEST])
    validation.validate(root, None)
    for parent, children in reversed(kept):
        parent[:] = [child for child in children if child not in validation.removed]
    return list(validation.problems), validation.flagged, validation.removed


def _shell(parent: etree._Element) -> tuple[etree._Element, etree._Element]:
    """An element without its children inside copies of its ancestors: the outermost copy, and its own."""
    outermost = place = _empty(parent)
    for ancestor in parent.iterancestors():
        copy = _empty(ancestor)
        # Without the children that must come first, the validator skips all others.
        first = {tag for tag in _FIRST if tag != outermost.tag}
        copy.extend([_empty(child) for child in ancestor if child.tag in first])
        copy.append(outermost)
        outermost = copy
    return outermost, place


def _empty(element: etree._Element) -> etree._Element:
    return etree.Element(element.tag, dict(element.attrib), element.nsmap)


@dataclass
class _Validation:
    """The problems of a tree so far, and the elements and attributes that are removed from it."""

    tree: XmlDocument
    problems: dict[XmlProblem, None] = field(default_factory=dict)
    flagged: set[etree._Element] = field(default_factory=set)
    removed: dict[etree._Element, etree._Element] = field(default_factory=dict)
    removed_attributes: set[tuple[etree._Element, str]] = field(default_factory=set)
    reports: int = 0

    def validate(self, root: etree._Element, place: etree._Element | None) -> None:
        """Validate a part of the tree until nothing more is removed from it.

        With a ``place``, only problems inside it count. Raises FloodError for too many problems.
        """
        schema = _schema()
        for _ in range(_ROUNDS):
            if schema.compiled.validate(root):
                return
            entries = list(islice(schema.compiled.error_log, 2 * MOST_PROBLEMS))
            prefixes = _prefixes(root)
            located = [(entry, _element_at(root, entry.path, prefixes)) for entry in entries]
            if place is not None:
                located = [
                    (entry, element)
                    for entry, element in located
                    if element is not None and _is_in(element, place)
                ]
            amounts = Counter((element, _attribute(entry.message)) for entry, element in located)
            removals = [self.handle(entry, element, amounts) for entry, element in located]
            if not any(removals):
                return

    def report(self, element: etree._Element | None, message: str, line: int = 1, hint: str = "") -> None:
        """Report a problem with an element, or at a line. Raises FloodError for too many problems."""
        line = line if element is None else self.tree.line_of(element)
        self.problems[XmlProblem(line, shortened(_NAMESPACE.sub("", message)), hint)] = None
        self.reports += 1  # if the file is a single line, many reports may be the same problem
        if self.reports > MOST_PROBLEMS:
            raise FloodError(self.problems)
        if element is not None:
            self.flagged.add(element)

    def handle(self, entry: etree._LogEntry, element: etree._Element | None, amounts: _Amounts) -> bool:
        """Report an entry of the validator's log, and remove its cause; returns whether it was removed."""
        attribute = _attribute(entry.message)
        if "is not a valid value of the" in entry.message and amounts[element, attribute] > 1:
            return False  # the other entry about this value says what is wrong
        missing = _MISSING.search(entry.message)
        if element is not None and missing and (element, missing["attribute"]) in self.removed_attributes:
            return False  # its invalid value was reported, and it was removed
        if element is not None and missing and self._is_mistyped(element, missing["attribute"]):
            return False  # the other attribute is reported
        message = _in_plain_words(entry.message, _schema().meanings)
        if element is not None and _UNEXPECTED.search(entry.message):
            return self._handle_unexpected(element, message)
        was_flagged = element in self.flagged
        self.report(element, message, entry.line)
        if element is None:
            return False
        if attribute is not None and attribute in element.attrib:
            if _NOT_ALLOWED in entry.message and not _is_like_any(attribute, _schema().attributes):
                self._clear(element, was_flagged)  # without it, the element says the same
            del element.attrib[attribute]
            self.removed_attributes.add((element, attribute))
            return True
        return False

    def _is_mistyped(self, element: etree._Element, name: str) -> bool:
        """Whether a missing attribute is there under a mistyped name, or was."""
        given = {str(key) for key in element.attrib} - _schema().attributes
        given.update(removed for owner, removed in self.removed_attributes if owner is element)
        return any(_is_like_any(name, [other]) for other in given - {name})

    def _clear(self, element: etree._Element, was_flagged: bool) -> None:
        """Take back that an element has a problem, unless it had one before."""
        if not was_flagged:
            self.flagged.discard(element)

    def _handle_unexpected(self, element: etree._Element, message: str) -> bool:
        """Report an element that is not expected, or the sibling that stands in its way.

        It is moved to its place, so that it is read, or else removed.
        """
        order = _schema().order
        wrong = xml_order.misplaced(order, element)
        if wrong is not element:
            place, expected = (f"<{etree.QName(item).localname}>" for item in (wrong, element))
            message = f"{place}: not expected here; expected: {expected[1:-1]}"
        was_flagged = wrong in self.flagged
        self.report(wrong, message, hint=xml_order.advice(order, wrong, self.tree.line_of))
        if xml_order.move(order, wrong):
            self._clear(wrong, was_flagged)  # in its place, nothing is wrong with it
            return True
        parent = wrong.getparent()
        if parent is None:
            return False
        parent.remove(wrong)
        self.removed[wrong] = parent
        return True


def _is_like_any(name: str, names: Iterable[str]) -> bool:
    """Whether a name may be a mistyped one, and is none of them."""
    from difflib import get_close_matches

    known = set(names)
    return name not in known and bool(get_close_matches(name, known, cutoff=0.75))


_Amounts = Mapping[tuple[etree._Element | None, str | None], int]


def _is_in(element: etree._Element, place: etree._Element) -> bool:
    return any(ancestor is place for ancestor in element.iterancestors())


def _attribute(message: str) -> str | None:
    """The attribute that a message of the validator is about."""
    where = _WHERE.match(_NAMESPACE.sub("", message))
    return where["attribute"] if where else None


def _prefixes(root: etree._Element) -> dict[str, str]:
    """Every namespace prefix of an element: the paths of the validator may use any."""
    return {element.prefix: etree.QName(element).namespace or "" for element in root.iter() if element.prefix}


def _element_at(root: etree._Element, path: str | None, prefixes: dict[str, str]) -> etree._Element | None:
    """The element at a path of the validator."""
    if not path:
        return None
    try:
        matches = root.xpath(path, namespaces=prefixes)
    except etree.XPathError:
        return None  # some names are valid in XML, but not in XPath
    element = matches[0] if isinstance(matches, list) and matches else None
    return element if isinstance(element, etree._Element) else None


#: Attributes that hold several numbers.
_LISTS = {"plausible", "operating", "values"}

#: Longest message in characters.
_LONGEST = 300

_NAMESPACE = re.compile(r"\{urn:callint:definition:1\}")
_WHERE = re.compile(r"^Element '(?P<element>[^']*)'(?:, attribute '(?P<attribute>[^']*)')?: ")
_FACET = re.compile(r"^\[facet '[^']*'\] ")
_PATTERN = re.compile(
    r"^The value '(?P<value>.*)' is not accepted by the pattern '(?P<pattern>.*)'\.$", re.DOTALL
)
_LENGTH = re.compile(
    r"^The value '(?P<value>.*)' has a length of '\d+'; "
    r"this differs from the allowed length of '(?P<length>\d+)'\.$"
)
_SET = re.compile(r"^The value '(?P<value>.*)' is not an element of the set \{(?P<set>.*)\}\.$", re.DOTALL)
_NOT_ALLOWED = "' is not allowed"
_MISSING = re.compile(r"The attribute '(?P<attribute>[^']*)' is required but missing")
_UNEXPECTED = re.compile(r"This element is not expected\.(?: Expected is (?P<expected>.*)\.)?$")


def shortened(message: str) -> str:
    """A message that may quote a value of any length, shortened to a few lines."""
    return message if len(message) <= _LONGEST else f"{message[: _LONGEST - 60]} ... {message[-50:]}"


def _in_plain_words(message: str, meanings: dict[str, str]) -> str:
    """A schema error as a sentence without the jargon of the validator."""
    message = _NAMESPACE.sub("", message)
    where = _WHERE.match(message)
    if where is None:
        return message
    place = f"<{where['element']}>" + (f" {where['attribute']}" if where["attribute"] else "")
    message = _FACET.sub("", message[where.end() :])
    if match := _PATTERN.match(message):
        meaning = meanings.get(match["pattern"], "").rstrip(".")
        if where["attribute"] in _LISTS:
            meaning += "; spaces stand between the numbers"
        return f"{place}: {match['value']!r} does not fit; {meaning[:1].lower()}{meaning[1:]}"
    if match := _LENGTH.match(message):
        return f"{place}: {match['value']!r} does not fit; give {match['length']} numbers"
    if match := _SET.match(message):
        return f"{place}: {match['value']!r} is not one of {match['set'].replace(chr(39), '')}"
    if match := _UNEXPECTED.match(message):
        expected = (match["expected"] or "").strip("( )").removeprefix("one of ( ")
        return f"{place}: not expected here" + (f"; expected: {expected}" if expected else "")
    message = message.replace(
        f"The attribute '{where['attribute']}' is not allowed", "there is no such attribute"
    )
    return f"{place}: {message[:1].lower()}{message[1:].rstrip('.')}"
