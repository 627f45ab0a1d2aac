"""What prevents callint from evaluating a table at an operating point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.decoding.decode import Decoded
from callint.decoding.surfaces import is_readable
from callint.model.definition import Table


@dataclass(frozen=True, slots=True)
class SharedSignal:
    """Both axes have the same signal, so no operating point reaches every cell."""

    signal: str


@dataclass(frozen=True, slots=True)
class MissingBreakpoints:
    """The image lacks breakpoints of an axis."""

    axis: str


@dataclass(frozen=True, slots=True)
class BreakpointNotFinite:
    """A breakpoint of an axis is infinite or not a number."""

    axis: str


@dataclass(frozen=True, slots=True)
class AxisNotRising:
    """Two breakpoints in ``unit``: ``after`` follows ``before`` and breaks the order of the axis.

    ``is_falling`` says that most breakpoints of the axis fall.
    """

    axis: str
    before: float
    after: float
    unit: str
    is_falling: bool = False


@dataclass(frozen=True, slots=True)
class MissingCells:
    """The image lacks cells of the table."""


@dataclass(frozen=True, slots=True)
class NotDescribed:
    """The definition does not describe the table completely."""


@dataclass(frozen=True, slots=True)
class NotFed:
    """``tables`` put out signals that the table needs, and callint cannot evaluate them."""

    tables: tuple[str, ...]


AxisFault = MissingBreakpoints | BreakpointNotFinite | AxisNotRising
Obstacle = SharedSignal | AxisFault | MissingCells | NotDescribed | NotFed


def obstacle(decoded: Decoded, table: Table) -> Obstacle | None:
    """What prevents the evaluation of a table of the layout; None if nothing does.

    It concerns the table alone and is never NotDescribed or NotFed. Without one, ``surface`` has a surface.
    """
    definition = decoded.layout.definition
    signals = [definition.axes[axis].signal for axis in table.axes]
    if len(set(signals)) < len(signals):
        return SharedSignal(signals[0])
    for name in table.axes:
        if fault := _axis_fault(decoded, name):
            return fault
    return None if decoded.grid(table).present.all() else MissingCells()


def _axis_fault(decoded: Decoded, name: str) -> AxisFault | None:
    definition, breakpoints = decoded.layout.definition, decoded.breakpoints(name)
    axis, sources = definition.axes[name], decoded.layout.sources_of(name)
    if not all(decoded.of_item(decoded.present, number).all() for number in sources):
        return MissingBreakpoints(name)
    if is_readable(breakpoints):
        return None
    if not np.isfinite(breakpoints).all():
        return BreakpointNotFinite(name)
    rising = breakpoints[1:] > breakpoints[:-1]
    is_falling = np.count_nonzero(rising) < np.count_nonzero(breakpoints[1:] < breakpoints[:-1])
    wrong = int(np.argmax(breakpoints[1:] >= breakpoints[:-1] if is_falling else ~rising))
    before, after = breakpoints[wrong : wrong + 2].tolist()
    return AxisNotRising(name, before, after, definition.unit_of(axis), bool(is_falling))
