"""What lies where in an image, and what must hold for it.

The classes mirror the elements of the definition format, so the format's reference describes them too: see
``schemas/definition.xsd``. References between elements are names. The ``definition/`` rules report a name
that does not exist; this module accepts it.

``line`` is the line of the element in the definition file, counted from 1. If a definition takes elements
from other files, it is a number that ``Definition.location`` turns into a file and a line.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum, StrEnum
from fractions import Fraction
from functools import cached_property
from math import isfinite
from typing import Any, Literal

import numpy as np

from callint.model.cell_demands import Gradient, Monotonic, OffCode
from callint.model.declarations import Declaration
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.lines import Lines
from callint.model.translation import Translation


def decimal(value: float, text: str = "") -> Fraction | None:
    """The decimal number of a text, or that a double prints as; None if it is infinite."""
    if text:
        return Fraction(text)
    return Fraction(repr(float(value))) if isfinite(value) else None


class ByteOrder(StrEnum):
    """Which byte of a number comes first; in the word-swapped orders, of each of its 16-bit words.

    The words of a number then lie the other way round.
    """

    BIG = "big"
    LITTLE = "little"
    BIG_SWAPPED = "big-word-swapped"
    LITTLE_SWAPPED = "little-word-swapped"

    @property
    def in_word(self) -> Literal["big", "little"]:
        """The order of the bytes in a 16-bit word."""
        return "big" if self in (ByteOrder.BIG, ByteOrder.BIG_SWAPPED) else "little"


class NumberType(Enum):
    """How a number is stored: NumPy's kind letter and the size in bytes."""

    uint8 = ("u", 1)
    int8 = ("i", 1)
    uint16 = ("u", 2)
    int16 = ("i", 2)
    uint32 = ("u", 4)
    int32 = ("i", 4)
    uint64 = ("u", 8)
    int64 = ("i", 8)
    float16 = ("f", 2)
    float32 = ("f", 4)
    float64 = ("f", 8)

    @property
    def kind(self) -> str:
        return self.value[0]

    @property
    def size(self) -> int:
        """Bytes."""
        return self.value[1]

    @property
    def is_integer(self) -> bool:
        return self.kind != "f"


class Purpose(StrEnum):
    """What a table is for, in the order of reports."""

    PROTECTION = "protection"
    EMISSIONS = "emissions"
    DEMAND = "demand"
    CORRECTION = "correction"
    DIAGNOSIS = "diagnosis"
    GENERAL = "general"


class Kind(StrEnum):
    """Whether an item has no axis, one or two, or is a text."""

    SCALAR = "scalar"
    CURVE = "curve"
    MAP = "map"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class Range:
    """A closed range of physical values; an open end is infinite.

    ``low_text`` and ``high_text`` are the ends as decimal numbers if no double equals them, else "".
    """

    low: float
    high: float
    low_text: str = ""
    high_text: str = ""

    @property
    def exact(self) -> tuple[Fraction | None, Fraction | None]:
        """Both ends exactly as the definition gives them; None for an open end."""
        return decimal(self.low, self.low_text), decimal(self.high, self.high_text)

    @property
    def is_inverted(self) -> bool:
        return self.low > self.high


@dataclass(frozen=True, slots=True)
class Storage:
    """How the numbers of one table or axis lie in memory.

    ``stride`` is the distance in bytes from one number to the next. ``mask`` selects the bits of the table;
    the raw value is those bits, shifted down to bit 0.
    """

    type: NumberType
    byte_order: ByteOrder
    stride: int
    mask: int | None = None

    @property
    def dtype(self) -> np.dtype[Any]:
        """The type of the numbers, but for the order of their words."""
        order = ">" if self.byte_order.in_word == "big" else "<"
        return np.dtype(f"{order}{self.type.kind}{self.type.size}")

    @property
    def has_swapped_words(self) -> bool:
        """Whether the 16-bit words of a number lie in the opposite order of the bytes in them."""
        return self.type.size > 2 and self.byte_order in (ByteOrder.BIG_SWAPPED, ByteOrder.LITTLE_SWAPPED)

    @property
    def shift(self) -> int:
        """The number of bits by which the masked value is shifted down."""
        return (self.mask & -self.mask).bit_length() - 1 if self.mask else 0

    @property
    def raw_limits(self) -> tuple[float, float]:
        """The lowest and the highest raw value that fits."""
        if self.mask:
            return 0, self.mask >> self.shift
        dtype = self.dtype
        if self.type.is_integer:
            integers = np.iinfo(dtype)
            return int(integers.min), int(integers.max)
        floats = np.finfo(dtype)
        return float(floats.min), float(floats.max)

    def holds(self, raw: float) -> bool:
        """Whether ``raw`` is a number that this storage can hold."""
        low, high = self.raw_limits
        return low <= raw <= high and (not self.type.is_integer or raw == int(raw))


@dataclass(frozen=True, slots=True)
class Region:
    """A named range of memory."""

    name: str
    start: int
    size: int
    line: int

    def holds(self, address: int) -> bool:
        return self.start <= address < self.start + self.size


@dataclass(frozen=True, slots=True)
class Identity:
    """Bytes that prove that an image belongs to the definition."""

    name: str
    at: int
    content: bytes
    line: int


@dataclass(frozen=True, slots=True)
class Crc:
    """The parameters of a CRC as the published catalogue gives them; ``poly`` lacks its top bit."""

    width: int
    poly: int
    init: int
    reflect_in: bool
    reflect_out: bool
    xorout: int


@dataclass(frozen=True, slots=True)
class Checksum:
    """A stored sum or CRC over ``size`` bytes from ``start``.

    ``word`` is the storage of the numbers that a sum adds up. ``crc`` has the parameters if the definition
    gives its own algorithm. ``gap_fill`` is the byte that counts for each byte of the range that an image
    lacks; None if the checksum of such an image is unknown.
    """

    name: str
    algorithm: str
    start: int
    size: int
    stored_at: int
    byte_order: ByteOrder
    complement: str | None
    word: Storage
    crc: Crc | None
    line: int
    gap_fill: int | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """The one memory space; a raw image file starts at ``start``."""

    start: int
    size: int
    fill: int
    regions: tuple[Region, ...]
    identities: tuple[Identity, ...]
    checksums: tuple[Checksum, ...]
    line: int

    @property
    def end(self) -> int:
        """The first address after the memory."""
        return self.start + self.size

    def region_of(self, address: int) -> Region | None:
        return next((region for region in self.regions if region.holds(address)), None)


@dataclass(frozen=True, slots=True)
class Signal:
    """A measured quantity that feeds axes."""

    name: str
    title: str
    unit: str
    plausible: Range | None
    operating: Range | None
    line: int


@dataclass(frozen=True, slots=True)
class Sensor:
    """A resistive sensor behind a pull-up; ``supply`` in volts, ``pull_up`` in ohms."""

    signal: str
    curve: str
    supply: float
    pull_up: float
    line: int


@dataclass(frozen=True, slots=True)
class Linear:
    """physical = raw * factor + offset."""

    name: str
    unit: str
    decimals: int | None
    factor: float
    offset: float
    line: int


@dataclass(frozen=True, slots=True)
class Rational:
    """raw = (a p² + b p + c) / (d p² + e p + f), p being the physical value.

    The form is that of RAT_FUNC in the standard ASAM MCD-2 MC. If two values of p give the same raw value,
    the larger one is meant, for each raw value by itself.
    """

    name: str
    unit: str
    decimals: int | None
    coefficients: tuple[float, float, float, float, float, float]
    line: int


@dataclass(frozen=True, slots=True)
class States:
    """Raw values with names."""

    name: str
    names: Mapping[int, str]
    repeats: tuple[str, ...]
    line: int
    unit: str = ""
    decimals: int | None = 0

    def raw_of(self, state: str) -> int | None:
        return next((raw for raw, name in self.names.items() if name == state), None)


@dataclass(frozen=True, slots=True)
class Interpolated:
    """Linear between points, constant beyond them; ``raw`` and ``physical`` as given, shape (points,)."""

    name: str
    unit: str
    decimals: int | None
    raw: tuple[float, ...]
    physical: tuple[float, ...]
    line: int


Conversion = Linear | Rational | States | Interpolated

#: The conversion of a table without one: the raw number is the physical value.
PLAIN = Linear(name="", unit="", decimals=None, factor=1.0, offset=0.0, line=0)


@dataclass(frozen=True, slots=True)
class StoredCount:
    """Where the image stores the number of breakpoints of an axis."""

    at: int
    storage: Storage


@dataclass(frozen=True, slots=True)
class StoredAxis:
    """Breakpoints that the image stores; if ``falling``, they and the cells at them lie highest first."""

    name: str
    signal: str
    at: int
    storage: Storage
    conversion: str | None
    count: int
    stored_count: StoredCount | None
    line: int
    falling: bool = False


@dataclass(frozen=True, slots=True)
class FixedAxis:
    """Breakpoints in physical values, rising; if ``falling``, the cells at them lie highest first."""

    name: str
    signal: str
    values: tuple[float, ...]
    line: int
    falling: bool = False

    @property
    def count(self) -> int:
        return len(self.values)


Axis = StoredAxis | FixedAxis | DerivedAxis


@dataclass(frozen=True, slots=True)
class Guard:
    """The condition under which a protection table no longer protects.

    Exactly one of the five conditions is given, and at least the ``share`` of the cells must meet it.
    ``text`` is the decimal number of ``above`` or ``below`` if no double equals it, else "".
    """

    above: float | None
    below: float | None
    state: str | None
    raw: int | None
    flat: bool
    share: float
    line: int
    text: str = ""


@dataclass(frozen=True, slots=True)
class Constraints:
    """The demands on the cells of one table, in physical values."""

    limits: Range | None = None
    expected: Range | None = None
    off: OffCode | None = None
    monotonic: tuple[Monotonic, ...] = ()
    gradients: tuple[Gradient, ...] = ()
    change: float | None = None
    guards: tuple[Guard, ...] = ()


NO_CONSTRAINTS = Constraints()


@dataclass(frozen=True, slots=True)
class Table:
    """Anything with cells: a scalar, a curve or a map.

    The cells have numbers in logical order, x fastest, whatever their order in memory: cell (x, y) has the
    number ``y * columns + x``. A scalar that is ``unit_own`` is the number of one unit, such as a serial
    number.
    """

    name: str
    title: str
    kind: Kind
    purpose: Purpose
    group: str
    at: int
    storage: Storage
    conversion: str | None
    x: str | None
    y: str | None
    y_first: bool
    signal: str | None
    produces: str | None
    demands: Constraints
    notes: tuple[str, ...]
    line: int
    unit_own: bool = False

    @property
    def axes(self) -> tuple[str, ...]:
        """The names of its axes: none, x, or x and y."""
        if self.y is None:  # written out: comparisons of definitions ask this of every table, many times
            return () if self.x is None else (self.x,)
        return (self.y,) if self.x is None else (self.x, self.y)


@dataclass(frozen=True, slots=True)
class Text:
    """A string of ``length`` bytes; if ``unit_own``, the number of one unit, such as a hull number."""

    name: str
    title: str
    purpose: Purpose
    group: str
    at: int
    length: int
    encoding: str
    notes: tuple[str, ...]
    line: int
    unit_own: bool = False


@dataclass(frozen=True, slots=True)
class Relation:
    """A relation that must hold between two tables.

    ``kind`` is at-most, equal, inverse or gap. ``amount`` is the margin, the tolerance or the smallest
    distance, in the unit of the first table. ``within`` is "operating" if the relation must hold only in the
    operating ranges of the signals, else "".
    """

    kind: str
    table: str
    other: str
    amount: float
    line: int
    within: str = ""

    def ranges(self, signals: Mapping[str, Signal]) -> dict[str, Range]:
        """By signal, the range in which it must hold; a signal that is absent has no limits."""
        if not self.within:
            return {}
        return {name: signal.operating for name, signal in signals.items() if signal.operating is not None}


@dataclass(frozen=True, slots=True)
class Group:
    """Tables that belong together."""

    name: str
    title: str
    line: int


@dataclass(frozen=True)
class Definition:
    """One definition with all that it takes from other files; its elements by name.

    If a name is declared twice, the first element counts; ``declarations`` has both. ``digest`` identifies
    the content of the file and of those it builds on, which ``lines`` has.
    """

    name: str
    title: str
    revision: int
    memory: Memory
    signals: Mapping[str, Signal]
    sensors: tuple[Sensor, ...]
    conversions: Mapping[str, Conversion]
    axes: Mapping[str, Axis]
    groups: Mapping[str, Group]
    tables: Mapping[str, Table]
    texts: Mapping[str, Text]
    relations: tuple[Relation, ...]
    declarations: tuple[Declaration, ...]
    digest: str
    lines: Lines = field(default_factory=Lines, compare=False)
    translations: tuple[Translation, ...] = ()

    def location(self, line: int) -> tuple[str, int]:
        """The file and line of an element by its ``line``; of the last change to it, if it is inherited."""
        return self.lines.location(line)

    def conversion_of(self, item: Table | StoredAxis) -> Conversion:
        """The conversion of a table or axis; PLAIN if it has none or an unknown one."""
        if item.conversion is None:
            return PLAIN
        return self.conversions.get(item.conversion, PLAIN)

    def unit_of(self, item: Table | Axis) -> str:
        """The unit of a table's values or an axis's breakpoints."""
        if isinstance(item, DerivedAxis):
            source = self._unit_source(item)
            unit = "" if source is None else self.unit_of(source)
        else:
            unit = "" if isinstance(item, FixedAxis) else self.conversion_of(item).unit
        if not unit and not isinstance(item, Table) and item.signal in self.signals:
            return self.signals[item.signal].unit
        return unit

    def _unit_source(self, axis: DerivedAxis) -> Table | Axis | None:
        """What has the unit of the breakpoints of a derived axis: its curve, or the axis of the curve."""
        curve = self.curve_of(axis)
        if curve is None or axis.derivation is Derivation.RESCALED:
            return curve
        return self.axes.get(curve.x or "")

    def breakpoint_keys(self, table: Table) -> tuple[str, ...]:
        """The JSON keys of a cell's breakpoints, x before y: a signal, or the axis if the signal repeats."""
        keys: list[str] = []
        for name in table.axes:
            signal = self.axes[name].signal
            keys.append(name if signal in keys else signal)
        return tuple(keys)

    def shape_of(self, table: Table) -> tuple[int, int]:
        """Rows and columns: (1, 1) for a scalar, (1, x) for a curve, (y, x) for a map."""
        columns, rows = (
            self.axes[axis].count if axis is not None and axis in self.axes else 1
            for axis in (table.x, table.y)
        )
        return rows, columns

    @cached_property
    def stored_axes(self) -> tuple[StoredAxis, ...]:
        return tuple(axis for axis in self.axes.values() if isinstance(axis, StoredAxis))

    @cached_property
    def derived_axes(self) -> tuple[DerivedAxis, ...]:
        return tuple(axis for axis in self.axes.values() if isinstance(axis, DerivedAxis))

    def curve_of(self, axis: DerivedAxis) -> Table | None:
        """The curve of a derived axis; None unless it is a curve over a stored or fixed axis."""
        curve = self.tables.get(axis.curve)
        if curve is None or curve.kind is not Kind.CURVE:
            return None
        return curve if isinstance(self.axes.get(curve.x or ""), StoredAxis | FixedAxis) else None

    def axis_sources(self, name: str) -> tuple[str, ...]:
        """The stored axes and tables that the breakpoints of an axis lie in; none for a fixed axis."""
        axis = self.axes.get(name)
        curve = self.curve_of(axis) if isinstance(axis, DerivedAxis) else None
        if curve is not None:
            return (curve.name, *self.axis_sources(curve.x or ""))
        return (name,) if isinstance(axis, StoredAxis) else ()

    def tables_on(self, axis: str) -> Iterator[Table]:
        """Every table that uses the axis."""
        return (table for table in self.tables.values() if axis in table.axes)

    def is_resolved(self, item: Table | StoredAxis) -> bool:
        """Whether the definition has everything that decoding the item needs."""
        if item.conversion is not None and item.conversion not in self.conversions:
            return False
        axes = (self.axes.get(axis) for axis in (item.axes if isinstance(item, Table) else ()))
        sources = (self.curve_of(axis) if isinstance(axis, DerivedAxis) else axis for axis in axes)
        return all(
            isinstance(source, FixedAxis) or (source is not None and self.is_resolved(source))
            for source in sources
        )
