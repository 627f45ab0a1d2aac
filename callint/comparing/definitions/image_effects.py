"""What the changes of a definition do to the values of one image."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from callint import fmt
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import make_layout
from callint.model.change import Flags, Numbers
from callint.model.definition_change import ChangeKind, DefinitionDiff, ElementKind, ImageEffect
from callint.model.image import Image


@dataclass(frozen=True, slots=True)
class _Reading:
    """The values of a table by the old and by the new definition, shape (rows, columns)."""

    table: str
    old: Numbers
    new: Numbers

    @property
    def differs(self) -> Flags:
        """The cells that have another value; those that the image lacks do not count."""
        flags: Flags = (self.old != self.new) & ~(np.isnan(self.old) & np.isnan(self.new))
        return flags


def with_image_effects(diff: DefinitionDiff, image: Image) -> DefinitionDiff:
    """The differences, each that reads values differently with what it does to the image.

    A table whose shape or type changed has no such effect, as its cells have no partners.
    """
    with np.errstate(all="ignore"):
        before, after = (decode(make_layout(side), image) for side in (diff.old, diff.new))
    old_names = {new: old for old, new in diff.renames.items()}
    changes = []
    for change in diff.changes:
        effect = None
        reads_cells = change.element in (ElementKind.TABLE, ElementKind.CONVERSION)
        if change.kind is ChangeKind.READS_DIFFERENTLY and reads_cells:
            effect = _effect(before, after, change.tables, old_names)
        changes.append(replace(change, in_image=effect) if effect else change)
    return replace(diff, changes=tuple(changes))


def _effect(
    before: Decoded, after: Decoded, tables: Iterable[str], old_names: dict[str, str]
) -> ImageEffect | None:
    """The effect on some tables together; None if none of their cells reads otherwise."""
    readings = [
        reading
        for table in tables
        if (reading := _reading(before, after, old_names.get(table, table), table)) is not None
    ]
    differing = [reading for reading in readings if reading.differs.any()]
    if not differing:
        return None
    worst = max(differing, key=_largest_shift)
    y, x = np.unravel_index(int(np.argmax(_shifts(worst))), worst.old.shape)
    definition = after.layout.definition
    table = definition.tables[worst.table]
    grid = after.grid(table)
    points = ((grid.x, x), (grid.y, y))
    at = {
        definition.axes[axis].signal: float(values[index])
        for axis, (values, index) in zip(table.axes, points, strict=False)
        if values is not None
    }
    return ImageEffect(
        tables=len(differing),
        cells=sum(int(np.count_nonzero(reading.differs)) for reading in differing),
        total=sum(reading.old.size for reading in readings),
        table=worst.table,
        x=int(x),
        y=int(y),
        place=fmt.point(definition, table.axes, at),
        old=float(worst.old[y, x]),
        new=float(worst.new[y, x]),
        unit=definition.unit_of(table),
    )


def _shifts(reading: _Reading) -> Numbers:
    """The change of the reading of each cell; a value that is no longer a number counts most."""
    with np.errstate(all="ignore"):
        shifts: Numbers = np.nan_to_num(np.abs(reading.new - reading.old), nan=np.inf)
    return np.where(reading.differs, shifts, -1.0)


def _largest_shift(reading: _Reading) -> float:
    """The largest shift as a share of the largest old value: tables with other units compare by it."""
    largest = float(_shifts(reading).max())
    scale = float(np.nanmax(np.abs(reading.old), initial=0.0))
    return largest / scale if scale else largest


def _reading(before: Decoded, after: Decoded, old_name: str, name: str) -> _Reading | None:
    items = before.layout.table_items.get(old_name), after.layout.table_items.get(name)
    if items[0] is None or items[1] is None:
        return None
    old, new = before.of_item(before.physical, items[0]), after.of_item(after.physical, items[1])
    return _Reading(name, old, new) if old.shape == new.shape else None
