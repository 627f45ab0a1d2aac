"""Words for the differences between two definitions, for every format."""

from __future__ import annotations

from collections.abc import Iterator

from callint import fmt
from callint.fmt.definition_changes import change_text
from callint.model.definition_change import ChangeKind, DefinitionChange, DefinitionDiff, Move

#: The most names of a group of moved items.
_MOST_NAMES = 3

TITLES = {
    ChangeKind.LOOSENED: "loosened",
    ChangeKind.READS_DIFFERENTLY: "read differently",
    ChangeKind.TIGHTENED: "tightened",
    ChangeKind.NEW: "new",
    ChangeKind.GONE: "gone",
    ChangeKind.DOCUMENTATION: "documentation only",
}


def change_rows(diff: DefinitionDiff, kind: ChangeKind, sign: str) -> Iterator[tuple[str, str]]:
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
