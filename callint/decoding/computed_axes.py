"""The breakpoints of axes that follow from numbers in an image, for an import with a factory image."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from callint.decoding.conversions import to_physical
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import make_layout
from callint.model.change import Numbers
from callint.model.definition import PLAIN, Axis, Conversion, Definition, FixedAxis, Signal, StoredAxis, Table
from callint.model.derived_axis import Derivation, DerivedAxis
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
    if definition is None or not (imported.computed or definition.derived_axes):
        return imported
    definition = _with_counted_pairs(definition, image)
    decoded = decode(make_layout(definition), image)
    axes, signals, tables = dict(definition.axes), dict(definition.signals), dict(definition.tables)
    reasons: dict[int, str] = {}
    uncovered = []
    for axis in imported.computed:
        if axis.counting is not None:
            if np.isfinite(decoded.breakpoints(axis.name)).all():
                axes[axis.name] = _directed(decoded, axis.name)
                continue
            _count_cells(axes, signals, tables, axis)
            cause = "the curve does not give each cell at one input in the image; it counts cells instead"
            uncovered.append(replace(axis.loss, reason=f"{axis.loss.reason.partition(';')[0]}, but {cause}"))
            continue
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
        losses=(*(_reworded(loss, reasons) for loss in imported.losses), *uncovered),
    )


def _reworded(loss: Loss, reasons: Mapping[int, str]) -> Loss:
    reason = reasons.get(id(loss))
    return loss if reason is None else replace(loss, reason=reason)


def _mark_tables(tables: dict[str, Table], axis: ComputedAxis, source: str) -> None:
    """Say in the notes of a table where its breakpoints are from, and demand that they stay right."""
    table, along = tables[axis.table], axis.name[-1]
    origin = f"{axis.offset} and {axis.step}"
    note = label(f"The breakpoints along {along} follow from {origin} in {source}.")
    tables[axis.table] = replace(table, notes=(*table.notes, note))
    for name in filter(None, (axis.offset, axis.step)):
        tables[name] = replace(tables[name], demands=replace(tables[name].demands, change=0.0))


def _with_counted_pairs(definition: Definition, image: Image) -> Definition:
    """The definition with as many pairs of each rescale axis as the image says that it uses."""
    decoded, axes = decode(make_layout(definition), image), dict(definition.axes)
    for derived in definition.derived_axes:
        curve = definition.curve_of(derived)
        virtual = None if curve is None else axes.get(curve.x or "")
        if derived.derivation is Derivation.RESCALED and isinstance(virtual, StoredAxis):
            stored = None if virtual.stored_count is None else decoded.stored_count(virtual.stored_count)
            if stored is not None and 2 <= stored < virtual.count:
                axes[virtual.name] = replace(virtual, count=stored)
    return replace(definition, axes=axes)


def _directed(decoded: Decoded, name: str) -> DerivedAxis:
    """A derived axis, in falling order if its breakpoints fall in the image."""
    axis, values = decoded.layout.definition.axes[name], decoded.breakpoints(name)
    assert isinstance(axis, DerivedAxis)
    return replace(axis, falling=bool(len(values) > 1 and values[0] > values[-1]))


def _count_cells(
    axes: dict[str, Axis], signals: dict[str, Signal], tables: dict[str, Table], axis: ComputedAxis
) -> None:
    """Let the axis of a table count its cells again."""
    assert axis.counting is not None and axis.signal is not None
    axes[axis.counting.name] = axis.counting
    signals.setdefault(axis.signal.name, axis.signal)
    user = tables[axis.table]
    x, y = (axis.counting.name if own == axis.name else own for own in (user.x, user.y))
    tables[axis.table] = replace(user, x=x, y=y)
    if not any(axis.name in table.axes for table in tables.values()):
        axes.pop(axis.name, None)


def _fixed_axis(decoded: Decoded, axis: ComputedAxis) -> FixedAxis:
    definition = decoded.layout.definition
    count = definition.axes[axis.name].count
    if axis.signal is None:
        raise _NotComputedError("that curve is not kept")
    values = _stepped(decoded, axis, count)
    steps = np.diff(values)
    if not np.isfinite(values).all() or not ((steps > 0).all() or (steps < 0).all()):
        raise _NotComputedError("its breakpoints neither rise nor fall in the image")
    falls = bool(count > 1 and steps[0] < 0)
    return FixedAxis(axis.name, axis.signal.name, tuple(sorted(values.tolist())), 0, falls)


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
