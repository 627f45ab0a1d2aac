"""Whether a change of a definition changes the values that an image gives to protections.

A definition and its image may move together: a table lies elsewhere in a new image, or a new factor comes
with new raw numbers. Then the values stay the same, and nothing is lost.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callint import fmt
from callint.decoding.conversions import stored_steps
from callint.decoding.decode import Decoded
from callint.decoding.unit_conversions import unit_conversion
from callint.model.change import Numbers
from callint.model.definition import Definition, Purpose, StoredAxis, Table
from callint.model.definition_change import ChangeKind, DefinitionChange, DefinitionDiff, ElementKind

_GUARDED = {Purpose.PROTECTION, Purpose.EMISSIONS}
#: Attributes that change no number: the names of states, and where the number of breakpoints is stored.
_NOT_VALUES = {"states", "count-at", "count-type"}
_CELLS = (ElementKind.TABLE, ElementKind.CONVERSION)
_BREAKPOINTS = (ElementKind.AXIS, ElementKind.CONVERSION, ElementKind.SIGNAL)


@dataclass(frozen=True, slots=True)
class _Values:
    """The values of a table or of one of its axes before and after, in the new unit; ``place`` names one."""

    name: str
    old: Numbers
    new: Numbers
    unit: str
    tolerance: Numbers

    @property
    def worst(self) -> tuple[float, float] | None:
        """The value that differs most before and after; None if none does."""
        if self.old.shape != self.new.shape:
            return float("nan"), float("nan")
        with np.errstate(all="ignore"):
            shift = np.abs(self.new - self.old)
        same = (shift <= self.tolerance) | (self.old == self.new) | (np.isnan(self.old) & np.isnan(self.new))
        if same.all():
            return None
        shift = np.where(same, -1.0, np.nan_to_num(shift, nan=np.inf))
        place = int(np.argmax(shift))
        return float(self.old.flat[place]), float(self.new.flat[place])


def guarded_readings(diff: DefinitionDiff) -> tuple[DefinitionChange, ...]:
    """The changes that read the numbers of protection or emissions tables differently."""
    return tuple(
        change
        for change in diff.of_kind(ChangeKind.READS_DIFFERENTLY)
        if change.is_guarded
        and change.element in {*_CELLS, *_BREAKPOINTS}
        and change.attribute not in _NOT_VALUES
    )


def changed_value(change: DefinitionChange, diff: DefinitionDiff, old: Decoded, new: Decoded) -> str | None:
    """What a change does to the values of an image before and after it: "gain reads 8 s → 8.16 s".

    "" if the numbers have no partners, because their count or their unit changed; None if the values are the
    same within half of a storage step.
    """
    largest: tuple[float, str] | None = None
    for values in _values(change, diff, old, new):
        worst = values.worst
        if worst is None:
            continue
        if np.isnan(worst).any():
            return ""
        scale = max(abs(worst[0]), abs(worst[1]))
        share = abs(worst[1] - worst[0]) / scale if scale else 0.0
        if largest is None or share > largest[0]:
            texts = (fmt.with_unit(fmt.significant(value), values.unit) for value in worst)
            largest = share, f"{values.name} reads {' → '.join(texts)}"
    return None if largest is None else largest[1]


def _values(change: DefinitionChange, diff: DefinitionDiff, old: Decoded, new: Decoded) -> Iterator[_Values]:
    """The values that a change may change, of protection and emissions tables."""
    old_names = {name: before for before, name in diff.renames.items()}
    axes: set[str] = set()
    # The same bytes have no rounding of their own.
    has_rounding = old.image != new.image
    for name in change.tables:
        table = diff.new.tables.get(name)
        before = diff.old.tables.get(old_names.get(name, name))
        if table is None or before is None or not {table.purpose, before.purpose} & _GUARDED:
            continue
        if before.name not in old.layout.table_items or name not in new.layout.table_items:
            continue  # its axis or conversion is missing, which other findings say
        grids = old.grid(before), new.grid(table)
        if change.element in _CELLS and change.attribute not in ("x", "y"):
            cells = grids[0].physical, grids[1].physical
            yield _pair(name, (diff.old, diff.new), (before, table), cells, has_rounding)
        for along in "xy":
            here = getattr(before, along), getattr(table, along)
            is_asked = change.element in _BREAKPOINTS or change.attribute == along
            if not is_asked or None in here or here[1] in axes:
                continue
            if change.element is ElementKind.AXIS and here[1] != change.name:
                continue
            axes.add(here[1])
            breakpoints = getattr(grids[0], along), getattr(grids[1], along)
            axis, successor = diff.old.axes[here[0]], diff.new.axes[here[1]]
            if isinstance(axis, StoredAxis) and isinstance(successor, StoredAxis):
                items = axis, successor
                yield _pair(f"axis {here[1]}", (diff.old, diff.new), items, breakpoints, has_rounding)
            else:
                unit = diff.new.unit_of(successor)
                yield _Values(f"axis {here[1]}", *breakpoints, unit, np.zeros(1))


def _pair(
    name: str,
    definitions: tuple[Definition, Definition],
    items: tuple[Table | StoredAxis, Table | StoredAxis],
    values: tuple[Numbers, Numbers],
    has_rounding: bool,
) -> _Values:
    units = [definition.unit_of(item) for definition, item in zip(definitions, items, strict=True)]
    steps = [
        stored_steps(definition.conversion_of(item), item.storage, physical)
        for definition, item, physical in zip(definitions, items, values, strict=True)
    ]
    conversion = unit_conversion(*units)
    if conversion is None or values[0].shape != values[1].shape:
        return _Values(name, np.full(1, np.nan), values[1], units[1], np.zeros(1))
    old_steps = np.abs(conversion.differences(steps[0]))
    tolerance = 1e-12 * np.abs(values[1])  # what the conversion of a double loses
    if has_rounding:
        tolerance += np.maximum(old_steps, steps[1]) / 2
    return _Values(name, conversion.values(values[0]), values[1], units[1], tolerance)
