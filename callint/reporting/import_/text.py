"""The result of an import for people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from callint.model.definition import Definition
from callint.reading.asap2.nodes import ItemCounts
from callint.reading.asap2.report import Loss
from callint.reading.asap2.tokens import SourceLocation
from callint.reporting.import_.result import ImportResult
from callint.reporting.losses import LostItem, counts_phrase, print_lost, print_prose
from callint.reporting.terminal import QUIET, Terminal, heading, line, width, wrapped

#: The largest number of keywords printed for a group.
_MOST_KEYWORDS = 24
#: The largest number of doubted items printed.
_MOST_DOUBTS = 24


def print_import(result: ImportResult, terminal: Terminal, everything: bool = False) -> None:
    """Print what callint imported, what it left out or changed and why, and what to do next."""
    imported = result.imported
    description = imported.description
    for row in heading(result.source, _kind_of_source(result), width(terminal)):
        terminal.print(row)
    if imported.definition is None:
        print_prose("Nothing is written: no table, axis or text could be kept.", terminal)
    else:
        print_prose(f"{result.target} is written: {counts_phrase(result.counts)}.", terminal)
        x_first, y_first = result.map_orders
        if x_first or y_first:
            print_prose(f"Maps stored x first: {x_first:,}; y first: {y_first:,}.", terminal)
    printer = _ImportPrinter(result, terminal, everything)
    printer.print_losses("Left out", [loss for loss in imported.losses if loss.is_whole])
    partly = "Open questions" if result.is_list else "Not kept as described"
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
        items = [
            LostItem(
                "" if self._result.is_list else loss.kind,
                loss.reason,
                f"{loss.name or '(no name)'} ({self._place(loss.place)})",
            )
            for loss in losses
        ]
        print_lost(title, items, self._terminal, self._everything)

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
        print_prose(prose, self._terminal, indent, style)


def _print_next_steps(definition: Definition, result: ImportResult, terminal: Terminal) -> None:
    terminal.print()
    terminal.print(line(("Next", "bold")))
    for step in _list_steps(result) if result.is_list else _next_steps(definition, result.target):
        print_prose(step, terminal, "  ")


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
