"""The breakpoints of axes that follow from numbers in an image, for an import with a factory image."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from callint.decoding.conversions import to_physical
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import make_layout
from callint.model.change import Numbers
from callint.model.definition import PLAIN, Conversion, Definition, FixedAxis, Kind, Table
from callint.model.image import Image
from callint.reading.asap2.build import Imported
from callint.reading.asap2.report import Loss, label
from callint.reading.asap2.state import ComputedAxis

#: The largest power of 2 between breakpoints.
_MOST_SHIFT = 63


class _NotComputedError(Exception):
    """The reason why an image does not give the breakpoints of an axis."""


def with_computed_axes(imported: Imported, image: Image, source: str) -> Imported:
    """The import with the breakpoints that an image gives; ``source`` is the name of the image.

    The scalars that such breakpoints follow from must equal the base, as another value would move all of
    them. An axis whose breakpoints the image does not give counts cells as before, and the reason is listed.
    """
    definition = imported.definition
    if definition is None or not imported.computed:
        return imported
    decoded = decode(make_layout(definition), image)
    axes, signals, tables = dict(definition.axes), dict(definition.signals), dict(definition.tables)
    reasons: dict[int, str] = {}
    for axis in imported.computed:
        subject = axis.loss.reason.partition(";")[0]
        try:
            axes[axis.name] = _fixed_axis(decoded, axis)
        except _NotComputedError as error:
            reasons[id(axis.loss)] = f"{subject}, but {error}; it counts cells instead"
            continue
        reasons[id(axis.loss)] = f"{subject}; it keeps the breakpoints that {source} gives"
        if axis.signal is not None:
            signals.setdefault(axis.signal.name, axis.signal)
        _mark_tables(tables, axis, source)
    used = {axis.signal for axis in axes.values()}
    signals = {name: signal for name, signal in signals.items() if name in used}
    return replace(
        imported,
        definition=replace(definition, axes=axes, signals=signals, tables=tables),
        losses=tuple(_reworded(loss, reasons) for loss in imported.losses),
    )


def _reworded(loss: Loss, reasons: Mapping[int, str]) -> Loss:
    reason = reasons.get(id(loss))
    return loss if reason is None else replace(loss, reason=reason)


def _mark_tables(tables: dict[str, Table], axis: ComputedAxis, source: str) -> None:
    """Say in the notes of a table where its breakpoints are from, and demand that they stay right."""
    table, along = tables[axis.table], axis.name[-1]
    origin = axis.curve or f"{axis.offset} and {axis.step}"
    note = label(f"The breakpoints along {along} follow from {origin} in {source}.")
    tables[axis.table] = replace(table, notes=(*table.notes, note))
    for name in filter(None, (axis.offset, axis.step)):
        tables[name] = replace(tables[name], demands=replace(tables[name].demands, change=0.0))


def _fixed_axis(decoded: Decoded, axis: ComputedAxis) -> FixedAxis:
    definition = decoded.layout.definition
    count = definition.axes[axis.name].count
    if axis.signal is None:
        signal, values = _inverted_curve(decoded, axis.curve, count)
    else:
        signal, values = axis.signal.name, _stepped(decoded, axis, count)
    steps = np.diff(values)
    if not np.isfinite(values).all() or not ((steps > 0).all() or (steps < 0).all()):
        raise _NotComputedError("its breakpoints neither rise nor fall in the image")
    falls = bool(count > 1 and steps[0] < 0)
    return FixedAxis(axis.name, signal, tuple(sorted(values.tolist())), 0, falls)


def _stepped(decoded: Decoded, axis: ComputedAxis, count: int) -> Numbers:
    """The physical breakpoints that follow from a stored offset and a stored step; shape (count,)."""
    offset, step = (_raw(decoded, name) for name in (axis.offset, axis.step))
    if axis.is_shift:
        if step != int(step) or abs(step) > _MOST_SHIFT:
            raise _NotComputedError(f"its shift is {step:g} in the image")
        step = 2.0**step
    conversion: Conversion = PLAIN
    if axis.conversion is not None:
        conversion = decoded.layout.definition.conversions.get(axis.conversion, PLAIN)
    return to_physical(conversion, offset + step * np.arange(count))


def _raw(decoded: Decoded, name: str) -> float:
    item = decoded.layout.table_items[name]
    raw = float(decoded.raw_of(item)[0, 0])
    if not decoded.of_item(decoded.present, item).all() or not np.isfinite(raw):
        raise _NotComputedError(f"the image has no number for {name}")
    return raw


def _inverted_curve(decoded: Decoded, name: str, count: int) -> tuple[str, Numbers]:
    """The signal of a curve, and where its values are the indexes of cells; shape (count,)."""
    definition: Definition = decoded.layout.definition
    table = definition.tables.get(name)
    if table is None or table.kind is not Kind.CURVE or table.x is None:
        raise _NotComputedError("that curve is not kept")
    grid = decoded.grid(table)
    assert grid.x is not None
    points, indexes = grid.x, grid.physical[0]
    if not (np.isfinite(points).all() and np.isfinite(indexes).all() and (np.diff(points) > 0).all()):
        raise _NotComputedError("the image has no numbers that rise for it")
    if indexes[0] > indexes[-1]:
        points, indexes = points[::-1], indexes[::-1]
    # Beyond the first and the last cell, the curve may stay at their indexes.
    first = int(np.flatnonzero(indexes <= 0).max(initial=-1))
    reached = np.flatnonzero(indexes >= count - 1)
    if first < 0 or not reached.size:
        raise _NotComputedError("the curve does not reach all cells in the image")
    part = slice(first, int(reached[0]) + 1)
    if (np.diff(indexes[part]) <= 0).any():
        raise _NotComputedError("the curve gives the index of a cell for several inputs in the image")
    values: Numbers = np.interp(np.arange(count), indexes[part], points[part])
    return definition.axes[table.x].signal, values
