"""Sentences about a comparison of two software versions, for every format."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import assert_never

from callint import fmt
from callint.comparing.softwares.causes import Obstacle, Quantity, UncomparedCause, UnknownUnits, UnlikeAxes
from callint.comparing.softwares.pairs import SoftwareTables
from callint.comparing.softwares.result import IdentityPair, RespacedTable, SlightDifference, SoftwareChange
from callint.decoding.operating_range import operating_cells
from callint.model.change import TableChange
from callint.model.definition import Definition, Table, Text
from callint.reporting.changes.wording import cell_change

_OBSTACLES = {
    Obstacle.STATES_AND_NUMBERS: "it holds named states in one software and numbers in the other",
    Obstacle.AXES_NOT_MONOTONIC: (
        "its breakpoints neither rise nor fall throughout, so nothing can be read between them"
    ),
    Obstacle.NOT_IN_BOTH: "one of the images does not hold it",
    Obstacle.TOO_MANY_POINTS: "its breakpoints in both software versions make too many points",
    Obstacle.NOT_DESCRIBED: "one of the definitions does not describe it completely",
}


def cause_text(cause: UncomparedCause) -> str:
    """Why a table cannot be compared, as a clause without its name."""
    match cause:
        case Obstacle():
            return _OBSTACLES[cause]
        case UnknownUnits(old, new):
            units = f"its unit was {_unit(old)} and is {_unit(new)}"
            return f"{units}, and callint does not know how to convert them"
        case UnlikeAxes(old_axes, new_axes):
            return f"its axes were {_axes(old_axes)} and are {_axes(new_axes)}"
    assert_never(cause)


def _axes(axes: Iterable[Quantity]) -> str:
    return " by ".join(f"{signal} ({_unit(unit)})" for signal, unit in axes) or "absent"


def _unit(unit: str) -> str:
    return fmt.unit_word(unit) if unit not in ("", "-") else "without a unit"


def point_parts(definition: Definition, change: TableChange, arrow: str) -> Iterator[str]:
    """The number of points that differ, the largest difference, and if it is in the operating range."""
    y, x = change.largest
    if change.table.axes:
        differ = "differs" if change.count == 1 else "differ"
        yield f"{change.count:,} of {fmt.count(change.changed.size, 'point')} {differ}"
    largest = cell_change(definition, change, y, x, arrow)
    yield f"{'largest ' if change.count > 1 else ''}{largest}"
    if change.table.axes:
        is_inside = operating_cells(definition, change.table, change.new.x, change.new.y)[y, x]
        yield "inside the operating range" if is_inside else "outside the operating range"


def pair_parts(pair: SoftwareTables, respaced: RespacedTable | None, unknown: int) -> Iterator[str]:
    """What is different about the table itself: name, unit, breakpoints; and what cannot be compared."""
    if pair.is_renamed:
        yield f"its name was {pair.old.name}"
    if not pair.conversion.is_identity:
        old, new = (_unit(unit) for unit in pair.units)
        yield f"its unit was {old} and is {new}; compared in {new}"
    if respaced is not None:
        yield spacing_text(respaced)
    if unknown:
        yield unknown_text(unknown)


def spacing_text(respaced: RespacedTable) -> str:
    """How the breakpoints differ: "engine_speed has 20 breakpoints instead of 16"."""
    parts = []
    for axis, (old, new, union) in zip(respaced.pair.axes, respaced.counts, strict=True):
        if not old:
            parts.append(f"{axis.signal} is an axis of the new table only")
        elif not new:
            parts.append(f"{axis.signal} was an axis of the old table only")
        elif old != new:
            parts.append(f"{axis.signal} has {fmt.count(new, 'breakpoint')} instead of {old}")
        elif old != union:
            parts.append(f"{axis.signal} has other breakpoints")
    return ", ".join(parts)


def unknown_text(count: int) -> str:
    """That some points are not compared, and why."""
    points = f"{fmt.count(count, 'point')} {'is' if count == 1 else 'are'} not compared"
    return f"{points}: nothing is read between a number and off, or between two states"


def slight_text(definition: Definition, slight: SlightDifference, arrow: str) -> str:
    """The largest difference of a table whose outputs differ by little, and its reason."""
    y, x = slight.change.largest
    change = cell_change(definition, slight.change, y, x, arrow)
    return f"at most {change}" if slight.change.count > 1 else change


def item_text(definition: Definition, item: Table | Text) -> str:
    """A table or text that only one software has: its title, purpose and shape."""
    shape = "text" if isinstance(item, Text) else item.kind.value
    if isinstance(item, Table) and item.axes:
        counts = [str(definition.axes[axis].count) for axis in item.axes if axis in definition.axes]
        shape += f" of {' × '.join(counts)}"
    title = f"{item.title} " if item.title else ""
    return f"{title}({item.purpose.value}, {shape})"


def identity_text(identity: IdentityPair, arrow: str) -> str:
    """The content of an identity in both images."""
    old, new = (
        "none" if content is None else fmt.byte_string(content) for content in (identity.old, identity.new)
    )
    return f"{identity.name} {old} {arrow} {new}"


def closing_sentence(change: SoftwareChange) -> str:
    """The counts of a comparison."""
    tables = len(change.changes.tables) + len(change.slight) + change.equal
    reads = "reads" if len(change.changes.tables) == 1 else "read"
    parts = [f"{len(change.changes.tables):,} of {fmt.count(tables, 'compared table')} {reads} differently"]
    rounded = sum(slight.is_rounding for slight in change.slight)
    if slight := len(change.slight) - rounded:
        parts.append(f"{slight:,} slightly, by other breakpoints")
    if rounded:
        parts.append(f"{rounded:,} only by rounding")
    if change.equal:
        parts.append(f"{change.equal:,} {'reads' if change.equal == 1 else 'read'} the same")
    sentence = f"{', '.join(parts)}."
    others = []
    if change.only_new:
        others.append(f"{len(change.only_new):,} only in NEW")
    if change.only_old:
        others.append(f"{len(change.only_old):,} only in OLD")
    if change.uncompared:
        others.append(f"{len(change.uncompared):,} not comparable")
    if change.changes.texts:
        others.append(f"{fmt.count(len(change.changes.texts), 'text')} changed")
    if others:
        sentence += f" {', '.join(others)}."
    if change.at is not None:
        return f"{sentence} {_left_out_sentence(change)}".rstrip()
    return sentence if change.partial else f"{sentence} Bytes without a definition are not compared."


def _left_out_sentence(change: SoftwareChange) -> str:
    if not change.left_out:
        return ""
    verb = "is" if change.left_out == 1 else "are"
    return f"{fmt.count(change.left_out, 'table')} without these signals {verb} left out."


def point_line(change: SoftwareChange) -> str:
    """The operating point of a comparison: "at engine_speed 1800 rpm"."""
    signals = change.changes.definition.signals
    values = (
        f"{name} {fmt.with_unit(fmt.plain(value), signals[name].unit)}"
        for name, value in (change.at or {}).items()
    )
    return f"at {', '.join(values)}"
