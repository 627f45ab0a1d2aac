"""Reads a description in the standard ASAM MCD-2 MC (ASAP2) as a stream of tokens with their places.

The text is read in chunks. The memory needed does not grow with the file, but with its longest token, whose
length is bounded.
"""

from __future__ import annotations

import codecs
import os
import re
import stat
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, NamedTuple

from callint.model.errors import InputError
from callint.reading.asap2.lexer import Chunk
from callint.reading.tree import reason

#: Bounds on what a file may claim.
MAX_BYTES = 2**30  # of all files of a description together
MAX_FILES = 1000
MAX_INCLUDES = 16  # files within files
MAX_TOKEN = 32 * 2**20  # characters of one string, comment or A2ML

#: The number of characters read at a time: small enough for their tokens to stay in the processor's cache.
_CHUNK = 2**15

_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)

_ESCAPE = re.compile(r'""|\\([\s\S])')
_CONTROLS = {"n": "\n", "r": "\r", "t": "\t"}

_LINE_BREAK = "\n"

#: A place is the number of a file, shifted by this, and a line counted from 1.
_LINE_BITS = 32
_LINE_MASK = 2**_LINE_BITS - 1


class SourceLocation(NamedTuple):
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
    places: array[int]


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
        return SourceLocation(self._names[number >> _LINE_BITS], number & _LINE_MASK)

    def tokens(self) -> Iterator[Tokens]:
        """All tokens in chunks. Raises InputError with file and line."""
        yield from self._file(self.path, str(self.path), ())

    def _file(self, path: Path, name: str, above: tuple[Path, ...]) -> Iterator[Tokens]:
        self._bytes += _size(path, name)  # first, because it reports faults of the path
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
        """The tokens; each /include is replaced by the tokens of its file."""
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
            raise InputError(f"{place}: /include {name!r} names no readable file; correct it") from None
        if target in above:
            raise InputError(f"{place}: /include {name!r} is circular; remove it")
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
        """The tokens of one file. An incomplete end of a chunk is joined with the next chunk."""
        text, line = "", 1
        while True:
            more = file.read(max(_CHUNK, len(text)))
            text += more
            chunk = Chunk(text)
            rest = chunk.split_off_incomplete() if more else ""
            end = len(text) - len(rest)
            first = (number << _LINE_BITS) + line
            if len(rest) > MAX_TOKEN:
                raise InputError(
                    f"{self.place(first + text.count(_LINE_BREAK, 0, end))}: the token that begins here does "
                    f"not end within {MAX_TOKEN >> 20} Mi characters; look for a missing quote, */ or /end"
                )
            for kind in chunk.skipped():
                amount, place = self.skipped.get(kind) or (0, self.place(first + chunk.line_of_skipped(kind)))
                self.skipped[kind] = amount + 1, place
            if not more:
                self._require_closed(chunk, first)
            lexemes = chunk.lexemes()
            if lexemes.texts:
                yield Tokens(lexemes.texts, array("q", (lexemes.lines + first).tobytes()))
            if not more:
                return
            line += text.count(_LINE_BREAK, 0, end)
            text = rest

    def _require_closed(self, chunk: Chunk, first: int) -> None:
        """Raise InputError if a string, a comment or a block has no end in the last chunk of a file."""
        unclosed = chunk.find_unclosed()
        if unclosed is None:
            return
        kind, line = unclosed
        place = self.place(first + line)
        if kind == '"':
            raise InputError(f'{place}: the string that begins here has no end; add the missing "')
        if kind == "/*":
            raise InputError(f"{place}: the comment that begins here has no end; add the missing */")
        raise InputError(f"{place}: /begin {kind} has no /end {kind}; add it")


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

    A description begins with ASCII, so zeros between its bytes mean UTF-16. Any other file is UTF-8 if it is
    valid UTF-8, otherwise Windows-1252, or Latin-1 if it has bytes that Windows-1252 lacks.
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
    if token[:1] != '"':
        return token
    if "\\" not in token:
        return token[1:-1].replace('""', '"')
    return _ESCAPE.sub(lambda escape: _CONTROLS.get(escape[1] or '"', escape[1] or '"'), token[1:-1])
