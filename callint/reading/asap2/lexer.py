"""Splits the text of a description into tokens.

One regular expression finds strings, comments, and the blocks A2ML and IF_DATA, which belong to interfaces
and have languages of their own; all other text is split at white space. A description may have millions of
tokens, so functions written in C process a whole chunk of text at a time.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass

import numpy as np

#: Python before 3.11.5 mismatches possessive groups that hold alternatives (CPython issue 106052); an atomic
#: group means the same and is somewhat slower.
_MANY, _SOME, _NO_MORE = ("(?:", ")++", ")*+") if sys.version_info >= (3, 11, 5) else ("(?>(?:", ")+)", ")*)")
_COMMENT_REST = rf"\*[^*]*+{_MANY}\*(?!/)[^*]*+{_NO_MORE}\*/|/[^\n]*+"
_COMMENT = rf"/(?:{_COMMENT_REST})"
_GAP = rf"{_MANY}\s++|{_COMMENT}{_SOME}"
#: A quote within a string is doubled, or has a backslash before it.
_STRING = rf'"[^"\\]*+{_MANY}(?:\\[\s\S]|"")[^"\\]*+{_NO_MORE}"'
_NAME_ENDS = r"(?![\w.\[\]])"
_SKIPPED_REST = (
    rf'begin{_GAP}(A2ML|IF_DATA){_NAME_ENDS}{_MANY}[^"/]++|{_STRING}|{_COMMENT}'
    rf"|/(?!\*|end{_GAP}\2{_NAME_ENDS}){_NO_MORE}/end{_GAP}\2{_NAME_ENDS}"
)
_UNCLOSED_REST = rf"(?:\*|begin{_GAP}(?:A2ML|IF_DATA){_NAME_ENDS})[\s\S]*+"
#: Group 1 is the text that is not split at white space, and group 2 the kind of a skipped block. Everything
#: that begins with a slash is one alternative, which saves almost half of the time.
_UNDIVIDED = re.compile(rf'({_STRING}|/(?:{_COMMENT_REST}|{_SKIPPED_REST}|{_UNCLOSED_REST})|"[\s\S]*+)')
_CLOSED = re.compile(f"{_STRING}|{_COMMENT}")
_A2ML = re.compile(rf"/begin{_GAP}A2ML")
#: A keyword that follows a name without white space is a token of its own.
_GLUED_KEYWORD = re.compile(rf"/(?<=\S/)(?:begin|end){_NAME_ENDS}")

#: White space by code point; nothing above is white space.
_LAST_SPACE = 0x3000
_IS_SPACE = np.array([chr(code).isspace() for code in range(_LAST_SPACE + 2)])
_IS_ASCII_SPACE = _IS_SPACE[:256].tobytes()
_LINE_BREAK, _QUOTE = 10, 34


@dataclass(frozen=True, slots=True)
class Lexemes:
    """The tokens of a text, each with its line, counted from 0."""

    texts: list[str]
    lines: np.ndarray


class Chunk:
    """A piece of text, split at the ends of strings, comments and skipped blocks."""

    __slots__ = ("_parts",)

    def __init__(self, text: str) -> None:
        #: In turn: text to split, text that is not split, and the kind of a skipped block or None.
        self._parts: list[str] = _UNDIVIDED.split(text)

    def split_off_incomplete(self) -> str:
        """Remove the end that later text can change, and return it.

        This is the last token, or a ``/begin`` or ``/include`` that still lacks its name.
        """
        parts = self._parts
        gap = parts[-1]
        incomplete = ""
        if gap:
            if not gap[-1].isspace():
                incomplete = gap.rsplit(None, 1)[-1]
                parts[-1] = gap[: -len(incomplete)]
        elif len(parts) > 1:
            incomplete = parts[-3]
            del parts[-3:]
        index = len(parts) - 1
        while True:
            gap = parts[index]
            text = gap.rstrip()
            if text:
                start = _start_of_keyword(text)
                if start < 0:
                    return incomplete
                del parts[index + 2 :: 3]  # the kinds
                incomplete = "".join((gap[start:], *parts[index + 1 :], incomplete))
                parts[index:] = [gap[:start]]
                return incomplete
            if index == 0 or not parts[index - 2].startswith(("/*", "//")):
                return incomplete
            index -= 3  # comments may stand between a keyword and its name

    def find_unclosed(self) -> tuple[str, int] | None:
        """The unclosed quote, ``/*``, ``A2ML`` or ``IF_DATA``, and its line counted from 0."""
        if len(self._parts) == 1 or self._parts[-1]:
            return None
        last = self._parts[-3]
        if self._parts[-2] or _CLOSED.fullmatch(last):
            return None
        line = self._line_of_part(-3)
        if last[0] == '"':
            return '"', line
        if last.startswith("/*"):
            return "/*", line
        return ("A2ML" if _A2ML.match(last) else "IF_DATA"), line

    def lexemes(self) -> Lexemes:
        """The tokens of the text."""
        parts = self._parts
        undivided, divided = parts[1::3], parts[:]
        del divided[2::3]
        # A lone quote stands for each string: no other text has one outside of strings.
        divided[1::2] = [
            _stand_in(text) if "\n" in text else ' " ' if text[0] == '"' else " " for text in undivided
        ]
        text = _GLUED_KEYWORD.sub(r" \g<0>", "".join(divided))
        texts = text.split()
        codes, starts = _words(text)
        strings = [text for text in undivided if text[0] == '"']
        for index, string in zip((codes[starts] == _QUOTE).nonzero()[0].tolist(), strings, strict=True):
            texts[index] = string
        return Lexemes(texts, (codes == _LINE_BREAK).nonzero()[0].searchsorted(starts))

    def skipped(self) -> list[str]:
        """The kinds of the skipped blocks, A2ML or IF_DATA."""
        return [kind for kind in self._parts[2::3] if kind]

    def line_of_skipped(self, kind: str) -> int:
        """The line of the first skipped block of a kind, counted from 0."""
        return self._line_of_part(3 * self._parts[2::3].index(kind) + 1)

    def _line_of_part(self, index: int) -> int:
        return sum(part.count("\n") for part in self._parts[:index] if part)


def _start_of_keyword(text: str) -> int:
    """The start of a keyword that ends a text and still lacks its name, or -1."""
    if text.endswith("/begin"):
        return len(text) - len("/begin")
    return len(text) - len("/include") if text.rsplit(None, 1)[-1] == "/include" else -1


def _stand_in(text: str) -> str:
    """The placeholder of a string, a comment or a skipped block of several lines."""
    return (' " ' if text[0] == '"' else " ") + "\n" * text.count("\n")


def _words(text: str) -> tuple[np.ndarray, np.ndarray]:
    """The code points of a text, and the indexes of the starts of its words."""
    if text.isascii():
        content = text.encode()
        codes = np.frombuffer(content, np.uint8)
        is_space = np.frombuffer(content.translate(_IS_ASCII_SPACE), np.bool_)
    else:
        codes = np.frombuffer(text.encode("utf-32-le", "surrogatepass"), np.uint32)
        is_space = _IS_SPACE[np.minimum(codes, _LAST_SPACE + 1)]
    is_start = ~is_space
    is_start[1:] &= is_space[:-1]
    return codes, is_start.nonzero()[0]
