"""Changes of an image file for people: the tables, and what was written."""

from __future__ import annotations

from callint.model.change import ChangeSet
from callint.model.image import Image
from callint.reporting.changes.text import print_changes, print_statistics
from callint.reporting.terminal import Terminal, line, width, wrapped


def print_edit(
    changes: ChangeSet, images: tuple[Image, Image], summary: str, terminal: Terminal, *, is_written: bool
) -> None:
    """Print the changes from one image to the other, then the summary.

    What was written is one line per table; what would be written is printed with its cells.
    """
    if is_written:
        print_statistics(changes, terminal)
    else:
        print_changes(changes, *images, terminal)
    for text in wrapped(summary, width(terminal)):
        terminal.print(line(text))
