"""Blocks that callint init writes into the user's text files, between two comment lines.

The first line carries a digest of the lines that follow. So callint init knows, in every clone, whether
somebody edited the block or whether it may replace the block.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass

_BEGIN = re.compile(r"[ \t]*# callint init ([0-9a-f]{8}): ")
#: The text stays the same between versions: another one would change the files of every repository.
_NOTE = "written anew by callint init; your own lines go outside"
_END = "# callint init: end"


@dataclass(frozen=True, slots=True)
class Block:
    """A block in a text: its start and end (as slice), its first line, and whether somebody edited it."""

    start: int
    end: int
    line: int
    is_edited: bool


def block(lines: Sequence[str], indent: str = "") -> str:
    """The text of a block: the marks and the lines between them, all with the indent."""
    first = f"# callint init {_digest(lines)}: {_NOTE}"
    return "".join(f"{indent}{line}\n" for line in (first, *lines, _END))


def find(text: str) -> Block | None:
    """The first block of a text, or None. A block without an end mark counts as edited and ends the text."""
    start = 0
    begin: tuple[int, int, str] | None = None
    lines: list[str] = []
    for number, line in enumerate(re.findall(r"[^\n]*\n|[^\n]+", text), 1):
        if begin is None:
            if match := _BEGIN.match(line):
                begin = start, number, match[1]
        elif line.strip() == _END:
            end = start + len(line)
            return Block(begin[0], end, begin[1], _digest(lines) != begin[2])
        else:
            lines.append(line.strip("\r\n"))
        start += len(line)
    return None if begin is None else Block(begin[0], len(text), begin[1], True)


def _digest(lines: Sequence[str]) -> str:
    """The digest of the lines without their indents and line ends, which git and editors may change."""
    return hashlib.sha256(
        "\n".join(line.strip() for line in lines).encode("utf-8", "surrogateescape")
    ).hexdigest()[:8]


def as_text(content: bytes | None) -> tuple[str, str]:
    """Content as text, without loss, and its line end."""
    text = (content or b"").decode("utf-8", "surrogateescape")
    return text, "\r\n" if "\r\n" in text else "\n"


def as_bytes(text: str) -> bytes:
    """The bytes of a text from ``as_text``; bytes that are not UTF-8 come back unchanged."""
    return text.encode("utf-8", "surrogateescape")
