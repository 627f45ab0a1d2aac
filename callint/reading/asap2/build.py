"""What a description in the standard ASAM MCD-2 MC becomes as a definition, and what is lost on the way.

What a definition cannot say is listed, item by item. A table whose conversion is lost is kept in raw numbers
and without limits, so that its bytes stay explained.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import partial
from itertools import pairwise
from typing import Protocol

import numpy as np

from callint.model.definition import (
    NO_CONSTRAINTS,
    Axis,
    Constraints,
    Definition,
    FixedAxis,
    Gradient,
    Identity,
    Interpolated,
    Kind,
    Linear,
    Memory,
    Monotonic,
    Purpose,
    Range,
    Rational,
    Region,
    Signal,
    StoredAxis,
    StoredCount,
    Table,
    Text,
)
from callint.reading.asap2.conversions import Conversions, Meaning
from callint.reading.asap2.layouts import Layouts, RecordSlot, size_of
from callint.reading.asap2.parser import (
    AxisDescription,
    AxisPoints,
    Characteristic,
    Description,
    ItemCounts,
    RecordLayout,
)
from callint.reading.asap2.report import ImportReport, Loss, LostError, label, plain
from callint.reading.asap2.tokens import Place
from callint.reading.definition import MAX_ADDRESS, MAX_BREAKPOINTS, MAX_CELLS, MAX_MEMORY

_AXES = {"STD_AXIS", "COM_AXIS", "FIX_AXIS", "RES_AXIS", "CURVE_AXIS"}
_KINDS = {"VALUE": Kind.SCALAR, "CURVE": Kind.CURVE, "MAP": Kind.MAP}
_MONOTONIES = {
    "MON_INCREASE": (True, False),
    "MON_DECREASE": (False, False),
    "STRICT_INCREASE": (True, True),
    "STRICT_DECREASE": (False, True),
}
_NO_INPUT = {"NO_INPUT_QUANTITY", ""}
_VOLATILE = {"RAM", "REGISTER", "NOT_IN_ECU"}


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


@dataclass(frozen=True, slots=True)
class _Limits:
    """The limits of an axis, and the block in which they stand."""

    range: Range
    kind: str
    place: Place


def make_definition(description: Description, name: str | None = None) -> Imported:
    """The definition of a description, under its own name or that of its module."""
    ledger = ImportReport()
    maker = _DefinitionBuilder(
        description, ledger, Conversions(description, ledger), Layouts(description, ledger)
    )
    return maker.imported(name)


@dataclass
class _DefinitionBuilder:
    """The state of making one definition."""

    description: Description
    ledger: ImportReport
    conversions: Conversions
    layouts: Layouts
    signals: dict[str, Signal] = field(default_factory=dict)
    axes: dict[str, Axis] = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)
    texts: dict[str, Text] = field(default_factory=dict)
    #: Breakpoints of fixed axes by their parameters and conversion, which many tables share.
    fixed: dict[object, tuple[float, ...]] = field(default_factory=dict)
    cells: int = 0
    #: What the tables on each shared axis without an input say that feeds it.
    inputs: dict[str, set[str]] = field(default_factory=dict)
    #: The limits of each axis, which only a signal of its own takes over.
    limits_of: dict[str, _Limits] = field(default_factory=dict)

    def imported(self, name: str | None) -> Imported:
        description = self.description
        if not description.is_of_covered_version:
            reason = "it is not covered, and read as one of 1.5 to 1.7"
            version = description.version
            self.ledger.lose("ASAP2_VERSION", version, reason, description.version_place)
        for method in description.methods.values():
            self.conversions.meaning(method.name)
        for bad in description.bad:
            self.ledger.losses.append(Loss(bad.kind, bad.name, bad.reason, bad.place, is_whole=True))
        self.inputs = _inputs(description)
        for axis in description.axes.values():
            self.keep("AXIS_PTS", axis.name, axis.place, partial(self.shared_axis, axis))
        for one in description.characteristics.values():
            self.keep("CHARACTERISTIC", one.name, one.place, partial(self.characteristic, one))
        for measurement in description.measurements.values():
            if measurement.is_virtual:
                reason = "that it is computed from others is not kept (VIRTUAL)"
                self.ledger.lose("MEASUREMENT", measurement.name, reason, measurement.place)
        memory = self.memory()
        self.drop_unused()
        description = replace(description, unused=self.unused())
        if memory is None or not (self.tables or self.texts or self.axes):
            return Imported(None, tuple(self.ledger.losses), description)
        own = name if name is not None else self.ledger.name("MODULE", description.module, None)
        made = Definition(
            name=own,
            title=label(description.title, label(description.module)),
            revision=1,
            memory=memory,
            signals=self.signals,
            sensors=(),
            conversions=self.conversions.kept,
            axes=self.axes,
            groups={},
            tables=self.tables,
            texts=self.texts,
            relations=(),
            declarations=(),
            digest="",
        )
        return Imported(made, tuple(self.ledger.losses), description)

    def keep(self, kind: str, name: str, place: Place, make: Callable[[], None]) -> None:
        """Do ``make``; where it cannot be done, the reason is a loss and nothing is left half-made."""
        axes, losses = len(self.axes), len(self.ledger.losses)
        try:
            make()
        except LostError as error:
            self.ledger.losses[losses:] = [
                loss for loss in self.ledger.losses[losses:] if (loss.kind, loss.name) != (kind, name)
            ]
            while len(self.axes) > axes:
                self.axes.popitem()
            self.ledger.losses.append(Loss(kind, name, str(error), place, is_whole=True))

    # Axes and their signals

    def shared_axis(self, axis: AxisPoints) -> None:
        self.check_space(axis.extension, axis.address)
        self.check_deposit(axis.deposit)
        layout = self.layouts.layout(axis.layout)
        spots = self.layouts.spots(
            layout, axis.address, {"AXIS_PTS_X": self.points(layout, "X", axis.points)}
        )
        if "AXIS_PTS_X" not in spots:
            what = "a rescale axis" if "AXIS_RESCALE_X" in spots else "without AXIS_PTS_X"
            raise LostError(f"it is {what}" if what.startswith("a ") else f"its RECORD_LAYOUT is {what}")
        name = self.ledger.name("AXIS_PTS", axis.name, axis.place)
        count = self.points(layout, "X", axis.points)
        meaning = self.conversions.meaning(axis.conversion)
        if axis.unit is not None:
            self.check_unit(axis.unit, meaning, "AXIS_PTS", axis.name, axis.place)
        if meaning.lost:
            self.ledger.lose("AXIS_PTS", axis.name, f"it stays in raw numbers: {meaning.lost}", axis.place)
        if axis.monotony in ("MON_DECREASE", "STRICT_DECREASE"):
            self.ledger.lose("AXIS_PTS", axis.name, "its breakpoints fall, and axes here rise", axis.place)
        item = "AXIS_PTS", axis.name, axis.place
        given = axis.input
        inputs = self.inputs.get(axis.name, set())
        if len(inputs) == 1:
            (given,) = inputs
        elif inputs:
            words = ", ".join(one[:60] for one in sorted(inputs)[:3]) + (", ..." if len(inputs) > 3 else "")
            reason = f"it names no input, and its tables name several: {words}; it has its own signal"
            self.ledger.lose(*item[:2], reason, axis.place)
        if count != axis.points:
            reason = f"its RECORD_LAYOUT has {count} breakpoints, and it says {axis.points}"
            self.ledger.lose(*item[:2], reason, axis.place)
        self.limits_of[name] = _Limits(axis.limits, "AXIS_PTS", axis.place)
        self.axes[name] = StoredAxis(
            name=name,
            signal=self.signal(given, axis.name, meaning, axis.limits, axis.title, item),
            at=spots["AXIS_PTS_X"].at,
            storage=self.layouts.storage(spots["AXIS_PTS_X"], axis.byte_order),
            conversion=meaning.name,
            count=count,
            stored_count=self.stored_count(spots, "X", axis.byte_order),
            line=0,
        )

    def points(self, layout: RecordLayout, axis: str, most: int) -> int:
        count = layout.counts.get(axis, most)
        if not 0 < count <= MAX_BREAKPOINTS:
            raise LostError(f"it has {count} breakpoints; 1 to {MAX_BREAKPOINTS:,} are covered")
        return count

    def stored_count(self, spots: Mapping[str, RecordSlot], axis: str, byte_order: str) -> StoredCount | None:
        spot = spots.get(f"NO_AXIS_PTS_{axis}")
        if spot is None or spot.type not in ("UBYTE", "UWORD", "ULONG"):
            return None
        return StoredCount(spot.at, self.layouts.storage(spot, byte_order))

    def signal(
        self, given: str, axis: str, meaning: Meaning, limits: Range, title: str, item: tuple[str, str, Place]
    ) -> str:
        """The name of the signal that feeds an axis; one of the axis's own where none is described.

        An axis in raw numbers, or in another unit than the quantity, has one of its own too: the unit of the
        quantity would be wrong for it. ``item`` is the kind, the name and the place of what has the axis.
        """
        kind, owner, place = item
        unit = meaning.unit or "-"
        if meaning.lost:
            name = self.ledger.name("signal", f"{axis}.raw", None, key=f"{axis}/raw")
            self.signals.setdefault(name, Signal(name, label(f"{axis} in raw numbers"), "-", None, None, 0))
            return name
        if given not in _NO_INPUT:
            signal = self.quantity(given, unit, limits, place)
            if signal.unit == unit:
                return signal.name
            words = f"its input {given[:60]} is {_in(signal.unit)} and its breakpoints are {_in(unit)}"
            self.ledger.lose(kind, owner, f"{words}; they have a signal of their own", place)
        name = self.ledger.name("signal", axis, None, key=f"{axis}/own")
        self.signals.setdefault(name, Signal(name, label(title, axis), unit, _usable(limits), None, 0))
        return name

    def quantity(self, given: str, unit: str, limits: Range, place: Place) -> Signal:
        """The signal of a quantity; one that is not described has unit and limits of its first axis."""
        measurement = self.description.measurements.get(given)
        is_new = given not in self.ledger.names.get("signal", {})
        name = self.ledger.name("signal", given, measurement.place if measurement else None)
        if name in self.signals:
            return self.signals[name]
        if measurement is not None:
            method = self.description.methods.get(measurement.conversion)
            unit = (method and self.conversions.unit(method)) or "-"
            made = Signal(name, label(measurement.title, given), unit, _usable(measurement.limits), None, 0)
        else:
            if is_new:
                reason = "it feeds an axis and is no MEASUREMENT; unit and range are the axis's"
                self.ledger.lose("MEASUREMENT", given, reason, place)
            made = Signal(name, label(given), unit, _usable(limits), None, 0)
        self.signals[name] = made
        return made

    def drop_unused(self) -> None:
        """Drop the signals and conversions of what is not kept."""
        used = {axis.signal for axis in self.axes.values()}
        for name in [name for name in self.signals if name not in used]:
            del self.signals[name]
        kept = {one.conversion for one in self.tables.values()}
        kept |= {axis.conversion for axis in self.axes.values() if isinstance(axis, StoredAxis)}
        for name in [name for name in self.conversions.kept if name not in kept]:
            del self.conversions.kept[name]

    def unused(self) -> dict[tuple[str, str], ItemCounts]:
        """What has no place in the definition, what is described and serves nothing that is kept included."""
        description = self.description
        found = dict(description.unused)
        lost = {(loss.kind, loss.name) for loss in self.ledger.losses}
        used_units = {method.unit_reference for method in description.methods.values()}
        used_tables = {method.table for method in description.methods.values()}
        used_layouts = {axis.layout for axis in description.axes.values()}
        used_layouts |= {one.layout for one in description.characteristics.values()}
        for name, axis in self.axes.items():
            limits = self.limits_of.get(name)
            if limits and _usable(limits.range) not in (None, self.signals[axis.signal].plausible):
                key = "limits of an axis that are not those of its signal", limits.kind
                found.setdefault(key, ItemCounts(limits.place)).amount += 1
        owns = self.ledger.names.get("signal", {})
        uses: tuple[tuple[str, Mapping[str, _Placed], Callable[[str], bool]], ...] = (
            ("MEASUREMENT", description.measurements, lambda name: owns.get(name) in self.signals),
            (
                "COMPU_METHOD",
                description.methods,
                lambda name: self.conversions.meanings[name].name in self.conversions.kept,
            ),
            ("COMPU_TAB", description.value_tables, lambda name: name in used_tables),
            ("UNIT", description.units, lambda name: name in used_units),
            ("RECORD_LAYOUT", description.layouts, lambda name: name in used_layouts),
        )
        for kind, blocks, is_used in uses:
            for name, block in blocks.items():
                if not is_used(name) and (kind, name) not in lost:
                    key = f"{kind} that nothing kept uses", ""
                    found.setdefault(key, ItemCounts(block.place)).amount += 1
        return found

    # Characteristics

    def check_space(self, extension: int, address: int) -> None:
        if extension:
            raise LostError("it lies in another address space (ECU_ADDRESS_EXTENSION)")
        if not 0 <= address < MAX_ADDRESS:
            raise LostError("its address is not below 2 to the power of 48")

    def check_deposit(self, deposit: str) -> None:
        if (deposit or self.description.deposit) == "DIFFERENCE":
            raise LostError("its breakpoints are stored as differences (DEPOSIT DIFFERENCE)")

    def check_unit(self, unit: str, meaning: Meaning, kind: str, name: str, place: Place) -> None:
        if label(unit, "") != meaning.unit and not meaning.lost:
            self.ledger.lose(kind, name, "its PHYS_UNIT is not kept, but the unit of its COMPU_METHOD", place)

    def characteristic(self, one: Characteristic) -> None:
        if one.is_virtual and not one.is_dependent:
            raise LostError("it is virtual: computed, and not in memory (VIRTUAL_CHARACTERISTIC)")
        self.check_space(one.extension, one.address)
        if one.type == "ASCII":
            self.text(one)
        elif one.type in _KINDS:
            self.table(one, _KINDS[one.type])
        elif one.type == "VAL_BLK":
            self.block(one)
        else:
            raise LostError(f"a {one.type[:40]} is not covered")
        if one.is_dependent or one.is_virtual:
            word = "DEPENDENT_CHARACTERISTIC" if one.is_dependent else "VIRTUAL_CHARACTERISTIC"
            self.ledger.lose(
                "CHARACTERISTIC", one.name, f"that it is computed from others is not kept ({word})", one.place
            )

    def text(self, one: Characteristic) -> None:
        length = math.prod(one.sizes) if one.sizes else 0
        if not 0 < length <= MAX_MEMORY:
            raise LostError(
                "its length is not given (NUMBER or MATRIX_DIM)" if not length else "its length is wrong"
            )
        spot = self.values(
            self.layouts.spots(self.layouts.layout(one.layout), one.address, {"FNC_VALUES": length})
        )
        if size_of(spot.type) != 1:
            raise LostError(f"a text of {spot.type} is not covered")
        encodings = {"": "ascii", "UTF8": "utf-8"}
        if one.encoding not in encodings:
            raise LostError(f"the encoding {one.encoding[:40]} is not covered")
        name = self.ledger.name("CHARACTERISTIC", one.name, one.place)
        title = label(one.title, label(one.name))
        self.texts[name] = Text(
            name, title, Purpose.GENERAL, "", spot.at, length, encodings[one.encoding], (), 0
        )

    def values(self, spots: Mapping[str, RecordSlot]) -> RecordSlot:
        if "FNC_VALUES" not in spots:
            raise LostError("its RECORD_LAYOUT is without FNC_VALUES")
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
            raise LostError(f"it has {words}")
        layout = self.layouts.layout(one.layout)
        cells = math.prod(sizes)
        spots = self.layouts.spots(layout, one.address, {"FNC_VALUES": self.bounded(cells)})
        name = self.ledger.name("CHARACTERISTIC", one.name, one.place)
        axes = [self.index_axis(name, along, size) for along, size in zip("xy", sizes, strict=False)]
        kind = Kind.MAP if len(sizes) == 2 else Kind.CURVE
        self.enter(one, name, kind, layout, self.values(spots), axes, ())

    def index_axis(self, table: str, along: str, count: int) -> str:
        signal = self.ledger.name("signal", f"index_{along}", None, key=f"{along}/index")
        self.signals.setdefault(signal, Signal(signal, "Number of a cell, from 0", "-", None, None, 0))
        name = f"{table}/{along}"
        self.axes[name] = FixedAxis(name, signal, tuple(float(value) for value in range(count)), 0)
        return name

    def bounded(self, cells: int) -> int:
        if self.cells + cells > MAX_CELLS:
            raise LostError(f"with it there are more than {MAX_CELLS:,} cells")
        return cells

    def table(self, one: Characteristic, kind: Kind) -> None:
        wanted = {Kind.SCALAR: 0, Kind.CURVE: 1, Kind.MAP: 2}[kind]
        if len(one.axes) != wanted:
            raise LostError(f"a {one.type} has {wanted} AXIS_DESCR, and it has {len(one.axes)}")
        layout = self.layouts.layout(one.layout)
        counts: dict[str, int] = {}
        points = [
            self.axis_points(one, axis, letter, layout) for axis, letter in zip(one.axes, "XY", strict=False)
        ]
        for axis, letter, count in zip(one.axes, "XY", points, strict=False):
            if axis.attribute == "STD_AXIS":
                counts[f"AXIS_PTS_{letter}"] = count
        cells = math.prod(points)
        if (said := math.prod(max(size, 1) for size in one.sizes)) != cells and one.sizes:
            reason = f"its NUMBER or MATRIX_DIM says {said} cells, and its type and axes say {cells}"
            self.ledger.lose("CHARACTERISTIC", one.name, reason, one.place)
        if wanted:
            counts["FNC_VALUES"] = self.bounded(cells)
        for element in layout.elements:
            if element.keyword.startswith("AXIS_PTS_") and element.keyword not in counts:
                raise LostError(f"its RECORD_LAYOUT stores {element.keyword}, and its axis lies elsewhere")
        spots = self.layouts.spots(layout, one.address, counts)
        name = self.ledger.name("CHARACTERISTIC", one.name, one.place)
        axes = [
            self.axis(one, axis, f"{name}/{letter.lower()}", letter, spots, count)
            for axis, letter, count in zip(one.axes, "XY", points, strict=False)
        ]
        self.enter(one, name, kind, layout, self.values(spots), axes, one.axes)

    def axis_points(
        self, one: Characteristic, axis: AxisDescription, letter: str, layout: RecordLayout
    ) -> int:
        """How many breakpoints an axis of a table has."""
        if axis.attribute not in _AXES:
            raise LostError(f"the axis {axis.attribute[:40]} is not covered")
        if axis.attribute == "COM_AXIS":
            shared = self.axes.get(self.ledger.names.get("AXIS_PTS", {}).get(axis.reference, ""))
            if shared is None:
                state = "not kept" if axis.reference in self.description.axes else "not described"
                raise LostError(f"its axis {axis.reference} is {state}")
            count = shared.count
        elif axis.attribute == "FIX_AXIS":
            count = len(self.fixed_axis(axis))
        else:
            count = self.points(layout, letter, axis.points)
        if count != axis.points:
            reason = f"its axis has {count} breakpoints, and it says {axis.points}"
            self.ledger.lose("CHARACTERISTIC", one.name, reason, axis.place)
        return count

    def fixed_axis(self, axis: AxisDescription) -> tuple[float, ...]:
        """The breakpoints of a fixed axis in physical values, worked out once for all that share them."""
        key = axis.fixed, axis.conversion
        values = self.fixed.get(key)
        if values is None:
            values = self.fixed_values(self.fixed_raw(axis), self.conversions.meaning(axis.conversion))
            self.fixed[key] = values
        return values

    def fixed_raw(self, axis: AxisDescription) -> tuple[Fraction, ...]:
        """The breakpoints of a fixed axis before conversion.

        FIX_AXIS_PAR: offset + i * 2 to the power of shift; FIX_AXIS_PAR_DIST: offset + i * distance.
        """
        if axis.fixed is None:
            raise LostError("its FIX_AXIS has no parameters")
        keyword, numbers = axis.fixed
        if keyword == "FIX_AXIS_PAR_LIST":
            if not 0 < len(numbers) <= MAX_BREAKPOINTS:
                raise LostError(f"its FIX_AXIS_PAR_LIST has {len(numbers)} breakpoints")
            return tuple(Fraction(repr(number)) for number in numbers)
        offset, step, count = (Fraction(repr(number)) for number in numbers)
        if count.denominator != 1 or not 0 < count <= MAX_BREAKPOINTS:
            raise LostError(f"its {keyword} has {plain(float(count))} breakpoints")
        if keyword == "FIX_AXIS_PAR":
            if step.denominator != 1 or abs(step) > 63:
                raise LostError(f"the shift of its FIX_AXIS_PAR is {plain(float(step))}")
            step = Fraction(2) ** int(step)
        return tuple(offset + index * step for index in range(int(count)))

    def axis(
        self,
        one: Characteristic,
        axis: AxisDescription,
        name: str,
        letter: str,
        spots: Mapping[str, RecordSlot],
        count: int,
    ) -> str:
        """Enter an axis of a table's own, or find the shared one; its name."""
        if axis.attribute == "COM_AXIS":
            self.contradictions(one, axis, self.description.axes[axis.reference])
            return self.ledger.names["AXIS_PTS"][axis.reference]
        if axis.attribute in ("RES_AXIS", "CURVE_AXIS"):
            reason = f"its {axis.attribute} is not covered; it lies over the numbers of its cells instead"
            self.ledger.lose("CHARACTERISTIC", one.name, reason, axis.place)
            return self.index_axis(name[:-2], name[-1], count)
        meaning = self.conversions.meaning(axis.conversion)
        title = f"{label(one.title, one.name)}, {letter.lower()}"
        own = f"{one.name}.{letter.lower()}"
        item = "CHARACTERISTIC", one.name, axis.place
        self.limits_of[name] = _Limits(axis.limits, "AXIS_DESCR", axis.place)
        if axis.attribute == "FIX_AXIS":
            values = self.fixed_axis(axis)
            signal = self.signal(axis.input, own, meaning, axis.limits, title, item)
            self.axes[name] = FixedAxis(name, signal, values, 0)
        else:
            self.check_deposit(axis.deposit)
            spot = spots.get(f"AXIS_PTS_{letter}")
            if spot is None:
                raise LostError(f"its RECORD_LAYOUT is without AXIS_PTS_{letter} for its STD_AXIS")
            order = axis.byte_order or one.byte_order
            self.axes[name] = StoredAxis(
                name=name,
                signal=self.signal(axis.input, own, meaning, axis.limits, title, item),
                at=spot.at,
                storage=self.layouts.storage(spot, order),
                conversion=meaning.name,
                count=count,
                stored_count=self.stored_count(spots, letter, order),
                line=0,
            )
        if meaning.lost:
            reason = f"its {letter.lower()} axis stays in raw numbers: {meaning.lost}"
            self.ledger.lose("CHARACTERISTIC", one.name, reason, axis.place)
        return name

    def contradictions(self, one: Characteristic, axis: AxisDescription, shared: AxisPoints) -> None:
        """List what a table says of its shared axis and is not so; what the axis says itself is kept."""
        said: list[tuple[str, str, str]] = []
        if axis.conversion != shared.conversion:
            own, other = (
                self.conversions.meaning(axis.conversion),
                self.conversions.meaning(shared.conversion),
            )
            if own.lost or other.lost or not own.is_like(other):
                said.append(("the conversion", shared.conversion, axis.conversion))
        if axis.input not in _NO_INPUT and shared.input not in _NO_INPUT and axis.input != shared.input:
            said.append(("the input", shared.input, axis.input))
        order = shared.byte_order or self.description.byte_order or "MSB_LAST"
        if axis.byte_order not in ("", order):
            said.append(("the byte order", order, axis.byte_order))
        deposit = shared.deposit or self.description.deposit or "ABSOLUTE"
        if axis.deposit not in ("", deposit):
            said.append(("DEPOSIT", deposit, axis.deposit))
        reasons = [f"its axis has {what} {kept[:60]}, and it says {given[:60]}" for what, kept, given in said]
        if axis.limits != shared.limits:
            # Without the numbers, of which a description may have as many as tables.
            reasons.append("its axis has other limits than it says")
        for reason in reasons:
            self.ledger.lose("CHARACTERISTIC", one.name, reason, axis.place)

    def fixed_values(self, raw: tuple[Fraction, ...], meaning: Meaning) -> tuple[float, ...]:
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
            case Rational(coefficients=coefficients):
                values = tuple(_double(_root(coefficients, number)) for number in raw)
            case _:
                values = tuple(_double(number) for number in raw)
        if any(one >= other for one, other in pairwise(values)):
            raise LostError("the breakpoints of its FIX_AXIS do not rise")
        return values

    def enter(
        self,
        one: Characteristic,
        name: str,
        kind: Kind,
        layout: RecordLayout,
        spot: RecordSlot,
        axes: list[str],
        described: Iterable[AxisDescription],
    ) -> None:
        meaning = self.conversions.meaning(one.conversion)
        mode = next(element.words[1] for element in layout.elements if element.keyword == "FNC_VALUES")
        if mode not in ("ROW_DIR", "COLUMN_DIR") and not mode.startswith("ALTERNATE_WITH_"):
            raise LostError(f"the index mode {mode[:40]} is not covered")
        storage = self.layouts.storage(spot, one.byte_order, one.mask)
        notes: tuple[str, ...] = ()
        if meaning.lost:
            self.ledger.lose(
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

    def demands(self, one: Characteristic, meaning: Meaning, axes: Iterable[AxisDescription]) -> Constraints:
        """EXTENDED_LIMITS are hard limits and the limits expected ones; without them the limits are hard."""
        has_values = not meaning.lost and meaning.name not in self.conversions.numbered_names
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
                self.ledger.lose("CHARACTERISTIC", one.name, reason, axis.place)
            if axis.steepest is not None:
                is_raw = not has_values or bool(self.conversions.meaning(axis.conversion).lost)
                if axis.steepest > 0 and not is_raw and axis.attribute not in ("RES_AXIS", "CURVE_AXIS"):
                    gradients.append(Gradient(along, axis.steepest, 0))
                else:
                    self.ledger.lose("CHARACTERISTIC", one.name, "its MAX_GRAD is not kept", axis.place)
        if hard is None and soft is None and not monotonic and not gradients:
            return NO_CONSTRAINTS
        return Constraints(limits=hard, expected=soft, monotonic=tuple(monotonic), gradients=tuple(gradients))

    def limits(self, one: Characteristic, limits: Range, what: str) -> Range | None:
        if limits.low < limits.high:
            return limits
        reason = f"its {what} from {plain(limits.low)} to {plain(limits.high)} hold no range"
        self.ledger.lose("CHARACTERISTIC", one.name, reason, one.place)
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
                self.ledger.lose("MEMORY_SEGMENT", segment.name, reason, segment.place)
            else:
                segments.append(segment)
                if any(offset not in (-1, 0, 2**32 - 1, 2**64 - 1) for offset in segment.offsets):
                    reason = "its mirrored segments are not kept"
                    self.ledger.lose("MEMORY_SEGMENT", segment.name, reason, segment.place)
        lasting = [
            (segment.address, segment.address + segment.size)
            for segment in segments
            if segment.memory not in _VOLATILE
        ]
        if not spans and not lasting:
            return None
        start, end = self.window(spans, lasting)
        identities = self.identities()
        if not lasting:
            # Nobody said where the image ends but the tables, so that it may as well hold its identity.
            start, end = _widened(start, end, identities)
        regions: dict[str, Region] = {}
        for segment in segments:
            if start <= segment.address and segment.address + segment.size <= end:
                name = self.ledger.name("MEMORY_SEGMENT", segment.name, segment.place)
                if name in regions:
                    self.ledger.lose(
                        "MEMORY_SEGMENT", segment.name, "the name is described before", segment.place
                    )
                else:
                    regions[name] = Region(name, segment.address, segment.size, 0)
            else:
                reason = "it lies outside the image that everything else lies in"
                self.ledger.lose("MEMORY_SEGMENT", segment.name, reason, segment.place)
        kept = self.inside(identities, start, end)
        return Memory(start, end - start, 0xFF, tuple(regions.values()), kept, (), 0)

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
        own = {given: name for name, given in self.ledger.names.get("CHARACTERISTIC", {}).items()}
        shared = {given: name for name, given in self.ledger.names.get("AXIS_PTS", {}).items()}
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
            self.ledger.losses.append(Loss("CHARACTERISTIC", own[name], reason, place, is_whole=True))
        for name in [name for name in self.texts if name in outside]:
            del self.texts[name]
            place = self.description.characteristics[own[name]].place
            self.ledger.losses.append(Loss("CHARACTERISTIC", own[name], reason, place, is_whole=True))
        for name in [name for name in self.axes if f"{name}\0" in outside]:
            del self.axes[name]
            place = self.description.axes[shared[name]].place
            self.ledger.losses.append(Loss("AXIS_PTS", shared[name], reason, place, is_whole=True))

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
                if (count := axis.stored_count) is not None:
                    spans.append((count.at, count.at + count.storage.type.size, owner))
        return spans

    def identities(self) -> list[Identity]:
        """The EPK at each of its addresses, wherever they lie."""
        epk, addresses = self.description.epk, self.description.epk_addresses
        if not epk:
            return []
        place = self.description.place
        if not addresses:
            self.ledger.lose("MOD_PAR", "EPK", "its address is not given (ADDR_EPK)", place)
            return []
        try:
            content = epk.encode("latin-1")
        except UnicodeEncodeError:
            self.ledger.lose("MOD_PAR", "EPK", "it has characters of no single byte", place)
            return []
        return [Identity("EPK", at, content, 0) for at in dict.fromkeys(addresses)]

    def inside(self, identities: list[Identity], start: int, end: int) -> tuple[Identity, ...]:
        """The identities that lie in the image, numbered where there are several."""
        found: list[Identity] = []
        for one in identities:
            last = one.at + len(one.content)
            if start <= one.at and last <= end:
                found.append(replace(one, name=f"EPK {len(found) + 1}") if found else one)
                continue
            if start <= one.at < end:
                reason = f"its end at 0x{last - 1:X} lies outside the image"
            else:
                reason = f"its address 0x{max(one.at, 0):X} lies outside the image"
            self.ledger.lose("MOD_PAR", "EPK", reason, self.description.place)
        return tuple(found)


def _widened(start: int, end: int, identities: Iterable[Identity]) -> tuple[int, int]:
    """The stretch with each identity in it that can be in an image together with the rest."""
    for one in identities:
        low, high = min(start, one.at), max(end, one.at + len(one.content))
        if low >= 0 and high <= MAX_ADDRESS and high - low <= MAX_MEMORY:
            start, end = low, high
    return start, end


def _inputs(description: Description) -> dict[str, set[str]]:
    """What the tables on each shared axis that names no input say that feeds it."""
    found: dict[str, set[str]] = {
        axis.name: set() for axis in description.axes.values() if axis.input in _NO_INPUT
    }
    if found:
        for one in description.characteristics.values():
            for axis in one.axes:
                if axis.attribute == "COM_AXIS" and axis.reference in found and axis.input not in _NO_INPUT:
                    found[axis.reference].add(axis.input)
    return found


def _root(coefficients: tuple[float, ...], raw: Fraction) -> Fraction:
    """The physical value of a raw one by a RAT_FUNC without squares, exactly."""
    a, b, c, d, e, f = (Fraction(repr(number)) for number in coefficients)
    if a or d:
        raise LostError("a FIX_AXIS with a RAT_FUNC of the second degree is not covered")
    if b == raw * e:
        raise LostError(f"its RAT_FUNC has no physical value for the breakpoint {plain(_double(raw))}")
    return (raw * f - c) / (b - raw * e)


def _double(number: Fraction) -> float:
    try:
        return float(number)
    except OverflowError:
        raise LostError("its breakpoints are too large numbers") from None


def _in(unit: str) -> str:
    return "without a unit" if unit == "-" else f"in {unit}"


def _usable(limits: Range) -> Range | None:
    return limits if limits.low < limits.high else None
