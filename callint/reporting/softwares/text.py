"""A comparison of two software versions for people: what differs, and what is new or gone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from callint import fmt
from callint.comparing.softwares.result import SoftwareChange
from callint.decoding.log_residency import LogSummary
from callint.model.change import TableChange
from callint.model.definition import Definition, Table, Text
from callint.reporting.changes.text import grid_layout, print_lines
from callint.reporting.changes.wording import cell_change
from callint.reporting.log.wording import change_use_text, log_sentences
from callint.reporting.softwares.wording import (
    cause_text,
    closing_sentence,
    identity_text,
    item_text,
    pair_parts,
    point_line,
    point_parts,
    slight_text,
    spacing_text,
    unknown_text,
)
from callint.reporting.tables.grids import GridLayout, change_lines
from callint.reporting.tables.values import cell_place
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

_INDENT = "  "
#: Longer lists of tables are cut to this length.
_MOST = 12


def print_software_change(
    change: SoftwareChange, terminal: Terminal, everything: bool = False, logged: LogSummary | None = None
) -> None:
    """Print what differs, protection first, then what is new, gone or not compared.

    With a driving log, also print the share of its time in which the differences count.
    """
    if change.is_silent:
        return
    layout = grid_layout(terminal, width(terminal) - len(_INDENT), everything)
    _print_identities(change, terminal)
    for table in change.changes.tables:
        _print_table(change, table, layout, terminal, logged)
    _print_rest(change, terminal, everything, logged)


def print_software_statistics(
    change: SoftwareChange, terminal: Terminal, everything: bool = False, logged: LogSummary | None = None
) -> None:
    """Print a line for each table: its purpose, the number of points that differ, the largest change."""
    if change.is_silent:
        return
    _print_identities(change, terminal)
    if change.at is not None:
        print_prose(point_line(change), terminal)
        terminal.print()
    definition, sign = change.changes.definition, arrow(terminal)
    rows = []
    for table in change.changes.tables:
        y, x = table.largest
        largest = cell_change(definition, table, y, x, sign)
        if logged and (use := change_use_text(table, logged)):
            largest += f"; {use}"
        points = "" if change.at is not None else f"{table.count}/{table.changed.size}"
        if change.at is not None:
            largest = _without_place(definition, table, largest)
        rows.append((table.table.name, table.table.purpose.value, points, largest))
    names, purposes, counts = (max((len(row[n]) for row in rows), default=0) for n in range(3))
    for name, purpose, points, largest in rows:
        lead = f"{name:<{names}}  {purpose:<{purposes}}" + (f"  {points:>{counts}}" if counts else "")
        for row in row_with_prose(lead, largest, width(terminal), len(name)):
            terminal.print(row)
    if rows:
        terminal.print()
    _print_rest(change, terminal, everything, logged)


def _without_place(definition: Definition, table: TableChange, text: str) -> str:
    """The change of a table without the place, which is the same for all tables."""
    return text.removesuffix(cell_place(definition, table.new, 0, 0)).rstrip()


def _print_identities(change: SoftwareChange, terminal: Terminal) -> None:
    for identity in change.identities:
        print_prose(identity_text(identity, arrow(terminal)), terminal)
    if change.identities:
        terminal.print()


def _print_table(
    change: SoftwareChange,
    table: TableChange,
    layout: GridLayout,
    terminal: Terminal,
    logged: LogSummary | None,
) -> None:
    definition, name = change.changes.definition, table.table.name
    title = f": {table.table.title} ({table.table.purpose.value})"
    for heading_line in heading(name, title, width(terminal)):
        terminal.print(heading_line)
    parts = list(point_parts(definition, table, layout.arrow))
    if logged and (use := change_use_text(table, logged)):
        parts.append(use)
    print_prose("; ".join(parts), terminal, indent=_INDENT)
    for part in pair_parts(change.pairs[name], change.respaced.get(name), change.unknown.get(name, 0)):
        print_prose(part, terminal, indent=_INDENT)
    if table.table.axes:
        print_lines(change_lines(definition, table, layout), terminal)
    terminal.print()


def _print_rest(
    change: SoftwareChange, terminal: Terminal, everything: bool, logged: LogSummary | None
) -> None:
    """Print everything but the tables that read differently."""
    sign = arrow(terminal)
    texts = [(text.text.name, fmt.text_change(text, sign)) for text in change.changes.texts]
    _print_list("texts", texts, terminal, everything)
    _print_items("only in the new software", change.new, change.only_new, terminal, everything)
    _print_items("only in the old software", change.old, change.only_old, terminal, everything)
    uncompared = [(item.new.name, cause_text(item.cause)) for item in change.uncompared]
    _print_list("not compared", uncompared, terminal, everything)
    shown = {table.table.name for table in change.changes.tables}
    unknown = [(name, unknown_text(count)) for name, count in change.unknown.items() if name not in shown]
    _print_list("partly compared", unknown, terminal, everything)
    renamed = [(new.name, f"was {old.name}") for old, new in change.renamed if new.name not in shown]
    _print_list("renamed", renamed, terminal, everything)
    definition = change.changes.definition
    for title, is_rounding in (
        ("at breakpoints of one side only, by up to a hundredth of the span", False),
        ("within half of a storage step", True),
    ):
        slight = [
            (item.pair.new.name, slight_text(definition, item, sign))
            for item in change.slight
            if item.is_rounding is is_rounding
        ]
        _print_list(title, slight, terminal, everything)
    slight_names = {item.pair.new.name for item in change.slight}
    respaced = [
        (name, spacing_text(item))
        for name, item in change.respaced.items()
        if name not in shown and name not in slight_names
    ]
    _print_list("other breakpoints, same output", respaced, terminal, everything)
    for sentence in log_sentences(logged) if logged else ():
        print_prose(sentence, terminal, QUIET)
    print_prose(closing_sentence(change), terminal)


def _print_items(
    title: str, definition: Definition, items: Iterable[Table | Text], terminal: Terminal, everything: bool
) -> None:
    entries = [(item.name, item_text(definition, item)) for item in items]
    _print_list(title, entries, terminal, everything)


def _print_list(title: str, entries: Sequence[tuple[str, str]], terminal: Terminal, everything: bool) -> None:
    """A title and an entry per line; nothing without entries."""
    if not entries:
        return
    terminal.print(line((title, "bold")))
    for name, text in entries if everything else entries[:_MOST]:
        print_prose(f"{name}: {text}", terminal, indent=_INDENT)
    if len(entries) > _MOST and not everything:
        print_prose(f"and {len(entries) - _MOST:,} more; --all shows them", terminal, QUIET, _INDENT)
    terminal.print()
