"""Sentences about a change that was carried to another software version."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from callint import fmt
from callint.comparing.softwares.carried_change import (
    CarriedChange,
    CarriedTable,
    PointChange,
    UnjudgedChange,
)
from callint.model.definition import Definition, States
from callint.reporting.softwares.wording import cause_text, unknown_text
from callint.reporting.tables.values import cell_place

_NO_CHANGE = "no change"


def point_text(definition: Definition, table: CarriedTable, y: int, x: int) -> str:
    """Both changes at a point: "at 1900 rpm: +10.5 Nm, carried as +8.75 Nm"."""
    for digits in (4, 6, 12):
        old, new = (
            _change_text(definition, table, change, y, x, digits) for change in (table.old, table.new)
        )
        if old != new:
            break
    text = f"{old}, carried as {new}"
    if new == _NO_CHANGE:
        text = f"{old}, not carried"
    elif old == _NO_CHANGE:
        text = f"{new} in the carried image only"
    place = cell_place(definition, table.grid, y, x)
    return f"{place}: {text}" if place else text


def _change_text(
    definition: Definition, table: CarriedTable, change: PointChange, y: int, x: int, digits: int
) -> str:
    """What a rework did at a point: "+3.5 mg", the state that it set, "switched off"."""
    conversion, unit = definition.conversion_of(table.table), definition.unit_of(table.table)
    before, after = float(change.before[y, x]), float(change.after[y, x])
    was_off, is_off = bool(change.was_off[y, x]), bool(change.is_off[y, x])
    difference = float(change.difference[y, x])
    if was_off != is_off:
        value = fmt.quantity(after, conversion, unit, table.table.storage)
        return "switched off" if is_off else f"switched on at {value}"
    if not difference:
        return _NO_CHANGE
    if isinstance(conversion, States):
        return " became ".join(fmt.number(value, conversion) for value in (before, after))
    if not math.isfinite(difference):
        return f"became {fmt.quantity(after, conversion, unit, table.table.storage)}"
    return fmt.with_unit(f"{difference:+.{digits}g}", fmt.distance_unit(unit))


def difference_texts(definition: Definition, table: CarriedTable, most: int | None) -> Iterator[str]:
    """How the changes of a table differ: the number of points, then the worst points."""
    if count := int(np.count_nonzero(table.differs)):
        yield _count_text(table, count)
    sizes = np.where(table.differs, table.distances, -1.0).ravel()
    order = np.argsort(-sizes, kind="stable")[:count]
    for number in order[:most].tolist():
        y, x = divmod(number, table.differs.shape[1])
        yield point_text(definition, table, y, x)
    if most is not None and count > most:
        yield f"and {count - most:,} more; --all shows them"
    if unknown := int(np.count_nonzero(table.unknown)):
        yield unknown_text(unknown)


def _count_text(table: CarriedTable, count: int) -> str:
    """The number of points with another change, and how many of them the carried table has a cell for."""
    if not table.table.axes:
        return "another change"
    text = f"another change at {count:,} of {fmt.count(table.differs.size, 'point')}"
    cells = int(np.count_nonzero(table.differs & table.is_cell))
    if cells == count:
        return text
    if not cells:
        return f"{text}, {'all of them ' if count > 1 else ''}between the cells of the carried table"
    return f"{text}, {count - cells:,} of them between the cells of the carried table"


def unjudged_text(item: UnjudgedChange) -> str:
    """Why callint cannot tell whether a change is the same."""
    if item.cause is not None:
        return cause_text(item.cause)
    if item.in_old:
        return "the new software has no such table"
    return "it changed in the new software, and the old one has no such table"


def closing_sentence(change: CarriedChange, reworked: str, carried: str) -> str:
    """Whether the change is the same, with the counts."""
    tables, texts = len(change.tables), len(change.texts)
    if not (tables or texts or change.unjudged or any(change.bytes)):
        return "Neither image differs from its base."
    if change.is_same:
        parts = [fmt.count(tables, "table")] if tables else []
        parts += [fmt.count(texts, "text")] if texts else []
        within = ", within half of a storage step" if tables else ""
        return f"{carried} has the change of {reworked}: {' and '.join(parts)}{within}."
    parts = []
    if differing := sum(not table.is_same for table in change.tables):
        parts.append(
            f"{differing:,} of {fmt.count(tables, 'changed table')} {_form(differing, 'differs', 'differ')}"
        )
    if differing := sum(not text.is_same for text in change.texts):
        parts.append(
            f"{differing:,} of {fmt.count(texts, 'changed text')} {_form(differing, 'differs', 'differ')}"
        )
    if unjudged := len(change.unjudged):
        parts.append(f"{fmt.count(unjudged, 'table')} cannot be compared")
    if total := sum(change.bytes):
        parts.append(f"{fmt.count(total, 'changed byte')} {_form(total, 'has', 'have')} no definition")
    return f"{carried} does not have the change of {reworked}: {'; '.join(parts)}."


def _form(count: int, singular: str, plural: str) -> str:
    return singular if count == 1 else plural
