"""A new waiver for people, in a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from callint import fmt
from callint.checking.added_waiver import AddedWaiver
from callint.checking.cause_order import DANGERS, Danger
from callint.reporting.terminal import QUIET, Terminal, line, width, wrapped
from callint.reporting.waiver.toml import entry

CAUTION = (
    "A waiver does not make a change safe: the maker's limits, local law and licensed practice come first."
)


def print_waivers(
    entries: Sequence[AddedWaiver], terminal: Terminal, is_written: bool = True, unread: int = 0
) -> None:
    """Who accepts what, until when and for which content; the entries themselves if they are not added.

    Several waivers end with a summary. ``unread`` is what a reviewer left unread.
    """
    for number, added in enumerate(entries):
        if number:
            terminal.print()
        if not is_written:
            terminal.print(line((f"callint would add to {added.policy}:", "bold")))
            for text in entry(added.waiver).splitlines():
                terminal.print(line(f"  {text}"))
            terminal.print()
        for sentence in _sentences(added, is_written):
            for text in wrapped(sentence, width(terminal)):
                terminal.print(line(text))
    if len(entries) > 1 or unread:
        terminal.print()
        for sentence in _summary(entries, unread):
            for text in wrapped(sentence, width(terminal)):
                terminal.print(line((text, "bold")))
    for text in wrapped(CAUTION, width(terminal)):
        terminal.print(line((text, QUIET)))


def _summary(entries: Sequence[AddedWaiver], unread: int) -> Iterator[str]:
    """The number of waivers, of those that accept a disabled protection, and what was not read."""
    findings = sum(added.covered for added in entries)
    yield f"{fmt.count(len(entries), 'waiver')} for {fmt.count(findings, 'finding')}."
    disabled = sum(DANGERS.get(added.waiver.rule) is Danger.DISABLED for added in entries)
    if disabled:
        verb = "accepts" if disabled == 1 else "accept"
        yield f"{fmt.count(disabled, 'waiver')} {verb} a disabled protection."
    if unread:
        yield f"The reviewer left {fmt.count(unread, 'changed part')} unread, such as tables and checksums."


def _sentences(added: AddedWaiver, is_written: bool) -> Iterator[str]:
    waiver = added.waiver
    place = " in ".join(part for part in (waiver.table, waiver.image) if part)
    subject = f"{waiver.rule} for {place}" if place else waiver.rule
    until = f"until {waiver.until}" if waiver.until else "without an end"
    yield f"{waiver.who} accepts {subject}, {until}: {fmt.count(added.covered, 'finding')}."
    yield f"It applies to {waiver.digest} until the {added.content} changes."
    for dead in added.dead:
        yield f"{dead.who}'s waiver in line {dead.line} no longer counts and can be removed."
    if is_written:
        yield f"It is in {added.policy}, line {waiver.line}."
