"""The differences between two definitions for people: the most dangerous first, one line each."""

from __future__ import annotations

from collections.abc import Iterator

from callint import fmt
from callint.fmt.definition_changes import change_text
from callint.model.definition_change import ChangeKind, DefinitionChange, DefinitionDiff, Move
from callint.reporting.terminal import QUIET, Terminal, arrow, line, row_with_prose, width, wrapped

_INDENT = "  "
#: The most changes of one kind that are listed, and the most names of a group of moved items.
_MOST_CHANGES, _MOST_NAMES = 60, 3

TITLES = {
    ChangeKind.ASKS_LESS: "asks less",
    ChangeKind.READS_DIFFERENTLY: "reads differently",
    ChangeKind.ASKS_MORE: "asks more",
    ChangeKind.NEW: "new",
    ChangeKind.GONE: "gone",
    ChangeKind.WORDING: "only people read",
}


def print_definition_changes(
    diff: DefinitionDiff, names: tuple[str, str] | None, terminal: Terminal, everything: bool = False
) -> None:
    """Print every change, and a closing line; print nothing if nothing changed.

    ``names`` are those of the old and the new file, for a heading. Each change begins with the lines in both.
    """
    if not diff.changes:
        return
    sign = arrow(terminal)
    columns = width(terminal)
    for text in wrapped(f"{names[0]} {sign} {names[1]}", columns) if names else ():
        terminal.print(line((text, "bold")))
    for number, kind in enumerate(kind for kind in ChangeKind if diff.of_kind(kind)):
        rows = list(_rows(diff, kind, sign))
        if names or number:
            terminal.print()
        terminal.print(line((f"{TITLES[kind]}: {len(diff.of_kind(kind))}", "bold")))
        shown = rows if everything else rows[:_MOST_CHANGES]
        widest = max(len(lines) for lines, _ in shown)
        for lines, text in shown:
            for row in row_with_prose(f"{_INDENT}{lines:<{widest}}", text, columns):
                terminal.print(row)
        if len(shown) < len(rows):
            rest = fmt.count(len(rows) - len(shown), "more change")
            terminal.print(line((f"{_INDENT}{rest}; --all lists them", QUIET)))
    terminal.print()
    for text in wrapped(closing_line(diff), columns):
        terminal.print(line(text))


def print_definition_statistics(diff: DefinitionDiff, terminal: Terminal) -> None:
    """Print the number of changes of each kind."""
    for kind in ChangeKind:
        if changes := diff.of_kind(kind):
            terminal.print(line(f"{len(changes):>7,}  {TITLES[kind]}"))


def closing_line(diff: DefinitionDiff) -> str:
    """The number of changes, and of the tables that were compared."""
    kinds = [f"{len(changes):,} {TITLES[kind]}" for kind in ChangeKind if (changes := diff.of_kind(kind))]
    return f"{fmt.count(len(diff.changes), 'change')} in the meaning: {', '.join(kinds)}."


def _rows(diff: DefinitionDiff, kind: ChangeKind, sign: str) -> Iterator[tuple[str, str]]:
    """The lines in both files and the text of each change of a kind; moved groups share a row."""
    groups = [move for move in diff.moves if len(move.names) > 1]
    moved = {(move.element, name) for move in groups for name in move.names}
    for change in diff.of_kind(kind):
        if change.attribute == "at" and (change.element, change.name) in moved:
            continue
        yield lines_text(change, sign), change_text(change, sign)
    if kind is ChangeKind.READS_DIFFERENTLY:
        for move in groups:
            yield "", move_text(move)


def lines_text(change: DefinitionChange, sign: str) -> str:
    """The lines of a change in both files: "812 → 815"; a side without it is empty."""
    old = "" if change.old_line is None else str(change.old_line)
    new = "" if change.new_line is None else str(change.new_line)
    return f"{old} {sign} {new}".strip()


def move_text(move: Move) -> str:
    """Items that moved together: "312 tables moved by +0x40: fuel, boost and 310 more"."""
    sign = "-" if move.shift < 0 else "+"
    places = f"{fmt.address(move.first)} to {fmt.address(move.last)}"
    return (
        f"{fmt.count(len(move.names), move.element.value)} moved by {sign}0x{abs(move.shift):X} "
        f"(from {places}): {fmt.list_names(move.names, _MOST_NAMES)}"
    )
