"""Whether a definition gives the byte order of its software wrongly."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from callint.decoding import checksums
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import make_layout
from callint.model import rule_ids
from callint.model.definition import Axis, ByteOrder, Checksum, StoredAxis
from callint.model.finding import Finding
from callint.model.image import Image
from callint.rules.context import CheckContext

#: Fewer breakpoints rise by chance, and fewer axes prove nothing.
_LEAST_BREAKPOINTS, _LEAST_AXES = 4, 3
#: The largest share of axes in order in a wrong byte order, and the smallest in the right one.
_MOST_WRONG, _LEAST_RIGHT = 0.5, 0.9

_OTHER = {
    ByteOrder.BIG: ByteOrder.LITTLE,
    ByteOrder.LITTLE: ByteOrder.BIG,
    ByteOrder.BIG_SWAPPED: ByteOrder.LITTLE_SWAPPED,
    ByteOrder.LITTLE_SWAPPED: ByteOrder.BIG_SWAPPED,
}


@dataclass(frozen=True, slots=True)
class _Fit:
    """The axes in order and the right checksums of an image, each as a number, and the number of all."""

    axes: int
    all_axes: int
    sums: int
    all_sums: int


def wrong_byte_order(context: CheckContext) -> Finding | None:
    """The finding about a definition whose axes are in order only in the other byte order; else None.

    The factory image decides, if there is one: a rework may have mistakes of its own.
    """
    image = context.base or context.image
    if image is None:
        return None
    axes = {
        name: axis
        for name, axis in context.definition.axes.items()
        if isinstance(axis, StoredAxis)
        and axis.storage.type.size > 1
        and axis.count >= _LEAST_BREAKPOINTS
        and context.definition.is_resolved(axis)
    }
    if len(axes) < _LEAST_AXES:
        return None
    given = _fit(context, image, axes, context.definition.memory.checksums)
    if given.all_axes < _LEAST_AXES or given.axes > _MOST_WRONG * given.all_axes:
        return None
    flipped: dict[str, Axis] = {
        name: replace(axis, storage=replace(axis.storage, byte_order=_OTHER[axis.storage.byte_order]))
        for name, axis in axes.items()
    }
    sums = [_flipped(checksum) for checksum in context.definition.memory.checksums]
    other = _fit(context, image, flipped, sums)
    if other.axes < _LEAST_RIGHT * other.all_axes or other.sums < given.sums:
        return None
    return _finding(context, given, other)


def _flipped(checksum: Checksum) -> Checksum:
    word = replace(checksum.word, byte_order=_OTHER[checksum.word.byte_order])
    return replace(checksum, byte_order=_OTHER[checksum.byte_order], word=word)


def _fit(context: CheckContext, image: Image, axes: Mapping[str, Axis], sums: Iterable[Checksum]) -> _Fit:
    definition = replace(
        context.definition, axes=axes, tables={}, texts={}, relations=(), sensors=(), translations=()
    )
    with np.errstate(all="ignore"):
        decoded = decode(make_layout(definition), image)
        in_order = [_is_in_order(decoded, number) for number in decoded.layout.axis_items.values()]
    known = [item for item in in_order if item is not None]
    pairs = [
        (checksums.stored_value(item, image), checksums.expected_value(item, image))
        for item in sums
        if checksums.is_known(item.algorithm)
    ]
    compared = [stored == value for stored, value in pairs if stored is not None and value is not None]
    return _Fit(sum(known), len(known), sum(compared), len(compared))


def _is_in_order(decoded: Decoded, number: int) -> bool | None:
    """Whether the breakpoints of an axis rise or fall throughout; None if the image lacks some."""
    if not decoded.present[decoded.layout.cells(number)].all():
        return None
    steps = np.diff(decoded.of_item(decoded.physical, number).ravel())
    return bool((steps > 0).all() or (steps < 0).all())


def _finding(context: CheckContext, given: _Fit, other: _Fit) -> Finding:
    path = context.base_path or "the image"
    message = (
        f"the definition does not fit {path}: {given.axes} of {given.all_axes} axes are in order, "
        f"and {other.axes} in the other byte order"
    )
    if other.all_sums:
        message += (
            f"; {given.sums} of {other.all_sums} checksums are right, and {other.sums} in the other one"
        )
    return Finding(
        rule=rule_ids.DEFINITION_CONTRADICTS_BASE,
        line=1,
        subject="byte order",
        message=message,
        hint="Correct byte-order of <definition>. callint checked nothing else.",
        severe=True,
    )
