"""The open and the settled conflicts of a merge of definitions for people, each with all three versions."""

from __future__ import annotations

from collections.abc import Sequence

from callint import fmt
from callint.checking.definition_merge_report import DefinitionMergeReport
from callint.comparing.definition_merge.conflicts import (
    ConflictKind,
    DefinitionConflict,
    ValueVersions,
    Version,
)
from callint.model.definition import Definition
from callint.reporting.definition_merge.wording import item_title, value_label, value_unit
from callint.reporting.merge.outcome import print_broken, print_list_head, print_remedy, print_sentence
from callint.reporting.terminal import QUIET, Terminal, heading, line, width, wrapped

_INDENT = "  "
_SIDES = ("base", "ours", "theirs")
#: The largest number of values of one conflict that are printed in a terminal.
_MOST_VALUES = 12


def print_definition_merge(
    report: DefinitionMergeReport, terminal: Terminal, lists: str = "", commands: Sequence[str] = ()
) -> None:
    """Print the open and the settled conflicts, and the rules that the merged definition breaks.

    ``lists`` is a sentence that says where all conflicts are listed; ``commands`` settle them.
    """
    for decision in report.open_decisions:
        _print_conflict(report, decision.conflict, terminal, everything=False)
    for decision in report.merge.settled:
        values = fmt.count(len(decision.conflict.values), "value")
        outcome = f": {values} resolved with {decision.side.value}"
        for row in heading(item_title(decision.conflict.place), outcome, width(terminal)):
            terminal.print(row)
    print_remedy(report.path, len(report.merge.conflicts), lists, commands, terminal)
    print_broken(report.path, report.broken, terminal)


def print_definition_list(report: DefinitionMergeReport, terminal: Terminal) -> None:
    """Print the list that callint writes next to a merged definition: every open conflict in full."""
    print_list_head(report.path, (report.base, report.ours, report.theirs), terminal)
    for decision in report.open_decisions:
        _print_conflict(report, decision.conflict, terminal, everything=True)
    print_sentence(f"{report.path} keeps ours in all of these.", terminal)


def _print_conflict(
    report: DefinitionMergeReport, conflict: DefinitionConflict, terminal: Terminal, *, everything: bool
) -> None:
    title = item_title(conflict.place)
    for row in heading(title, _explanation(report.definition, conflict), width(terminal)):
        terminal.print(row)
    if state := _state(conflict):
        _print_indented(state, terminal)
    hidden = 0 if everything else max(len(conflict.values) - _MOST_VALUES, 0)
    for value in conflict.values[: len(conflict.values) - hidden]:
        _print_value(report.definition, conflict, value, terminal)
    if hidden:
        terminal.print(line((f"{_INDENT}and {fmt.count(hidden, 'more value')}", QUIET)))
    terminal.print()


def _explanation(definition: Definition | None, conflict: DefinitionConflict) -> str:
    if conflict.kind is ConflictKind.COMMENT:
        return ": a comment"
    table = definition.tables.get(conflict.place.name) if definition else None
    if table is None or conflict.place.kind != "table":
        return ""
    return f": {table.title} ({table.purpose.value})"


def _state(conflict: DefinitionConflict) -> str:
    """What the two sides did, unless the values say it."""
    inside = " ".join(filter(None, (conflict.place.element, conflict.place.key)))
    what = f"{inside}: " if inside else ""
    match conflict.kind:
        case ConflictKind.REMOVED:
            other = "theirs" if conflict.removed_by == "ours" else "ours"
            return f"{what}removed in {conflict.removed_by}, changed in {other}"
        case ConflictKind.ADDED:
            return f"{what}added on both sides, but not the same"
        case ConflictKind.REPLACED:
            return f"{what}replaced by another element on one side, changed on the other"
        case ConflictKind.MOVED:
            return "moved into different groups"
        case _:
            return ""


def _print_value(
    definition: Definition | None,
    conflict: DefinitionConflict,
    value: ValueVersions,
    terminal: Terminal,
) -> None:
    _print_indented(value_label(conflict, value), terminal)
    unit = value_unit(definition, conflict, value)
    versions = (value.base, value.ours, value.theirs)
    numbers = [f"line {version.line}" if version.line else "" for version in versions]
    room = max(map(len, numbers))
    for n, (side, version) in enumerate(zip(_SIDES, versions, strict=True)):
        if not _is_part(conflict, n):
            continue
        lead = f"{_INDENT}{_INDENT}{side:<6}  {numbers[n]:>{room}}  "
        first, *more = wrapped(_text(conflict, version, n, unit), width(terminal), " " * len(lead))
        terminal.print(line(lead, first.lstrip()))
        for text in more:
            terminal.print(line(text))


def _is_part(conflict: DefinitionConflict, number: int) -> bool:
    """Whether a side has a version to print: an element that both sides added has none in the base."""
    return number > 0 or conflict.kind is not ConflictKind.ADDED


def _text(conflict: DefinitionConflict, version: Version, number: int, unit: str) -> str:
    if conflict.removed_by is not None and _SIDES[number] == conflict.removed_by:
        return "removed"
    if version.text is None:
        return "no group" if conflict.kind is ConflictKind.MOVED else "absent"
    return fmt.with_unit(version.text, unit)


def _print_indented(prose: str, terminal: Terminal) -> None:
    for text in wrapped(prose, width(terminal), _INDENT):
        terminal.print(line(text))
