"""A description in the standard ASAM MCD-2 MC (ASAP2) as a stream of tokens with their places.

The text is read in chunks and split by one regular expression, which also skips comments and the contents of
A2ML and IF_DATA: those belong to interfaces and are in languages of their own. Memory does not grow with the
file, but with the longest token in it, and that is bounded.
"""

from __future__ import annotations

import codecs
import operator
import os
import re
import stat
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import numpy as np

from callint.model.errors import InputError
from callint.reading.tree import reason

#: Bounds on what a file may claim.
MAX_BYTES = 2**30  # of all files of a description together
MAX_FILES = 1000
MAX_INCLUDES = 16  # files within files
MAX_TOKEN = 32 * 2**20  # characters of one string, comment or A2ML

#: Characters that are read at a time: few enough for their tokens to stay in the processor's cache.
_CHUNK = 2**15

#: Python before 3.11.5 mismatches possessive groups that hold alternatives (CPython issue 106052); an atomic
#: group means the same and is somewhat slower.
_MANY, _SOME, _NO_MORE = ("(?:", ")++", ")*+") if sys.version_info >= (3, 11, 5) else ("(?>(?:", ")+)", ")*)")
_COMMENT = rf"/\*[^*]*+{_MANY}\*(?!/)[^*]*+{_NO_MORE}\*/|//[^\n]*+"
_GAP = rf"{_MANY}\s++|{_COMMENT}{_SOME}"
#: A quote within a string is doubled, or has a backslash before it.
_STRING = rf'"[^"\\]*+{_MANY}(?:\\[\s\S]|"")[^"\\]*+{_NO_MORE}"'
_NAME_ENDS = r"(?![\w.\[\]])"
_REST = rf'{_MANY}/(?![/*]|(?:begin|end)\s)[^\s"/]++{_NO_MORE}'
#: Comments have no group. Group 2 is the kind of a skipped block. Groups 1 and 3 are tokens: group 1, first
#: for speed, has strings and most words; group 3 has what begins with a slash, and what has no end within the
#: text read so far.
_PATTERN = re.compile(
    rf'([^\s"/]++{_REST}|{_STRING})'
    rf"|{_COMMENT}"
    rf'|/begin{_GAP}(A2ML|IF_DATA){_NAME_ENDS}{_MANY}[^"/]++|{_STRING}|{_COMMENT}'
    rf"|/(?!end{_GAP}\2{_NAME_ENDS}){_NO_MORE}/end{_GAP}\2{_NAME_ENDS}"
    rf'|((?:"|/\*|/begin{_GAP}(?:A2ML|IF_DATA){_NAME_ENDS})[\s\S]*+|/(?:[^\s"/]++{_REST})?)'
)
_SKIPPED_GROUP, _TOKEN_GROUPS = 2, frozenset((1, 3))
_LAST_GROUP = operator.attrgetter("lastindex")

_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)

_ESCAPE = re.compile(r'""|\\([\s\S])')
_CONTROLS = {"n": "\n", "r": "\r", "t": "\t"}

#: A place is the number of a file times this, and a line counted from 1.
_FILE = 2**32


@dataclass(frozen=True, slots=True)
class SourceLocation:
    """The name of a file, and a line counted from 1."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(frozen=True, slots=True)
class Tokens:
    """Consecutive tokens, each with the number of its place, which ``TokenStream.place`` resolves.

    Strings still have their quotes; ``/begin`` and ``/end`` are separate tokens.
    """

    texts: list[str]
    places: list[int]


@dataclass
class TokenStream:
    """The tokens of a main file and of all files that it includes.

    ``skipped`` has the number of A2ML and IF_DATA blocks so far, and the place of the first.
    """

    path: Path
    skipped: dict[str, tuple[int, SourceLocation]] = field(default_factory=dict)
    _names: list[str] = field(default_factory=list)
    _bytes: int = 0

    def place(self, number: int) -> SourceLocation:
        """The file and line of a token."""
        return SourceLocation(self._names[number // _FILE], number % _FILE)

    def tokens(self) -> Iterator[Tokens]:
        """All tokens in chunks. Raises InputError with file and line."""
        yield from self._file(self.path, str(self.path), ())

    def _file(self, path: Path, name: str, above: tuple[Path, ...]) -> Iterator[Tokens]:
        self._bytes += _size(path, name)  # first, as it reports what is wrong with the path
        resolved = path.resolve()
        if self._bytes > MAX_BYTES:
            raise InputError(
                f"{name}: the description is larger than {MAX_BYTES >> 20} MiB with this file; divide it"
            )
        number = len(self._names)
        self._names.append(name)
        if number >= MAX_FILES:
            raise InputError(f"{name}: more than {MAX_FILES} files are included; divide the description")
        encoding = _encoding(path, name)
        try:
            with path.open(encoding=encoding) as file:
                for tokens in self._tokenize(file, number):
                    if "/include" in tokens.texts:
                        yield from self._expand_includes(tokens, (*above, resolved))
                    else:
                        yield tokens
        except UnicodeError:
            raise InputError(
                f"{name}: it begins as {encoding} text, but has other characters; save it again as UTF-8"
            ) from None
        except OSError as error:
            raise InputError(f"{name}: it cannot be read: {reason(error)}") from None

    def _expand_includes(self, tokens: Tokens, above: tuple[Path, ...]) -> Iterator[Tokens]:
        """The tokens with those of a file in the place of each /include."""
        texts, places = tokens.texts, tokens.places
        start = 0
        while "/include" in texts[start:]:
            include = texts.index("/include", start)
            yield Tokens(texts[start:include], places[start:include])
            if include + 1 >= len(texts):
                raise InputError(f"{self.place(places[include])}: /include names no file; add its name")
            # A backslash in a file's name is part of a path.
            name = texts[include + 1].strip('"')
            yield from self._include(name, self.place(places[include]), above)
            start = include + 2
        yield Tokens(texts[start:], places[start:])

    def _include(self, name: str, place: SourceLocation, above: tuple[Path, ...]) -> Iterator[Tokens]:
        inside = name.replace("\\", "/")
        folder = self.path.resolve().parent
        try:
            # A path within an included file starts from that file.
            target = (above[-1].parent / inside).resolve()
            if (
                "\0" in name
                or inside.startswith("/")
                or inside[1:2] == ":"
                or not target.is_relative_to(folder)
            ):
                raise InputError(
                    f"{place}: /include {name!r} leads out of the folder of {self.path.name}; move it"
                )
        except (OSError, RuntimeError, ValueError):
            raise InputError(
                f"{place}: /include {name!r} names no file that can be read; correct it"
            ) from None
        if target in above:
            raise InputError(f"{place}: /include {name!r} makes a circle; remove it")
        if len(above) >= MAX_INCLUDES:
            raise InputError(f"{place}: files include files more than {MAX_INCLUDES} deep; combine some")
        try:
            if not target.is_file():
                raise InputError(f"{place}: /include {name!r}: the file does not exist; add it")
        except OSError as error:
            raise InputError(f"{place}: /include {name!r}: {reason(error)}; correct the name") from None
        name_inside = target.relative_to(folder)
        yield from self._file(target, str(self.path.parent / name_inside), above)

    def _tokenize(self, file: IO[str], number: int) -> Iterator[Tokens]:
        """The tokens of one file. A token at the end of a chunk may continue, so it waits for the next."""
        text, line = "", 1
        while True:
            more = file.read(max(_CHUNK, len(text)))
            text += more
            matches = list(_PATTERN.finditer(text))
            end = len(text)
            if more:
                kept = _count_complete(matches, end)
                if kept < len(matches):
                    end = matches[kept].start()
                    del matches[kept:]
                if len(text) - end > MAX_TOKEN:
                    place = SourceLocation(self._names[number], line + text.count("\n", 0, end))
                    raise InputError(
                        f"{place}: the token that begins here does not end within {MAX_TOKEN >> 20} Mi "
                        "characters; look for a missing quote, */ or /end"
                    )
            texts, places = self._texts_and_places(matches, text, number, line)
            if not more:
                self._require_closed(texts, places)
            if texts:
                yield Tokens(texts, places)
            if not more:
                return
            line += text.count("\n", 0, end)
            text = text[end:]

    def _texts_and_places(
        self, matches: list[re.Match[str]], text: str, number: int, line: int
    ) -> tuple[list[str], list[int]]:
        # Functions of C, and no loop of Python, as there may be millions of tokens.
        groups = list(map(_LAST_GROUP, matches))
        tokens = matches
        if not _TOKEN_GROUPS.issuperset(groups):
            tokens = [match for match, group in zip(matches, groups, strict=True) if group in _TOKEN_GROUPS]
        starts = np.fromiter(map(re.Match.start, tokens), np.int64, len(tokens))
        if text.isascii():
            breaks = np.flatnonzero(np.frombuffer(text.encode(), np.uint8) == 10)
        else:
            breaks = np.flatnonzero(np.frombuffer(text.encode("utf-32-le", "surrogatepass"), np.uint32) == 10)
        first = number * _FILE + line
        places = (np.searchsorted(breaks, starts) + first).tolist()
        if len(tokens) < len(matches):
            for match in matches:
                if match.lastindex == _SKIPPED_GROUP:
                    kind = match[_SKIPPED_GROUP]
                    amount, place = self.skipped.get(kind) or (
                        0,
                        self.place(first + int(np.searchsorted(breaks, match.start()))),
                    )
                    self.skipped[kind] = amount + 1, place
        return list(map(re.Match.group, tokens)), places

    def _require_closed(self, texts: list[str], places: list[int]) -> None:
        """Raise InputError if the last token of a file is a string, a comment or a block without an end."""
        if not texts:
            return
        last = texts[-1]
        place = self.place(places[-1])
        if last.startswith('"') and not re.fullmatch(_STRING, last):
            raise InputError(f'{place}: the string that begins here has no end; add the missing "')
        if last.startswith("/*"):
            raise InputError(f"{place}: the comment that begins here has no end; add the missing */")
        if last.startswith("/begin") and len(last) > len("/begin"):
            kind = "A2ML" if re.match(rf"/begin{_GAP}A2ML", last) else "IF_DATA"
            raise InputError(f"{place}: /begin {kind} has no /end {kind}; add it")


def _count_complete(matches: list[re.Match[str]], end: int) -> int:
    """The number of matches that no later text can change; the text so far ends at ``end``."""
    kept = len(matches)
    if kept and matches[-1].end() == end:
        kept -= 1
    last = kept - 1
    while last >= 0 and matches[last].lastindex is None:  # comments
        last -= 1
    if last >= 0 and matches[last][0] in ("/begin", "/end", "/include"):
        return last
    return kept


def _size(path: Path, name: str) -> int:
    try:
        status = path.stat()
    except (OSError, ValueError) as error:
        message = reason(error) if isinstance(error, OSError) else "its name is not valid"
        raise InputError(f"{name}: it cannot be read: {message}; check the name") from None
    if not stat.S_ISREG(status.st_mode):
        kind = "a folder" if stat.S_ISDIR(status.st_mode) else "not a regular file"
        raise InputError(f"{name}: it cannot be read: it is {kind}; name a file")
    return status.st_size


def _encoding(path: Path, name: str) -> str:
    """The encoding by the byte order mark, or without one by the bytes.

    A description begins with ASCII, so that zeros between its bytes mean UTF-16. Any other file is UTF-8 if
    it is valid UTF-8, else Windows-1252, and Latin-1 if it has bytes that Windows-1252 lacks.
    """
    try:
        with path.open("rb", buffering=0) as file:
            head = os.read(file.fileno(), 4)
        for mark, encoding in _BOMS:
            if head.startswith(mark):
                return encoding
        for zeros, encoding in ((head[1::2], "utf-16-le"), (head[::2], "utf-16-be")):
            if len(head) == 4 and zeros == b"\0\0":
                return encoding
        return next(encoding for encoding in ("utf-8", "cp1252", "latin-1") if _is_valid(path, encoding))
    except OSError as error:
        raise InputError(f"{name}: it cannot be read: {reason(error)}; check the file") from None


def _is_valid(path: Path, encoding: str) -> bool:
    """Whether a whole file is text in an encoding."""
    decoder = codecs.getincrementaldecoder(encoding)()
    with path.open("rb", buffering=0) as file:
        try:
            while block := file.read(_CHUNK):
                decoder.decode(block)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return False
    return True


def unquoted(token: str) -> str:
    """The text of a string without quotes and escapes; any other token as it is."""
    if not token.startswith('"'):
        return token
    return _ESCAPE.sub(lambda escape: _CONTROLS.get(escape[1] or '"', escape[1] or '"'), token[1:-1])
