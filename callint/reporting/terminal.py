"""The terminal: its width and colours, and safe text on it."""

from __future__ import annotations

import os
import re
import textwrap
from functools import cached_property
from typing import IO, TYPE_CHECKING

from callint.fmt import clean
from callint.model.finding import Severity

if TYPE_CHECKING:
    from rich.console import Console

#: Styles by what they mark; the text has the same meaning without them.
SEVERITY_STYLES = {Severity.ERROR: "bold red", Severity.WARNING: "yellow", Severity.NOTE: "cyan"}
CHANGED = "bold"
RAISED, LOWERED = "bold magenta", "bold cyan"
QUIET = "dim"

#: Joins a number and its unit while prose is broken into lines.
_TIE = "\u00a0"
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=[^\W\d]|[%°])")

#: Narrower output and wider lines of prose are hard to read.
_NARROWEST, _WIDEST_PROSE = 40, 100


class StyledLine:
    """One line of styled parts."""

    def __init__(self, *parts: tuple[str, str]) -> None:
        self.parts = parts

    @property
    def plain(self) -> str:
        """The text without styles."""
        return "".join(text for text, _ in self.parts)

    def styled(self, style: str) -> StyledLine:
        """The line with a style in addition to those of its parts."""
        return StyledLine(*((text, f"{own} {style}".strip()) for text, own in self.parts))

    def indented(self, indent: str) -> StyledLine:
        """The line behind an indent."""
        return StyledLine((indent, ""), *self.parts)

    def stripped(self) -> StyledLine:
        """The line without spaces at its end."""
        parts = list(self.parts)
        while parts:
            text, style = parts.pop()
            if stripped := text.rstrip():
                return StyledLine(*parts, (stripped, style))
        return StyledLine()


class Terminal:
    """A stream for people.

    The library for terminals is loaded only for a terminal: most output goes into a pipe or a file.
    """

    def __init__(self, stream: IO[str], colour: bool | None) -> None:
        self._stream = stream
        self._colour = colour

    @cached_property
    def _console(self) -> Console | None:
        """The console of a terminal; None if the stream is certainly not a terminal."""
        forced = os.environ.get("FORCE_COLOR") or os.environ.get("TTY_COMPATIBLE")
        if self._colour is False or not (self._colour or forced or self._stream.isatty()):
            return None
        from rich.console import Console

        class Quiet(Console):
            def on_broken_pipe(self) -> None:
                """Let the command line handle a reader that closed the pipe."""
                raise BrokenPipeError

        return Quiet(
            file=self._stream,
            force_terminal=self._colour,
            highlight=False,
            markup=False,
            emoji=False,
            soft_wrap=True,
        )

    @property
    def is_terminal(self) -> bool:
        return self._console is not None and self._console.is_terminal

    @property
    def width(self) -> int:
        """The number of columns; 80 if it is not a terminal."""
        return self._console.width if self._console is not None and self._console.is_terminal else 80

    @property
    def encoding(self) -> str:
        return (getattr(self._stream, "encoding", None) or "utf-8").lower()

    def print(self, text: StyledLine | str = "") -> None:
        """Write one line."""
        if self._console is None:
            self._stream.write(f"{text if isinstance(text, str) else text.plain}\n")
        elif isinstance(text, str):
            self._console.print(text)
        else:
            from rich.text import Text

            self._console.print(Text.assemble(*text.parts))


def console(stream: IO[str], colour: bool | None = None) -> Terminal:
    """A stream for people: no colour in a pipe; NO_COLOR and FORCE_COLOR are honoured.

    ``colour`` decides if the stream cannot, as behind git's pager.
    """
    return Terminal(stream, colour)


def width(terminal: Terminal) -> int:
    """The number of columns of a line: the terminal's, or 80 for a pipe."""
    return max(terminal.width, _NARROWEST)


def arrow(terminal: Terminal) -> str:
    """The sign between an old and a new value."""
    return "→" if terminal.encoding.startswith("utf") else "->"


def has_blocks(terminal: Terminal) -> bool:
    """Whether the terminal can show block characters."""
    return arrow(terminal) == "→"


def directions(terminal: Terminal) -> tuple[str, str, str]:
    """The signs of a cell that was raised, that was lowered, and that changed in another way."""
    return ("↑", "↓", "≠") if has_blocks(terminal) else ("^", "v", "*")


def ellipsis(terminal: Terminal) -> str:
    """The character that marks a cut."""
    return "…" if arrow(terminal) == "→" else "."


def wrapped(text: str, columns: int, indent: str = "") -> list[str]:
    """Prose in lines of bounded width, each with the indent.

    A word is broken only if it is longer than a line, and a number stays with its unit.
    """
    lines = textwrap.wrap(
        _NUMBER_AND_UNIT.sub(_TIE, clean(text)),
        min(columns, _WIDEST_PROSE),
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=True,
        break_on_hyphens=False,
    )
    return [text.replace(_TIE, " ") for text in lines] or [indent]


def print_prose(prose: str, terminal: Terminal, style: str = "", indent: str = "") -> None:
    """Print prose in lines that fit the terminal, each with the indent."""
    for text in wrapped(prose, width(terminal), indent):
        terminal.print(line((text, style)))


def heading(name: str, rest: str, columns: int) -> list[StyledLine]:
    """A name in bold with a text behind it, in lines of bounded width; later lines are indented."""
    first, *more = wrapped(f"{name}{rest}", columns)
    lead = min(len(clean(name)), len(first))
    texts = [line((first[:lead], "bold"), first[lead:])]
    if more:
        texts += [line(text) for text in wrapped(" ".join(more), columns, "  ")]
    return texts


#: Prose goes below a row if less than this number of columns is left beside it.
_LEAST_ROOM = 24


def row_with_prose(lead: str, prose: str, columns: int, bold: int = 0) -> list[StyledLine]:
    """Prose beside the columns of a row, or below them if too little room is left.

    The first ``bold`` characters of the row are bold.
    """
    lead = clean(lead)
    room = columns - len(lead) - 2
    if room >= _LEAST_ROOM:
        first, *more = wrapped(prose, room)
        return [
            line((lead[:bold], "bold"), f"{lead[bold:]}  {first}"),
            *(line(" " * (len(lead) + 2) + text) for text in more),
        ]
    rows = wrapped(" ".join(lead.split()), columns)
    return [line(text) for text in (*rows, *wrapped(prose, columns, "    "))]


def line(*parts: tuple[str, str] | str) -> StyledLine:
    """One line of styled parts; a part is text, or text and style. Nothing in them is markup."""
    styled = ((part, "") if isinstance(part, str) else part for part in parts)
    return StyledLine(*((clean(text), style) for text, style in styled))
