"""The differences between two definitions for people: the most dangerous first, one line each."""

from __future__ import annotations

from callint import fmt
from callint.model.definition_change import ChangeKind, DefinitionDiff
from callint.reporting.definition_changes.wording import TITLES, change_rows
from callint.reporting.terminal import QUIET, Terminal, arrow, line, row_with_prose, width, wrapped

_INDENT = "  "
#: The most changes of one kind that are listed.
_MOST_CHANGES = 60


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
        rows = list(change_rows(diff, kind, sign))
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
