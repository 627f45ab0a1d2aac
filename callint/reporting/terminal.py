"""The terminal: width, colour, and text that a stranger wrote."""

from __future__ import annotations

import re
import textwrap
from typing import IO

from rich.console import Console
from rich.text import Text

from callint.model.finding import Severity
from callint.model.shown import clean

#: Styles name what they mark; the words say the same without them.
SEVERITY_STYLES = {Severity.ERROR: "bold red", Severity.WARNING: "yellow", Severity.NOTE: "cyan"}
CHANGED = "bold"
QUIET = "dim"

#: Stands between a number and its unit while prose is broken into lines.
_TIE = "\u00a0"
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=[^\W\d]|[%°])")

#: Narrower output is not worth reading; wider lines of prose are not either.
_NARROWEST, _WIDEST_PROSE = 40, 100


class _Terminal(Console):
    def on_broken_pipe(self) -> None:
        """Leave it to the command line what a reader that has gone means."""
        raise BrokenPipeError


def console(stream: IO[str], colour: bool | None = None) -> Console:
    """A console on a stream: no colour to a pipe; NO_COLOR and FORCE_COLOR are honoured.

    ``colour`` settles it where the stream does not tell, as behind git's pager.
    """
    return _Terminal(
        file=stream, force_terminal=colour, highlight=False, markup=False, emoji=False, soft_wrap=True
    )


def width(terminal: Console) -> int:
    """How many columns a line may take: the terminal's, or 80 for a pipe."""
    return max(terminal.width if terminal.is_terminal else 80, _NARROWEST)


def arrow(terminal: Console) -> str:
    """What stands between old and new."""
    return "→" if terminal.encoding.lower().startswith("utf") else "->"


def ellipsis(terminal: Console) -> str:
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


def heading(name: str, rest: str, columns: int) -> list[Text]:
    """A name in bold and what follows it, in lines of bounded width; later ones are indented."""
    first, *more = wrapped(f"{name}{rest}", columns)
    lead = min(len(clean(name)), len(first))
    texts = [line((first[:lead], "bold"), first[lead:])]
    if more:
        texts += [line(text) for text in wrapped(" ".join(more), columns, "  ")]
    return texts


#: Prose beside a column is not squeezed into less than this; it goes below instead.
_LEAST_BESIDE = 24


def beside(lead: str, words: str, columns: int, bold: int = 0) -> list[Text]:
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


def line(*parts: tuple[str, str] | str) -> Text:
    """One line of styled parts; a part is text, or text and style. Nothing in them is markup."""
    text = Text()
    for part in parts:
        words, style = (part, "") if isinstance(part, str) else part
        text.append(clean(words), style)
    return text
