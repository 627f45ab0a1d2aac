"""The terminal: width, colour, and text that a stranger wrote."""

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

#: Styles name what they mark; the words say the same without them.
SEVERITY_STYLES = {Severity.ERROR: "bold red", Severity.WARNING: "yellow", Severity.NOTE: "cyan"}
CHANGED = "bold"
QUIET = "dim"

#: Stands between a number and its unit while prose is broken into lines.
_TIE = "\u00a0"
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=[^\W\d]|[%°])")

#: Narrower output is not worth reading; wider lines of prose are not either.
_NARROWEST, _WIDEST_PROSE = 40, 100


class StyledLine:
    """One line of styled parts."""

    def __init__(self, *parts: tuple[str, str]) -> None:
        self.parts = parts

    @property
    def plain(self) -> str:
        """What it says."""
        return "".join(words for words, _ in self.parts)

    def styled(self, style: str) -> StyledLine:
        """It with a style beside those of its parts."""
        return StyledLine(*((words, f"{own} {style}".strip()) for words, own in self.parts))

    def indented(self, indent: str) -> StyledLine:
        """It behind an indent."""
        return StyledLine((indent, ""), *self.parts)

    def stripped(self) -> StyledLine:
        """It without spaces at its end."""
        parts = list(self.parts)
        while parts:
            words, style = parts.pop()
            if kept := words.rstrip():
                return StyledLine(*parts, (kept, style))
        return StyledLine()


class Terminal:
    """A stream for people.

    The library that knows terminals is loaded for one only: most output goes into a pipe or a file, where
    there is nothing to know.
    """

    def __init__(self, stream: IO[str], colour: bool | None) -> None:
        self._stream = stream
        self._colour = colour

    @cached_property
    def _console(self) -> Console | None:
        """What knows the terminal; None where the stream is certainly none."""
        forced = os.environ.get("FORCE_COLOR") or os.environ.get("TTY_COMPATIBLE")
        if self._colour is False or not (self._colour or forced or self._stream.isatty()):
            return None
        from rich.console import Console

        class Quiet(Console):
            def on_broken_pipe(self) -> None:
                """Leave it to the command line what a reader that has gone means."""
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
        """How many columns it has; 80 where it is no terminal."""
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
    """A stream for people: no colour to a pipe; NO_COLOR and FORCE_COLOR are honoured.

    ``colour`` settles it where the stream does not tell, as behind git's pager.
    """
    return Terminal(stream, colour)


def width(terminal: Terminal) -> int:
    """How many columns a line may take: the terminal's, or 80 for a pipe."""
    return max(terminal.width, _NARROWEST)


def arrow(terminal: Terminal) -> str:
    """What stands between old and new."""
    return "→" if terminal.encoding.startswith("utf") else "->"


def ellipsis(terminal: Terminal) -> str:
    """The one character that stands where something is cut away."""
    return "…" if arrow(terminal) == "→" else "."


def wrapped(text: str, columns: int, indent: str = "") -> list[str]:
    """Prose in lines of bounded width, each with the indent.

    A word is only broken if it is longer than a line, and no number is torn from the unit behind it.
    """
    lines = textwrap.wrap(
        _NUMBER_AND_UNIT.sub(_TIE, clean(text)),
        min(columns, _WIDEST_PROSE),
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=True,
        break_on_hyphens=False,
    )
    return [one.replace(_TIE, " ") for one in lines] or [indent]


def heading(name: str, rest: str, columns: int) -> list[StyledLine]:
    """A name in bold and what follows it, in lines of bounded width; later ones are indented."""
    first, *more = wrapped(f"{name}{rest}", columns)
    lead = min(len(clean(name)), len(first))
    texts = [line((first[:lead], "bold"), first[lead:])]
    if more:
        texts += [line(text) for text in wrapped(" ".join(more), columns, "  ")]
    return texts


#: Prose beside a column is not squeezed into less than this; it goes below instead.
_LEAST_BESIDE = 24


def beside(lead: str, words: str, columns: int, bold: int = 0) -> list[StyledLine]:
    """Prose beside the columns of a row, or below them where too little room is left.

    The first ``bold`` characters of the row are bold.
    """
    lead = clean(lead)
    room = columns - len(lead) - 2
    if room >= _LEAST_BESIDE:
        first, *more = wrapped(words, room)
        return [
            line((lead[:bold], "bold"), f"{lead[bold:]}  {first}"),
            *(line(" " * (len(lead) + 2) + text) for text in more),
        ]
    rows = wrapped(" ".join(lead.split()), columns)
    return [line(text) for text in (*rows, *wrapped(words, columns, "    "))]


def line(*parts: tuple[str, str] | str) -> StyledLine:
    """One line of styled parts; a part is text, or text and style. Nothing in them is markup."""
    styled = ((part, "") if isinstance(part, str) else part for part in parts)
    return StyledLine(*((clean(words), style) for words, style in styled))
