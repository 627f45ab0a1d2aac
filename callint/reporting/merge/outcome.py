"""What the text of every merge says, be it of images or of definitions."""

from __future__ import annotations

from collections.abc import Sequence

from callint import fmt
from callint.checking.report import Report
from callint.reporting.findings.cause_text import print_causes
from callint.reporting.merge.lists import TITLE
from callint.reporting.terminal import Terminal, heading, line, width, wrapped

_INDENT = "  "
_SIDES = ("base", "ours", "theirs")


def print_remedy(path: str, conflicts: int, lists: str, commands: Sequence[str], terminal: Terminal) -> None:
    """Print the number of conflicts of a merged file and how to settle them; nothing without conflicts.

    ``lists`` is a sentence that says where all conflicts are listed; ``commands`` settle them.
    """
    if not conflicts:
        return
    them = "it" if conflicts == 1 else "them"
    sentence = f"{fmt.count(conflicts, 'conflict')}; {path} keeps ours there."
    if commands:
        remedy = f"{lists} To resolve {them}, run at the top of the repository, with ours or theirs:"
    else:
        remedy = f"Resolve {them} with --take. {lists}"
    print_sentence(f"{sentence} {remedy}", terminal)
    for command in commands:
        terminal.print(line(f"{_INDENT}{fmt.clean(command)}"))


def print_broken(path: str, broken: Report, terminal: Terminal) -> None:
    """Print the rules that a merged file breaks and neither side does; nothing if there are none."""
    if broken.findings:
        print_sentence(f"{path}: merged cleanly, but together the edits break:", terminal)
        terminal.print()
        print_causes(broken, terminal, has_names=False)


def print_list_head(path: str, names: tuple[str, str, str], terminal: Terminal) -> None:
    """Print the head of the list of conflicts of a merged file; ``names`` are base, ours and theirs."""
    print_sentence(f"{TITLE}{path}", terminal)
    terminal.print()
    for side, name in zip(_SIDES, names, strict=True):
        for text in heading(f"{side:<6}", f"  {name}", width(terminal)):
            terminal.print(text)
    terminal.print()


def print_sentence(sentence: str, terminal: Terminal) -> None:
    """Print a sentence, wrapped to the width of the terminal."""
    for text in wrapped(sentence, width(terminal)):
        terminal.print(line(text))
