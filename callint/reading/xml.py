"""Strangers' XML into a tree with line numbers, or into problems.

Nothing in the file runs or is fetched: a document type is refused before the parser sees the file, so
there are no entities to expand or to load; the encoding is UTF-8 and the size is bounded.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from itertools import islice

from lxml import etree

from callint.reading.resources import resource

#: Largest file that is read, in bytes.
MAX_BYTES = 128 * 2**20

#: What has to come first among the children of a definition.
_FIRST = tuple(f"{{urn:callint:definition:1}}{name}" for name in ("title", "memory"))

_MISC = re.compile(rb"\s+|<\?.*?\?>|<!--.*?-->", re.DOTALL)
_BEYOND_ASCII = re.compile(rb"[\x80-\xFF]")
_ENCODING = re.compile(rb"""^<\?xml[^>]*?encoding\s*=\s*["']([^"']*)["']""")


@dataclass(frozen=True, slots=True)
class XmlProblem:
    """Something wrong with the file, at a line counted from 1."""

    line: int
    message: str


@dataclass(frozen=True, slots=True)
class XmlDocument:
    """A parsed file: its root, or None with the problems that kept it from being parsed.

    ``lines`` has the line on which each element begins, as far as that is known. ``recovered`` is what
    the parser made of a file that is not well-formed: true up to the first problem's line, and a guess
    behind it. ``is_valid`` says that the tree is known to be as the definition schema demands.
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
    """Why the bytes are not even given to the parser, or None."""
    if len(data) > MAX_BYTES:
        return XmlProblem(1, f"the file is larger than {MAX_BYTES >> 20} MiB, the most that is read")
    # The wider encodings have NUL bytes in every file, and UTF-8 text has none.
    wrong = data.find(b"\0")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        wrong = error.start
    if wrong >= 0:
        line = data.count(b"\n", 0, wrong) + 1
        return XmlProblem(line, "the file is not UTF-8 text; save it as UTF-8")
    if encoding := _ENCODING.match(data.removeprefix(b"\xef\xbb\xbf")):
        name = encoding[1].decode("ascii", "replace")
        if name.lower() not in {"utf-8", "us-ascii", "ascii"}:
            return XmlProblem(1, f"the file declares the encoding {shortened(name)!r}; save it as UTF-8")
        if name.lower() != "utf-8" and (beyond := _BEYOND_ASCII.search(data, 3)):
            line = data.count(b"\n", 0, beyond.start()) + 1
            return XmlProblem(line, f"this is no {name} text, as the file declares; declare UTF-8")
    position = 3 if data.startswith(b"\xef\xbb\xbf") else 0
    while skipped := _MISC.match(data, position):
        position = skipped.end()
    if data.startswith(b"<!DOCTYPE", position):
        line = data.count(b"\n", 0, position) + 1
        return XmlProblem(line, "a document type (DOCTYPE) is not accepted; remove it")
    return None


def parse(data: bytes, is_definition: bool = False) -> XmlDocument:
    """The tree of well-formed XML, or all the reasons why there is none.

    What should be a definition is compared with the schema on the way.
    """
    if problem := refusal(data):
        return XmlDocument(None, (problem,))
    if is_definition:
        # Here the validator does not say where something is wrong, which takes the square of the siblings.
        with suppress(etree.XMLSyntaxError):
            root = etree.fromstring(data, _parser(schema=_schema().compiled))
            return XmlDocument(root, lines=_start_lines(root, data), is_valid=True)
    try:
        root = etree.fromstring(data, _parser())
        return XmlDocument(root, lines=_start_lines(root, data))
    except etree.XMLSyntaxError as error:
        recovered, problems = _recover(data)
        if not problems:
            problems = (XmlProblem(error.lineno or 1, str(error)),)
        return XmlDocument(None, problems, recovered=None if recovered is None else XmlDocument(recovered))


#: In well-formed XML "<" and a name outside these three begins an element, and nothing else does.
_TOKEN = re.compile(rb"<!--.*?-->|<\?.*?\?>|<!\[CDATA\[.*?\]\]>|<(?=[^/!?])", re.DOTALL)


def _start_lines(root: etree._Element, data: bytes) -> dict[etree._Element, int]:
    """The line on which each element's start tag begins.

    The parser itself only keeps where a start tag ends, and beyond line 65,535 not even that.
    """
    lines = []
    line, position = 1, 0
    for token in _TOKEN.finditer(data):
        if len(token[0]) == 1:
            line += data.count(b"\n", position, token.start())
            position = token.start()
            lines.append(line)
    return dict(zip(root.iter(), lines, strict=False))


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
    """What can be read of a file that is not well-formed, and every syntax error in it."""
    parser = _parser(recover=True)
    recovered = None
    # Where nothing at all can be recovered, the log still has the reasons.
    with suppress(etree.XMLSyntaxError):
        recovered = etree.fromstring(data, parser)
    readable = _REFERENCE.sub(_readable, data)
    if recovered is not None and readable != data:
        # The parser recovers characters that the validator fails at, and some that are no text at all.
        recovered = etree.fromstring(readable, _parser(recover=True))
    if recovered is not None:
        # References that cannot be resolved become nodes, of which the validator knows nothing.
        etree.strip_elements(recovered, etree.Entity, with_tail=False)
    found = (
        XmlProblem(max(entry.line, 1), f"not well-formed XML: {shortened(_syntax_words(entry.message))}")
        for entry in parser.error_log
    )
    return recovered, tuple(dict.fromkeys(found))


#: References, and of the characters that may stand in UTF-8 those that XML 1.0 does not have.
_REFERENCE = re.compile(
    rb"&#(?:x0*(?P<hexadecimal>[0-9A-Fa-f]+)|0*(?P<decimal>[0-9]+));|[\x00-\x08\x0B\x0C\x0E-\x1F]|\xEF\xBF[\xBE\xBF]"
)
#: The characters of XML 1.0, by production [2] Char.
_CHARACTERS = ((0x9, 0xA), (0xD, 0xD), (0x20, 0xD7FF), (0xE000, 0xFFFD), (0x10000, 0x10FFFF))


def _readable(reference: re.Match[bytes]) -> bytes:
    """A reference to a character of XML as it is, anything else as a question mark."""
    digits = reference["hexadecimal"] or reference["decimal"] or b""
    if 0 < len(digits) <= len("1114111"):
        number = int(digits, 16 if reference["hexadecimal"] else 10)
        if any(first <= number <= last for first, last in _CHARACTERS):
            return reference[0]
    return b"?"


#: What the parser says of a character that XML 1.0 does not have, by production [2] Char.
_NO_CHARACTER = re.compile(r"^(?:(?P<reference>xmlParseCharRef)|.*): invalid xmlChar value (?P<value>\d+)$")
_NO_PLAIN_CHARACTER = re.compile(r"^.*\binvalid Char value (?P<value>\d+)$")
#: Advice to programmers behind a bound, names of functions before a message.
_ADVICE = re.compile(r",? (?:try|use) XML_PARSE_HUGE(?: option)?$")
_FUNCTION = re.compile(r"^xml[A-Z]\w+: ")


def _syntax_words(message: str) -> str:
    """A syntax error without the parser's jargon."""
    message = message.strip()
    if match := _NO_CHARACTER.match(message):
        what = "a reference to" if match["reference"] else "there is"
        return f"{what} the character {int(match['value'])}, which XML does not allow"
    if match := _NO_PLAIN_CHARACTER.match(message):
        return f"there is the character {int(match['value'])}, which XML does not allow"
    if message == "Unregistered error message":
        return "there is something that XML does not allow"
    return _FUNCTION.sub("", _ADVICE.sub("", message))


@dataclass(frozen=True, slots=True)
class _Schema:
    """The compiled definition schema, and what its simple types mean, by the pattern they demand."""

    compiled: etree.XMLSchema
    meanings: dict[str, str]


@cache
def _schema() -> _Schema:
    tree = etree.parse(resource("schemas/definition.xsd"))
    xs = "{http://www.w3.org/2001/XMLSchema}"
    meanings = {
        pattern.get("value", ""): (simple.findtext(f"{xs}annotation/{xs}documentation") or "").strip()
        for simple in tree.getroot().iter(f"{xs}simpleType")
        for pattern in simple.iter(f"{xs}pattern")
    }
    # ``definition/duplicate-name`` says better what is declared twice, and of many names much sooner.
    for constraint in [*tree.getroot().iter(*(f"{xs}{kind}" for kind in ("unique", "key", "keyref")))]:
        parent = constraint.getparent()
        if parent is not None:
            parent.remove(constraint)
    return _Schema(etree.XMLSchema(tree), meanings)


#: How often a tree is validated anew behind an element that is not expected where it stands.
_ROUNDS = 50

#: So many things that are wrong with a definition are looked at.
MOST_PROBLEMS = 1000
#: So many siblings are validated at once: to say where one stands, the validator counts those before it.
_SIBLINGS = 1000
#: Elements that may have any number of children, each of which may stand anywhere among them.
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
    )
)
#: So many children an element keeps while others are validated: the least that any has to have.
_FEWEST = 2


class FloodError(Exception):
    """More is wrong than is told; ``problems`` has as much as that."""

    def __init__(self, problems: Iterable[XmlProblem]) -> None:
        super().__init__()
        self.problems = [*islice(problems, MOST_PROBLEMS)]


def schema_problems(tree: XmlDocument) -> tuple[list[XmlProblem], set[etree._Element]]:
    """Where a tree departs from the schema, and the elements that do; what does so is taken out of the tree.

    What is left is free of unexpected elements and of attributes with values of the wrong form, though
    not of gaps. Behind an unexpected element the validator looks at no further sibling, so the tree is
    validated again until nothing is taken out any more. Names declared twice are left to
    ``definition/duplicate-name``, which says it better. FloodError where more is wrong than is told.
    """
    root = tree.root
    if root is None or tree.is_valid:
        return [], set()
    search = _Search(tree)
    wide = [element for element in root.iter() if len(element) > _SIBLINGS]
    for element in wide:
        if element.tag not in _CONTAINERS:
            words = f"of its children only the first {_SIBLINGS:,} are looked at, as the file has mistakes"
            search.report(element, f"<{etree.QName(element).localname}>: {words}")
            del element[_SIBLINGS:]
    held: list[tuple[etree._Element, list[etree._Element]]] = []
    for parent in reversed(wide):  # the inner ones first
        if parent.tag not in _CONTAINERS:
            continue
        children = list(parent)
        held.append((parent, children))
        for first in range(0, len(children), _SIBLINGS):
            outermost, place = _shell(parent)
            place.extend(children[first : first + _SIBLINGS])
            search.look(outermost, place)
        parent.extend([child for child in children if child not in search.removed][:_FEWEST])
    search.look(root, None)
    for parent, children in reversed(held):
        parent[:] = [child for child in children if child not in search.removed]
    return list(search.problems), search.flagged


def _shell(parent: etree._Element) -> tuple[etree._Element, etree._Element]:
    """An element without its children, within copies of those around it; the outermost one, and the copy."""
    outermost = place = _empty(parent)
    for above in parent.iterancestors():
        around = _empty(above)
        # Without what has to come first nothing behind it is looked at.
        before = {_tag for _tag in _FIRST if _tag != outermost.tag}
        around.extend([_empty(child) for child in above if child.tag in before])
        around.append(outermost)
        outermost = around
    return outermost, place


def _empty(element: etree._Element) -> etree._Element:
    return etree.Element(element.tag, dict(element.attrib), element.nsmap)


@dataclass
class _Search:
    """What is wrong with the parts of a tree so far, and the elements and attributes that are taken out."""

    tree: XmlDocument
    problems: dict[XmlProblem, None] = field(default_factory=dict)
    flagged: set[etree._Element] = field(default_factory=set)
    removed: set[etree._Element] = field(default_factory=set)
    gone: set[tuple[etree._Element, str]] = field(default_factory=set)
    reports: int = 0

    def look(self, root: etree._Element, place: etree._Element | None) -> None:
        """Validate a part until nothing is taken out of it any more.

        With a ``place`` only what stands in there counts. FloodError where more is wrong than is told.
        """
        schema = _schema()
        for _ in range(_ROUNDS):
            if schema.compiled.validate(root):
                return
            entries = list(islice(schema.compiled.error_log, 2 * MOST_PROBLEMS))
            prefixes = _prefixes(root)
            found = [(entry, _found(root, entry.path, prefixes)) for entry in entries]
            if place is not None:
                found = [(entry, one) for entry, one in found if one is not None and _is_in(one, place)]
            several = Counter((element, _attribute(entry.message)) for entry, element in found)
            taken_out = [self.take(entry, element, several) for entry, element in found]
            if not any(taken_out):
                return

    def report(self, element: etree._Element | None, message: str, line: int = 1) -> None:
        """Report a problem with an element, or at a line. FloodError where more is wrong than is told."""
        line = line if element is None else self.tree.line_of(element)
        self.problems[XmlProblem(line, shortened(_NAMESPACE.sub("", message)))] = None
        self.reports += 1  # many of them may be one problem, where everything stands on one line
        if self.reports > MOST_PROBLEMS:
            raise FloodError(self.problems)
        if element is not None:
            self.flagged.add(element)

    def take(self, entry: etree._LogEntry, element: etree._Element | None, several: _Amounts) -> bool:
        """Report an entry of the validator's log, and take out what it is about; whether that is possible."""
        attribute = _attribute(entry.message)
        if "is not a valid value of the" in entry.message and several[element, attribute] > 1:
            return False  # the other entry about this value says in what it is wrong
        missing = _MISSING.search(entry.message)
        if element is not None and missing and (element, missing["attribute"]) in self.gone:
            return False  # it was there, and its value is reported already
        message = _in_plain_words(entry.message, _schema().meanings)
        self.report(element, message, entry.line)
        if element is None:
            return False
        if attribute is not None and attribute in element.attrib:
            del element.attrib[attribute]
            self.gone.add((element, attribute))
            return True
        parent = element.getparent()
        if parent is not None and _UNEXPECTED.search(entry.message):
            parent.remove(element)
            self.removed.add(element)
            return True
        return False


_Amounts = Mapping[tuple[etree._Element | None, str | None], int]


def _is_in(element: etree._Element, place: etree._Element) -> bool:
    return any(above is place for above in element.iterancestors())


def _attribute(message: str) -> str | None:
    """The attribute that a validator's message is about."""
    where = _WHERE.match(_NAMESPACE.sub("", message))
    return where["attribute"] if where else None


def _prefixes(root: etree._Element) -> dict[str, str]:
    """Every prefix that an element's name has: the validator's paths may use any."""
    return {element.prefix: etree.QName(element).namespace or "" for element in root.iter() if element.prefix}


def _found(root: etree._Element, path: str | None, prefixes: dict[str, str]) -> etree._Element | None:
    """The element that a path of the validator leads to."""
    if not path:
        return None
    try:
        found = root.xpath(path, namespaces=prefixes)
    except etree.XPathError:
        return None  # names that XML takes and XPath does not make paths that cannot be followed
    one = found[0] if isinstance(found, list) and found else None
    return one if isinstance(one, etree._Element) else None


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
_MISSING = re.compile(r"The attribute '(?P<attribute>[^']*)' is required but missing")
_UNEXPECTED = re.compile(r"This element is not expected\.(?: Expected is (?P<expected>.*)\.)?$")


def shortened(message: str) -> str:
    """A message that quotes a value of any length, in at most a few lines."""
    return message if len(message) <= _LONGEST else f"{message[: _LONGEST - 60]} ... {message[-50:]}"


def _in_plain_words(message: str, meanings: dict[str, str]) -> str:
    """A schema error as a sentence without the validator's jargon."""
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
        return f"{place}: {match['value']!r} is none of {match['set'].replace(chr(39), '')}"
    if match := _UNEXPECTED.match(message):
        expected = (match["expected"] or "").strip("( )").removeprefix("one of ( ")
        return f"{place}: not expected here" + (f"; expected: {expected}" if expected else "")
    message = message.replace(
        f"The attribute '{where['attribute']}' is not allowed", "there is no such attribute"
    )
    return f"{place}: {message[:1].lower()}{message[1:].rstrip('.')}"
