"""Strangers' XML into a tree with line numbers, or into problems.

Nothing in the file runs or is fetched: a document type is refused before the parser sees the file, so
there are no entities to expand or to load; the encoding is UTF-8 and the size is bounded.
"""

from __future__ import annotations

import copy
import re
from contextlib import suppress
from dataclasses import dataclass
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

    ``recovered`` is then what the parser made of the file all the same; it is true up to the first
    problem's line, and a guess behind it.
    """

    root: etree._Element | None
    problems: tuple[Problem, ...] = ()
    recovered: etree._Element | None = None


def refusal(data: bytes) -> Problem | None:
    """Why the bytes are not even given to the parser, or None."""
    if len(data) > MAX_BYTES:
        return Problem(1, f"the file is larger than {MAX_BYTES >> 20} MiB, the most that is read")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
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
    parser = etree.XMLParser(
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        dtd_validation=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        return Tree(etree.fromstring(data, parser))
    except etree.XMLSyntaxError as error:
        recovered, problems = _recover(data)
        return Tree(None, problems or (Problem(error.lineno or 1, str(error)),), recovered)


def _recover(data: bytes) -> tuple[etree._Element | None, tuple[Problem, ...]]:
    """What can be read of a file that is not well-formed, and every syntax error in it."""
    parser = etree.XMLParser(
        recover=True, resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False
    )
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


def schema_problems(root: etree._Element) -> list[Problem]:
    """Where the tree departs from the schema.

    Behind an unexpected element the validator looks at no further sibling, so such elements are taken
    out of a copy, which is then validated again. Names declared twice are left to
    ``definition/duplicate-name``, which says it better.
    """
    schema = _schema()
    if schema.compiled.validate(root):
        return []
    problems: dict[Problem, None] = {}
    tree = copy.deepcopy(root)
    for _ in range(_ROUNDS):
        unexpected: list[etree._Element] = []
        for entry in schema.compiled.error_log:
            if entry.type_name == "SCHEMAV_CVC_IDC":
                continue
            problems[Problem(entry.line, _in_plain_words(entry.message, schema.meanings))] = None
            if _UNEXPECTED.search(entry.message) and entry.path:
                unexpected += (e for e in _found(tree, entry.path))
        for element in unexpected:
            if (parent := element.getparent()) is not None:
                parent.remove(element)
        if not unexpected or schema.compiled.validate(tree):
            break
    return list(problems)


def _found(tree: etree._Element, path: str) -> list[etree._Element]:
    found = tree.xpath(path)
    return [one for one in found if isinstance(one, etree._Element)] if isinstance(found, list) else []


_NAMESPACE = re.compile(r"\{urn:callint:definition:1\}")
_WHERE = re.compile(r"^Element '(?P<element>[^']*)'(?:, attribute '(?P<attribute>[^']*)')?: ")
_FACET = re.compile(r"^\[facet '[^']*'\] ")
_PATTERN = re.compile(
    r"^The value '(?P<value>.*)' is not accepted by the pattern '(?P<pattern>.*)'\.$", re.DOTALL
)
_SET = re.compile(r"^The value '(?P<value>.*)' is not an element of the set \{(?P<set>.*)\}\.$", re.DOTALL)
_UNEXPECTED = re.compile(r"This element is not expected\.(?: Expected is (?P<expected>.*)\.)?$")


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
        return f"{place}: {match['value']!r} does not fit; {meaning[:1].lower()}{meaning[1:]}"
    if match := _SET.match(message):
        return f"{place}: {match['value']!r} is none of {match['set'].replace(chr(39), '')}"
    if match := _UNEXPECTED.match(message):
        expected = (match["expected"] or "").strip("( )").removeprefix("one of ( ")
        return f"{place}: not expected here" + (f"; expected: {expected}" if expected else "")
    message = message.replace(
        f"The attribute '{where['attribute']}' is not allowed", "there is no such attribute"
    )
    return f"{place}: {message[:1].lower()}{message[1:].rstrip('.')}"
