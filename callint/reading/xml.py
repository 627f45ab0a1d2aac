"""Strangers' XML into a tree with line numbers, or into problems.

Nothing in the file runs or is fetched: a document type is refused before the parser sees the file, so
there are no entities to expand or to load; the encoding is UTF-8 and the size is bounded.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache

from lxml import etree

from callint.reading.resources import resource

#: Largest file that is read, in bytes.
MAX_BYTES = 128 * 2**20

_MISC = re.compile(rb"\s+|<\?.*?\?>|<!--.*?-->", re.DOTALL)
_ENCODING = re.compile(rb"""^<\?xml[^>]*?encoding\s*=\s*["']([^"']*)["']""")


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong with the file, at a line counted from 1."""

    line: int
    message: str


@dataclass(frozen=True, slots=True)
class Tree:
    """A parsed file: its root, or None with the problems that kept it from being parsed.

    ``lines`` has the line on which each element begins, as far as that is known. ``recovered`` is what
    the parser made of a file that is not well-formed: true up to the first problem's line, and a guess
    behind it.
    """

    root: etree._Element | None
    problems: tuple[Problem, ...] = ()
    lines: Mapping[etree._Element, int] = field(default_factory=dict)
    recovered: Tree | None = None

    def line_of(self, element: etree._Element) -> int:
        """The line on which an element begins, counted from 1."""
        return self.lines.get(element) or int(element.sourceline or 1)


def refusal(data: bytes) -> Problem | None:
    """Why the bytes are not even given to the parser, or None."""
    if len(data) > MAX_BYTES:
        return Problem(1, f"the file is larger than {MAX_BYTES >> 20} MiB, the most that is read")
    # The wider encodings have NUL bytes in every file, and UTF-8 text has none.
    wrong = data.find(b"\0")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        wrong = error.start
    if wrong >= 0:
        line = data.count(b"\n", 0, wrong) + 1
        return Problem(line, "the file is not UTF-8 text; save it as UTF-8")
    if encoding := _ENCODING.match(data.removeprefix(b"\xef\xbb\xbf")):
        name = encoding[1].decode("ascii", "replace")
        if name.lower() not in {"utf-8", "us-ascii", "ascii"}:
            return Problem(1, f"the file declares the encoding {name!r}; save it as UTF-8")
    position = 3 if data.startswith(b"\xef\xbb\xbf") else 0
    while skipped := _MISC.match(data, position):
        position = skipped.end()
    if data.startswith(b"<!DOCTYPE", position):
        line = data.count(b"\n", 0, position) + 1
        return Problem(line, "a document type (DOCTYPE) is not accepted; remove it")
    return None


def parse(data: bytes) -> Tree:
    """The tree of well-formed XML, or all the reasons why there is none."""
    if problem := refusal(data):
        return Tree(None, (problem,))
    try:
        root = etree.fromstring(data, _parser())
        return Tree(root, lines=_start_lines(root, data))
    except etree.XMLSyntaxError as error:
        recovered, problems = _recover(data)
        if not problems:
            problems = (Problem(error.lineno or 1, str(error)),)
        return Tree(None, problems, recovered=None if recovered is None else Tree(recovered))


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


def _parser(recover: bool = False) -> etree.XMLParser:
    return etree.XMLParser(
        recover=recover,
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        dtd_validation=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )


def _recover(data: bytes) -> tuple[etree._Element | None, tuple[Problem, ...]]:
    """What can be read of a file that is not well-formed, and every syntax error in it."""
    parser = _parser(recover=True)
    recovered = None
    # Where nothing at all can be recovered, the log still has the reasons.
    with suppress(etree.XMLSyntaxError):
        recovered = etree.fromstring(data, parser)
    found = (
        Problem(max(entry.line, 1), f"not well-formed XML: {entry.message.strip()}")
        for entry in parser.error_log
    )
    return recovered, tuple(dict.fromkeys(found))


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
    return _Schema(etree.XMLSchema(tree), meanings)


#: How often a tree is validated anew behind an element that is not expected where it stands.
_ROUNDS = 50


def schema_problems(tree: Tree) -> tuple[list[Problem], set[etree._Element]]:
    """Where a tree departs from the schema, and the elements that do; what does so is taken out of the tree.

    What is left is free of unexpected elements and of attributes with values of the wrong form, though
    not of gaps. Behind an unexpected element the validator looks at no further sibling, so the tree is
    validated again until nothing is taken out any more. Names declared twice are left to
    ``definition/duplicate-name``, which says it better.
    """
    root = tree.root
    if root is None:
        return [], set()
    schema = _schema()
    problems: dict[Problem, None] = {}
    flagged: set[etree._Element] = set()
    gone: set[tuple[etree._Element, str]] = set()
    for _ in range(_ROUNDS):
        if schema.compiled.validate(root):
            break
        taken_out = False
        entries = [entry for entry in schema.compiled.error_log if entry.type_name != "SCHEMAV_CVC_IDC"]
        prefixes = _prefixes(root) if entries else {}
        found = [(entry, _found(root, entry.path, prefixes)) for entry in entries]
        several = Counter((element, _attribute(entry.message)) for entry, element in found)
        for entry, element in found:
            if (
                "is not a valid value of the" in entry.message
                and several[element, _attribute(entry.message)] > 1
            ):
                continue  # the other entry about this value says in what it is wrong
            missing = _MISSING.search(entry.message)
            if element is not None and missing and (element, missing["attribute"]) in gone:
                continue  # it was there, and its value is reported already
            line = entry.line if element is None else tree.line_of(element)
            message = _shortened(_in_plain_words(entry.message, schema.meanings))
            problems[Problem(line, message)] = None
            if element is not None:
                flagged.add(element)
                taken_out |= _take_out(element, entry.message, gone)
        if not taken_out:
            break
    return list(problems), flagged


def _attribute(message: str) -> str | None:
    """The attribute that a validator's message is about."""
    where = _WHERE.match(_NAMESPACE.sub("", message))
    return where["attribute"] if where else None


def _take_out(element: etree._Element, message: str, gone: set[tuple[etree._Element, str]]) -> bool:
    """Remove the element or the attribute that a validator's message is about; whether that was possible.

    ``gone`` keeps the removed attributes.
    """
    attribute = _attribute(message)
    if attribute is not None and attribute in element.attrib:
        del element.attrib[attribute]
        gone.add((element, attribute))
        return True
    parent = element.getparent()
    if parent is not None and _UNEXPECTED.search(message):
        parent.remove(element)
        return True
    return False


def _prefixes(root: etree._Element) -> dict[str, str]:
    """Every prefix that the file declares: the validator's paths may use any."""
    prefixes: dict[str, str] = {}
    for element in root.iter():
        prefixes |= {prefix: name for prefix, name in element.nsmap.items() if prefix}
    return prefixes


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


def _shortened(message: str) -> str:
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
