"""Syntax errors of XML as sentences with a remedy, and what the parser recovers of the characters."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from lxml import etree

#: Character references, and the characters of UTF-8 that XML 1.0 does not allow.
_REFERENCE = re.compile(
    rb"&#(?:x0*(?P<hexadecimal>[0-9A-Fa-f]+)|0*(?P<decimal>[0-9]+));|[\x00-\x08\x0B\x0C\x0E-\x1F]|\xEF\xBF[\xBE\xBF]"
)
#: Ranges of the characters that XML 1.0 allows, by production [2] Char.
_ALLOWED_CHARACTERS = ((0x9, 0xA), (0xD, 0xD), (0x20, 0xD7FF), (0xE000, 0xFFFD), (0x10000, 0x10FFFF))


def _replacement(reference: re.Match[bytes]) -> bytes:
    """A reference to an allowed character as it is, anything else as a question mark."""
    digits = reference["hexadecimal"] or reference["decimal"] or b""
    if 0 < len(digits) <= len("1114111"):
        number = int(digits, 16 if reference["hexadecimal"] else 10)
        if any(first <= number <= last for first, last in _ALLOWED_CHARACTERS):
            return reference[0]
    return b"?"


def readable(data: bytes) -> bytes:
    """The data with a question mark for each character that XML does not allow."""
    return _REFERENCE.sub(_replacement, data)


@dataclass(frozen=True, slots=True)
class SyntaxFault:
    """A syntax error at a line counted from 1; ``hint`` is an instruction, "" for the usual one."""

    line: int
    message: str
    hint: str = ""


#: Errors after which the parser still knows where it is; any other may be the cause of all that follow.
_ALONE = {
    "ERR_ATTRIBUTE_REDEFINED",
    "ERR_ENTITYREF_SEMICOL_MISSING",
    "ERR_HYPHEN_IN_COMMENT",
    "ERR_INVALID_CHAR",
    "ERR_UNDECLARED_ENTITY",
    "NS_ERR_UNDEFINED_NAMESPACE",
}
_BARE_AMPERSAND = "xmlParseEntityRef: no name"


def errors(log: Iterable[etree._LogEntry], data: bytes) -> Iterator[SyntaxFault]:
    """The errors in the log of a parser up to the first one that others may follow from."""
    entries = list(log)
    lines = data.split(b"\n")
    for number, entry in enumerate(entries):
        line = max(entry.line, 1)
        text = lines[line - 1] if line <= len(lines) else b""
        message, hint = _plain(entry, text, entries[number + 1 :])
        yield SyntaxFault(line, message, hint)
        message = entry.message.strip()
        is_alone = entry.type_name in _ALONE or message == _BARE_AMPERSAND or _is_bad_character(message)
        if not is_alone:
            return


def _plain(entry: etree._LogEntry, text: bytes, later: list[etree._LogEntry]) -> tuple[str, str]:
    """An error as a clause, and what to do; ``text`` is its line, and ``later`` are the errors after it."""
    message = entry.message.strip()
    if entry.type_name == "ERR_ATTRIBUTE_NOT_STARTED":
        return _unquoted(text, entry.column)
    if later and later[0].line == entry.line and later[0].type_name == "ERR_GT_REQUIRED":
        follows = _OPEN_TAG.search(later[0].message)
        if follows and entry.type_name == "ERR_NAME_REQUIRED":
            tag, line = follows.groups()
            return f"<{tag}> of line {line} lacks its >", f"End the tag <{tag}> in line {line} with > or />."
    for pattern, make in _PLAIN:
        if match := pattern.search(message):
            return make(match)
    return _syntax_message(message), ""


#: An attribute up to its value, at the end of a text; and a value without quotes, at the start of one.
_ATTRIBUTE = re.compile(rb"([A-Za-z_][\w.:-]{0,60})\s*=\s*$")
_VALUE = re.compile(rb"[\w.+-]{1,60}(?=[\s/>])")


def _unquoted(text: bytes, column: int) -> tuple[str, str]:
    """The clause and the remedy for a value without quotes; ``column`` is where it begins, from 1."""
    attribute = _ATTRIBUTE.search(text[: max(column - 1, 0)])
    if attribute is None:
        return "a value has no quotes", 'Put the value in quotes: name="value".'
    name = attribute[1].decode()
    value = _VALUE.match(text, max(column - 1, 0))
    written = value[0].decode("utf-8", "replace") if value else "..."
    return f"the value of {name} has no quotes", f'Write {name}="{written}", with straight quotes.'


_OPEN_TAG = re.compile(r"end of Start Tag (\S+) line (\d+)")
_AMPERSAND = "a & is not the start of an entity", "Write &amp; for &."


def _not_closed(match: re.Match[str]) -> tuple[str, str]:
    opened, line, closed = match.groups()
    if not line.strip("0"):  # the parser no longer knows
        return f"</{closed}> closes <{opened}>", f"End <{opened}> with /> or </{opened}>."
    return (
        f"</{closed}> closes <{opened}> of line {line}",
        f"End <{opened}> in line {line} with /> or </{opened}>, or correct </{closed}>.",
    )


#: Common messages of the parser, each with what makes a clause and a remedy of it.
_PLAIN: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], tuple[str, str]]], ...] = (
    (re.compile(r"^Opening and ending tag mismatch: (\S+) line (\d+) and (\S+)$"), _not_closed),
    (
        re.compile(r"^Premature end of data in tag (\S+) line (\d+)$"),
        lambda match: (
            f"the file ends, but <{match[1]}> of line {match[2]} is open",
            f"Restore the end of the file, or close <{match[1]}>.",
        ),
    ),
    (re.compile(rf"^{_BARE_AMPERSAND}$|^EntityRef: expecting ';'$"), lambda match: _AMPERSAND),
    (
        re.compile(r"^Entity '(.+)' not defined$"),
        lambda match: (match[0], "Write &amp; for &, or the character itself."),
    ),
    (
        re.compile(r"^StartTag: invalid element name$"),
        lambda match: ("a < is not the start of an element", "Write &lt; for <."),
    ),
    (
        re.compile(r"^Unescaped '<' not allowed in attributes values$"),
        lambda match: (
            "a < lies in a value, or the quotes of the value before it are not closed",
            "Close the quotes of the value, or write &lt; for <.",
        ),
    ),
    (
        re.compile(r"^Document is empty$|^Start tag expected, '<' not found$"),
        lambda match: ("there is no outermost element", "Name a file that holds XML."),
    ),
    (
        re.compile(r"^Attribute (\S+) redefined$"),
        lambda match: (f"the attribute {match[1]} occurs twice", "Remove one of the two."),
    ),
    (
        re.compile(r"^Specification mandates value for attribute (\S+)$"),
        lambda match: (f"the attribute {match[1]} has no value", f'Write {match[1]}="...".'),
    ),
    (
        re.compile(r"^attributes construct error$"),
        lambda match: (
            "there is no space before an attribute",
            "Put a space between the attributes, or correct their quotes.",
        ),
    ),
    (
        re.compile(r"^Extra content at the end of the document$"),
        lambda match: (
            "something follows the outermost element",
            "Remove what follows, or the tag that ends the element too early.",
        ),
    ),
)


#: Messages of the parser about a character that XML 1.0 does not allow, by production [2] Char.
_BAD_CHARACTER = re.compile(r"^(?:(?P<reference>xmlParseCharRef)|.*): invalid xmlChar value (?P<value>\d+)$")
_BAD_PLAIN_CHARACTER = re.compile(r"^.*\binvalid Char value (?P<value>\d+)$")
#: Parts of messages for programmers: advice after a bound, and the name of a function at the start.
_ADVICE = re.compile(r",? (?:try|use) XML_PARSE_HUGE(?: option)?$")
_FUNCTION = re.compile(r"^xml[A-Z]\w+: ")


def _syntax_message(message: str) -> str:
    """A syntax error without the jargon of the parser."""
    message = message.strip()
    if match := _BAD_CHARACTER.match(message):
        what = "a reference to" if match["reference"] else "there is"
        return f"{what} the character {int(match['value'])}, which XML does not allow"
    if match := _BAD_PLAIN_CHARACTER.match(message):
        return f"there is the character {int(match['value'])}, which XML does not allow"
    if message == "Unregistered error message":
        return "there is something that XML does not allow"
    return _FUNCTION.sub("", _ADVICE.sub("", message))


def _is_bad_character(message: str) -> bool:
    return bool(_BAD_CHARACTER.match(message) or _BAD_PLAIN_CHARACTER.match(message))
