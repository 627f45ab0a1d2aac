"""Explains a change of one image to its owner: the settings, their ranges, the commits and the waivers.

Everything is derived from the review of the change and from the history of the new image.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property

import numpy as np

from callint.checking.cause_order import Danger, danger_of
from callint.checking.identity import identity_mismatch
from callint.comparing.touched_tables import relative_size, touched_changes
from callint.decoding.operating_range import operating_cells
from callint.model.change import AxisChange, ChangeSet, OutputShift, TableChange, TextChange
from callint.model.definition import Definition, Purpose, States, StoredAxis, Table
from callint.model.finding import Finding, Severity
from callint.model.release import Release
from callint.model.waiver import Waiver
from callint.rules.context import CheckContext
from callint.versioning.attribution import Attribution, Integers, Origin
from callint.versioning.review import ReviewedImage


class Direction(StrEnum):
    """The direction in which the values of a table changed."""

    RAISED = "raised"
    LOWERED = "lowered"
    MIXED = "mixed"
    SWITCHED_OFF = "switched off"
    SWITCHED_ON = "switched on"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Extent:
    """The lowest and the highest breakpoint of an axis at which cells of a table changed."""

    axis: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ExplainedTable:
    """A changed table.

    ``extents`` are those of its axes, columns first; empty if only its axes moved. In that case ``moved`` are
    these axes, and ``shift`` is the movement of the output, None if it is unknown. ``is_operating`` is True
    if a changed cell lies in the operating range. ``danger`` is the effect on a protection by the findings
    that are not waived, ``has_error`` is True if one of these is an error, and ``waivers`` are the
    acceptances of the others.
    """

    change: TableChange
    shift: OutputShift | None
    direction: Direction
    extents: tuple[Extent, ...]
    is_operating: bool
    size: float
    danger: Danger = Danger.NONE
    waivers: tuple[Waiver, ...] = ()
    moved: tuple[AxisChange, ...] = ()
    has_error: bool = False

    @property
    def table(self) -> Table:
        return self.change.table


@dataclass(frozen=True, slots=True)
class ChangeReason:
    """A commit that set changed values: its origin and message, and the names of the tables that it changed.

    The origin of uncommitted values has no id.
    """

    origin: Origin
    message: str
    tables: tuple[str, ...]


@dataclass(frozen=True)
class Explanation:
    """The changes of one image, for its owner.

    ``definition`` is that of NEW. ``is_from_maker`` is True if OLD is a factory base of NEW. ``unit_numbers``
    are the names and contents of numbers of the single unit, such as a hull number. ``errors`` and
    ``warnings`` are the numbers of mistakes in NEW that nobody accepted, and ``undescribed`` the number of
    differing bytes that the definition does not describe. ``reasons`` are oldest first, and None if no
    history is known. ``releases`` are those of the image of NEW, newest first.
    """

    image: ReviewedImage
    changes: ChangeSet
    definition: Definition
    is_from_maker: bool
    tables: tuple[ExplainedTable, ...]
    unit_numbers: tuple[tuple[str, str], ...] = ()
    errors: int = 0
    warnings: int = 0
    is_other_software: bool = False
    reasons: tuple[ChangeReason, ...] | None = None
    releases: tuple[Release, ...] = ()
    unchanged: Mapping[Purpose, int] = field(default_factory=dict)

    @cached_property
    def texts(self) -> tuple[TextChange, ...]:
        """The changed texts that are not unit numbers."""
        return tuple(change for change in self.changes.texts if not change.text.unit_own)

    @property
    def is_recorded(self) -> bool:
        """Whether all changed values of NEW are committed."""
        return self.reasons is not None and all(reason.origin.id for reason in self.reasons)

    @property
    def undescribed(self) -> int:
        return sum(run.changed for run in self.changes.unexplained)

    def of_purpose(self, purpose: Purpose) -> list[ExplainedTable]:
        return [table for table in self.tables if table.table.purpose is purpose]


def explained_tables(image: ReviewedImage, findings: Sequence[Finding]) -> tuple[ExplainedTable, ...]:
    """The changed tables of an image: protection and emissions first, then the largest change first."""
    context, changes = image.context, image.changes
    assert context is not None and changes is not None
    touched = changes.tables
    if image.versions is None:
        touched = tuple(touched_changes(changes, context.old, context.new))
    of_table: dict[str, list[Finding]] = {}
    for finding in findings:
        of_table.setdefault(finding.table, []).append(finding)
    explained = [_explained(changes, change, of_table.get(change.table.name, ())) for change in touched]
    order = list(Purpose)
    return tuple(sorted(explained, key=lambda item: (order.index(item.table.purpose), -item.size)))


def _explained(changes: ChangeSet, change: TableChange, findings: Sequence[Finding]) -> ExplainedTable:
    definition, table = changes.definition, change.table
    shift = changes.output_shift_of.get(table.name)
    flags = operating_cells(definition, table, change.new.x, change.new.y)
    has_cells = bool(change.changed.any())
    waivers = dict.fromkeys(finding.waiver for finding in findings if finding.waiver is not None)
    return ExplainedTable(
        change=change,
        shift=None if has_cells else shift,
        direction=_direction(definition, change, shift),
        extents=tuple(_extents(change)) if has_cells else (),
        is_operating=bool((flags & change.changed).any()) if has_cells else True,
        size=relative_size(definition, change, shift),
        danger=danger_of(findings),
        has_error=any(item.severity is Severity.ERROR and not item.waived for item in findings),
        waivers=tuple(waivers),
        moved=()
        if has_cells
        else tuple(changes.by_axis[axis] for axis in table.axes if axis in changes.by_axis),
    )


def _direction(definition: Definition, change: TableChange, shift: OutputShift | None) -> Direction:
    if not change.changed.any():
        if shift is None or not shift.size:
            return Direction.OTHER
        return Direction.RAISED if shift.new > shift.old else Direction.LOWERED
    if isinstance(definition.conversion_of(change.table), States):
        return Direction.OTHER
    is_off, was_off = change.new.off[change.changed], change.old.off[change.changed]
    if (is_off & ~was_off).any():
        return Direction.SWITCHED_OFF
    if (was_off & ~is_off).any():
        return Direction.SWITCHED_ON
    with np.errstate(over="ignore", invalid="ignore"):
        steps = (change.new.physical - change.old.physical)[change.changed]
    raised, lowered = bool((steps > 0).any()), bool((steps < 0).any())
    if raised and lowered:
        return Direction.MIXED
    if not raised and not lowered:
        return Direction.OTHER
    return Direction.RAISED if raised else Direction.LOWERED


def _extents(change: TableChange) -> Iterator[Extent]:
    """The breakpoints around all changed cells, along the columns and then along the rows."""
    for name, axis, along in ((change.table.x, change.new.x, 0), (change.table.y, change.new.y, 1)):
        if name is None or axis is None:
            continue
        points = axis[change.changed.any(axis=along)]
        yield Extent(name, float(points.min()), float(points.max()))


def _moved_origins(context: CheckContext, attribution: Attribution, change: AxisChange) -> Integers:
    """The indexes of the origins of changed breakpoints, or of the changed cells that determine them."""
    layout = context.loaded.layout
    if isinstance(change.axis, StoredAxis):
        return attribution.of(layout, change.axis).ravel()[change.changed]
    cells = layout.cells_of(layout.sources_of(change.axis.name))
    return attribution.cells[cells[~context.kept[cells]]]


def reasons_of(
    explained: Sequence[ExplainedTable],
    image: ReviewedImage,
    attribution: Attribution,
    messages: Mapping[str, str],
) -> tuple[ChangeReason, ...]:
    """The commits that set the changed values, oldest first; ``messages`` has their texts by id.

    A commit comes with the tables in which it set a changed cell or a breakpoint of a moved axis. Between two
    software versions, where cells do not correspond, it comes with the changed tables in which it set any
    cell.
    """
    context = image.context
    assert context is not None
    layout = context.loaded.layout
    tables: dict[int, list[str]] = {}
    for item in explained:
        table = context.definition.tables.get(item.table.name)
        if table is None or table.name not in layout.table_items:
            continue
        origins = attribution.of(layout, table).ravel()
        if item.moved:
            moved = [_moved_origins(context, attribution, axis) for axis in item.moved]
            origins = np.concatenate(moved)
        elif image.versions is None:
            origins = origins[item.change.changed.ravel()]
        for origin in sorted(set(origins.tolist())):
            tables.setdefault(origin, []).append(table.name)
    return tuple(
        ChangeReason(origin, messages.get(origin.id, ""), tuple(tables[index]))
        for index, origin in reversed([*enumerate(attribution.origins)])
        if index in tables
    )


def problem_counts(findings: Sequence[Finding]) -> Counter[Severity]:
    """The number of mistakes by severity that nobody accepted; findings of one cause are one mistake."""
    worst: dict[object, Severity] = {}
    for number, finding in enumerate(findings):
        if finding.waived or finding.inherited:
            continue
        key = finding.cause or number
        known = worst.get(key, Severity.NOTE)
        worst[key] = finding.severity if finding.severity.reaches(known) else known
    return Counter(worst.values())


def unchanged_tables(definition: Definition, explained: Sequence[ExplainedTable]) -> dict[Purpose, int]:
    """The number of unchanged tables of each purpose; purposes without tables are left out."""
    changed = {item.table.name for item in explained}
    counts = Counter(table.purpose for name, table in definition.tables.items() if name not in changed)
    return {purpose: counts[purpose] for purpose in Purpose if counts[purpose]}


def is_of_other_software(image: ReviewedImage) -> bool:
    """Whether the identity bytes of the new image differ from those that its definition demands."""
    context = image.context
    if context is None or context.image is None:
        return False
    return bool(identity_mismatch(context.image, context.definition.memory))
