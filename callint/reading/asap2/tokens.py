"""A description in the standard ASAM MCD-2 MC (ASAP2) as a stream of words with their places.

The text is read in blocks and taken apart by one regular expression, which also steps over comments and
over the contents of A2ML and IF_DATA: those belong to interfaces and are in languages of their own.
Memory does not grow with the file, but with the longest thing in it, and that is bounded.
"""

from __future__ import annotations

import codecs
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
MAX_STRETCH = 32 * 2**20  # characters of one string, comment or A2ML

#: Characters that are read at a time: few enough for what is made of them to stay near the processor.
_BLOCK = 2**15

#: Python before 3.11.5 mismatches possessive groups that hold alternatives (CPython issue 106052); there an
#: atomic group says the same, somewhat slower.
_MANY, _SOME, _NO_MORE = ("(?:", ")++", ")*+") if sys.version_info >= (3, 11, 5) else ("(?>(?:", ")+)", ")*)")
_COMMENT = rf"/\*[^*]*+{_MANY}\*(?!/)[^*]*+{_NO_MORE}\*/|//[^\n]*+"
_GAP = rf"{_MANY}\s++|{_COMMENT}{_SOME}"
#: A quote within a string is doubled, or has a backslash before it.
_STRING = rf'"[^"\\]*+{_MANY}(?:\\[\s\S]|"")[^"\\]*+{_NO_MORE}"'
_NAME_ENDS = r"(?![\w.\[\]])"
_REST = rf'{_MANY}/(?![/*]|(?:begin|end)\s)[^\s"/]++{_NO_MORE}'
#: Comments have no group. Group 2 is the kind of a whole skipped block. The others are words: most of them,
#: and strings, group 1, which comes first for speed; group 3 what begins with a slash, or is left open and
#: reaches to the end of the text at hand.
_TOKEN = re.compile(
    rf'([^\s"/]++{_REST}|{_STRING})'
    rf"|{_COMMENT}"
    rf'|/begin{_GAP}(A2ML|IF_DATA){_NAME_ENDS}{_MANY}[^"/]++|{_STRING}|{_COMMENT}'
    rf"|/(?!end{_GAP}\2{_NAME_ENDS}){_NO_MORE}/end{_GAP}\2{_NAME_ENDS}"
    rf'|((?:"|/\*|/begin{_GAP}(?:A2ML|IF_DATA){_NAME_ENDS})[\s\S]*+|/(?:[^\s"/]++{_REST})?)'
)
_SKIPPED, _WORDS = 2, (1, 3)

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
class Place:
    """Where something stands: the name of a file, and a line counted from 1."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(frozen=True, slots=True)
class Words:
    """Words behind one another, each with its place as ``Source.place`` resolves it.

    Strings still have their quotes; ``/begin`` and ``/end`` are words of their own.
    """

    texts: list[str]
    places: list[int]


@dataclass
class Source:
    """A main file with all that it includes.

    ``skipped`` counts the A2ML and IF_DATA blocks so far, with the place of the first.
    """

    path: Path
    skipped: dict[str, tuple[int, Place]] = field(default_factory=dict)
    _names: list[str] = field(default_factory=list)
    _bytes: int = 0

    def place(self, number: int) -> Place:
        """The file and line of a word."""
        return Place(self._names[number // _FILE], number % _FILE)

    def words(self) -> Iterator[Words]:
        """All words in stretches. Raises InputError with file and line."""
        yield from self._file(self.path, str(self.path), ())

    def _file(self, path: Path, name: str, above: tuple[Path, ...]) -> Iterator[Words]:
        self._bytes += _size(path, name)  # first, as it says whatever is wrong with the path
        resolved = path.resolve()
        if self._bytes > MAX_BYTES:
            raise InputError(
                f"{name}: with it there are more than {MAX_BYTES >> 20} MiB, the most that is read; divide it"
            )
        number = len(self._names)
        self._names.append(name)
        if number >= MAX_FILES:
            raise InputError(f"{name}: more than {MAX_FILES} files are included; divide the description")
        encoding = _encoding(path, name)
        try:
            with path.open(encoding=encoding) as file:
                for words in self._taken_apart(file, number):
                    if "/include" in words.texts:
                        yield from self._with_includes(words, (*above, resolved))
                    else:
                        yield words
        except UnicodeError:
            raise InputError(
                f"{name}: it is not the {encoding} text that it begins as; save it anew"
            ) from None
        except OSError as error:
            raise InputError(f"{name}: it cannot be read: {reason(error)}") from None

    def _with_includes(self, words: Words, above: tuple[Path, ...]) -> Iterator[Words]:
        texts, places = words.texts, words.places
        start = 0
        while "/include" in texts[start:]:
            found = texts.index("/include", start)
            yield Words(texts[start:found], places[start:found])
            if found + 1 >= len(texts):
                raise InputError(f"{self.place(places[found])}: /include names no file; add its name")
            # A backslash in a file's name is part of a path.
            name = texts[found + 1].strip('"')
            yield from self._include(name, self.place(places[found]), above)
            start = found + 2
        yield Words(texts[start:], places[start:])

    def _include(self, name: str, place: Place, above: tuple[Path, ...]) -> Iterator[Words]:
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
            raise InputError(f"{place}: /include {name!r} leads round in a circle; remove it")
        if len(above) >= MAX_INCLUDES:
            raise InputError(f"{place}: files include files more than {MAX_INCLUDES} deep; put some together")
        try:
            if not target.is_file():
                raise InputError(f"{place}: /include {name!r}: there is no such file; add it")
        except OSError as error:
            raise InputError(f"{place}: /include {name!r}: {reason(error)}; correct the name") from None
        shown = target.relative_to(folder)
        yield from self._file(target, str(self.path.parent / shown), above)

    def _taken_apart(self, file: IO[str], number: int) -> Iterator[Words]:
        """The words of one file; the tail of a stretch that may go on waits for the next."""
        text, line = "", 1
        while True:
            more = file.read(max(_BLOCK, len(text)))
            text += more
            matches = list(_TOKEN.finditer(text))
            end = len(text)
            if more:
                kept = _settled(matches, end)
                if kept < len(matches):
                    end = matches[kept].start()
                    del matches[kept:]
                if len(text) - end > MAX_STRETCH:
                    place = Place(self._names[number], line + text.count("\n", 0, end))
                    raise InputError(
                        f"{place}: what begins here does not end within {MAX_STRETCH >> 20} Mi characters; "
                        "look for a missing quote, */ or /end"
                    )
            texts, places = self._words(matches, text, number, line)
            if not more:
                self._refuse_open(texts, places)
            if texts:
                yield Words(texts, places)
            if not more:
                return
            line += text.count("\n", 0, end)
            text = text[end:]

    def _words(
        self, matches: list[re.Match[str]], text: str, number: int, line: int
    ) -> tuple[list[str], list[int]]:
        words = [match for match in matches if match.lastindex in _WORDS]
        starts = np.array([match.start() for match in words], np.int64)
        breaks = np.flatnonzero(np.frombuffer(text.encode("utf-32-le", "surrogatepass"), np.uint32) == 10)
        first = number * _FILE + line
        places = (np.searchsorted(breaks, starts) + first).tolist()
        if len(words) < len(matches):
            for match in matches:
                if match.lastindex == _SKIPPED:
                    kind = match[_SKIPPED]
                    amount, place = self.skipped.get(kind) or (
                        0,
                        self.place(first + int(np.searchsorted(breaks, match.start()))),
                    )
                    self.skipped[kind] = amount + 1, place
        return [match[0] for match in words], places

    def _refuse_open(self, texts: list[str], places: list[int]) -> None:
        """InputError where the last word of a file is a string, a comment or a block without an end."""
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


def _settled(matches: list[re.Match[str]], end: int) -> int:
    """How many matches mean the same whatever follows behind the text, which ends at ``end``."""
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
        words = reason(error) if isinstance(error, OSError) else "its name is not one"
        raise InputError(f"{name}: it cannot be read: {words}; check the name") from None
    if not stat.S_ISREG(status.st_mode):
        kind = "a folder" if stat.S_ISDIR(status.st_mode) else "no regular file"
        raise InputError(f"{name}: it cannot be read: it is {kind}; name a file")
    return status.st_size


def _encoding(path: Path, name: str) -> str:
    """The encoding by a mark at the beginning; without one UTF-8, and Latin-1 for what is no UTF-8."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        with path.open("rb", buffering=0) as file:
            head = os.read(file.fileno(), 4)
            for mark, encoding in _BOMS:
                if head.startswith(mark):
                    return encoding
            decoder.decode(head)
            while block := file.read(_BLOCK):
                decoder.decode(block)
            decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return "latin-1"
    except OSError as error:
        raise InputError(f"{name}: it cannot be read: {reason(error)}; check the file") from None
    return "utf-8"


def unquoted(word: str) -> str:
    """The text of a string, or the word as it is."""
    if not word.startswith('"'):
        return word
    return _ESCAPE.sub(lambda found: _CONTROLS.get(found[1] or '"', found[1] or '"'), word[1:-1])
