"""The result of an import for people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from callint.fmt import count
from callint.model.definition import Definition
from callint.reading.asap2.nodes import ItemCounts
from callint.reading.asap2.report import Loss
from callint.reading.asap2.tokens import SourceLocation
from callint.reporting.import_.result import ImportResult
from callint.reporting.terminal import QUIET, Terminal, heading, line, width, wrapped

#: The largest number of names printed for a reason, and of reasons printed for a group.
_MOST_NAMES, _MOST_REASONS = 3, 12
#: The largest number of keywords printed for a group.
_MOST_KEYWORDS = 24
#: The largest number of doubted items printed.
_MOST_DOUBTS = 24

_PLURALS = {"shared axis": "shared axes", "identity": "identities"}


def print_import(result: ImportResult, terminal: Terminal, everything: bool = False) -> None:
    """Print what callint imported, what it left out or changed and why, and what to do next."""
    imported = result.imported
    description = imported.description
    for row in heading(result.source, _kind_of_source(result), width(terminal)):
        terminal.print(row)
    counts = [
        f"{number:,} {kind if number == 1 else _PLURALS.get(kind, f'{kind}s')}"
        for kind, number in result.counts.items()
        if number
    ]
    if imported.definition is None:
        _print_prose("Nothing is written: no table, axis or text could be kept.", terminal)
    else:
        _print_prose(f"{result.target} is written: {', '.join(counts)}.", terminal)
    printer = _ImportPrinter(result, terminal, everything)
    printer.print_losses("Left out", [loss for loss in imported.losses if loss.is_whole])
    partly = "To be answered" if result.is_list else "Not kept as described"
    printer.print_losses(partly, [loss for loss in imported.losses if not loss.is_whole])
    printer.print_evidence()
    printer.print_keywords("Not covered", description.uncovered)
    printer.print_keywords("Not in the standard", description.unknown)
    printer.print_keywords("Without a place in a definition", description.unused)
    if imported.definition is not None:
        _print_next_steps(imported.definition, result, terminal)


def _kind_of_source(result: ImportResult) -> str:
    description = result.imported.description
    if result.is_list:
        sheet = f", sheet {description.module}" if description.module else ""
        return f": list of addresses{sheet}"
    version = f", ASAP2 version {description.version}" if description.version else ""
    return f": module {description.module}{version}"


class _ImportPrinter:
    """Prints the losses of one import; ``everything`` prints all of them."""

    def __init__(self, result: ImportResult, terminal: Terminal, everything: bool) -> None:
        self._result = result
        self._terminal = terminal
        self._everything = everything

    def print_losses(self, title: str, losses: list[Loss]) -> None:
        """Print losses by kind and reason under a title; print nothing without losses."""
        if not losses:
            return
        by_reason: dict[tuple[str, str], list[Loss]] = {}
        for loss in losses:
            by_reason.setdefault((loss.kind, loss.reason), []).append(loss)
        self._terminal.print()
        self._terminal.print(line((f"{title}: {len(losses):,}", "bold")))
        reasons = list(by_reason.items())
        for (kind, reason), members in reasons if self._everything else reasons[:_MOST_REASONS]:
            subject = "" if self._result.is_list else f"{kind}: "
            self._print_prose(f"{subject}{reason} ({len(members):,})", "  ")
            listed = members if self._everything else members[:_MOST_NAMES]
            names = ", ".join(f"{loss.name or '(no name)'} ({self._place(loss.place)})" for loss in listed)
            more = f", and {len(members) - len(listed):,} more" if len(members) > len(listed) else ""
            self._print_prose(f"{names}{more}", "    ", QUIET)
        if len(reasons) > _MOST_REASONS and not self._everything:
            hidden = count(len(reasons) - _MOST_REASONS, "more reason")
            self._print_prose(f"and {hidden}; --all shows them", "  ", QUIET)

    def print_evidence(self) -> None:
        """Print what the image casts doubt on, and how much it supports; with everything, the reasons."""
        result = self._result
        if not result.image:
            return
        doubted = result.doubted
        self._terminal.print()
        supported = [item for item in result.evidence if item.support and not item.doubts]
        open_ = len(result.evidence) - len(doubted) - len(supported)
        title = f"{result.image}: {len(supported):,} supported, {len(doubted):,} doubted, {open_:,} open"
        for row in wrapped(title, width(self._terminal), ""):
            self._terminal.print(line((row, "bold")))
        listed = doubted if self._everything else doubted[:_MOST_DOUBTS]
        for item in listed:
            self._print_prose(f"{self._item(item.name)}: {'; '.join(item.doubts)}", "  ")
        if len(doubted) > len(listed):
            self._print_prose(f"and {len(doubted) - len(listed):,} more; --all shows them", "  ", QUIET)
        if self._everything:
            for item in supported:
                self._print_prose(f"{self._item(item.name)}: {'; '.join(item.support)}", "  ", QUIET)

    def _item(self, name: str) -> str:
        number = self._result.lines.get(name)
        return f"{name} (row {number})" if number else name

    def print_keywords(self, title: str, counts: Mapping[tuple[str, str], ItemCounts]) -> None:
        """Print keywords with their number and first place under a title; print nothing without keywords."""
        if not counts:
            return
        self._terminal.print()
        self._terminal.print(line((title, "bold")))
        keywords = list(counts.items())
        for (keyword, block), number in keywords if self._everything else keywords[:_MOST_KEYWORDS]:
            name = f"{keyword} in {block}" if block else keyword
            self._print_prose(f"{name}: {number.amount:,}, first in {self._place(number.first)}", "  ")
        if len(keywords) > _MOST_KEYWORDS and not self._everything:
            self._print_prose(f"and {len(keywords) - _MOST_KEYWORDS:,} more; --all shows them", "  ", QUIET)

    def _place(self, place: SourceLocation) -> str:
        line_or_row = "row" if self._result.is_list else "line"
        return f"{line_or_row} {place.line}" if place.file == self._result.source else str(place)

    def _print_prose(self, prose: str, indent: str, style: str = "") -> None:
        _print_prose(prose, self._terminal, indent, style)


def _print_next_steps(definition: Definition, result: ImportResult, terminal: Terminal) -> None:
    terminal.print()
    terminal.print(line(("Next", "bold")))
    for step in _list_steps(result) if result.is_list else _next_steps(definition, result.target):
        _print_prose(step, terminal, "  ")


def _next_steps(definition: Definition, target: str) -> Iterable[str]:
    memory = definition.memory
    yield (
        f"Compare the memory, from 0x{memory.start:X} and 0x{memory.size:X} bytes long, with your image: "
        "a raw image file begins at start and has that size."
    )
    if not memory.identities:
        yield "Add an identity: the description names none (EPK and ADDR_EPK)."
    yield (
        'Give every table its purpose: the standard has none, so all are "general", and callint treats '
        "none as protection or emissions."
    )
    yield "Give protection tables a guard, and signals an operating range; add the checksums of the image."
    yield f"callint check {target} checks the definition itself."


def _list_steps(result: ImportResult) -> Iterable[str]:
    if not result.image:
        yield "Import again with --image and a factory image, so that its bytes judge each row."
    yield "Add an identity and the checksums of the image: a list has none."
    yield "Give protection tables a guard, and signals an operating range."
    yield f"callint check {result.target} checks the definition itself."


def _print_prose(prose: str, terminal: Terminal, indent: str = "", style: str = "") -> None:
    for text in wrapped(prose, width(terminal), indent):
        terminal.print(line((text, style)))
