"""What a description in the standard ASAM MCD-2 MC becomes as a definition, and what is lost on the way.

Conversions are kept by the standard's formulas: LINEAR is phys = a * int + b, RAT_FUNC is
int = (a p² + b p + c) / (d p² + e p + f). What a definition cannot say is listed, item by item; a table
whose conversion is lost is kept in raw numbers and without limits, so that its bytes stay explained.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from itertools import pairwise
from typing import Protocol

import numpy as np

from callint.model.definition import (
    NO_DEMANDS,
    Axis,
    ByteOrder,
    Conversion,
    Definition,
    Demands,
    FixedAxis,
    Gradient,
    Identity,
    Interpolated,
    Kind,
    Linear,
    Memory,
    Monotonic,
    NumberType,
    Purpose,
    Range,
    Rational,
    Region,
    Signal,
    States,
    Storage,
    StoredAxis,
    StoredCount,
    Table,
    Text,
)
from callint.reading.asap2 import (
    AxisDescription,
    AxisPoints,
    Characteristic,
    Description,
    Layout,
    Method,
    Tally,
    ValueTable,
)
from callint.reading.asap2_tokens import Place
from callint.reading.definition import MAX_ADDRESS, MAX_BREAKPOINTS, MAX_CELLS, MAX_MEMORY

#: A range of raw values becomes one state each, up to so many in a table of values.
MAX_STATES = 256

_TYPES = {
    "UBYTE": NumberType.uint8,
    "SBYTE": NumberType.int8,
    "UWORD": NumberType.uint16,
    "SWORD": NumberType.int16,
    "ULONG": NumberType.uint32,
    "SLONG": NumberType.int32,
    "A_UINT64": NumberType.uint64,
    "A_INT64": NumberType.int64,
    "FLOAT32_IEEE": NumberType.float32,
    "FLOAT64_IEEE": NumberType.float64,
}
_SIZES = {name: number_type.size for name, number_type in _TYPES.items()} | {"FLOAT16_IEEE": 2}
_RESERVED = {"BYTE": "UBYTE", "WORD": "UWORD", "LONG": "ULONG"}
_ALIGNED = {
    "UBYTE": "BYTE",
    "SBYTE": "BYTE",
    "UWORD": "WORD",
    "SWORD": "WORD",
    "ULONG": "LONG",
    "SLONG": "LONG",
    "A_UINT64": "INT64",
    "A_INT64": "INT64",
    "FLOAT16_IEEE": "FLOAT16_IEEE",
    "FLOAT32_IEEE": "FLOAT32_IEEE",
    "FLOAT64_IEEE": "FLOAT64_IEEE",
}
_ORDERS = {
    "MSB_FIRST": ByteOrder.BIG,
    "MSB_LAST": ByteOrder.LITTLE,
    "BIG_ENDIAN": ByteOrder.BIG,
    "LITTLE_ENDIAN": ByteOrder.LITTLE,
}
_AXES = {"STD_AXIS", "COM_AXIS", "FIX_AXIS", "RES_AXIS", "CURVE_AXIS"}
_KINDS = {"VALUE": Kind.SCALAR, "CURVE": Kind.CURVE, "MAP": Kind.MAP}
_MONOTONIES = {
    "MON_INCREASE": (True, False),
    "MON_DECREASE": (False, False),
    "STRICT_INCREASE": (True, True),
    "STRICT_DECREASE": (False, True),
}
_VOLATILE = {"RAM", "REGISTER", "NOT_IN_ECU"}

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.\-\[\]]*")
_NO_NAME = re.compile(r"[^A-Za-z0-9_.\-\[\]]")
#: What XML 1.0 cannot hold, and what would not show.
_NO_TEXT = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_MAX_NAME, _MAX_LABEL = 128, 512


@dataclass(frozen=True, slots=True)
class Loss:
    """Something that is described and not kept as it is: what of it, and why."""

    kind: str
    name: str
    reason: str
    place: Place
    is_whole: bool = False


@dataclass(frozen=True, slots=True)
class Imported:
    """A definition made of a description, None where nothing could be kept, and what was lost."""

    definition: Definition | None
    losses: tuple[Loss, ...]
    description: Description

    @property
    def is_complete(self) -> bool:
        """Whether everything that is described, and could matter, was kept as it is."""
        return not (self.losses or self.description.uncovered or self.description.unknown)


class _Placed(Protocol):
    """A block with its place."""

    @property
    def place(self) -> Place: ...


class _LostError(Exception):
    """Why something cannot be kept at all."""


@dataclass(frozen=True, slots=True)
class _Meaning:
    """What a conversion's name leads to; ``lost`` says why the values stay raw, "" where they do not."""

    conversion: Conversion | None
    unit: str
    lost: str = ""

    @property
    def name(self) -> str | None:
        return None if self.conversion is None else self.conversion.name


@dataclass(frozen=True, slots=True)
class _Spot:
    """Where numbers of one kind begin, in the standard's type, and how far they are apart."""

    at: int
    type: str
    stride: int


def make_definition(description: Description, name: str | None = None) -> Imported:
    """The definition of a description, under its own name or that of its module."""
    return _Maker(description).imported(name)


def is_name(text: str) -> bool:
    """Whether a definition can have such a name."""
    return _NAME.fullmatch(text) is not None and len(text) <= _MAX_NAME


def label(text: str, otherwise: str = "-") -> str:
    """One line of text as a definition can hold it."""
    words = " ".join(_NO_TEXT.sub("\ufffd", text).split())[:_MAX_LABEL].rstrip()
    return words or otherwise


@dataclass
class _Maker:
    """The state of making one definition."""

    description: Description
    losses: list[Loss] = field(default_factory=list)
    names: dict[str, dict[str, str]] = field(default_factory=dict)
    taken: dict[str, set[str]] = field(default_factory=dict)
    meanings: dict[str, _Meaning] = field(default_factory=dict)
    conversions: dict[str, Conversion] = field(default_factory=dict)
    signals: dict[str, Signal] = field(default_factory=dict)
    axes: dict[str, Axis] = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)
    texts: dict[str, Text] = field(default_factory=dict)
    #: States that are named by numbers, so that limits mean those and not raw values.
    numbers: set[str] = field(default_factory=set)
    #: Breakpoints of fixed axes by their parameters and conversion, which many tables share.
    fixed: dict[object, tuple[float, ...]] = field(default_factory=dict)
    orders: set[str] = field(default_factory=set)
    cells: int = 0

    def imported(self, name: str | None) -> Imported:
        description = self.description
        for method in description.methods.values():
            self.meaning(method.name)
        for bad in description.bad:
            self.losses.append(Loss(bad.kind, bad.name, bad.reason, bad.place, is_whole=True))
        for axis in description.axes.values():
            self.keep("AXIS_PTS", axis.name, axis.place, partial(self.shared_axis, axis))
        for one in description.characteristics.values():
            self.keep("CHARACTERISTIC", one.name, one.place, partial(self.characteristic, one))
        for measurement in description.measurements.values():
            if measurement.is_virtual:
                reason = "that it is computed from others is not kept (VIRTUAL)"
                self.lose("MEASUREMENT", measurement.name, reason, measurement.place)
        memory = self.memory()
        self.drop_unused()
        self.tally_unused()
        if memory is None or not (self.tables or self.texts or self.axes):
            return Imported(None, tuple(self.losses), description)
        own = name if name is not None else self.name("MODULE", description.module, None)
        made = Definition(
            name=own,
            title=label(description.title, label(description.module)),
            revision=1,
            memory=memory,
            signals=self.signals,
            sensors=(),
            conversions=self.conversions,
            axes=self.axes,
            groups={},
            tables=self.tables,
            texts=self.texts,
            relations=(),
            declarations=(),
            digest="",
        )
        return Imported(made, tuple(self.losses), description)

    def keep(self, kind: str, name: str, place: Place, make: Callable[[], None]) -> None:
        """Do ``make``; where it cannot be done, the reason is a loss and nothing is left half-made."""
        axes, losses = len(self.axes), len(self.losses)
        try:
            make()
        except _LostError as error:
            self.losses[losses:] = [
                loss for loss in self.losses[losses:] if (loss.kind, loss.name) != (kind, name)
            ]
            while len(self.axes) > axes:
                self.axes.popitem()
            self.losses.append(Loss(kind, name, str(error), place, is_whole=True))

    def lose(self, kind: str, name: str, reason: str, place: Place) -> None:
        self.losses.append(Loss(kind, name, reason, place))

    # Names

    def name(self, space: str, given: str, place: Place | None, key: str | None = None) -> str:
        """A name as a definition can have it; one that had to be rewritten is listed where it has a place.

        What two ``key`` tell apart has two names.
        """
        known = self.names.setdefault(space, {})
        key = given if key is None else key
        if key in known:
            return known[key]
        taken = self.taken.setdefault(space, set())
        wanted = given
        if not _NAME.fullmatch(given):
            wanted = _NO_NAME.sub("_", given)
            wanted = wanted if _NAME.match(wanted) else f"_{wanted}"
        if len(wanted) > _MAX_NAME:
            # Long names differ at their ends as often as at their beginnings.
            wanted = f"{wanted[: _MAX_NAME - 9]}_{_digest(given)}"
        found, number = wanted, 2
        while found in taken:
            found, number = f"{wanted[: _MAX_NAME - 8]}_{number}", number + 1
        if found != given and place is not None:
            self.lose(space, given, f"its name is rewritten as {found}", place)
        known[key] = found
        taken.add(found)
        return found

    # Conversions

    def meaning(self, name: str) -> _Meaning:
        """What a conversion's name leads to, worked out once."""
        found = self.meanings.get(name)
        if found is None:
            found = self.meanings[name] = self.new_meaning(name)
        return found

    def new_meaning(self, name: str) -> _Meaning:
        if name == "NO_COMPU_METHOD":
            return _Meaning(None, "")
        method = self.description.methods.get(name)
        if method is None:
            return _Meaning(None, "", f"COMPU_METHOD {name} is not described")
        unit = label(method.unit, "")
        try:
            made = self.conversion(method, unit)
        except _LostError as error:
            self.lose("COMPU_METHOD", name, str(error), method.place)
            return _Meaning(None, "", f"COMPU_METHOD {name} is not kept")
        self.conversions[made.name] = made
        return _Meaning(made, unit)

    def conversion(self, method: Method, unit: str) -> Conversion:
        decimals = _decimals(method.format)
        match method.type:
            case "IDENTICAL":
                return Linear(self.conversion_name(method), unit, decimals, 1.0, 0.0, 0)
            case "LINEAR":
                if len(method.numbers) != 2:
                    raise _LostError("LINEAR has no COEFFS_LINEAR")
                factor, offset = method.numbers
                if not factor:
                    raise _LostError("the factor of LINEAR is 0")
                return Linear(self.conversion_name(method), unit, decimals, factor, offset, 0)
            case "RAT_FUNC":
                if len(method.numbers) != 6:
                    raise _LostError("RAT_FUNC has no COEFFS")
                return self.rational(method, unit, decimals)
            case "TAB_INTP" | "TAB_NOINTP" | "TAB_VERB":
                return self.tabular(method, unit, decimals)
            case "FORM":
                raise _LostError("a FORMULA is not covered")
        raise _LostError(f"its type {method.type[:40]} is not covered")

    def conversion_name(self, method: Method) -> str:
        return self.name("COMPU_METHOD", method.name, method.place)

    def rational(self, method: Method, unit: str, decimals: int | None) -> Conversion:
        """Linear where it is that in decimal numbers, which decode exactly; rational otherwise."""
        a, b, c, d, e, f = method.numbers
        if not any((a, d, e)) and b and f:
            factor = Fraction(repr(f)) / Fraction(repr(b))
            offset = -Fraction(repr(c)) / Fraction(repr(b))
            if all(_is_decimal(number) for number in (factor, offset)):
                return Linear(self.conversion_name(method), unit, decimals, float(factor), float(offset), 0)
        if not any((a, b, d, e)) or not any((d, e, f)):
            raise _LostError("RAT_FUNC has no way from raw to physical")
        return Rational(self.conversion_name(method), unit, decimals, (a, b, c, d, e, f), 0)

    def tabular(self, method: Method, unit: str, decimals: int | None) -> Conversion:
        table = self.description.value_tables.get(method.table)
        if table is None:
            raise _LostError(f"its table {method.table or 'of values'} is not described")
        if len(table.rows) != table.stated:
            raise _LostError(f"its table {table.name} has {len(table.rows)} rows and says {table.stated}")
        if not table.rows:
            raise _LostError(f"its table {table.name} is empty")
        if table.kind == "COMPU_TAB":
            if method.type == "TAB_INTP" and table.type == "TAB_INTP" and len(table.rows) > 1:
                found = self.interpolated(method, table, unit, decimals)
            else:
                found = self.numbered(method, table, unit, decimals)
        else:
            found = self.named(method, table)
        if table.default is not None:
            self.lose(table.kind, table.name, "its default value is not kept", table.place)
        return found

    def interpolated(self, method: Method, table: ValueTable, unit: str, decimals: int | None) -> Conversion:
        raw, physical = zip(*((float(one), float(other)) for one, other in table.rows), strict=True)
        return Interpolated(self.conversion_name(method), unit, decimals, raw, physical, 0)

    def numbered(self, method: Method, table: ValueTable, unit: str, decimals: int | None) -> Conversion:
        """Single values without anything between them, as states whose names are the numbers."""
        names = [(float(raw), f"{_plain(float(value))} {unit}".strip()) for raw, value in table.rows]
        states = self.states(method, table, names)
        self.numbers.add(states.name)
        self.lose(
            "COMPU_METHOD",
            method.name,
            "its single values are kept as named states, without limits",
            method.place,
        )
        return states

    def named(self, method: Method, table: ValueTable) -> Conversion:
        names: list[tuple[float, str]] = []
        spread = 0
        for *ends, title in table.rows:
            low, high = float(ends[0]), float(ends[-1])
            if low == high:
                names.append((low, str(title)))
                continue
            if not (low.is_integer() and high.is_integer() and low < high):
                raise _LostError(f"its range {_plain(low)} to {_plain(high)} does not fit named states")
            if high - low >= MAX_STATES or len(names) + high - low >= MAX_STATES:
                raise _LostError(f"its ranges span more than {MAX_STATES} raw values")
            spread += 1
            names += [(float(raw), f"{title} ({raw})") for raw in range(int(low), int(high) + 1)]
        if spread:
            self.lose(
                table.kind, table.name, "its ranges are kept as a named state for each raw value", table.place
            )
        return self.states(method, table, names)

    def states(self, method: Method, table: ValueTable, names: list[tuple[float, str]]) -> States:
        found: dict[int, str] = {}
        used: set[str] = set()
        renamed = False
        for number, title in names:
            if not number.is_integer() or not -(2**63) <= number < 2**64:
                raise _LostError(f"its raw value {_plain(number)} is no whole number")
            raw = int(number)
            if raw in found:
                raise _LostError(f"its raw value {raw} has two names")
            words = label(title)
            if words in used:
                words, renamed = label(f"{words[:460]} (raw {raw})"), True
            if words in used:
                raise _LostError(f"its state {words} stands for two raw values")
            found[raw] = words
            used.add(words)
        if renamed:
            reason = "states with one name have their raw values behind it"
            self.lose(table.kind, table.name, reason, table.place)
        return States(self.conversion_name(method), found, (), 0)

    # Layouts

    def layout(self, name: str) -> Layout:
        found = self.description.layouts.get(name)
        if found is None:
            raise _LostError(f"its RECORD_LAYOUT {name} is not described")
        if found.unknown:
            raise _LostError(f"its RECORD_LAYOUT {name} has {found.unknown}")
        return found

    def spots(self, layout: Layout, address: int, counts: Mapping[str, int]) -> dict[str, _Spot]:
        """Where each part of a record lies, by its keyword; ``counts`` has the parts of several numbers.

        A part begins at the next address that its type's alignment divides, the first part where the
        record does.
        """
        found: dict[str, _Spot] = {}
        at = address
        elements = sorted(layout.elements, key=lambda element: element.position)
        positions = [element.position for element in elements]
        woven = {"FNC_VALUES", self.woven(layout)}
        done: set[str] = set()
        for number, element in enumerate(elements):
            keyword = element.keyword
            if keyword in done:
                if keyword in woven and len(woven) > 1:
                    continue
                if keyword != "RESERVED":
                    raise _LostError(f"its RECORD_LAYOUT {layout.name} has {keyword} twice")
            if keyword in woven and len(woven) > 1:
                at = self.weave(layout, at, number == 0, counts, found)
                done |= woven
                continue
            if positions.count(element.position) > 1:
                raise _LostError(
                    f"its RECORD_LAYOUT {layout.name} has two parts at position {element.position}"
                )
            type_name = element.words[0]
            type_name = _RESERVED.get(type_name, type_name) if keyword == "RESERVED" else type_name
            amount = counts.get(keyword, 1)
            if keyword.startswith("AXIS_RESCALE_"):
                amount = 2 * _whole(element.words[1])
            if number:
                at = _up(at, self.alignment(layout, type_name))
            size = _size_of(type_name)
            found[keyword] = _Spot(at, type_name, size)
            self.check_addressing(element.keyword, element.words)
            done.add(keyword)
            at += amount * size
        return found

    def check_addressing(self, keyword: str, words: tuple[str, ...]) -> None:
        if keyword == "FNC_VALUES" or keyword.startswith(("AXIS_PTS_", "AXIS_RESCALE_")):
            if words[-1] != "DIRECT":
                raise _LostError(f"its {keyword} is found through a pointer ({words[-1][:20]})")
            if words[-2] == "INDEX_DECR":
                raise _LostError(f"its {keyword} is stored backwards (INDEX_DECR)")

    def woven(self, layout: Layout) -> str:
        """The keyword of the axis whose breakpoints alternate with values; FNC_VALUES for none."""
        for element in layout.elements:
            if element.keyword == "FNC_VALUES" and element.words[1].startswith("ALTERNATE"):
                along = {"ALTERNATE_WITH_X": "AXIS_PTS_X", "ALTERNATE_WITH_Y": "AXIS_PTS_Y"}
                if element.words[1] not in along:
                    raise _LostError(f"the index mode {element.words[1]} is not covered")
                return along[element.words[1]]
        return "FNC_VALUES"

    def weave(
        self, layout: Layout, at: int, is_first: bool, counts: Mapping[str, int], found: dict[str, _Spot]
    ) -> int:
        """Breakpoints and values in turn; the address behind them. Only a curve's are evenly spaced."""
        axis = self.woven(layout)
        points = counts.get(axis, 0)
        if not points or counts.get("FNC_VALUES") != points:
            raise _LostError("values that alternate with breakpoints are only kept in a curve")
        parts = [element for element in layout.elements if element.keyword in ("FNC_VALUES", axis)]
        # The axis first where both have one position.
        parts.sort(key=lambda element: (element.position, element.keyword == "FNC_VALUES"))
        if len(parts) != 2:
            raise _LostError(f"its RECORD_LAYOUT {layout.name} lacks {axis}")
        begins, here = [], at
        for number in range(4):
            part = parts[number % 2]
            if number or not is_first:
                here = _up(here, self.alignment(layout, part.words[0]))
            begins.append(here)
            here += _size_of(part.words[0])
        stride = begins[2] - begins[0]
        if begins[3] - begins[1] != stride or any(
            stride % self.alignment(layout, part.words[0]) for part in parts
        ):
            raise _LostError("its alternating values and breakpoints are not evenly spaced")
        for part, begin in zip(parts, begins, strict=False):
            self.check_addressing(part.keyword, part.words)
            found[part.keyword] = _Spot(begin, part.words[0], stride)
        return begins[1] + (points - 1) * stride + _size_of(parts[1].words[0])

    def alignment(self, layout: Layout, type_name: str) -> int:
        keyword = f"ALIGNMENT_{_ALIGNED.get(type_name, '')}"
        found = layout.alignments.get(keyword, self.description.alignments.get(keyword))
        if found is None:
            found = _size_of(type_name)
        if not 0 < found <= 4096:
            raise _LostError(f"{keyword} is {found}")
        return found

    def storage(self, spot: _Spot, byte_order: str, mask: int | None = None) -> Storage:
        number_type = _TYPES.get(spot.type)
        if number_type is None:
            raise _LostError(f"the type {spot.type[:40]} is not covered")
        given = byte_order or self.description.byte_order or "MSB_LAST"
        order = _ORDERS.get(given)
        if order is None:
            if number_type.size > 1:
                raise _LostError(f"the byte order {given[:40]} is not covered")
            order = ByteOrder.LITTLE
        if given.endswith("_ENDIAN") and given not in self.orders:
            self.orders.add(given)
            end = "most" if order is ByteOrder.BIG else "least"
            reason = f"read as {end} significant byte first; some take it for the other"
            self.lose("BYTE_ORDER", given, reason, self.description.place)
        if mask is not None:
            if not 0 < mask < 1 << 8 * number_type.size:
                raise _LostError(f"BIT_MASK 0x{max(mask, 0):X} does not fit {spot.type}")
            if mask == (1 << 8 * number_type.size) - 1:
                mask = None
            elif number_type.kind != "u":
                raise _LostError(f"a BIT_MASK of {spot.type} is not covered")
        return Storage(number_type, order, spot.stride, mask)

    # Axes and their signals

    def shared_axis(self, axis: AxisPoints) -> None:
        self.check_space(axis.extension, axis.address)
        self.check_deposit(axis.deposit)
        layout = self.layout(axis.layout)
        spots = self.spots(layout, axis.address, {"AXIS_PTS_X": self.points(layout, "X", axis.points)})
        if "AXIS_PTS_X" not in spots:
            what = "a rescale axis" if "AXIS_RESCALE_X" in spots else "without AXIS_PTS_X"
            raise _LostError(f"it is {what}" if what.startswith("a ") else f"its RECORD_LAYOUT is {what}")
        name = self.name("AXIS_PTS", axis.name, axis.place)
        count = self.points(layout, "X", axis.points)
        meaning = self.meaning(axis.conversion)
        if axis.unit is not None:
            self.check_unit(axis.unit, meaning, "AXIS_PTS", axis.name, axis.place)
        if meaning.lost:
            self.lose("AXIS_PTS", axis.name, f"it stays in raw numbers: {meaning.lost}", axis.place)
        if axis.monotony in ("MON_DECREASE", "STRICT_DECREASE"):
            self.lose("AXIS_PTS", axis.name, "its breakpoints fall, and axes here rise", axis.place)
        self.axes[name] = StoredAxis(
            name=name,
            signal=self.signal(axis.input, axis.name, meaning, axis.limits, axis.title, axis.place),
            at=spots["AXIS_PTS_X"].at,
            storage=self.storage(spots["AXIS_PTS_X"], axis.byte_order),
            conversion=meaning.name,
            count=count,
            stored_count=self.stored_count(spots, "X", axis.byte_order),
            line=0,
        )

    def points(self, layout: Layout, axis: str, most: int) -> int:
        count = layout.counts.get(axis, most)
        if not 0 < count <= MAX_BREAKPOINTS:
            raise _LostError(f"it has {count} breakpoints; 1 to {MAX_BREAKPOINTS:,} are covered")
        return count

    def stored_count(self, spots: Mapping[str, _Spot], axis: str, byte_order: str) -> StoredCount | None:
        spot = spots.get(f"NO_AXIS_PTS_{axis}")
        if spot is None or spot.type not in ("UBYTE", "UWORD", "ULONG"):
            return None
        return StoredCount(spot.at, self.storage(spot, byte_order))

    def signal(
        self, given: str, axis: str, meaning: _Meaning, limits: Range, title: str, place: Place
    ) -> str:
        """The name of the signal that feeds an axis; one of the axis's own where none is described.

        An axis in raw numbers has one of its own too: the unit of the quantity would be wrong for them.
        """
        measurement = self.description.measurements.get(given)
        plausible = _usable(limits)
        if meaning.lost:
            name = self.name("signal", f"{axis}.raw", None, key=f"{axis}/raw")
            made = Signal(name, label(f"{axis} in raw numbers"), "-", None, None, 0)
        elif measurement is not None:
            name = self.name("signal", given, measurement.place)
            if name in self.signals:
                return name
            method = self.description.methods.get(measurement.conversion)
            unit = label(method.unit) if method else "-"
            made = Signal(name, label(measurement.title, given), unit, _usable(measurement.limits), None, 0)
        else:
            is_named = given not in ("NO_INPUT_QUANTITY", "")
            own = given if is_named else axis
            if is_named and given not in self.names.get("signal", {}):
                reason = "it feeds an axis and is no MEASUREMENT; unit and range are the axis's"
                self.lose("MEASUREMENT", given, reason, place)
            name = self.name("signal", own, None, key=own if is_named else f"{own}/own")
            words = label(own if is_named else title, own)
            made = Signal(name, words, meaning.unit or "-", plausible, None, 0)
        self.signals.setdefault(name, made)
        return name

    def drop_unused(self) -> None:
        """Drop the signals and conversions of what is not kept."""
        used = {axis.signal for axis in self.axes.values()}
        for name in [name for name in self.signals if name not in used]:
            del self.signals[name]
        kept = {one.conversion for one in self.tables.values()}
        kept |= {axis.conversion for axis in self.axes.values() if isinstance(axis, StoredAxis)}
        for name in [name for name in self.conversions if name not in kept]:
            del self.conversions[name]

    def tally_unused(self) -> None:
        """Count what is described and serves nothing that is kept; it has no place in the definition."""
        description = self.description
        lost = {(loss.kind, loss.name) for loss in self.losses}
        used_tables = {method.table for method in description.methods.values()}
        used_layouts = {axis.layout for axis in description.axes.values()}
        used_layouts |= {one.layout for one in description.characteristics.values()}
        owns = self.names.get("signal", {})
        uses: tuple[tuple[str, Mapping[str, _Placed], Callable[[str], bool]], ...] = (
            ("MEASUREMENT", description.measurements, lambda name: owns.get(name) in self.signals),
            (
                "COMPU_METHOD",
                description.methods,
                lambda name: self.meanings[name].name in self.conversions,
            ),
            ("COMPU_TAB", description.value_tables, lambda name: name in used_tables),
            ("RECORD_LAYOUT", description.layouts, lambda name: name in used_layouts),
        )
        for kind, blocks, is_used in uses:
            for name, block in blocks.items():
                if not is_used(name) and (kind, name) not in lost:
                    key = f"{kind} that nothing kept uses", ""
                    description.unused.setdefault(key, Tally(block.place)).amount += 1

    # Characteristics

    def check_space(self, extension: int, address: int) -> None:
        if extension:
            raise _LostError("it lies in another address space (ECU_ADDRESS_EXTENSION)")
        if not 0 <= address < MAX_ADDRESS:
            raise _LostError("its address is not below 2 to the power of 48")

    def check_deposit(self, deposit: str) -> None:
        if (deposit or self.description.deposit) == "DIFFERENCE":
            raise _LostError("its breakpoints are stored as differences (DEPOSIT DIFFERENCE)")

    def check_unit(self, unit: str, meaning: _Meaning, kind: str, name: str, place: Place) -> None:
        if label(unit, "") != meaning.unit and not meaning.lost:
            self.lose(kind, name, "its PHYS_UNIT is not kept, but the unit of its COMPU_METHOD", place)

    def characteristic(self, one: Characteristic) -> None:
        if one.is_virtual and not one.is_dependent:
            raise _LostError("it is virtual: computed, and not in memory (VIRTUAL_CHARACTERISTIC)")
        self.check_space(one.extension, one.address)
        if one.type == "ASCII":
            self.text(one)
        elif one.type in _KINDS:
            self.table(one, _KINDS[one.type])
        elif one.type == "VAL_BLK":
            self.block(one)
        else:
            raise _LostError(f"a {one.type[:40]} is not covered")
        if one.is_dependent or one.is_virtual:
            word = "DEPENDENT_CHARACTERISTIC" if one.is_dependent else "VIRTUAL_CHARACTERISTIC"
            self.lose(
                "CHARACTERISTIC", one.name, f"that it is computed from others is not kept ({word})", one.place
            )

    def text(self, one: Characteristic) -> None:
        length = math.prod(one.sizes) if one.sizes else 0
        if not 0 < length <= MAX_MEMORY:
            raise _LostError(
                "its length is not given (NUMBER or MATRIX_DIM)" if not length else "its length is wrong"
            )
        spot = self.values(self.spots(self.layout(one.layout), one.address, {"FNC_VALUES": length}))
        if _size_of(spot.type) != 1:
            raise _LostError(f"a text of {spot.type} is not covered")
        encodings = {"": "ascii", "UTF8": "utf-8"}
        if one.encoding not in encodings:
            raise _LostError(f"the encoding {one.encoding[:40]} is not covered")
        name = self.name("CHARACTERISTIC", one.name, one.place)
        title = label(one.title, label(one.name))
        self.texts[name] = Text(
            name, title, Purpose.GENERAL, "", spot.at, length, encodings[one.encoding], (), 0
        )

    def values(self, spots: Mapping[str, _Spot]) -> _Spot:
        if "FNC_VALUES" not in spots:
            raise _LostError("its RECORD_LAYOUT is without FNC_VALUES")
        return spots["FNC_VALUES"]

    def block(self, one: Characteristic) -> None:
        """A block of values: a curve or a map over the indexes of its cells."""
        sizes = list(one.sizes)
        while len(sizes) > 1 and sizes[-1] in (0, 1):
            sizes.pop()
        if not sizes or len(sizes) > 2 or not all(0 < size <= MAX_BREAKPOINTS for size in sizes):
            words = (
                "more than two dimensions"
                if len(sizes) > 2
                else "no size (NUMBER or MATRIX_DIM) that is covered"
            )
            raise _LostError(f"it has {words}")
        layout = self.layout(one.layout)
        cells = math.prod(sizes)
        spots = self.spots(layout, one.address, {"FNC_VALUES": self.bounded(cells)})
        name = self.name("CHARACTERISTIC", one.name, one.place)
        axes = [self.index_axis(name, along, size) for along, size in zip("xy", sizes, strict=False)]
        kind = Kind.MAP if len(sizes) == 2 else Kind.CURVE
        self.enter(one, name, kind, layout, self.values(spots), axes, ())

    def index_axis(self, table: str, along: str, count: int) -> str:
        signal = self.name("signal", f"index_{along}", None, key=f"{along}/index")
        self.signals.setdefault(signal, Signal(signal, "Number of a cell, from 0", "-", None, None, 0))
        name = f"{table}/{along}"
        self.axes[name] = FixedAxis(name, signal, tuple(float(value) for value in range(count)), 0)
        return name

    def bounded(self, cells: int) -> int:
        if self.cells + cells > MAX_CELLS:
            raise _LostError(f"with it there are more than {MAX_CELLS:,} cells")
        return cells

    def table(self, one: Characteristic, kind: Kind) -> None:
        wanted = {Kind.SCALAR: 0, Kind.CURVE: 1, Kind.MAP: 2}[kind]
        if len(one.axes) != wanted:
            raise _LostError(f"a {one.type} has {wanted} AXIS_DESCR, and it has {len(one.axes)}")
        layout = self.layout(one.layout)
        counts: dict[str, int] = {}
        points = [
            self.axis_points(one, axis, letter, layout) for axis, letter in zip(one.axes, "XY", strict=False)
        ]
        for axis, letter, count in zip(one.axes, "XY", points, strict=False):
            if axis.attribute == "STD_AXIS":
                counts[f"AXIS_PTS_{letter}"] = count
        cells = math.prod(points)
        if wanted:
            counts["FNC_VALUES"] = self.bounded(cells)
        for element in layout.elements:
            if element.keyword.startswith("AXIS_PTS_") and element.keyword not in counts:
                raise _LostError(f"its RECORD_LAYOUT stores {element.keyword}, and its axis lies elsewhere")
        spots = self.spots(layout, one.address, counts)
        name = self.name("CHARACTERISTIC", one.name, one.place)
        axes = [
            self.axis(one, axis, f"{name}/{letter.lower()}", letter, spots, count)
            for axis, letter, count in zip(one.axes, "XY", points, strict=False)
        ]
        self.enter(one, name, kind, layout, self.values(spots), axes, one.axes)

    def axis_points(self, one: Characteristic, axis: AxisDescription, letter: str, layout: Layout) -> int:
        """How many breakpoints an axis of a table has."""
        if axis.attribute not in _AXES:
            raise _LostError(f"the axis {axis.attribute[:40]} is not covered")
        if axis.attribute == "COM_AXIS":
            shared = self.axes.get(self.names.get("AXIS_PTS", {}).get(axis.reference, ""))
            if shared is None:
                state = "not kept" if axis.reference in self.description.axes else "not described"
                raise _LostError(f"its axis {axis.reference} is {state}")
            if shared.count != axis.points:
                reason = f"its axis has {shared.count} breakpoints, and it says {axis.points}"
                self.lose("CHARACTERISTIC", one.name, reason, axis.place)
            return shared.count
        if axis.attribute == "FIX_AXIS":
            return len(self.fixed_axis(axis))
        return self.points(layout, letter, axis.points)

    def fixed_axis(self, axis: AxisDescription) -> tuple[float, ...]:
        """The breakpoints of a fixed axis in physical values, worked out once for all that share them."""
        key = axis.fixed, axis.conversion
        values = self.fixed.get(key)
        if values is None:
            values = self.fixed_values(self.fixed_raw(axis), self.meaning(axis.conversion))
            self.fixed[key] = values
        return values

    def fixed_raw(self, axis: AxisDescription) -> tuple[Fraction, ...]:
        """The breakpoints of a fixed axis before conversion.

        FIX_AXIS_PAR: offset + i * 2 to the power of shift; FIX_AXIS_PAR_DIST: offset + i * distance.
        """
        if axis.fixed is None:
            raise _LostError("its FIX_AXIS has no parameters")
        keyword, numbers = axis.fixed
        if keyword == "FIX_AXIS_PAR_LIST":
            if not 0 < len(numbers) <= MAX_BREAKPOINTS:
                raise _LostError(f"its FIX_AXIS_PAR_LIST has {len(numbers)} breakpoints")
            return tuple(Fraction(repr(number)) for number in numbers)
        offset, step, count = (Fraction(repr(number)) for number in numbers)
        if count.denominator != 1 or not 0 < count <= MAX_BREAKPOINTS:
            raise _LostError(f"its {keyword} has {_plain(float(count))} breakpoints")
        if keyword == "FIX_AXIS_PAR":
            if step.denominator != 1 or abs(step) > 63:
                raise _LostError(f"the shift of its FIX_AXIS_PAR is {_plain(float(step))}")
            step = Fraction(2) ** int(step)
        return tuple(offset + index * step for index in range(int(count)))

    def axis(
        self,
        one: Characteristic,
        axis: AxisDescription,
        name: str,
        letter: str,
        spots: Mapping[str, _Spot],
        count: int,
    ) -> str:
        """Enter an axis of a table's own, or find the shared one; its name."""
        if axis.attribute == "COM_AXIS":
            return self.names["AXIS_PTS"][axis.reference]
        if axis.attribute in ("RES_AXIS", "CURVE_AXIS"):
            reason = f"its {axis.attribute} is not covered; it lies over the numbers of its cells instead"
            self.lose("CHARACTERISTIC", one.name, reason, axis.place)
            return self.index_axis(name[:-2], name[-1], count)
        meaning = self.meaning(axis.conversion)
        title = f"{label(one.title, one.name)}, {letter.lower()}"
        own = f"{one.name}.{letter.lower()}"
        if axis.attribute == "FIX_AXIS":
            values = self.fixed_axis(axis)
            signal = self.signal(axis.input, own, meaning, axis.limits, title, axis.place)
            self.axes[name] = FixedAxis(name, signal, values, 0)
        else:
            self.check_deposit(axis.deposit)
            spot = spots.get(f"AXIS_PTS_{letter}")
            if spot is None:
                raise _LostError(f"its RECORD_LAYOUT is without AXIS_PTS_{letter} for its STD_AXIS")
            order = axis.byte_order or one.byte_order
            self.axes[name] = StoredAxis(
                name=name,
                signal=self.signal(axis.input, own, meaning, axis.limits, title, axis.place),
                at=spot.at,
                storage=self.storage(spot, order),
                conversion=meaning.name,
                count=count,
                stored_count=self.stored_count(spots, letter, order),
                line=0,
            )
        if meaning.lost:
            reason = f"its {letter.lower()} axis stays in raw numbers: {meaning.lost}"
            self.lose("CHARACTERISTIC", one.name, reason, axis.place)
        return name

    def fixed_values(self, raw: tuple[Fraction, ...], meaning: _Meaning) -> tuple[float, ...]:
        """The breakpoints of a fixed axis in physical values."""
        match meaning.conversion:
            case Linear(factor=factor, offset=offset):
                a, b = Fraction(repr(factor)), Fraction(repr(offset))
                values = tuple(_double(a * number + b) for number in raw)
            case Interpolated(raw=points, physical=physical):
                order = np.argsort(points, kind="stable")
                found = np.interp(
                    [_double(number) for number in raw], np.array(points)[order], np.array(physical)[order]
                )
                values = tuple(found.tolist())
            case Rational():
                raise _LostError("a FIX_AXIS with a RAT_FUNC that is not linear is not covered")
            case _:
                values = tuple(_double(number) for number in raw)
        if any(one >= other for one, other in pairwise(values)):
            raise _LostError("the breakpoints of its FIX_AXIS do not rise")
        return values

    def enter(
        self,
        one: Characteristic,
        name: str,
        kind: Kind,
        layout: Layout,
        spot: _Spot,
        axes: list[str],
        described: Iterable[AxisDescription],
    ) -> None:
        meaning = self.meaning(one.conversion)
        mode = next(element.words[1] for element in layout.elements if element.keyword == "FNC_VALUES")
        if mode not in ("ROW_DIR", "COLUMN_DIR") and not mode.startswith("ALTERNATE_WITH_"):
            raise _LostError(f"the index mode {mode[:40]} is not covered")
        storage = self.storage(spot, one.byte_order, one.mask)
        notes: tuple[str, ...] = ()
        if meaning.lost:
            self.lose(
                "CHARACTERISTIC",
                one.name,
                f"it stays in raw numbers, without limits: {meaning.lost}",
                one.place,
            )
            notes = (label(f"Raw numbers: {meaning.lost}."),)
        elif one.unit is not None:
            self.check_unit(one.unit, meaning, "CHARACTERISTIC", one.name, one.place)
        rows = self.axes[axes[1]].count if len(axes) > 1 else 1
        self.cells += rows * (self.axes[axes[0]].count if axes else 1)
        self.tables[name] = Table(
            name=name,
            title=label(one.title, label(one.name)),
            kind=kind,
            purpose=Purpose.GENERAL,
            group="",
            at=spot.at,
            storage=storage,
            conversion=meaning.name,
            x=axes[0] if axes else None,
            y=axes[1] if len(axes) > 1 else None,
            y_first=kind is Kind.MAP and mode == "COLUMN_DIR",
            signal=None,
            produces=None,
            demands=self.demands(one, meaning, described),
            notes=notes,
            line=0,
        )

    def demands(self, one: Characteristic, meaning: _Meaning, axes: Iterable[AxisDescription]) -> Demands:
        """EXTENDED_LIMITS are hard limits and the limits expected ones; without them the limits are hard."""
        has_values = not meaning.lost and meaning.name not in self.numbers
        hard = soft = None
        if has_values:
            plain = self.limits(one, one.limits, "limits")
            if one.extended is None:
                hard = plain
            else:
                hard, soft = self.limits(one, one.extended, "EXTENDED_LIMITS"), plain
        monotonic, gradients = [], []
        for axis, along in zip(axes, "xy", strict=False):
            if axis.monotony in _MONOTONIES:
                rising, strict = _MONOTONIES[axis.monotony]
                monotonic.append(Monotonic(along, rising, strict, 0))
            elif axis.monotony not in ("", "NOT_MON"):
                reason = f"its MONOTONY {axis.monotony[:40]} has no direction and is not kept"
                self.lose("CHARACTERISTIC", one.name, reason, axis.place)
            if axis.steepest is not None:
                is_raw = not has_values or bool(self.meaning(axis.conversion).lost)
                if axis.steepest > 0 and not is_raw and axis.attribute not in ("RES_AXIS", "CURVE_AXIS"):
                    gradients.append(Gradient(along, axis.steepest, 0))
                else:
                    self.lose("CHARACTERISTIC", one.name, "its MAX_GRAD is not kept", axis.place)
        if hard is None and soft is None and not monotonic and not gradients:
            return NO_DEMANDS
        return Demands(limits=hard, expected=soft, monotonic=tuple(monotonic), gradients=tuple(gradients))

    def limits(self, one: Characteristic, limits: Range, what: str) -> Range | None:
        if limits.low < limits.high:
            return limits
        reason = f"its {what} from {_plain(limits.low)} to {_plain(limits.high)} hold no range"
        self.lose("CHARACTERISTIC", one.name, reason, one.place)
        return None

    # Memory

    def memory(self) -> Memory | None:
        """Where the image lies: from the first to the last thing in it, lasting segments included.

        None where there is nothing. Items outside the largest image that is read are left out.
        """
        spans = self.spans()
        segments = []
        for segment in self.description.segments:
            if not (0 < segment.size <= MAX_MEMORY and 0 <= segment.address < MAX_ADDRESS - segment.size):
                reason = "its address and size hold no stretch of memory that is read"
                self.lose("MEMORY_SEGMENT", segment.name, reason, segment.place)
            else:
                segments.append(segment)
                if any(offset not in (-1, 0, 2**32 - 1, 2**64 - 1) for offset in segment.offsets):
                    reason = "its mirrored segments are not kept"
                    self.lose("MEMORY_SEGMENT", segment.name, reason, segment.place)
        lasting = [
            (segment.address, segment.address + segment.size)
            for segment in segments
            if segment.memory not in _VOLATILE
        ]
        if not spans and not lasting:
            return None
        start, end = self.window(spans, lasting)
        regions: dict[str, Region] = {}
        for segment in segments:
            if start <= segment.address and segment.address + segment.size <= end:
                name = self.name("MEMORY_SEGMENT", segment.name, segment.place)
                if name in regions:
                    self.lose("MEMORY_SEGMENT", segment.name, "the name is described before", segment.place)
                else:
                    regions[name] = Region(name, segment.address, segment.size, 0)
            else:
                reason = "it lies outside the image that everything else lies in"
                self.lose("MEMORY_SEGMENT", segment.name, reason, segment.place)
        return Memory(start, end - start, 0xFF, tuple(regions.values()), self.identities(start, end), (), 0)

    def window(self, spans: list[tuple[int, int, str]], lasting: list[tuple[int, int]]) -> tuple[int, int]:
        every = sorted([span[:2] for span in spans] + lasting)
        start, end = every[0][0], max(span[1] for span in every)
        if end - start <= MAX_MEMORY:
            return start, end
        # The stretch of the largest size that holds the most items.
        begins = np.array([span[0] for span in spans] or [span[0] for span in lasting], np.int64)
        ends = np.array([span[1] for span in spans] or [span[1] for span in lasting], np.int64)
        begins.sort()
        ends.sort()
        inside = np.searchsorted(ends, begins + MAX_MEMORY, side="right") - np.arange(len(begins))
        start = int(begins[int(np.argmax(inside))])
        limit = start + MAX_MEMORY
        end = max((span[1] for span in every if start <= span[0] and span[1] <= limit), default=start + 1)
        self.cut(start, end, spans)
        return start, end

    def cut(self, start: int, end: int, spans: list[tuple[int, int, str]]) -> None:
        """Leave out what lies outside the image, and the tables on axes that do."""
        reason = (
            f"it lies more than {MAX_MEMORY >> 20} MiB away from the rest, the most of an image that is read"
        )
        outside = {name for first, last, name in spans if first < start or last > end}
        own = {given: name for name, given in self.names.get("CHARACTERISTIC", {}).items()}
        shared = {given: name for name, given in self.names.get("AXIS_PTS", {}).items()}
        for name in [
            name
            for name, table in self.tables.items()
            if not outside.isdisjoint({name, *(f"{axis}\0" for axis in table.axes)})
        ]:
            table = self.tables.pop(name)
            for axis in table.axes:
                if axis.startswith(f"{name}/"):
                    self.axes.pop(axis, None)
            place = self.description.characteristics[own[name]].place
            self.losses.append(Loss("CHARACTERISTIC", own[name], reason, place, is_whole=True))
        for name in [name for name in self.texts if name in outside]:
            del self.texts[name]
            place = self.description.characteristics[own[name]].place
            self.losses.append(Loss("CHARACTERISTIC", own[name], reason, place, is_whole=True))
        for name in [name for name in self.axes if f"{name}\0" in outside]:
            del self.axes[name]
            place = self.description.axes[shared[name]].place
            self.losses.append(Loss("AXIS_PTS", shared[name], reason, place, is_whole=True))

    def spans(self) -> list[tuple[int, int, str]]:
        """First address, address behind the last, and name of all that is stored; an axis's ends in NUL."""
        spans = []
        for text in self.texts.values():
            spans.append((text.at, text.at + text.length, text.name))
        for table in self.tables.values():
            cells = math.prod(self.axes[axis].count for axis in table.axes)
            last = table.at + (cells - 1) * table.storage.stride + table.storage.type.size
            spans.append((table.at, last, table.name))
        for axis in self.axes.values():
            if isinstance(axis, StoredAxis):
                last = axis.at + (axis.count - 1) * axis.storage.stride + axis.storage.type.size
                owner = axis.name.split("/")[0] if "/" in axis.name else f"{axis.name}\0"
                spans.append((axis.at, last, owner))
        return spans

    def identities(self, start: int, end: int) -> tuple[Identity, ...]:
        epk, addresses = self.description.epk, self.description.epk_addresses
        if not epk:
            return ()
        place = self.description.place
        if not addresses:
            self.lose("MOD_PAR", "EPK", "its address is not given (ADDR_EPK)", place)
            return ()
        try:
            content = epk.encode("latin-1")
        except UnicodeEncodeError:
            self.lose("MOD_PAR", "EPK", "it has characters of no single byte", place)
            return ()
        found: list[Identity] = []
        for at in dict.fromkeys(addresses):
            if not start <= at <= end - len(content):
                self.lose("MOD_PAR", "EPK", f"its address 0x{max(at, 0):X} lies outside the image", place)
                continue
            name = "EPK" if not found else f"EPK {len(found) + 1}"
            found.append(Identity(name, at, content, 0))
        return tuple(found)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:8]


def _whole(word: str) -> int:
    try:
        return max(int(word, 16) if word[:2].lower() == "0x" else int(word), 0)
    except ValueError:
        raise _LostError(f"{word[:40]!r} stands where a whole number belongs") from None


def _up(address: int, border: int) -> int:
    """The next address that the border divides."""
    return -(-address // border) * border


def _size_of(type_name: str) -> int:
    if type_name not in _SIZES:
        raise _LostError(f"the type {type_name[:40]} is not covered")
    return _SIZES[type_name]


def _decimals(text: str) -> int | None:
    """Digits after the point by a format such as %8.4; None where it has none that can be shown."""
    found = re.fullmatch(r"%[0-9]*\.([0-9])", text.strip())
    return int(found[1]) if found else None


def _is_decimal(number: Fraction) -> bool:
    """Whether a number is what its shortest decimal form as a double says."""
    try:
        return Fraction(repr(float(number))) == number
    except OverflowError:
        return False


def _double(number: Fraction) -> float:
    try:
        return float(number)
    except OverflowError:
        raise _LostError("its breakpoints are too large numbers") from None


def _usable(limits: Range) -> Range | None:
    return limits if limits.low < limits.high else None


def _plain(number: float) -> str:
    return f"{number:.12g}".replace("e+", "e")
