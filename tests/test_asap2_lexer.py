"""The tokens of a description, against a scanner that takes one character at a time."""

from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from callint.model.errors import InputError
from callint.reading.asap2 import tokens as asap2_tokens
from callint.reading.asap2.tokens import TokenStream
from tests.describing import words
from tests.example_counts import examples

_PIECES = (
    " ", "\n", "\u2003", "/", "*", '"', '""', "\\", '"a b"', '"a\n""b"', r'"a\"b"', "/* c\n */", "// x\n",
    "/**/", "abc", "0x1F", "a/b", "°", "A2ML", "IF_DATA", "IF_DATAX", " /begin", "/begin", "/end ", "/end",
    " /begin X ", " /end X\n", '/begin IF_DATA x "/end IF_DATA" /end IF_DATA',
    "/begin A2ML\n /* /end A2ML */ x // /end A2ML\n/end A2ML",
    "/begin /* c */ IF_DATA\n/begin A2ML /end A2ML /end // c\n IF_DATA ",
)  # fmt: skip
_TEXTS = st.lists(st.sampled_from(_PIECES), max_size=20).map("".join)


class Unclosed(Exception):  # noqa: N818 (no error of the product)
    """What has no end begins in a line counted from 1."""


class Scanner:
    """Takes a text apart, one character at a time."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0

    def tokens(self) -> tuple[list[tuple[str, int]], list[tuple[str, int]]]:
        """The tokens, and the kinds of the skipped blocks, each with its line."""
        found: list[tuple[str, int]] = []
        skipped: list[tuple[str, int]] = []
        while self.at < len(self.text):
            line = self.text.count("\n", 0, self.at) + 1
            if self._gap():
                continue
            if (kind := self._skipped_block(line)) is not None:
                skipped.append((kind, line))
            else:
                found.append((self._string(line) or self._word(), line))
        return found, skipped

    def _starts(self, text: str) -> bool:
        return self.text.startswith(text, self.at)

    def _gap(self) -> bool:
        """Step over white space or a comment."""
        if self.at < len(self.text) and self.text[self.at].isspace():
            self.at += 1
        elif self._starts("//"):
            while self.at < len(self.text) and self.text[self.at] != "\n":
                self.at += 1
        elif self._starts("/*"):
            line = self.text.count("\n", 0, self.at) + 1
            end = self.text.find("*/", self.at + 2)
            if end < 0:
                raise Unclosed(line)
            self.at = end + 2
        else:
            return False
        return True

    def _string(self, line: int) -> str:
        """Step over a string, if one begins here."""
        if not self._starts('"'):
            return ""
        start = self.at
        self.at += 1
        while not self._starts('"') or self._starts('""'):
            if self.at >= len(self.text):
                raise Unclosed(line)
            self.at += 2 if self._starts("\\") or self._starts('""') else 1
        self.at += 1
        return self.text[start : self.at]

    def _keyword(self, keyword: str) -> str:
        """Step over a keyword and the name of an interface's block behind it, if they begin here."""
        start = self.at
        if self._starts(keyword):
            self.at += len(keyword)
            if self._gap():
                while self._gap():
                    pass
                for kind in ("A2ML", "IF_DATA"):
                    behind = self.text[self.at + len(kind) : self.at + len(kind) + 1]
                    if self._starts(kind) and not (behind.isalnum() or behind in tuple("_.[]")):
                        self.at += len(kind)
                        return kind
        self.at = start
        return ""

    def _skipped_block(self, line: int) -> str | None:
        """Step over an A2ML or IF_DATA, if one begins here."""
        try:
            kind = self._keyword("/begin")
        except Unclosed:
            return None
        if not kind:
            return None
        try:
            while True:
                start = self.at
                if (ended := self._keyword("/end")) == kind:
                    return kind
                if ended:
                    self.at = start + 1
                elif not self._gap() and not self._string(line):
                    if self.at >= len(self.text):
                        raise Unclosed(line)
                    self.at += 1
        except Unclosed:
            raise Unclosed(line) from None

    def _word(self) -> str:
        """Step over a word: up to white space, a string, a comment, or a keyword other than its own."""
        start = self.at
        while self.at < len(self.text) and not self.text[self.at].isspace() and not self._starts('"'):
            if self._starts("/*") or self._starts("//"):
                break
            if self.at > start and self._is_keyword():
                break
            self.at += 1
        return self.text[start : self.at]

    def _is_keyword(self) -> bool:
        for keyword in ("/begin", "/end"):
            behind = self.text[self.at + len(keyword) : self.at + len(keyword) + 1]
            if self._starts(keyword) and not (behind.isalnum() or behind in tuple("_.[]")):
                return True
        return False


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("texts")


@examples(100)
@given(text=_TEXTS, chunk=st.sampled_from([1, 2, 3, 5, 8, 13, 2**15]))
@example(text="/begin A2ML /* /end A2ML */ x /end A2ML", chunk=13)
@example(text='A\n"B\n', chunk=2)
@example(text="A\n/* B\n", chunk=2)
@example(text="A\n/begin IF_DATA B\n", chunk=2)
@example(text="A/begin/end B/ C", chunk=4)
@example(text="/begin /* c */ IF_DATA /end IF_DATA", chunk=10)
def test_tokens_and_lines_are_those_of_a_scanner_that_takes_one_character_at_a_time(
    folder: Path, text: str, chunk: int
) -> None:
    path = folder / "text.a2l"
    path.write_text(text, encoding="utf-8", newline="\n")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(asap2_tokens, "_CHUNK", chunk)
        try:
            expected, skipped = Scanner(text).tokens()
        except Unclosed as unclosed:
            with pytest.raises(InputError, match=rf"text\.a2l:{unclosed}: .* has no .*; add"):
                words(path)
            return
        assert words(path) == expected
        source = TokenStream(path)
        for _ in source.tokens():
            pass
    kinds = [kind for kind, _ in skipped]
    assert {kind: (amount, place.line) for kind, (amount, place) in source.skipped.items()} == {
        kind: (kinds.count(kind), dict(reversed(skipped))[kind]) for kind in kinds
    }
