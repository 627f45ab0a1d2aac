"""A rework carried to another software version: by table name, in physical values.

What the rework did to a table is a surface over the breakpoints of the reworked image: differences, ratios
or new values (``How``). It is read at the breakpoints of the new table as a control unit reads a map, linear
between breakpoints and held at the ends, and put onto the values of the new base. A cell that no changed
cell reaches keeps its bytes.

Whatever cannot be carried as it was meant is a problem, and with a problem there is no image.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint import fmt
from callint.comparing.compare import changed_cells, compare
from callint.comparing.decimal_compare import exceeds
from callint.decoding.checksum_update import Renewal, seal
from callint.decoding.conversions import physical_limits, quantise, to_physical, to_raw_numbers
from callint.decoding.decode import Decoded, decode
from callint.decoding.encode import encode
from callint.decoding.interpolation import lookup, position
from callint.decoding.surfaces import is_readable
from callint.model.change import Flags, Grid, Numbers, TableChange, TextChange
from callint.model.definition import (
    Conversion,
    Definition,
    States,
    Storage,
    StoredAxis,
    Table,
    Text,
)
from callint.model.image import Image

Integers = NDArray[np.int64]

#: The name under which bytes that nothing defines are left out.
UNEXPLAINED = "unexplained-bytes"


class How(StrEnum):
    """What of a changed cell is carried."""

    DELTA = "delta"  # new base + (reworked - old base)
    RATIO = "ratio"  # new base * reworked / old base
    VALUE = "value"  # reworked


class Reason(StrEnum):
    """Why something cannot be carried."""

    NO_PARTNER = "no-partner"
    DOES_NOT_FIT = "does-not-fit"
    OUTSIDE_LIMITS = "outside-limits"
    LOSES_RESOLUTION = "loses-resolution"
    VANISHES = "vanishes"
    OFF_CODE = "off-code"
    STATE = "state"
    NO_NUMBER = "no-number"
    AXIS = "axis"
    TEXT = "text"
    UNEXPLAINED = "unexplained-bytes"
    OVERLAP = "overlap"


@dataclass(frozen=True, slots=True)
class CellRef:
    """A cell: its indexes, its breakpoints by signal, and the same in words ("at 2200 rpm, 45 mg")."""

    x: int
    y: int
    at: Mapping[str, float]
    place: str


@dataclass(frozen=True, slots=True)
class CarryProblem:
    """Something that cannot be carried; ``spot`` is a cell of the new table, or of the old one if so said."""

    name: str
    reason: Reason
    message: str
    spot: CellRef | None = None
    is_old: bool = False


@dataclass(frozen=True, slots=True)
class Note:
    """Something about a carried table that its owner should know; ``spot`` is a cell of the old table."""

    name: str
    message: str
    spot: CellRef | None = None


@dataclass(frozen=True, slots=True)
class Moved:
    """A table, axis or text that was carried.

    ``cells`` differ from the new base. ``deviation`` is the largest difference between the value that was
    wanted and the one that is stored, in ``unit``, and ``spot`` where it is; None where all are exact.
    """

    name: str
    kind: str
    title: str
    unit: str
    cells: int
    deviation: float = 0.0
    words: str = ""
    spot: CellRef | None = None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something that the rework changed and the user did not want carried; ``what`` was changed in it."""

    name: str
    what: str


@dataclass(frozen=True, slots=True)
class Carried:
    """What was carried, and what not; ``image`` is None where there are problems."""

    how: How
    moved: tuple[Moved, ...]
    left_out: tuple[LeftOut, ...]
    notes: tuple[Note, ...]
    problems: tuple[CarryProblem, ...]
    image: Image | None
    renewals: tuple[Renewal, ...]

    @property
    def cells(self) -> int:
        return sum(one.cells for one in self.moved)


def carry(
    old: Decoded, reworked: Decoded, new: Decoded, how: How = How.DELTA, left_out: Collection[str] = ()
) -> Carried:
    """The new base with the rework of the old one.

    ``old`` and ``reworked`` are decoded by one plan, ``new`` by that of the new software. ``left_out`` names
    the tables, axes and texts that are not carried, and UNEXPLAINED. Raises UnsealableError where a checksum
    of the new definition cannot be computed.
    """
    # Values from strangers' images may be infinite or no numbers; they become problems.
    with np.errstate(all="ignore"):
        return _Port(old, reworked, new, how, left_out).run()


# How old cells reach new ones


@dataclass(frozen=True, slots=True)
class _AxisMap:
    """One axis of a table in both versions.

    ``source`` and ``target`` are the old and the new breakpoints, shape (old,) and (new,). A new one is read
    between the old ones ``low`` and ``high``, one and the same where only one has weight; ``same`` is the
    old one that is equal to it, or -1. All three have the shape (new,).
    """

    source: Numbers
    target: Numbers
    low: Integers
    high: Integers
    same: Integers

    @staticmethod
    def between(source: Numbers, target: Numbers) -> _AxisMap | None:
        """None where the old breakpoints neither rise nor fall, so that nothing can be read between them."""
        if np.array_equal(source, target):
            # By number: so even an axis with repeated breakpoints goes over as it is.
            indexes = np.arange(len(source))
            numbers = indexes.astype(np.float64)
            return _AxisMap(numbers, numbers, indexes, indexes, indexes)
        if not (is_readable(source) and np.isfinite(target).all()):
            return None
        place = position(source, target)
        low = place.low + (place.weight == 1)
        high = place.low + (place.weight > 0)
        same = np.where(source[low] == target, low, -1)
        return _AxisMap(source, target, low, high, same)

    @property
    def outside(self) -> Flags:
        """Which new breakpoints lie beyond the old ones; shape (new,)."""
        found: Flags = (self.target < self.source.min()) | (self.target > self.source.max())
        return found


@dataclass(frozen=True, slots=True)
class _Reach:
    """How the cells of an old table reach those of a new one; old arrays are (old rows, old columns)."""

    x: _AxisMap
    y: _AxisMap

    @property
    def _corners(self) -> list[tuple[Any, ...]]:
        """The four old cells that each new one is read between."""
        return [np.ix_(y, x) for y in (self.y.low, self.y.high) for x in (self.x.low, self.x.high)]

    def reached(self, old: Flags) -> Flags:
        """The new cells in which any of the old ones has weight."""
        found: Flags = np.logical_or.reduce([old[corner] for corner in self._corners])
        return found

    def reaching(self, new: Flags) -> Flags:
        """The old cells that have weight in any of the new ones."""
        old = np.zeros((len(self.y.source), len(self.x.source)), bool)
        for corner in self._corners:
            np.logical_or.at(old, corner, new)
        return old

    @property
    def same(self) -> Flags:
        """The new cells that stand exactly at an old one."""
        return (self.y.same >= 0)[:, None] & (self.x.same >= 0)[None, :]

    @property
    def outside(self) -> Flags:
        """The new cells that stand beyond the old table."""
        return self.y.outside[:, None] | self.x.outside[None, :]

    def at_same(self, values: NDArray[Any]) -> NDArray[Any]:
        """Old values for every new cell, meaningless where none stands exactly there."""
        return values[np.ix_(self.y.same, self.x.same)]

    def flags_at_same(self, flags: Flags) -> Flags:
        """Old flags for every new cell, False where no old one stands exactly there."""
        found: Flags = self.at_same(flags) & self.same
        return found

    def read(self, grid: Grid, values: Numbers) -> Numbers:
        """A surface over the old cells, at the new ones."""
        surface = replace(grid, physical=values, x=self.x.source, y=self.y.source)
        return lookup(surface, self.x.target[None, :], self.y.target[:, None])

    def read_back(self, grid: Grid, values: Numbers) -> Numbers | None:
        """A surface over the new cells, at the old ones; None where the new axes neither rise nor fall."""
        if not (is_readable(self.x.target) and is_readable(self.y.target)):
            return None
        surface = replace(grid, physical=values, x=self.x.target, y=self.y.target)
        return lookup(surface, self.x.source[None, :], self.y.source[:, None])


@dataclass(frozen=True, slots=True)
class _TablePair:
    """A changed table and its partner; all old arrays lie as the new table does, x along x."""

    change: TableChange
    partner: Table
    grid: Grid
    turned: bool
    reach: _Reach
    conversions: tuple[Conversion, Conversion]

    @property
    def name(self) -> str:
        return self.partner.name

    def laid(self, values: NDArray[Any]) -> NDArray[Any]:
        return values.T if self.turned else values

    @property
    def changed(self) -> Flags:
        return self.laid(self.change.changed)

    @property
    def reads_alike(self) -> bool:
        """Whether one raw value means the same in both versions."""
        return _is_alike(self.change.table.storage, self.partner.storage) and _means_alike(*self.conversions)


def _is_laid_alike(old: Text, new: Text) -> bool:
    return (old.length, old.encoding) == (new.length, new.encoding)


def _is_alike(old: Storage, new: Storage) -> bool:
    """Whether both storages have the same raw values."""
    return old.type is new.type and old.raw_limits == new.raw_limits


def _means_alike(old: Conversion, new: Conversion) -> bool:
    """Whether both conversions make the same of every raw value, whatever they are called."""
    return replace(old, name=new.name, line=new.line) == new


#: What is wrong with some new cells: which, why, and the sentence for the one at (y, x).
_Trouble = tuple[Flags, Reason, Callable[[int, int], str]]


class _Port:
    """One rework on its way; ``target`` collects the new raw values, ``texts`` the new texts."""

    def __init__(
        self, old: Decoded, reworked: Decoded, new: Decoded, how: How, left_out: Collection[str]
    ) -> None:
        self.old, self.reworked, self.new, self.how = old, reworked, new, how
        self.before: Definition = old.layout.definition
        self.after: Definition = new.layout.definition
        self.unwanted = frozenset(left_out)
        self.target = replace(new, raw=tuple(raw.copy() for raw in new.raw))
        self.texts: dict[str, bytes] = {}
        self.carried_axes: set[str] = set()
        self.stuck_axes: set[str] = set()
        self.moved: list[Moved] = []
        self.left_out: list[LeftOut] = []
        self.notes: list[Note] = []
        self.problems: list[CarryProblem] = []

    def run(self) -> Carried:
        changes = compare(self.old, self.reworked)
        counted = {one.axis.name for one in changes.counts}
        for name in dict.fromkeys([*changes.by_axis, *sorted(counted)]):
            self._axis(name, name in counted)
        for change in changes.tables:
            if change.table.name in self.unwanted:
                self._leave_out(change.table.name, fmt.count(change.count, "changed cell"))
            elif (pair := self._pair(change)) is not None:
                if isinstance(pair.conversions[0], States):
                    self._states(pair)
                else:
                    self._numbers(pair)
        for text in changes.texts:
            self._text(text)
        for run in changes.unexplained:
            bytes_from = f"{fmt.count(run.changed, 'changed byte')} from {fmt.address(run.start)}"
            if UNEXPLAINED in self.unwanted:
                self._leave_out(UNEXPLAINED, bytes_from)
            else:
                words = f"the old definition says nothing about {bytes_from}"
                self._problem(UNEXPLAINED, Reason.UNEXPLAINED, words)
        return self._result()

    def _result(self) -> Carried:
        image: Image | None = None
        renewals: tuple[Renewal, ...] = ()
        if not self.problems:
            image = self._written()
            self.problems += self._collisions(image)
        if self.problems:
            image = None
        elif image is not None and not np.array_equal(image.content, self.new.image.content):
            # A base whose checksum is stale stays as it is where nothing is carried.
            sealed = seal(image, self.after.memory)
            image, renewals = sealed.image, sealed.renewals
        return Carried(
            how=self.how,
            moved=tuple(self.moved),
            left_out=tuple(self.left_out),
            notes=tuple(self.notes),
            problems=tuple(self.problems),
            image=image,
            renewals=renewals,
        )

    # Telling

    def _problem(
        self, name: str, reason: Reason, message: str, spot: CellRef | None = None, is_old: bool = False
    ) -> None:
        self.problems.append(CarryProblem(name, reason, message, spot, is_old))

    def _leave_out(self, name: str, what: str) -> None:
        self.left_out.append(LeftOut(name, what))

    def _old_spot(self, pair: _TablePair, y: int, x: int) -> CellRef:
        """An old cell, by its place in arrays that lie as the new table does."""
        old_y, old_x = (x, y) if pair.turned else (y, x)
        return _spot(self.before, pair.change.new, old_y, old_x)

    def _new_spot(self, pair: _TablePair, y: int, x: int) -> CellRef:
        return _spot(self.after, pair.grid, y, x)

    # Axes

    def _axis(self, name: str, is_recounted: bool) -> None:
        axis = self.before.axes[name]
        assert isinstance(axis, StoredAxis)
        item = self.old.layout.axis_items[name]
        before, after = self.old.breakpoints(name), self.reworked.breakpoints(name)
        flags = self.old.raw_of(item)[0] != self.reworked.raw_of(item)[0]
        moves = ", ".join(table.name for table in self.before.tables_on(name)) or "no table"
        if name in self.unwanted:
            self.stuck_axes.add(name)
            count = fmt.count(int(np.count_nonzero(flags)), "changed breakpoint")
            self._leave_out(name, f"{count}; this moves {moves}")
            return
        trouble = "the stored count of its breakpoints changed" if is_recounted else ""
        trouble = trouble or self._axis_trouble(axis, before, after)
        partner = self.after.axes.get(name)
        if not trouble and isinstance(partner, StoredAxis):
            trouble = self._write_axis(axis, partner, after, flags)
        if trouble:
            self.stuck_axes.add(name)
            words = f"the axis was re-spaced: carry it by hand, with {moves}; {trouble}"
            self._problem(name, Reason.AXIS, words)

    def _axis_trouble(self, axis: StoredAxis, before: Numbers, after: Numbers) -> str:
        """Why a changed axis cannot be taken over as it is; "" where it can."""
        partner = self.after.axes.get(axis.name)
        if not isinstance(partner, StoredAxis) or axis.name not in self.new.layout.axis_items:
            return "the new software stores no such axis"
        if partner.signal != axis.signal or self.after.unit_of(partner) != self.before.unit_of(axis):
            return "it is of another signal or unit in the new software"
        if not np.array_equal(self.new.breakpoints(axis.name), before):
            return "its breakpoints are others in the new base"
        ours, theirs = (
            {table.name for table in definition.tables_on(axis.name)}
            for definition in (self.before, self.after)
        )
        if ours != theirs:
            names = ", ".join(sorted(ours ^ theirs))
            return f"in the new software it does not move the same tables ({names})"
        if ours & self.unwanted:
            return f"it moves what is left out ({', '.join(sorted(ours & self.unwanted))})"
        if not np.isfinite(after).all():
            return "a breakpoint is not a number"
        return ""

    def _write_axis(self, axis: StoredAxis, partner: StoredAxis, after: Numbers, changed: Flags) -> str:
        """Take over the breakpoints; says what is wrong where they do not fit."""
        old, new = self.before.conversion_of(axis), self.after.conversion_of(partner)
        item = self.new.layout.axis_items[axis.name]
        target = self.target.raw_of(item)[0]
        if _is_alike(axis.storage, partner.storage) and _means_alike(old, new):
            raw = self.reworked.raw_of(self.old.layout.axis_items[axis.name])[0]
            fits = np.ones(len(raw), bool)
        else:
            quantised = quantise(new, partner.storage, after)
            raw, fits = quantised.raw, quantised.fits
        stored = to_physical(new, raw)
        worst = fits & ~exceeds(after, stored, _step(old, axis.storage, after) / 2)
        if not worst[changed].all():
            value = float(after[changed & ~worst][0])
            unit = self.after.unit_of(partner)
            return f"{fmt.with_unit(fmt.plain(value), unit)} does not fit the new type"
        if is_readable(after) and not is_readable(np.where(changed, stored, after)):
            return "in the new type breakpoints fall together"
        target[changed] = raw[changed]
        self.carried_axes.add(axis.name)
        moved = self.target.raw_of(item)[0] != self.new.raw_of(item)[0]
        deviation = np.where(changed, np.abs(stored - after), 0.0)
        self.moved.append(
            Moved(
                name=axis.name,
                kind="axis",
                title=axis.signal,
                unit=self.after.unit_of(partner),
                cells=int(np.count_nonzero(moved)),
                deviation=float(deviation.max()),
                words=_amount(float(deviation.max()), self.after.unit_of(partner)),
            )
        )
        return ""

    # Tables: partners

    def _pair(self, change: TableChange) -> _TablePair | None:
        """A changed table with its partner; None where it has none, which is a problem then."""
        table = change.table
        stuck = [name for name in table.axes if name in self.stuck_axes]
        partner = self.after.tables.get(table.name)
        if stuck:
            words = f"it stands on {' and '.join(stuck)}, which was re-spaced and is not carried"
            self._problem(table.name, Reason.AXIS, f"{words}; carry the table by hand too")
        elif partner is None or table.name not in self.new.layout.table_items:
            self._problem(table.name, Reason.NO_PARTNER, "the new software has no such table")
        elif words := self._difference(table, partner):
            self._problem(table.name, Reason.NO_PARTNER, words)
        else:
            return self._laid(change, partner)
        return None

    def _difference(self, table: Table, partner: Table) -> str:
        """In what a partner is no partner; "" if in nothing."""
        old, new = self.before, self.after
        if table.kind is not partner.kind:
            return f"it is a {table.kind} in the old software and a {partner.kind} in the new one"
        conversions = old.conversion_of(table), new.conversion_of(partner)
        if isinstance(conversions[0], States) != isinstance(conversions[1], States):
            return "it holds named states in one software and numbers in the other"
        units = old.unit_of(table), new.unit_of(partner)
        if units[0] != units[1]:
            return f"its unit was {_unit(units[0])} and is {_unit(units[1])} in the new software"
        ours, theirs = self._signals(old, table), self._signals(new, partner)
        if ours != theirs and ours != theirs[::-1]:
            words = [
                " by ".join(f"{signal} ({_unit(unit)})" for signal, unit in one) for one in (ours, theirs)
            ]
            return f"its axes were {words[0]} and are {words[1]} in the new software"
        return ""

    @staticmethod
    def _signals(definition: Definition, table: Table) -> list[tuple[str, str]]:
        axes = [definition.axes[name] for name in table.axes]
        return [(axis.signal, definition.unit_of(axis)) for axis in axes]

    def _laid(self, change: TableChange, partner: Table) -> _TablePair | None:
        turned = self._signals(self.before, change.table) != self._signals(self.after, partner)
        old_x, old_y = change.new.x, change.new.y
        if turned:
            old_x, old_y = old_y, old_x
        grid = self.new.grid(partner)
        grid = replace(grid, x=self._breakpoints(partner.x, grid.x), y=self._breakpoints(partner.y, grid.y))
        none = np.zeros(1)
        along = [
            _AxisMap.between(
                source if source is not None else none,
                target if target is not None else none,
            )
            for source, target in ((old_x, grid.x), (old_y, grid.y))
        ]
        x, y = along
        if x is None or y is None:
            words = "its breakpoints neither rise nor fall throughout, so nothing can be read between them"
            self._problem(change.table.name, Reason.AXIS, words)
            return None
        conversions = self.before.conversion_of(change.table), self.after.conversion_of(partner)
        return _TablePair(change, partner, grid, turned, _Reach(x, y), conversions)

    def _breakpoints(self, axis: str | None, values: Numbers | None) -> Numbers | None:
        """The breakpoints of a new table, those of a carried axis as the rework has them."""
        return self.reworked.breakpoints(axis) if axis in self.carried_axes and axis else values

    # Tables: numbers

    def _numbers(self, pair: _TablePair) -> None:
        """Carry a table of numbers."""
        grid, reach, changed = pair.grid, pair.reach, pair.changed
        old, reworked = (pair.laid(one.physical) for one in (pair.change.old, pair.change.new))
        was_off, is_off = (pair.laid(one.off) for one in (pair.change.old, pair.change.new))
        switched = changed & (was_off | is_off)
        base = grid.physical
        same = reach.flags_at_same(changed & ~switched)
        touched, wanted = self._wanted(pair, old, reworked, switched)

        # Where the new base has the very value of the old one, all three ways come to the reworked value;
        # said so, no rounding of sums and products comes between.
        equal = same & (base == reach.at_same(old))
        if self.how is How.RATIO:
            equal &= reach.at_same(old) != 0
        if self.how is not How.VALUE:
            wanted = np.where(equal, reach.at_same(reworked), wanted)
        as_stored = same & (self.how is How.VALUE)
        as_stored |= same & _equal_bits(grid.raw, reach.at_same(pair.laid(pair.change.old.raw)))
        as_stored &= pair.reads_alike
        wanted = np.where(as_stored, reach.at_same(reworked), wanted)
        touched |= as_stored

        # Cells that were switched off or on go over only to the very same breakpoints.
        code = pair.partner.demands.off
        exact = reach.flags_at_same(switched)
        to_off = exact & reach.at_same(is_off)
        to_on = exact & ~reach.at_same(is_off)
        wanted = np.where(to_on, reach.at_same(reworked), wanted)
        between = reach.reached(switched) & ~exact
        undefined = to_on & ~grid.off & (self.how is not How.VALUE)
        as_stored |= to_on & ~undefined & pair.reads_alike
        touched = (touched | exact | between) & ~(to_off & grid.off)

        quantised = quantise(pair.conversions[1], pair.partner.storage, wanted)
        copied = reach.at_same(pair.laid(pair.change.new.raw)) if pair.reads_alike else quantised.raw
        raw = np.where(as_stored, copied, quantised.raw)
        fits = quantised.fits | as_stored
        stored = to_physical(pair.conversions[1], raw)
        half = _step(pair.conversions[0], pair.change.table.storage, wanted) / 2
        number = self._number_words(pair)
        troubles: list[_Trouble] = [
            (~grid.present, Reason.NO_PARTNER, lambda y, x: "the new base does not hold this cell"),
            (
                between,
                Reason.OFF_CODE,
                lambda y, x: (
                    "it lies beside a cell that was switched off or on, and off has no values between"
                ),
            ),
            (
                to_off & (code is None),
                Reason.OFF_CODE,
                lambda y, x: "the rework switches it off, and the new table has no off code",
            ),
            (
                undefined,
                Reason.OFF_CODE,
                lambda y, x: (
                    "the old base is off here, so there is no change to carry; --as value carries the value"
                ),
            ),
            (
                grid.off & ~exact,
                Reason.OFF_CODE,
                lambda y, x: "the new base is switched off here, so there is no value to change",
            ),
            (
                ~np.isfinite(wanted) & ~to_off,
                Reason.NO_NUMBER,
                lambda y, x: "what was wanted here is not a number",
            ),
            (
                ~fits & ~to_off,
                Reason.DOES_NOT_FIT,
                lambda y, x: f"{number(wanted[y, x])} does not fit the new type, {self._span(pair)}",
            ),
            (
                (raw == code.raw) & ~to_off if code else np.zeros(raw.shape, bool),
                Reason.OFF_CODE,
                lambda y, x: f"{number(wanted[y, x])} would be stored as the off code of the new table",
            ),
            (
                self._outside_limits(pair.partner, stored) & ~to_off,
                Reason.OUTSIDE_LIMITS,
                lambda y, x: self._limit_words(pair, float(stored[y, x])),
            ),
            (
                exceeds(wanted, stored, half) & ~to_off,
                Reason.LOSES_RESOLUTION,
                lambda y, x: self._coarse_words(pair, float(wanted[y, x]), float(stored[y, x])),
            ),
        ]
        good = self._sorted_out(pair, touched, troubles)
        if code is not None:
            raw = np.where(to_off, np.asarray(code.raw).astype(raw.dtype), raw)
        self._put(pair, good, raw)
        differing = good & ~_equal_bits(self._target(pair), grid.raw)
        effect = differing | (exact & ~(touched & ~good)) | (good & (self.how is How.VALUE))
        lost = changed & ~reach.reaching(effect | (touched & ~good))
        self._tell_lost(pair, lost, reworked - old)
        deviation = np.where(good & exceeds(wanted, stored, 0.0), np.abs(stored - wanted), 0.0)
        self._tell_moved(pair, differing, deviation)
        if good.any():
            self._tell_shape(pair, good, changed & ~switched & ~lost, old, reworked)

    def _wanted(
        self, pair: _TablePair, old: Numbers, reworked: Numbers, switched: Flags
    ) -> tuple[Flags, Numbers]:
        """Which new cells the change reaches, and the values wanted there; NaN beside switched cells."""
        grid, reach, changed = pair.grid, pair.reach, pair.changed
        base = grid.physical
        reached = reach.reached(changed)
        if self.how is How.VALUE:
            is_off = pair.laid(pair.change.new.off)
            return reached, reach.read(grid, np.where(is_off | switched, np.nan, reworked))
        delta = np.where(changed, reworked - old, 0.0)
        delta = reach.read(grid, np.where(switched, np.nan, delta))
        if self.how is How.DELTA:
            return reached & (delta != 0), base + delta
        zero = changed & ~switched & (old == 0)
        ratio = np.where(changed, reworked / old, 1.0)
        ratio = reach.read(grid, np.where(switched | zero, np.nan, ratio))
        by_delta = reach.reached(zero)
        for y, x in np.argwhere(zero & reach.reaching(by_delta)).tolist():
            words = "the old base is 0 here, which has no ratio; the difference was carried instead"
            self.notes.append(Note(pair.name, words, self._old_spot(pair, y, x)))
        touched = reached & np.where(by_delta, delta != 0, ratio != 1)
        return touched, np.where(by_delta, base + delta, base * ratio)

    def _outside_limits(self, table: Table, stored: Numbers) -> Flags:
        limits = table.demands.limits
        if limits is None:
            return np.zeros(stored.shape, bool)
        found: Flags = (stored < limits.low) | (stored > limits.high)
        return found

    # Tables: states

    def _states(self, pair: _TablePair) -> None:
        """Carry a table of named states, by name; between different states there is none."""
        old, new = pair.conversions
        assert isinstance(old, States)
        assert isinstance(new, States)
        grid, reach, changed = pair.grid, pair.reach, pair.changed
        numbers, is_off = pair.laid(pair.change.new.raw), pair.laid(pair.change.new.off)
        code = pair.partner.demands.off
        touched = reach.reached(changed)
        raw = self.new.grid(pair.partner).raw.copy()
        kinds = np.zeros(touched.shape, np.int64)
        missing = np.zeros(touched.shape, bool)
        names: dict[tuple[int, bool], str] = {}
        # By their places among all values: a float that is no number is not even equal to itself.
        values, kind = np.unique(numbers, return_inverse=True)
        kind = kind.reshape(numbers.shape)
        for one, number in enumerate(values.tolist()):
            for off in (False, True):
                here = reach.reached((kind == one) & (is_off == off))
                kinds += here
                name = "off" if off else old.names.get(number)
                value = (code.raw if code else None) if off else new.raw_of(name) if name else None
                names[one, off] = name or f"raw {number}"
                if value is None or not pair.partner.storage.holds(value):
                    missing |= here
                else:
                    raw[here] = value
        if pair.reads_alike:
            # The very bits: a float may hold minus zero, which has the name of zero.
            raw = np.where(reach.flags_at_same(changed), reach.at_same(numbers), raw)

        def state(y: int, x: int) -> str:
            place = int(reach.y.low[y]), int(reach.x.low[x])
            return names[int(kind[place]), bool(is_off[place])]

        troubles: list[_Trouble] = [
            (~grid.present, Reason.NO_PARTNER, lambda y, x: "the new base does not hold this cell"),
            (
                kinds > 1,
                Reason.STATE,
                lambda y, x: "it lies between cells with different states, and there is none between them",
            ),
            (
                missing,
                Reason.STATE,
                lambda y, x: f'the new software has no state "{state(y, x)}" here',
            ),
            (
                self._outside_limits(pair.partner, raw.astype(np.float64)),
                Reason.OUTSIDE_LIMITS,
                lambda y, x: self._limit_words(pair, float(raw[y, x])),
            ),
        ]
        good = self._sorted_out(pair, touched, troubles)
        self._put(pair, good, raw)
        self._tell_lost(pair, changed & ~reach.reaching(touched), None)
        differing = good & ~_equal_bits(self._target(pair), grid.raw)
        self._tell_moved(pair, differing, np.zeros(good.shape))

    # Tables: writing and telling

    def _target(self, pair: _TablePair) -> NDArray[Any]:
        """The new raw values of a table, as a view to write to."""
        return self.target.raw_of(self.new.layout.table_items[pair.name])

    def _put(self, pair: _TablePair, cells: Flags, raw: NDArray[Any]) -> None:
        self._target(pair)[cells] = raw[cells]

    def _sorted_out(self, pair: _TablePair, touched: Flags, troubles: list[_Trouble]) -> Flags:
        """The touched cells without trouble; the first trouble of each of the others becomes a problem."""
        good = touched.copy()
        found: list[tuple[int, int, Reason, str]] = []
        for flags, reason, words in troubles:
            found += [(y, x, reason, words(y, x)) for y, x in np.argwhere(good & flags).tolist()]
            good &= ~flags
        for y, x, reason, message in sorted(found):
            self._problem(pair.name, reason, message, self._new_spot(pair, y, x))
        return good

    def _tell_lost(self, pair: _TablePair, lost: Flags, steps: Numbers | None) -> None:
        everywhere = np.ones(pair.grid.physical.shape, bool)
        seen = pair.reach.reaching(everywhere)
        for y, x in np.argwhere(lost).tolist():
            if not seen[y, x]:
                words = "the new table has no breakpoint at or beside this cell, so the change would be lost"
            else:
                assert steps is not None  # of states none vanishes that is seen
                amount = fmt.with_unit(f"{steps[y, x]:+.6g}", self.before.unit_of(pair.change.table))
                words = f"the change of {amount} vanishes when it is rounded to the new table's values"
            self._problem(pair.name, Reason.VANISHES, words, self._old_spot(pair, y, x), is_old=True)

    def _tell_moved(self, pair: _TablePair, differing: Flags, deviation: Numbers) -> None:
        y, x = (int(index) for index in np.unravel_index(np.argmax(deviation), deviation.shape))
        most = float(deviation[y, x])
        unit = self.after.unit_of(pair.partner)
        self.moved.append(
            Moved(
                name=pair.name,
                kind=pair.partner.kind.value,
                title=pair.partner.title,
                unit=unit,
                cells=int(np.count_nonzero(differing)),
                deviation=most,
                words=_amount(most, unit),
                spot=self._new_spot(pair, y, x) if most else None,
            )
        )

    def _tell_shape(
        self, pair: _TablePair, good: Flags, changed: Flags, old: Numbers, reworked: Numbers
    ) -> None:
        """Notes about what other breakpoints do to the shape of a change."""
        reach = pair.reach
        beyond = int(np.count_nonzero(good & reach.outside))
        if beyond:
            words = f"{fmt.count(beyond, 'cell')} beyond the old breakpoints"
            self.notes.append(Note(pair.name, f"the outermost change is held in {words}"))
        surface = reworked if self.how is How.VALUE else np.where(pair.changed, reworked - old, 0.0)
        surface = np.where(pair.laid(pair.change.new.off | pair.change.old.off), np.nan, surface)
        back = reach.read_back(pair.grid, reach.read(pair.grid, surface))
        if back is None:
            return
        flattened = changed & exceeds(
            surface, back, _step(pair.conversions[0], pair.change.table.storage, reworked) / 2
        )
        if flattened.any():
            losses = np.where(flattened, np.abs(surface - back), -1.0)
            y, x = (int(index) for index in np.unravel_index(np.argmax(losses), losses.shape))
            amount = _amount(float(losses[y, x]), self.before.unit_of(pair.change.table))
            words = f"between the new breakpoints the change is flattened, at most by {amount}"
            self.notes.append(Note(pair.name, words, self._old_spot(pair, y, x)))

    # Words

    def _number_words(self, pair: _TablePair) -> Callable[[float], str]:
        unit = self.after.unit_of(pair.partner)
        return lambda value: fmt.with_unit(f"{value:.6g}", unit)

    def _span(self, pair: _TablePair) -> str:
        low, high = (float(end) for end in physical_limits(pair.conversions[1], pair.partner.storage))
        unit = self.after.unit_of(pair.partner)
        return f"which holds {low:.6g} to {fmt.with_unit(f'{high:.6g}', unit)}"

    def _limit_words(self, pair: _TablePair, stored: float) -> str:
        limits = pair.partner.demands.limits
        assert limits is not None
        unit, conversion = self.after.unit_of(pair.partner), pair.conversions[1]
        limit, side = (limits.high, "above") if stored > limits.high else (limits.low, "below")
        value = fmt.with_unit(fmt.format_near(stored, limit, conversion), unit)
        return f"{value} is {side} the new software's limit of {fmt.with_unit(fmt.plain(limit), unit)}"

    def _coarse_words(self, pair: _TablePair, wanted: float, stored: float) -> str:
        unit = self.after.unit_of(pair.partner)
        words = [fmt.with_unit(f"{value:.6g}", unit) for value in (wanted, stored)]
        return f"{words[0]} would become {words[1]}, which is off by more than half a step of the old table"

    # Texts

    def _text(self, change: TextChange) -> None:
        text = change.text
        if text.name in self.unwanted:
            self._leave_out(text.name, f'the text "{change.new}"')
            return
        partner = self.after.texts.get(text.name)
        present = partner and self.new.image.read(partner.at, partner.length)
        if partner is None or present is None:
            self._problem(text.name, Reason.NO_PARTNER, "the new software has no such text")
            return
        if "\ufffd" in change.new and not _is_laid_alike(text, partner):
            words = f"its bytes are no {text.encoding}, so they cannot be stored in another way"
            self._problem(text.name, Reason.TEXT, words)
            return
        try:
            content = self._text_content(text, partner, change.new)
        except UnicodeEncodeError:
            words = f'"{change.new}" cannot be written in {partner.encoding}, as the new software stores it'
            self._problem(text.name, Reason.TEXT, words)
            return
        if len(content) > partner.length:
            words = f'"{change.new}" is longer than the {partner.length} bytes that the new software has'
            self._problem(text.name, Reason.TEXT, words)
            return
        self.texts[text.name] = content
        self.moved.append(Moved(text.name, "text", partner.title, "", int(content != present)))

    def _text_content(self, text: Text, partner: Text, words: str) -> bytes:
        """The bytes of a text in the new software, padded as the rework pads it; too long where it is so."""
        data = self.reworked.image.read(text.at, text.length) or b""
        if _is_laid_alike(text, partner):
            return data
        padding = data[-1:] if len(words.encode(text.encoding, "replace")) < text.length else b" "
        return words.encode(partner.encoding).ljust(partner.length, padding)

    # Bytes

    def _written(self) -> Image:
        """The new base with everything that was carried."""
        differing = changed_cells(self.new, self.target)
        return encode(self.new, self.target.raw, differing, self.texts)

    def _collisions(self, image: Image) -> Iterator[CarryProblem]:
        """What the written image has otherwise than meant, because things share their bytes."""
        layout = self.new.layout
        result = decode(layout, image)
        words = "it shares bytes with something that is carried, which would change it too"
        for number in np.unique(layout.item[changed_cells(self.target, result)]).tolist():
            yield CarryProblem(layout.items[number].name, Reason.OVERLAP, words)
        for identity in self.after.memory.identities:
            if _differs(image, self.new.image, identity.at, len(identity.content)):
                yield CarryProblem(identity.name, Reason.OVERLAP, words)
        for text in self.after.texts.values():
            if text.name in self.texts:
                if image.read(text.at, text.length) != self.texts[text.name]:
                    yield CarryProblem(text.name, Reason.OVERLAP, words)
            elif _differs(image, self.new.image, text.at, text.length):
                yield CarryProblem(text.name, Reason.OVERLAP, words)


def _differs(one: Image, other: Image, start: int, size: int) -> bool:
    return one.read(start, size) != other.read(start, size)


def _equal_bits(one: NDArray[Any], other: NDArray[Any]) -> Flags:
    """Which raw values are stored alike: two NaNs may differ, and minus zero is not zero."""
    if one.dtype != other.dtype:
        return np.zeros(one.shape, bool)
    bits = f"u{one.dtype.itemsize}"
    found: Flags = np.ascontiguousarray(one).view(bits) == np.ascontiguousarray(other).view(bits)
    return found


def _step(conversion: Conversion, storage: Storage, physical: Numbers) -> Numbers:
    """The distance from one value that the storage can hold to the next, near the physical values.

    Floats have the step that their conversion shows, one of its last digit, or else that of their type.
    0 where it is not known, so that nothing passes for near enough.
    """
    if not storage.type.is_integer and conversion.decimals is not None:
        return np.full(np.shape(physical), 10.0**-conversion.decimals)
    raw = to_raw_numbers(conversion, physical)
    apart: Numbers | float = 1.0
    if storage.type.is_integer:
        raw = np.rint(raw)
    else:
        stored = raw.astype(storage.dtype.newbyteorder("="))
        raw, apart = stored.astype(np.float64), np.spacing(np.abs(stored)).astype(np.float64)
    here, above, below = (to_physical(conversion, raw + apart * side) for side in (0, 1, -1))
    return np.nan_to_num(np.fmax(np.abs(above - here), np.abs(here - below)), nan=0.0)


# Words


def _spot(definition: Definition, grid: Grid, y: int, x: int) -> CellRef:
    """A cell of a grid by its breakpoints."""
    table = grid.table
    at: dict[str, float] = {}
    words = []
    places = ((table.x, grid.x, x), (table.y, grid.y, y))
    found = [(name, values, index) for name, values, index in places if name and values is not None]
    for key, (name, values, index) in zip(definition.breakpoint_keys(table), found, strict=True):
        axis, value = definition.axes[name], float(values[index])
        if math.isfinite(value):
            at[key] = value
        words.append(fmt.axis_value(definition, axis, value))
    return CellRef(x, y, at, f"at {', '.join(words)}" if words else "")


def _amount(value: float, unit: str) -> str:
    return fmt.with_unit(f"{value:.3g}", unit)


def _unit(unit: str) -> str:
    return fmt.unit_word(unit) if unit not in ("", "-") else "without a unit"
