"""The blocks of a description in the standard ASAM MCD-2 MC (ASAP2) as dataclasses."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from callint.model.definition import Range
from callint.reading.asap2.tokens import SourceLocation


# Not frozen, as there are tens of thousands, and a frozen one takes three times as long to make.
@dataclass(slots=True)
class AxisDescription:
    """One axis of a characteristic.

    ``fixed`` is the keyword and the numbers of a FIX_AXIS_PAR, FIX_AXIS_PAR_DIST or FIX_AXIS_PAR_LIST, or
    None if there is none. ``max_gradient`` is the MAX_GRAD.
    """

    attribute: str
    input: str
    conversion: str
    points: int
    limits: Range
    place: SourceLocation
    reference: str = ""
    fixed: tuple[str, tuple[float, ...]] | None = None
    byte_order: str = ""
    deposit: str = ""
    monotony: str = ""
    max_gradient: float | None = None


@dataclass(slots=True)
class Characteristic:
    """A value, curve, map, block or string that can be calibrated; limits in physical values.

    ``is_read_only`` says that it must not be changed; ``functions`` are the names of its FUNCTION_LIST.
    ``element`` is its number in an array of records, the first of which begins at ``address``.
    """

    name: str
    title: str
    type: str
    address: int
    layout: str
    conversion: str
    limits: Range
    place: SourceLocation
    extended: Range | None = None
    axes: tuple[AxisDescription, ...] = ()
    mask: int | None = None
    byte_order: str = ""
    sizes: tuple[int, ...] = ()
    encoding: str = ""
    unit: str | None = None
    extension: int = 0
    is_virtual: bool = False
    is_dependent: bool = False
    is_read_only: bool = False
    functions: tuple[str, ...] = ()
    element: int = 0


@dataclass(frozen=True, slots=True)
class AxisPoints:
    """An axis in memory that several characteristics may share; ``element`` as in a Characteristic."""

    name: str
    title: str
    address: int
    input: str
    layout: str
    conversion: str
    points: int
    limits: Range
    byte_order: str
    deposit: str
    monotony: str
    unit: str | None
    extension: int
    place: SourceLocation
    element: int = 0


@dataclass(frozen=True, slots=True)
class ConversionMethod:
    """A COMPU_METHOD: ``numbers`` are the coefficients, ``table`` names a conversion table.

    ``status`` names the table of texts for raw values that are not numbers, "" without one.
    ``formula`` is the text of a FORMULA, "" without one. ``unit_reference`` names a UNIT if ``unit`` is
    empty; it is "" if there is no reference.
    """

    name: str
    title: str
    type: str
    format: str
    unit: str
    unit_reference: str
    numbers: tuple[float, ...]
    table: str
    formula: str
    place: SourceLocation
    status: str = ""


@dataclass(frozen=True, slots=True)
class Unit:
    """A UNIT with its display text."""

    name: str
    symbol: str
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class ConversionTable:
    """A COMPU_TAB, COMPU_VTAB or COMPU_VTAB_RANGE; the last item of each row is the result.

    ``stated_rows`` is the number of rows that the block announces; ``type`` is "" for a COMPU_VTAB_RANGE.
    """

    name: str
    kind: str
    type: str
    stated_rows: int
    rows: tuple[tuple[float | str, ...], ...]
    default: str | None
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class LayoutElement:
    """One part of a record layout: its keyword, its position, and its other arguments."""

    keyword: str
    position: int
    arguments: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecordLayout:
    """A RECORD_LAYOUT.

    ``counts`` has the FIX_NO_AXIS_PTS by axis letter, ``alignments`` the bytes by ALIGNMENT keyword.
    """

    name: str
    elements: tuple[LayoutElement, ...]
    counts: Mapping[str, int]
    alignments: Mapping[str, int]
    has_unknown_keyword: bool
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class MeasurementObject:
    """A MEASUREMENT: a measured quantity; limits in physical values."""

    name: str
    title: str
    conversion: str
    limits: Range
    is_virtual: bool
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class Component:
    """An INSTANCE at an address, or a STRUCTURE_COMPONENT at an offset.

    ``sizes`` are those of an array, and ``direction`` the LAYOUT of its elements, "" for the usual one.
    """

    name: str
    type: str
    offset: int
    sizes: tuple[int, ...]
    direction: str
    extension: int
    is_read_only: bool
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class Structure:
    """A TYPEDEF_STRUCTURE; ``size`` in bytes."""

    name: str
    size: int
    components: tuple[Component, ...]
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class Grouping:
    """A GROUP or FUNCTION: the characteristics that it holds or defines, and those that it refers to."""

    kind: str
    name: str
    title: str
    members: tuple[str, ...]
    references: tuple[str, ...]
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class MemorySegment:
    """A MEMORY_SEGMENT; ``address`` and ``size`` in bytes, ``offsets`` to mirrored segments."""

    name: str
    program: str
    memory: str
    address: int
    size: int
    offsets: tuple[int, ...]
    place: SourceLocation


@dataclass(frozen=True, slots=True)
class SkippedItem:
    """A block that was left out because of a mistake in it."""

    kind: str
    name: str
    reason: str
    place: SourceLocation


@dataclass(slots=True)
class ItemCounts:
    """How often an item occurs in the file, and where it occurs first."""

    first: SourceLocation
    amount: int = 0


_COVERED_VERSION = re.compile(r"|1\.[567][0-9]?")


@dataclass
class Description:
    """One MODULE of a description.

    If several blocks have the same name, the first is kept and the others are in ``skipped``. The last three
    mappings count items by keyword and enclosing block: ``unused`` has items of the standard that a
    definition cannot hold, ``uncovered`` items that could matter but that callint does not support, and
    ``unknown`` items that the standard lacks.
    """

    module: str = ""
    place: SourceLocation = field(default_factory=lambda: SourceLocation("", 0))
    title: str = ""
    version: str = ""
    version_place: SourceLocation = field(default_factory=lambda: SourceLocation("", 0))
    characteristics: dict[str, Characteristic] = field(default_factory=dict)
    axes: dict[str, AxisPoints] = field(default_factory=dict)
    methods: dict[str, ConversionMethod] = field(default_factory=dict)
    conversion_tables: dict[str, ConversionTable] = field(default_factory=dict)
    layouts: dict[str, RecordLayout] = field(default_factory=dict)
    measurements: dict[str, MeasurementObject] = field(default_factory=dict)
    units: dict[str, Unit] = field(default_factory=dict)
    groups: dict[str, Grouping] = field(default_factory=dict)
    functions: dict[str, Grouping] = field(default_factory=dict)
    typedefs: dict[str, Characteristic | AxisPoints | Structure] = field(default_factory=dict)
    instances: list[Component] = field(default_factory=list)
    segments: list[MemorySegment] = field(default_factory=list)
    byte_order: str = ""
    deposit: str = ""
    alignments: dict[str, int] = field(default_factory=dict)
    epk: str | None = None
    epk_addresses: list[int] = field(default_factory=list)
    skipped: list[SkippedItem] = field(default_factory=list)
    unused: dict[tuple[str, str], ItemCounts] = field(default_factory=dict)
    uncovered: dict[tuple[str, str], ItemCounts] = field(default_factory=dict)
    unknown: dict[tuple[str, str], ItemCounts] = field(default_factory=dict)

    @property
    def has_covered_version(self) -> bool:
        """Whether the description states one of the versions 1.5 to 1.7, or no version."""
        return _COVERED_VERSION.fullmatch(self.version) is not None
