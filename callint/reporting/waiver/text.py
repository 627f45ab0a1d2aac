"""What a new waiver says, as a person reads it in a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from callint import fmt
from callint.model.waiver import Waiver
from callint.reporting.terminal import QUIET, Terminal, line, width, wrapped
from callint.reporting.waiver.toml import entry

CAUTION = (
    "A waiver does not make a change safe: the maker's limits, local law and licensed practice come first."
)


@dataclass(frozen=True, slots=True)
class Written:
    """A waiver in its policy, and how it stands there.

    ``covered`` is how many findings it accepts, ``content`` what it holds for: the table, the axis, the
    image or the definition. ``dead`` are waivers of the same that no longer count.
    """

    waiver: Waiver
    policy: str
    covered: int
    content: str
    dead: tuple[Waiver, ...]


def print_waiver(written: Written, terminal: Terminal, is_written: bool = True) -> None:
    """Who accepts what, until when and for which content; the entry itself where it is not written."""
    if not is_written:
        terminal.print(line((f"{written.policy} would get:", "bold")))
        for text in entry(written.waiver).splitlines():
            terminal.print(line(f"  {text}"))
        terminal.print()
    for sentence in _sentences(written, is_written):
        for text in wrapped(sentence, width(terminal)):
            terminal.print(line(text))
    for text in wrapped(CAUTION, width(terminal)):
        terminal.print(line((text, QUIET)))


def _sentences(written: Written, is_written: bool) -> Iterator[str]:
    waiver = written.waiver
    place = " in ".join(part for part in (waiver.table, waiver.image) if part)
    about = f"{waiver.rule} for {place}" if place else waiver.rule
    until = f"until {waiver.until}" if waiver.until else "without an end"
    yield f"{waiver.who} accepts {about}, {until}: {fmt.count(written.covered, 'finding')}."
    yield f"It holds for {waiver.digest} and is dead when the {written.content} changes again."
    for other in written.dead:
        yield f"{other.who}'s waiver in line {other.line} no longer counts and can be removed."
    if is_written:
        yield f"It stands in {written.policy}, line {waiver.line}."
