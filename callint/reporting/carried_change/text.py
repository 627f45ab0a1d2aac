"""Whether a carried change is the same, for people."""

from __future__ import annotations

from callint.comparing.softwares.carried_change import CarriedChange
from callint.reporting.carried_change.wording import closing_sentence, difference_texts, unjudged_text
from callint.reporting.terminal import Terminal, heading, print_prose, width

_INDENT = "  "
#: The number of points of a table that are listed.
_MOST = 3


def print_carried_change(
    change: CarriedChange, reworked: str, carried: str, terminal: Terminal, everything: bool = False
) -> None:
    """Print where the changes differ, protection first, and whether they are the same.

    ``reworked`` and ``carried`` are the names of the images.
    """
    definition = change.definition
    for table in change.tables:
        if not table.is_same:
            title = f": {table.table.title} ({table.table.purpose.value})"
            _print_entry(table.table.name, title, terminal)
            for text in difference_texts(definition, table, None if everything else _MOST):
                print_prose(text, terminal, indent=_INDENT)
    for item in change.texts:
        if not item.is_same:
            _print_entry(item.name, " (text)", terminal)
            sides = (_text(item.old, "old"), _text(item.new, "new"))
            print_prose(", ".join(sides), terminal, indent=_INDENT)
    for unjudged in change.unjudged:
        _print_entry(unjudged.name, ": not compared", terminal)
        print_prose(unjudged_text(unjudged), terminal, indent=_INDENT)
    if not change.is_same:
        terminal.print()
    print_prose(closing_sentence(change, reworked, carried), terminal)


def _print_entry(name: str, rest: str, terminal: Terminal) -> None:
    for row in heading(name, rest, width(terminal)):
        terminal.print(row)


def _text(text: str | None, version: str) -> str:
    return f"no change in the {version} software" if text is None else f'"{text}" in the {version} software'
