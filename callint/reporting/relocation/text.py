"""Where items lie in another software, for people: what is left out first, then how the rest was found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from callint import fmt
from callint.checking.relocation_report import RelocationReport
from callint.comparing.relocation.moved_definition import MovedDefinition
from callint.comparing.relocation.result import ItemKind, Placement, RelocationEvidence
from callint.model.definition import Purpose
from callint.model.definition_change import most_important
from callint.reporting.relocation.wording import candidates, probability, reason
from callint.reporting.terminal import (
    QUIET,
    Terminal,
    arrow,
    heading,
    line,
    print_prose,
    row_with_prose,
    width,
)

#: The most items that are listed as left out.
_MOST = 24
_INDENT = "  "
_SURE = (
    (RelocationEvidence.SAME, "same"),
    (RelocationEvidence.SIMILAR, "similar"),
    (RelocationEvidence.NEIGHBOURS, "neighbours"),
    (RelocationEvidence.POINTED, "pointers"),
    (RelocationEvidence.COMPUTED, "computed"),
)
_PLURALS = {ItemKind.AXIS: "axes", ItemKind.SWITCH: "switches", ItemKind.IDENTITY: "identities"}


def print_relocation(report: RelocationReport, terminal: Terminal, everything: bool = False) -> None:
    """Print what is left out, protection first, then the counts by evidence and a closing line.

    With ``everything`` also print every placed item, and all that is left out.
    """
    moved = report.moved
    for row in heading(report.new, f": items of {report.definition}", width(terminal)):
        terminal.print(row)
    terminal.print()
    left = sorted(moved.left, key=lambda item: (_rank(item, moved), item.old))
    for item in left if everything else left[:_MOST]:
        _print_left(item, moved, terminal)
    if len(left) > _MOST and not everything:
        print_prose(f"and {len(left) - _MOST:,} more left out; --all lists them", terminal, QUIET)
    if left:
        terminal.print()
    if everything:
        _print_placed(moved, terminal)
    _print_counts(moved.placements, terminal)
    for item in moved.resized:
        before = moved.old.axes[item.name].count
        print_prose(f"{item.name}: {before} points before, {item.count} now.", terminal)
    if moved.moved_regions:
        regions = fmt.list_names(moved.moved_regions, 5)
        print_prose(f"Compare with the image: regions that follow their items ({regions}).", terminal)
    print_prose(_closing(report), terminal)


def _rank(item: Placement, moved: MovedDefinition) -> int:
    """The place in the order of reports: what proves the software, then the most important purpose."""
    if item.kind in (ItemKind.IDENTITY, ItemKind.CHECKSUM):
        return -1
    old = moved.old
    if item.kind is ItemKind.AXIS:
        purpose = most_important(table.purpose for table in old.tables_on(item.name))
    else:
        purpose = (old.tables.get(item.name) or old.texts[item.name]).purpose
    return list(Purpose).index(purpose or Purpose.GENERAL)


def _subject(item: Placement, moved: MovedDefinition) -> str:
    """The kind of an item with the purpose of a table, in brackets."""
    table = moved.old.tables.get(item.name) if item.kind is not ItemKind.AXIS else None
    purpose = f"{table.purpose} " if table is not None and table.purpose is not Purpose.GENERAL else ""
    return f"({purpose}{item.kind})"


def _print_left(item: Placement, moved: MovedDefinition, terminal: Terminal) -> None:
    rest = f" {_subject(item, moved)}, at {fmt.address(item.old)} before"
    for row in heading(item.name, rest, width(terminal)):
        terminal.print(row)
    print_prose(f"left out: {reason(item, moved)}", terminal, indent=_INDENT)
    if known := candidates(item):
        print_prose(f"candidates: {known}", terminal, indent=_INDENT)


def _print_placed(moved: MovedDefinition, terminal: Terminal) -> None:
    sign = arrow(terminal)
    for item in moved.placements:
        if item.new is None:
            continue
        places = f"{fmt.address(item.old)} {sign} {fmt.address(item.new)}"
        sure = "" if item.evidence is RelocationEvidence.COMPUTED else f", {probability(item)}"
        prose = f"{item.name} {_subject(item, moved)}: {reason(item, moved)}{sure}"
        for row in row_with_prose(places, prose, width(terminal)):
            terminal.print(row)
    terminal.print()


def _print_counts(placements: Sequence[Placement], terminal: Terminal) -> None:
    """A row for each kind of item that the definition has."""
    kinds = Counter(item.kind for item in placements)
    counts = Counter((item.kind, item.evidence if item.new is not None else None) for item in placements)
    columns = [entry for entry in _SURE if any(counts[kind, entry[0]] for kind in kinds)]
    heads = ["items", *(name for _, name in columns), "left out"]
    terminal.print(line((f"{'':<11}" + "".join(f"{head:>11}" for head in heads), QUIET)))
    for kind in ItemKind:
        if not kinds[kind]:
            continue
        numbers = [kinds[kind], *(counts[kind, evidence] for evidence, _ in columns), counts[kind, None]]
        cells = "".join(f"{number:>11,}" if number else f"{'-':>11}" for number in numbers)
        terminal.print(line(f"{_PLURALS.get(kind, f'{kind}s'):<11}{cells}"))
    terminal.print()


def _closing(report: RelocationReport) -> str:
    moved = report.moved
    total, left = len(moved.placements), len(moved.left)
    placed = f"{total - left:,} of {fmt.count(total, 'item')} {'is' if total == 1 else 'are'} placed"
    if left:
        placed += f", {left:,} {'is' if left == 1 else 'are'} left out"
    if report.target:
        form = f", a child of {report.definition}" if report.parent else ", a whole definition"
        return f"{report.target} is written{form}: {placed}."
    if not moved.definition.tables and not moved.definition.texts:
        return f"Nothing is written: {placed}, and no table or text among them."
    return f"Nothing is written without --to: {placed}."
