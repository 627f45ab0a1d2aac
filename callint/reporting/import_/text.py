"""What an import took and left, for people."""

from __future__ import annotations

from collections.abc import Mapping

from callint.fmt import count
from callint.reading.asap2.build import Imported
from callint.reading.asap2.nodes import ItemCounts
from callint.reading.asap2.report import Loss
from callint.reading.asap2.tokens import SourceLocation
from callint.reporting.import_.json import ImportReport, taken
from callint.reporting.terminal import QUIET, Terminal, heading, line, width, wrapped

#: So many names of one reason, and so many reasons of one kind, are spelled out.
_MOST_NAMES, _MOST_REASONS = 3, 12

_PLURALS = {"shared axis": "shared axes", "identity": "identities"}


def print_import(report: ImportReport, terminal: Terminal, everything: bool = False) -> None:
    """Print what was taken, what was left out or changed and why, and what to do next."""
    imported = report.imported
    description = imported.description
    version = f", ASAP2 version {description.version}" if description.version else ""
    for row in heading(report.source, f": module {description.module}{version}", width(terminal)):
        terminal.print(row)
    things = [
        f"{amount:,} {kind if amount == 1 else _PLURALS.get(kind, f'{kind}s')}"
        for kind, amount in taken(imported).items()
        if amount
    ]
    if imported.definition is None:
        _prose("Nothing is written: no table, axis or text could be kept.", terminal)
    else:
        _prose(f"{report.target} is written: {', '.join(things)}.", terminal)
    _print_losses("Left out", [one for one in imported.losses if one.is_whole], report, terminal, everything)
    _print_losses(
        "Not kept as described",
        [one for one in imported.losses if not one.is_whole],
        report,
        terminal,
        everything,
    )
    _print_tallies("Not covered", description.uncovered, report, terminal, everything)
    _print_tallies("Not in the standard", description.unknown, report, terminal, everything)
    _print_tallies("Without a place in a definition", description.unused, report, terminal, everything)
    _print_next(imported, report.target, terminal)


def _print_losses(
    title: str, losses: list[Loss], report: ImportReport, terminal: Terminal, everything: bool
) -> None:
    if not losses:
        return
    by_reason: dict[tuple[str, str], list[Loss]] = {}
    for loss in losses:
        by_reason.setdefault((loss.kind, loss.reason), []).append(loss)
    terminal.print()
    terminal.print(line((f"{title}: {len(losses):,}", "bold")))
    reasons = list(by_reason.items())
    for (kind, reason), members in reasons if everything else reasons[:_MOST_REASONS]:
        _prose(f"{kind}: {reason} ({len(members):,})", terminal, "  ")
        shown = members if everything else members[:_MOST_NAMES]
        words = ", ".join(f"{one.name or '(no name)'} ({_place(one.place, report)})" for one in shown)
        more = f", and {len(members) - len(shown):,} more" if len(members) > len(shown) else ""
        _prose(f"{words}{more}", terminal, "    ", QUIET)
    if len(reasons) > _MOST_REASONS and not everything:
        _prose(
            f"and {count(len(reasons) - _MOST_REASONS, 'more reason')}; --all shows them",
            terminal,
            "  ",
            QUIET,
        )


def _print_tallies(
    title: str,
    tallies: Mapping[tuple[str, str], ItemCounts],
    report: ImportReport,
    terminal: Terminal,
    everything: bool,
) -> None:
    if not tallies:
        return
    terminal.print()
    terminal.print(line((title, "bold")))
    every = list(tallies.items())
    most = 2 * _MOST_REASONS
    for (what, inside), tally in every if everything else every[:most]:
        words = f"{what} in {inside}" if inside else what
        _prose(f"{words}: {tally.amount:,}, first in {_place(tally.first, report)}", terminal, "  ")
    if len(every) > most and not everything:
        _prose(f"and {len(every) - most:,} more; --all shows them", terminal, "  ", QUIET)


def _print_next(imported: Imported, target: str, terminal: Terminal) -> None:
    made = imported.definition
    if made is None:
        return
    terminal.print()
    terminal.print(line(("Next", "bold")))
    memory = made.memory
    steps = [
        f"Compare the memory, from 0x{memory.start:X} and 0x{memory.size:X} bytes long, with your image: "
        "a raw image file begins at start and has that size.",
        'Give every table its purpose: the standard has none, so all are "general", and callint treats '
        "none as protection or emissions.",
        "Give protection tables a guard, and signals an operating range; add the checksums of the image.",
        f"callint check {target} checks the definition itself.",
    ]
    if not memory.identities:
        steps.insert(1, "Add an identity: the description names none (EPK and ADDR_EPK).")
    for step in steps:
        _prose(step, terminal, "  ")


def _place(place: SourceLocation, report: ImportReport) -> str:
    return f"line {place.line}" if place.file == report.source else str(place)


def _prose(words: str, terminal: Terminal, indent: str = "", style: str = "") -> None:
    for text in wrapped(words, width(terminal), indent):
        terminal.print(line((text, style)))
