"""The state that the builders of a definition share while they make it from a description."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from callint.model.definition import (
    Axis,
    ByteOrder,
    Conversion,
    FixedAxis,
    Group,
    Interpolated,
    Linear,
    NumberType,
    Range,
    Rational,
    Signal,
    Storage,
    Table,
    Text,
)
from callint.reading.asap2.conversions import Conversions, ResolvedConversion
from callint.reading.asap2.layouts import Layouts
from callint.reading.asap2.nodes import AxisPoints, Characteristic, Description
from callint.reading.asap2.report import ImportLog, Loss, NotKeptError, label
from callint.reading.asap2.tokens import SourceLocation
from callint.reading.definition_bounds import MAX_ADDRESS, MAX_BREAKPOINTS

_LARGEST = sys.float_info.max


class Item(NamedTuple):
    """A block of a description, as the log names it."""

    kind: str
    name: str
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class AxisLimits:
    """The limits of an axis, and the block that states them."""

    range: Range
    kind: str
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class ComputedAxis:
    """An axis that counts cells until an image gives its breakpoints.

    Either ``curve`` names the curve whose values are the indexes of cells. Or ``offset`` and ``step`` name
    the scalars from which raw breakpoints follow; then ``is_shift`` says that the step is a power of 2,
    ``conversion`` names the conversion of the breakpoints, and ``signal`` feeds the axis. ``loss`` is the
    axis's entry in the log, and ``table`` the table that has the axis.
    """

    name: str
    table: str
    loss: Loss
    signal: Signal | None = None
    curve: str = ""
    offset: str = ""
    step: str = ""
    is_shift: bool = False
    conversion: str | None = None
    counting: FixedAxis | None = None


@dataclass
class ImportState:
    """The definition so far; ``axis_limits``, ``computed`` and ``sources`` have its names as keys.

    ``axis_limits`` has the limits of each axis, ``sources`` the block that each table or text comes from.
    """

    description: Description
    log: ImportLog
    conversions: Conversions
    layouts: Layouts
    signals: dict[str, Signal] = field(default_factory=dict)
    axes: dict[str, Axis] = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)
    texts: dict[str, Text] = field(default_factory=dict)
    groups: dict[str, Group] = field(default_factory=dict)
    sources: dict[str, Characteristic | AxisPoints] = field(default_factory=dict)
    axis_limits: dict[str, AxisLimits] = field(default_factory=dict)
    computed: dict[str, ComputedAxis] = field(default_factory=dict)

    def change(self, item: Item, reason: str) -> None:
        """Record that part of an item is not kept as described."""
        self.log.change(item.kind, item.name, reason, item.place)

    def check_unit(self, unit: str | None, conversion: ResolvedConversion, item: Item) -> None:
        """Record a PHYS_UNIT that differs from the unit of the conversion."""
        if unit is not None and conversion.failure is None and label(unit, "") != conversion.unit:
            self.change(item, "its PHYS_UNIT is not kept, but the unit of its COMPU_METHOD")

    def require_storable(self, extension: int, address: int) -> None:
        """Raise NotKeptError for an address that a definition cannot hold."""
        if extension:
            raise NotKeptError("it lies in another address space (ECU_ADDRESS_EXTENSION)")
        if not 0 <= address < MAX_ADDRESS:
            raise NotKeptError("its address is not below 2 to the power of 48")

    def require_absolute(self, deposit: str) -> None:
        """Raise NotKeptError for breakpoints that are stored as differences."""
        if (deposit or self.description.deposit) == "DIFFERENCE":
            raise NotKeptError("its breakpoints are stored as differences (DEPOSIT DIFFERENCE)")


def require_breakpoints(count: int) -> int:
    """The number of breakpoints of an axis. Raises NotKeptError if it is out of bounds."""
    if not 0 < count <= MAX_BREAKPOINTS:
        raise NotKeptError(f"it has {count} breakpoints; 1 to {MAX_BREAKPOINTS:,} are covered")
    return count


def usable_range(limits: Range) -> Range | None:
    """The limits, or None if they do not contain a range, or contain all doubles."""
    return limits if limits.low < limits.high and not is_everything(limits) else None


def is_everything(limits: Range) -> bool:
    """Whether limits contain all doubles."""
    return limits.low <= -_LARGEST and limits.high >= _LARGEST


def excludes_nothing(limits: Range, conversion: Conversion | None, storage: Storage) -> bool:
    """Whether every storable number meets the limits; a description must always give limits."""
    match conversion:
        case Linear(factor=factor, offset=offset):
            low, high = _storable(factor, offset, storage.type, storage.mask)
        case Interpolated(physical=physical):
            low, high = min(physical), max(physical)
        case Rational():
            return False
        case _:
            low, high = _storable(1.0, 0.0, storage.type, storage.mask)
    return limits.low <= low and high <= limits.high


@lru_cache(maxsize=4096)
def _storable(factor: float, offset: float, type: NumberType, mask: int | None) -> tuple[float, float]:
    """The lowest and the highest physical value of a linear conversion."""
    a, b = Fraction(repr(factor)), Fraction(repr(offset))
    ends = [Fraction(raw) * a + b for raw in Storage(type, ByteOrder.BIG, type.size, mask).raw_limits]
    try:
        return float(min(ends)), float(max(ends))
    except OverflowError:
        return -math.inf, math.inf
